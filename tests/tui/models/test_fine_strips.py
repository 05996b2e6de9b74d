"""Strips of a whole long run, cut and merged: nothing that stands out is lost, and nothing coarser is passed off."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from store.model.records import Strip, StripSet
from tui.state.fine_strips import FineStrips


def whole(values: np.ndarray, channel: str = "power_w") -> StripSet:
    strip = Strip(channel, "W", values, values, values)
    return StripSet(0.0, float(len(values)), len(values), (strip,))


@settings(deadline=None, max_examples=60)
@given(
    first=st.floats(0, 900),
    share=st.floats(0.05, 1.0),
    buckets=st.integers(2, 60),
    notch=st.integers(0, 999),
)
def test_the_window_keeps_every_extreme_inside_it(first, share, buckets, notch):
    """A notch of one bucket survives, at its time, however the window is cut."""
    values = np.full(1000, 60.0)
    values[notch] = 3.0
    fine = FineStrips(1)
    fine.take(whole(values))
    last = first + share * (1000 - first)
    found = fine.window(["power_w"], first, last, buckets)
    if found is None:
        assert np.ceil(last) - np.floor(first) < buckets
        return
    assert found.from_s <= first
    assert found.to_s >= last
    assert buckets <= found.buckets <= 2 * buckets + 2
    width = (found.to_s - found.from_s) / found.buckets
    lowest = found.strips[0].lowest
    if first <= notch < last - 1:
        at = int((notch + 0.5 - found.from_s) / width)
        assert lowest[at] == 3.0
    assert np.nanmax(found.strips[0].highest) == 60.0


def test_gaps_stay_gaps():
    values = np.full(100, 5.0)
    values[40:60] = np.nan
    fine = FineStrips(1)
    fine.take(whole(values))
    found = fine.window(["power_w"], 0, 100, 10)
    assert np.isnan(found.strips[0].lowest[4:6]).all()
    assert not np.isnan(found.strips[0].lowest[[3, 6]]).any()


@pytest.mark.parametrize("channels", [["voltage_v"], ["power_w", "voltage_v"]])
def test_a_channel_that_is_not_here_gives_nothing(channels):
    fine = FineStrips(1)
    fine.take(whole(np.ones(100)))
    assert fine.window(channels, 0, 100, 10) is None
    assert fine.missing(channels) == ["voltage_v"]
    fine.take(whole(np.zeros(100), "voltage_v"))
    assert fine.window(channels, 0, 100, 10) is not None
