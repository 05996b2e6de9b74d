"""What belongs together is proposed after an import; what only looks so is not."""

from __future__ import annotations

import secrets
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from importers.schema import Facts
from store import Library
from store.runs.proposals import LogSpan, propose
from tests.builders import STARTED, add_run, make_run, write_export

PART = LogSpan(
    run_id=1,
    source="a",
    facts={"device": "PB-01", "port": "C1", "kind": "recharge", "mode": None, "meter": "M1"},
    group_id=None,
    started_at=STARTED,
    duration_s=600.0,
    interval_s=1.0,
    channels=frozenset({"voltage_v", "current_a", "energy_wh"}),
    first={"voltage_v": 20.0, "current_a": 2.0, "energy_wh": 0.0},
    last={"voltage_v": 20.0, "current_a": 2.0, "energy_wh": 6.667},
)
NEXT = replace(
    PART,
    run_id=2,
    source="b",
    started_at=STARTED + timedelta(seconds=601),
    first={"voltage_v": 20.01, "current_a": 1.99, "energy_wh": 6.678},
    last={"voltage_v": 20.0, "current_a": 0.1, "energy_wh": 9.0},
)


def hows(*spans: LogSpan) -> list[tuple[str, tuple[int, ...]]]:
    return [(p.how, p.run_ids) for p in propose(spans)]


def test_parts_of_a_log_in_any_order() -> None:
    third = replace(NEXT, run_id=3, started_at=STARTED + timedelta(seconds=1203), first=NEXT.last)
    second = replace(NEXT, last=NEXT.first)
    assert hows(PART, NEXT) == [("join", (1, 2))]
    assert hows(NEXT, PART) == [("join", (1, 2))]
    third = replace(third, first=second.last)
    assert hows(third, PART, second) == [("join", (1, 2, 3))]


def test_without_dates_counter_and_level_tell() -> None:
    assert hows(replace(PART, started_at=None), replace(NEXT, started_at=None)) == [("join", (1, 2))]


@pytest.mark.parametrize(
    "changed",
    [
        {"facts": {**NEXT.facts, "port": "C2"}},
        {"facts": {**NEXT.facts, "kind": "discharge"}},
        {"facts": {**NEXT.facts, "meter": "M2"}},
        {"started_at": STARTED + timedelta(seconds=900)},  # five minutes later: another test
        {"started_at": STARTED + timedelta(seconds=590)},  # they overlap
        {"first": {"voltage_v": 9.0, "current_a": 1.99, "energy_wh": 6.678}},
        {"first": {"voltage_v": 20.0, "current_a": 0.0, "energy_wh": 6.678}},  # nothing flows: a test begins
        {"interval_s": 10.0},
        {"channels": frozenset({"voltage_v", "current_a"})},
        {"started_at": None, "first": {"voltage_v": 20.0, "current_a": 2.0, "energy_wh": 0.0}},  # begins anew
        {"started_at": None, "first": {"voltage_v": 20.0, "current_a": 2.0, "energy_wh": 60.0}},
    ],
)
def test_what_is_no_part_is_not_proposed(changed: dict[str, object]) -> None:
    assert hows(PART, replace(NEXT, **changed)) == []  # type: ignore[arg-type]


def test_logs_of_one_moment() -> None:
    beside = replace(PART, run_id=2, source="b", facts={**PART.facts, "port": "mains"})
    probe = replace(PART, run_id=3, source="c", channels=frozenset({"temperature_c"}), facts=dict.fromkeys(PART.facts))
    assert hows(PART, beside, probe) == [("group", (1, 2, 3))]
    assert hows(replace(PART, group_id=4), replace(beside, group_id=4)) == []
    assert hows(PART, replace(beside, facts={**PART.facts, "device": "PB-02", "port": "C2"})) == []
    assert hows(PART, replace(beside, started_at=STARTED + timedelta(seconds=590))) == []
    assert hows(PART, replace(PART, run_id=2, source="b")) == []  # the same place twice is no group
    undated = [replace(span, started_at=None, source="a") for span in (PART, beside)]
    assert hows(*undated) == [("group", (1, 2))]
    assert propose(undated)[0].command == "joulebook group 1 2 --offset 2=0"


def test_proposals_of_a_split_log_are_done(tmp_path: Path) -> None:
    """A discharge cut into three files at random, a second port beside it: one run in one group, once accepted."""
    seed = secrets.randbits(32)
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    frame = make_run(600, seed=seed)
    cuts = [0, *sorted(int(c) for c in rng.choice(np.arange(40, 500), 2, replace=False)), 600]
    facts = Facts(device="PB-01", port="C1", kind="discharge")
    fresh = []
    for number, (first, end) in enumerate(pairwise(cuts)):
        piece = frame.slice(first, end - first).with_columns(t_s=pl.col("t_s") - first)
        export = write_export(tmp_path, f"log-{number}.csv")
        started = STARTED + timedelta(seconds=first)
        fresh += add_run(library, export, piece, facts=facts, started_at=started).run_ids
    other = add_run(
        library, write_export(tmp_path, "c2.csv"), make_run(590, seed=1), facts=replace(facts, port="C2")
    ).run_ids
    add_run(library, write_export(tmp_path, "later.csv"), make_run(), started_at=STARTED + timedelta(days=1))
    found = library.imports.proposals(fresh)
    assert ("join", tuple(fresh)) in [(p.how, p.run_ids) for p in found]
    joined = library.imports.accept(next(p for p in found if p.how == "join"))
    assert library.runs.get(joined).samples == 600
    (grouped,) = library.imports.proposals([joined])
    assert (grouped.how, grouped.run_ids) == ("group", (*other, joined))
    library.imports.accept(grouped)
    assert library.runs.get(joined).facts.group_id == library.runs.get(other[0]).facts.group_id is not None
    assert library.imports.proposals([joined, *other]) == ()
