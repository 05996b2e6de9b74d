"""How soon an append shows on the bench: a log that grows to a million rows. Run with -n 0 -m bench -s.

Goals: from the append to figures and curve in under 100 ms whatever the log's length, and the last look about as quick
as the first: nothing is read twice. Figures are printed, not asserted.
"""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import polars as pl
import pytest

from importers.reading.following import Following
from tui.state.bench_log import GrowingTrace

pytestmark = pytest.mark.bench

ROWS = 1_000_000
APPENDED = 10
"""Rows of an append: what a meter at 10 Hz writes in a second."""
LOOKS = 40


def lines(first: int, count: int) -> str:
    return "".join(
        f"{n / 10:.1f},{20 + n % 7 / 1000:.3f},{1.5 + n % 5 / 1000:.3f},{22 + n % 900 / 100:.2f}\n"
        for n in range(first, first + count)
    )


def test_append_to_curve_at_a_million_rows(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("Elapsed [s],Voltage [V],Current [A],Temperature [°C]\n" + lines(0, 1000), "utf-8")
    following, trace = Following(log), GrowingTrace()
    taken = 0

    def look() -> float:
        nonlocal taken
        begun = time.perf_counter()
        following.look()
        (run,) = following.runs
        for piece in run.pieces[taken:]:
            trace.add(piece)
        taken = len(run.pieces)
        trace.figures()
        trace.strips(120)
        return 1000 * (time.perf_counter() - begun)

    look()
    at = 1000
    spent: dict[int, list[float]] = {}
    for length in (10_000, 100_000, ROWS):
        with log.open("a", encoding="utf-8") as out:
            out.write(lines(at, length - at))
        at = length
        caught_up = look()
        spent[length] = []
        for _ in range(LOOKS):
            with log.open("a", encoding="utf-8") as out:
                out.write(lines(at, APPENDED))
            at += APPENDED
            spent[length].append(look())
        median, worst = statistics.median(spent[length]), max(spent[length])
        print(f"{length:>9,} rows: caught up in {caught_up:.0f} ms; an append of {APPENDED} shows in {median:.1f} ms "
              f"(worst {worst:.1f})")  # fmt: skip
    whole = pl.read_csv(log)
    assert trace.samples > whole.height - 1000
