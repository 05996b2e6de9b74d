"""Invented tables of fresh seeds: no column is left out, nothing is wrong in silence, few questions, honest confidence.

The seed is printed; JOULEBOOK_SEED repeats a run.
"""

from __future__ import annotations

import os
import random
from collections import Counter

import pytest

from tests.exports.exam import make_exam
from tests.exports.table_outcomes import Outcome, printed, tabulate
from tests.exports.tables import KINDS, make_table

SURE = 0.95


def _tables(count: int) -> dict[str, list[Outcome]]:
    given = os.environ.get("JOULEBOOK_SEED")
    first = int(given) if given else random.SystemRandom().randrange(10**9)
    print(f"\nfirst seed {first}, {count} per kind: JOULEBOOK_SEED={first} repeats it")
    found = tabulate(first, count, KINDS, told=3)
    found |= tabulate(first, 2 * count, ["exam"], make=make_exam, told=3)
    print(printed(found))
    return found


def _hold(found: dict[str, list[Outcome]]) -> None:
    every = [o for of in found.values() for o in of]
    counts = Counter(o.found for o in every)
    for never in ("left out", "wrong, silent", "wrong, warned", "asked, wrong", "not offered"):
        assert counts[never] == 0, (never, [o.why for o in every if o.found == never][:3])
    assert counts["refused"] <= 0.01 * len(every)
    sure = [o for o in every if not o.asked and o.confidence >= SURE]
    assert sum(o.found == "right" for o in sure) >= 0.995 * len(sure)
    asked = [o.asked for o in every if o.asked]
    assert sum(asked) <= 2.2 * len(asked)


def test_fifteen_of_each_kind():
    _hold(_tables(15))


@pytest.mark.long
def test_two_hundred_of_each_kind():
    _hold(_tables(200))


def test_every_kind_draws_what_it_is_for():
    """A kind that lost its point would prove nothing about it."""
    seen = {f for kind in KINDS for seed in range(60) for f in make_table(seed, kind).features}
    for wanted in (
        "unknown",
        "by turns",
        "blocks",
        "rate",
        "halves",
        "compact",
        "placed=usb",
        "family=letters",
        "device",
    ):
        assert wanted in seen, wanted
