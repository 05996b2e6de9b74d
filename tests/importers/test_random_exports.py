"""Random exports of fresh seeds: none is silently wrong, plain and varied ones come out right without a question.

The seed is printed; JOULEBOOK_SEED repeats a run.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from pathlib import Path

import pytest

from tests.exports.generator import TIERS, make
from tests.exports.judge import judge


def _first_seed() -> int:
    given = os.environ.get("JOULEBOOK_SEED")
    return int(given) if given else random.SystemRandom().randrange(10**9)


def _judge_all(folder: Path, count: int) -> dict[str, Counter[str]]:
    first = _first_seed()
    print(f"\nfirst seed {first}, {count} per tier: JOULEBOOK_SEED={first} repeats it")
    table = {tier: Counter() for tier in TIERS}
    for seed in range(first, first + count):
        for tier in TIERS:
            export = make(seed, tier)
            verdict = judge(export, folder)
            table[tier][verdict.outcome] += 1
            if verdict.outcome != "right":
                print(seed, tier, verdict.outcome, verdict.why[:300], "|", *export.features)
            assert verdict.outcome != "wrong", f"seed {seed}, {tier}: silently wrong: {verdict.why}"
    for tier, counts in table.items():
        print(f"{tier:7}", dict(counts))
    return table


def _hold(table: dict[str, Counter[str]]) -> None:
    for tier in ("plain", "varied"):
        assert table[tier]["right"] == table[tier].total(), (tier, table[tier])
    hard = table["hard"]
    assert hard["right"] + hard["answered"] >= 0.98 * hard.total() - 1, hard


def test_fifty_of_each_tier(tmp_path):
    _hold(_judge_all(tmp_path, 50))


@pytest.mark.long
def test_a_thousand(tmp_path):
    _hold(_judge_all(tmp_path, 334))


def test_the_generator_covers_what_varies():
    """Over many seeds every feature occurs: a tier that lost one would prove nothing about it."""
    seen = {feature for seed in range(400) for feature in make(seed, "hard").features}
    for wanted in (
        "descending",
        "header again",
        "total",
        "short row",
        "thousands",
        "port column",
        "negative",
        "two ports",
        "gzip",
        "NUL tail",
        "preamble",
        "quoted",
        "decimal comma",
        "data lines",
        "clock='sample'",
        "clock='serial'",
        "clock='tod'",
        "units='nowhere'",
        "units='cells'",
        "units='row'",
        "encoding='gb18030'",
        "encoding='utf-16'",
        "clock='dmy-bare'",
        "clock='mdy-bare'",
        "xlsx",
        "zstd",
        "spaces",
        "no header",
        "counters wrap",
        "an hour put back",
        "probes",
        "line breaks",
    ):
        assert wanted in seen, wanted
