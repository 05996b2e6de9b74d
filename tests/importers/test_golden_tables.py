"""Golden tables: labels, units and rows as people write them give the figures that were reviewed by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from importers import inspect, read
from tests.exports.judge import Kept

CASES = sorted((Path(__file__).parents[1] / "golden_tables").glob("*.csv"))


@pytest.mark.parametrize("case", CASES, ids=[c.stem for c in CASES])
def test_a_table_gives_what_was_reviewed(case):
    expected = json.loads(case.with_suffix(".expected.json").read_text("utf-8"))
    assert [q.id for q in inspect(case).questions] == expected["asked"]
    found = inspect(case, answers=expected["answers"])
    assert found.is_sure, found.questions
    sink = Kept()
    outcome = read(case, found, sink)
    assert len(outcome.runs) == len(expected["runs"])
    for run, truth in zip(outcome.runs, expected["runs"], strict=True):
        start = run.start
        assert (start.part, start.port, start.stated.device) == (truth["part"], truth["port"], truth["device"])
        frame = sink.frames()[start.part]
        assert frame.height == truth["samples"]
        for at, row in ((0, truth["first"]), (-1, truth["last"])):
            got = {k: v for k, v in frame.row(at, named=True).items() if v is not None}
            assert got == pytest.approx(row, rel=1e-12)


def test_a_kept_profile_reads_the_next_file_without_its_questions(tmp_path):
    """What was answered once holds for the next file of the same make."""
    case = next(c for c in CASES if c.stem == "one-answer-for-a-family")
    found = inspect(case, answers={"unit.3": "A"})
    profile = found.as_profile("kept")
    again = inspect(case, profiles=[profile])
    assert (again.profile, again.is_sure) == ("kept", True)
    one, two = Kept(), Kept()
    read(case, found, one)
    read(case, again, two)
    assert one.frames()["1"].equals(two.frames()["1"])
