"""Devices side by side on screen: from a mark or from a page, at any width, and on to their runs."""

import pytest

from store import Library
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.runs import RunsScreen
from tui.screens.side_by_side import SideBySideScreen


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (120, 40), (160, 45)])
async def test_marked_devices_stand_side_by_side(demo_library, size):
    """`space` marks, `c` compares: every device and what was found of them is there, nothing runs off the screen."""
    app = app_on(Library.open(demo_library))
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        await press(pilot, "f3", "G", "up", "up", "space", "g", *["down"] * 8, "space", "c")
        assert isinstance(app.screen, SideBySideScreen)
        text = screen_text(app)
        assert "PB-02 against PB-07" in text
        assert "delivered energy" in text
        assert "▲" in text
        shown = app.screen.query_one("#document-lines").lines
        assert max(sum(len(piece) for piece, _ in line) for line in shown) <= size[0] - 5
        await press(pilot, "r")
        assert isinstance(app.screen, RunsScreen)
        assert "PB-02" in screen_text(app)


async def test_a_device_alone_is_joined_by_its_peers_and_ordered(demo_library):
    """From a page, `c`; `o` orders by another quantity."""
    app = app_on(Library.open(demo_library))
    async with app.run_test(size=(160, 45)) as pilot:
        await settle(pilot)
        await press(pilot, "f3", *["down"] * 9, "enter", "c")
        assert "peers added: PB-02, PB-07" in screen_text(app)
        await press(pilot, "o", *"mass", "enter")
        assert "ordered by" in screen_text(app)
