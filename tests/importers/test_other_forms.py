"""Exports in other languages, code pages, clocks and forms: fresh seeds, none left out or wrong.

The seed is printed; JOULEBOOK_SEED repeats a run.
"""

from __future__ import annotations

import os
import random

import pytest

from tests.exports.forms import KINDS
from tests.exports.outcomes import printed, tabulate


def _first_seed() -> int:
    given = os.environ.get("JOULEBOOK_SEED")
    return int(given) if given else random.SystemRandom().randrange(10**9)


def _hold(count: int) -> None:
    first = _first_seed()
    print(f"\nfirst seed {first}: JOULEBOOK_SEED={first} repeats it")
    table = tabulate(first, count, KINDS, told=20)
    print(printed(table))
    for kind, counts in table.items():
        for bad in ("left out", "wrong, warned", "wrong, silent", "asked, wrong"):
            assert counts[bad] == 0, (kind, counts)
        assert kind == "zip" or counts["refused"] <= 0.02 * counts.total(), (kind, counts)


def test_six_of_each_form(tmp_path):
    _hold(6)


@pytest.mark.long
def test_seventy_of_each_form(tmp_path):
    _hold(70)
