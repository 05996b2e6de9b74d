"""The page of a device says what the library says, and leads from a claim to its runs by one key."""

from __future__ import annotations

import re

import pytest

from store import Library
from store.devices.sheet_reader import read_sheet
from tests.builders import make_store
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.device import DeviceScreen
from tui.screens.runs import RunsScreen

SHEET = """
device = "PB-03"
kind = "power bank"
[rated]
energy_wh = 10
[mass_g]
device = 352
[[port]]
name = "C1"
direction = "both"
offers = ["fixed 20 V 3 A"]
[[port]]
name = "A1"
direction = "out"
offers = ["fixed 5 V 3 A"]
[[claim]]
quantity = "mass_g"
bound = "at most"
value = 300
unit = "g"
printed_on = "box"
[[claim]]
quantity = "energy_out_wh"
bound = "at least"
value = 1
unit = "Wh"
printed_on = "case"
"""


@pytest.fixture
def library(tmp_path) -> Library:
    found = make_store(tmp_path, runs=6)
    found.devices.save(read_sheet(SHEET).sheet, who="a tester")
    return found


@pytest.mark.parametrize("size", [(80, 24), (160, 45)])
async def test_the_page_has_the_librarys_own_verdicts(library, size):
    """Every verdict of the library stands on screen, none is made up by the screen."""
    app = app_on(library)
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        app.push_screen(DeviceScreen("PB-03", ["PB-03"]))
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, DeviceScreen)
        page = "\n".join("".join(text for text, _ in line) for line in screen.query_one("#document-lines").lines)
        verdicts = library.devices.page("PB-03").verdicts
        assert verdicts[0].verdict == "not met"
        for verdict in verdicts:
            assert re.search(rf"^ +{verdict.position}\. .* {verdict.verdict}", page, re.MULTILINE)


async def test_a_digit_leads_to_the_runs_behind_a_claim(library):
    """The list then holds just the runs that the verdict names."""
    wanted = library.devices.page("PB-03").verdicts[1].run_ids
    assert wanted
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.push_screen(DeviceScreen("PB-03", ["PB-03"]))
        await settle(pilot)
        await press(pilot, "1")
        assert "no run belongs to claim 1" in screen_text(app)
        await press(pilot, "2")
        assert isinstance(app.screen, RunsScreen)
        assert app.screen.filter_input.value == "run:" + ",".join(map(str, wanted))
        assert f"{len(wanted)} of 6" in screen_text(app)
