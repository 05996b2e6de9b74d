"""A sheet while it is typed: it says what the library's reader says, at the right text, and loses nothing."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from store.devices.sheet_reader import SheetRefused, read_sheet
from store.devices.sheet_writer import TEMPLATE
from tui.state.look import Look
from tui.state.sheet_draft import ROWS, TABLES, SheetDraft
from tui.state.sheet_page import sheet_rows

WHOLE = "\n".join(
    line.removeprefix("# ") if line.startswith(("# [[", "# ")) and (" = " in line or "# [[" in line) else line
    for line in TEMPLATE.splitlines()[4:]
    if "One [[" not in line
).replace('"..."', '"an invented one"')


def test_every_key_of_a_sheet_is_in_the_form():
    """The commented sheet names all there is; so the form has a field for each of them."""
    sheet = read_sheet(WHOLE).sheet
    draft = SheetDraft.of(sheet)
    known = {(name, of.key) if name else (of.key,) for name, fields in TABLES.items() for of in fields}
    known |= {(name, 0, of.key) for name, fields in ROWS.items() for of in fields}
    assert {place for place, text in draft.texts.items() if text} == known


def test_a_sheet_goes_through_the_form_unchanged():
    sheet = read_sheet(WHOLE).sheet
    draft = SheetDraft.of(sheet)
    assert not draft.is_changed
    assert draft.read().sheet == sheet


@settings(deadline=None, max_examples=150)
@given(st.text(max_size=30), st.sampled_from(["maker", "note", "model"]))
def test_any_text_is_kept_as_typed(text, key):
    """Quotes, brackets, control characters and signs of any script come back; only blanks around them go."""
    draft = SheetDraft.of(None, "PB-01")
    draft.put(("",), {"kind": "power bank", key: text})
    try:
        read = draft.read().sheet
    except SheetRefused as refused:
        raise AssertionError(draft.written()[0]) from refused
    assert getattr(read, key) == text.strip()


@pytest.mark.parametrize(
    ("table", "texts", "at", "said"),
    [
        ("", {"kind": "powr bank"}, ("kind",), "Did you mean `power bank`"),
        ("", {"device": ""}, ("device",), "`device` is missing"),
        ("", {"made_on": "2026-13-01"}, ("made_on",), "a date"),
        ("rated", {"capacity_mah": "16,000"}, ("rated", "capacity_mah"), "a number"),
        ("rated", {"capacity_mah": "-5"}, ("rated", "capacity_mah"), "can't be"),
        ("rated", {"cell_voltage_v": "38.5"}, ("rated", "cell_voltage_v"), "Is the unit right"),
        ("price", {"amount": "cheap"}, ("price", "amount"), "a number"),
    ],
)
def test_a_complaint_stands_at_its_text(table, texts, at, said):
    draft = SheetDraft.of(None, "PB-01")
    draft.put(("",), {"kind": "power bank"})
    draft.put((table,), texts)
    assert said in draft.complaints()[at]


@pytest.mark.parametrize(
    ("name", "texts", "key", "said"),
    [
        ("port", {"connector": "USB-C"}, "name", "needs its marking"),
        ("port", {"name": "C1", "direction": "up"}, "direction", "Write one of"),
        ("port", {"name": "C1", "offers": "quick"}, "offers", "kept as text"),
        ("claim", {"quantity": "energy_out_wh", "bound": "at last", "value": "5"}, "bound", "Did you mean `at least`"),
        ("mark", {"listing": "found"}, "name", "needs its name"),
    ],
)
def test_a_complaint_about_a_row_stands_in_that_row(name, texts, key, said):
    """The second row of its kind, so that a wrong count would be seen."""
    draft = SheetDraft.of(None, "PB-01")
    draft.put(("",), {"kind": "power bank"})
    draft.put(draft.add(name), {"name": "A1"} if name != "claim" else {"text": "an invented claim"})
    draft.put(draft.add(name), texts)
    assert said in draft.complaints()[(name, 1, key)]


def test_a_decimal_comma_is_a_number_and_thousands_are_asked_about():
    draft = SheetDraft.of(None, "PB-01")
    draft.put(("",), {"kind": "power bank"})
    draft.put(("rated",), {"cell_voltage_v": "3,85", "capacity_mah": "16000"})
    assert draft.read().sheet.energy_wh == pytest.approx(61.6)


def test_a_row_that_is_taken_away_leaves_the_others():
    draft = SheetDraft.of(None, "PB-01")
    for name in ("C1", "C2", "A1"):
        draft.put(draft.add("port"), {"name": name})
    draft.remove(("port", 1))
    draft.put(("",), {"kind": "power bank"})
    assert [port.name for port in draft.read().sheet.ports] == ["C1", "A1"]


@pytest.mark.parametrize("width", [56, 80, 160])
def test_rows_show_all_that_is_said(width):
    draft = SheetDraft.of(read_sheet(WHOLE).sheet)
    text = "\n".join("".join(piece for piece, _ in row.text) for row in sheet_rows(draft, Look(), width))
    assert "16000" in text
    assert "at least 48 Wh" in text
    assert "+ another port" in text
