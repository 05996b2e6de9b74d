"""Strips never lie: extremes stay, gaps are blank, time is the axis."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.model.records import Strip, StripSet
from tui.state.strips import draw_strip, empty_buckets_to_bridge, rebucket, time_axis


def strip_of(low: np.ndarray, high: np.ndarray | None = None) -> Strip:
    high = low if high is None else high
    return Strip("voltage_v", "V", low, (low + high) / 2, high)


@pytest.mark.parametrize("style", ["braille", "blocks", "ascii"])
@pytest.mark.parametrize("rows", [1, 2, 3])
def test_a_dropout_of_one_sample_is_a_visible_notch(style, rows):
    """One bucket whose minimum is zero changes what is drawn in its cell."""
    steady = np.full(120, 20.0)
    low = steady.copy()
    low[60] = 0.0
    whole = draw_strip(strip_of(low, steady), width=30, rows=rows, style=style)
    at, away = 15, 5
    assert any(line[at] != line[away] for line in whole)
    assert whole[-1][at] != " "


@pytest.mark.parametrize("style", ["braille", "blocks", "ascii"])
def test_a_gap_is_blank(style):
    """Empty buckets leave their cells empty."""
    low = np.full(120, 20.0)
    low[40:80] = np.nan
    line = draw_strip(strip_of(low), width=30, style=style)[0]
    assert line[12:18] == " " * 6
    assert line[2] != " "


@pytest.mark.parametrize("values", [[], [np.nan], [5.0], [np.inf, 1.0], [np.nan] * 120])
def test_empty_nan_and_one_sample_runs_are_drawn(values):
    """Nothing in the data makes drawing fail."""
    drawn = draw_strip(strip_of(np.array(values, dtype=float)), width=10, rows=2)
    assert [len(line) for line in drawn] == [10, 10]


@given(
    st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=300),
    st.integers(1, 300),
)
def test_extremes_survive_every_width(values, columns):
    """The lowest and the highest bucket are in the result whatever its width."""
    array = np.array(values)
    low, high = rebucket(array, columns, lowest=True), rebucket(array, columns, lowest=False)
    if np.isnan(array).all():
        assert np.isnan(low).all()
        return
    assert np.nanmin(low) == np.nanmin(array)
    assert np.nanmax(high) == np.nanmax(array)


def test_samples_farther_apart_than_buckets_are_no_gaps():
    """60 samples in 120 buckets are bridged; a real gap is not."""
    strips = StripSet(0.0, 600.0, 120, ())
    assert empty_buckets_to_bridge(strips, 10.0) == 2
    assert empty_buckets_to_bridge(strips, 1.0) == 0


def test_the_axis_marks_events_where_they_happened():
    """Half way in time is half way in cells."""
    line = time_axis(0, 100, 40, events=[50])
    assert line[20] == "▴"
    assert len(line) == 40
