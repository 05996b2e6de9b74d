"""Keys that come in a burst, as over a slow link, act as they do one by one."""

from __future__ import annotations

import pytest
from textual import events
from textual.keys import _character_to_key
from textual.widgets import Input

from tests.builders import make_store
from tests.tui.harness import app_on, screen_text, settle
from tui.app import JoulebookApp
from tui.screens.facts import FactsScreen
from tui.screens.pick import PickScreen
from tui.screens.runs import RunsScreen


def burst(app: JoulebookApp, *keys: str) -> None:
    """Put keys into the app's queue at once; a word of several letters is typed."""
    for key in keys:
        if key in {"enter", "escape", "down", "up", "tab", "ctrl+s"}:
            app.post_message(events.Key(key, None))
        else:
            for letter in key:
                app.post_message(events.Key(_character_to_key(letter), letter))


async def test_a_filter_typed_in_one_go_goes_into_the_filter_line(tmp_path):
    """`p` after `/` is a letter of the filter and no key of the list."""
    app = app_on(make_store(tmp_path, runs=6))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        burst(app, "/port:C1")
        await settle(pilot)
        assert isinstance(app.screen, RunsScreen)
        assert app.screen.filter_input.value == "port:C1"
        assert "2 of 6" in screen_text(app)


async def test_keys_pressed_while_a_list_opens_go_to_it(tmp_path):
    """`p` and what narrows its list may be typed without waiting."""
    app = app_on(make_store(tmp_path, runs=6))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        burst(app, "p", "C1")
        await settle(pilot)
        assert isinstance(app.screen, PickScreen)
        assert "with C1" in screen_text(app)


@pytest.mark.parametrize("onward", ["down", "tab", "enter"])
async def test_a_form_filled_in_one_go_has_every_text_in_its_field(tmp_path, onward):
    """What is typed after the key for the next field stands in the next field, and can be read on screen."""
    app = app_on(make_store(tmp_path, runs=1))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.push_screen(FactsScreen({}, {}))
        await settle(pilot)
        burst(app, "PB-07", onward, "C1", onward, "fixed 9 V", onward, "heat")
        await settle(pilot)
        found = {
            name: app.screen.query_one(f"#facts-{name}", Input).value for name in ("device", "port", "mode", "kind")
        }
        assert found == {"device": "PB-07", "port": "C1", "mode": "fixed 9 V", "kind": "heat"}
        text = screen_text(app)
        assert all(word in text for word in found.values())
