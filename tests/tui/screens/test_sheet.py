"""A device's sheet is written and corrected on screen; what is wrong is said at its field and nothing is lost."""

from __future__ import annotations

import pytest
from textual.widgets import Input

from store import Library
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.devices import DevicesScreen
from tui.screens.fields import FieldsScreen
from tui.screens.sheet import SheetScreen


@pytest.fixture
def library(tmp_path) -> Library:
    return Library.create(tmp_path / "store", zone="UTC", who="tester")


async def put(app, pilot, **texts: str) -> None:
    """Type into the fields of the form on top and save it."""
    assert isinstance(app.screen, FieldsScreen)
    for key, text in texts.items():
        app.screen.query_one(f"#field-{key}", Input).value = text
    await press(pilot, "ctrl+s")


@pytest.mark.parametrize("size", [(80, 24), (60, 20)])
async def test_a_sheet_from_nothing_to_the_library_and_a_correction(library, size):
    app = app_on(library)
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        await press(pilot, "D", "a", "enter")
        await put(app, pilot, device="PB-07", kind="power bank", note="from a shelf")
        await press(pilot, "p")
        await put(
            app, pilot, name="C1", connector="USB-C", direction="both", offers="fixed 5/9 V 3 A; PPS 3.3-11 V 3 A"
        )
        await press(pilot, "c")
        await put(app, pilot, quantity="energy_out_wh", bound="at least", value="48", unit="Wh", printed_on="case")
        assert "not saved" in screen_text(app)
        await press(pilot, "ctrl+s")
        assert "saved: a new device" in screen_text(app)
        sheet = library.devices.get("PB-07")
        assert sheet.ports[0].offers == ("fixed 5/9 V 3 A", "PPS 3.3-11 V 3 A")
        assert sheet.claims[0].value == 48
        await press(pilot, "g", "enter")
        await put(app, pilot, note="from another shelf")
        await press(pilot, "ctrl+s")
        assert "1 field changed" in screen_text(app)
        assert [(a.field, a.old_value) for a in library.amendments.all("device", ["PB-07"])] == [
            ("note", "from a shelf")
        ]
        await press(pilot, "u")
        assert library.devices.get("PB-07").note == "from a shelf"


async def test_what_is_wrong_is_said_at_its_field_and_stays(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.push_screen(SheetScreen())
        await settle(pilot)
        await press(pilot, "enter")
        await put(app, pilot, device="PB-07", kind="powr bank", maker="an invented one")
        assert isinstance(app.screen, FieldsScreen)
        assert "Did you mean `power bank`" in screen_text(app)
        assert app.focused.id == "field-kind"
        await press(pilot, "ctrl+s")
        assert isinstance(app.screen, SheetScreen)
        await press(pilot, "ctrl+s")
        assert "1 error, marked ! below" in screen_text(app)
        assert "Did you mean" in screen_text(app)
        assert library.devices.sheets() == {}
        await press(pilot, "escape", "f3", "a")
        assert "begun earlier" in screen_text(app)
        assert "an invented one" in screen_text(app)


async def test_leaving_a_form_with_something_typed_takes_two_presses(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "D", "a", "enter", *"PB", "escape")
        assert isinstance(app.screen, FieldsScreen)
        assert "not saved: esc again discards it" in screen_text(app)
        await press(pilot, "escape")
        assert isinstance(app.screen, SheetScreen)
        await press(pilot, "escape")
        assert isinstance(app.screen, DevicesScreen)


async def test_rows_are_taken_away_and_come_back(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.push_screen(SheetScreen())
        await settle(pilot)
        await press(pilot, "p")
        await put(app, pilot, name="C1")
        row = next(i for i, r in enumerate(app.screen._rows) if r.place == ("port", 0))
        app.screen.paged_list.move_to(row)
        await press(pilot, "x")
        assert app.screen._draft.counts["port"] == 0
        await press(pilot, "u")
        assert app.screen._draft.text(("port", 0, "name")) == "C1"
