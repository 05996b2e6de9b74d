"""Golden forms: one small file of each other form, clock and language gives the figures that it was made of."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from importers import inspect, read
from tests.exports.judge import Kept

HOME = Path(__file__).parents[1] / "golden_forms"
CASES = sorted(p for p in HOME.iterdir() if not p.name.endswith(".expected.json"))


@pytest.mark.parametrize("case", CASES, ids=[c.stem for c in CASES])
def test_a_form_gives_what_it_was_made_of(case):
    truths = json.loads((HOME / f"{case.stem}.expected.json").read_text("utf-8"))["runs"]
    found = inspect(case)
    assert found.is_sure, found.questions
    sink = Kept()
    outcome = read(case, found, sink)
    assert [run.start.port for run in outcome.runs] == [truth["port"] for truth in truths]
    for run, truth in zip(outcome.runs, truths, strict=True):
        assert run.samples == truth["samples"]
        assert (run.started_at and run.started_at.isoformat()) == truth["started"]
        frame = sink.frames()[run.start.part]
        for at, row in ((0, truth["first"]), (-1, truth["last"])):
            got = {k: v for k, v in frame.row(at, named=True).items() if v is not None}
            assert got == pytest.approx(row, rel=1e-9, abs=1e-6)


def test_every_form_has_a_golden_file():
    """The folder lost none: forms, clocks, and the nine languages beside the ten."""
    assert len(CASES) >= 26
