"""Damaged files: cut, spliced, bit-flipped, shuffled, with random bytes in: a run or a refusal, never a traceback.

Whatever is read of a damaged file accounts for every line, gives a rising finite clock, and no infinite reading.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import numpy as np
import pytest

from importers import ImportRefused, inspect, read
from tests.exports.generator import TIERS, make
from tests.exports.judge import Kept


def _mutated(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    kind = rng.randrange(9)
    if kind == 0:
        return data[:at]
    if kind == 1:
        return data[at:]
    if kind == 2:
        return data[:at] + data[rng.randrange(len(data)) :]
    if kind == 3:
        flipped = bytearray(data)
        for _ in range(rng.randrange(1, 30)):
            flipped[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        return bytes(flipped)
    if kind == 4:
        return data[:at] + rng.randbytes(rng.randrange(1, 200)) + data[at:]
    if kind == 5:
        lines = data.splitlines(keepends=True)
        rng.shuffle(lines)
        return b"".join(lines)
    if kind == 6:
        mark = rng.choice([b",", b";", b"\t", b'"', b"\n", b".", b"-", b"\0", b"1e309", b"NaN", b"\xff\xfe"])
        return data[:at] + mark * rng.randrange(1, 5) + data[at:]
    if kind == 7:
        return data.replace(rng.choice([b",", b";", b".", b"\n", b"1", b":"]), rng.choice([b"", b" ", b";", b"x"]))
    return data + data[at:]


def _check(data: bytes, path: Path) -> str:
    path.write_bytes(data)
    try:
        found = inspect(path)
        found.as_json()
        sink = Kept()
        outcome = read(path, found, sink)
    except ImportRefused as error:
        refusal = error
    else:
        refusal = None
    if refusal is not None:
        assert refusal.problems
        assert all(p.message for p in refusal.problems)
        return "refused"
    a = outcome.account
    assert a.samples + a.header + a.preamble + a.blank + a.totals + a.problems + a.continued == a.lines, a
    for frame in sink.frames().values():
        t = frame["t_s"].to_numpy()
        assert np.isfinite(t).all()
        assert (np.diff(t) > 0).all()
        for name in frame.columns:
            assert frame[name].drop_nulls().is_finite().all(), name
    return "read"


def _storm(folder: Path, count: int) -> None:
    given = os.environ.get("JOULEBOOK_SEED")
    first = int(given) if given else random.SystemRandom().randrange(10**9)
    print(f"\nfirst seed {first}: JOULEBOOK_SEED={first} repeats it")
    outcomes = {"read": 0, "refused": 0}
    for seed in range(first, first + count):
        rng = random.Random(seed)
        data = make(rng.randrange(10**6), rng.choice(TIERS)).data
        for _ in range(rng.randrange(1, 3)):
            data = _mutated(data, rng) or b"x"
        try:
            outcomes[_check(data, folder / "damaged.csv")] += 1
        except Exception as error:
            error.add_note(f"mutation seed {seed}")
            raise
    print(outcomes)
    assert min(outcomes.values()) > 0


def test_two_hundred_damaged_files(tmp_path):
    _storm(tmp_path, 200)


@pytest.mark.long
def test_ten_thousand_damaged_files(tmp_path):
    _storm(tmp_path, 10_000)
