"""The list of devices as rows of text."""

import pytest

from store.model.records import DeviceRow
from store.uncertainty.decision import Verdict
from tui.state.device_list import DeviceList


def row(device="PB-01", model="a model with a rather long name that goes on"):
    """A device as the library lists it."""
    return DeviceRow(device=device, kind="power bank", maker="", model=model, rated_wh=37.0, runs=22)


def verdict(word, device="PB-01"):
    """A verdict that matters by its word alone."""
    return Verdict(device, 1, "", word, None, "", None, None, None, None, "", ())


def text(line):
    """A line without its roles."""
    return "".join(piece[0] for piece in line)


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_a_line_fits_and_says_how_the_claims_stand(width):
    """The name of the model gives way before the claims do; no maker, no column for one."""
    devices = DeviceList(rows=[row()])
    devices.judged([verdict("met"), verdict("met"), verdict("not met"), verdict("too close to call")])
    head, first = text(devices.head_line(width)), text(devices.row_line(0, width))
    assert max(len(head), len(first)) <= width
    assert "maker" not in head
    assert "2 met, 1 not met" in first or width < 80
    assert first.rstrip().endswith("1 too close") or width < 80


def test_before_the_claims_are_judged_nothing_is_said():
    """An empty column would read as no claims."""
    assert "claims" not in text(DeviceList(rows=[row()]).head_line(120))
