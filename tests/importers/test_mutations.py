"""Damaged files: cut, spliced, bit-flipped, shuffled, with random bytes in: a run or a refusal, never a traceback.

Whatever is read of a damaged file accounts for every line, gives a rising finite clock and no infinite reading, and
its undamaged lines give the numbers that they gave in the whole file.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from importers import ImportRefused, inspect, read
from importers.decide.plan import Plan
from tests.exports.generator import TIERS, make
from tests.exports.judge import Kept

_PACKED = (b"\x1f\x8b", b"PK", b"\x28\xb5\x2f\xfd")


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


@dataclass
class _Read:
    """What was read of a file."""

    plan: Plan
    values: dict[str, Counter[str]]
    """Per channel how often each size of value occurs; signs follow the main flow, which a cut can turn."""


def _read(data: bytes, path: Path) -> _Read | None:
    """Read a file and hold it to what holds for every file; None where it is refused with a reason."""
    path.write_bytes(data)
    sink, refusal = Kept(), None
    try:
        found = inspect(path)
        found.as_json()
        outcome = read(path, found, sink)
    except ImportRefused as error:
        refusal = error
    if refusal is not None:
        assert refusal.problems
        assert all(p.message for p in refusal.problems)
        return None
    a = outcome.account
    assert a.samples + a.header + a.preamble + a.blank + a.totals + a.problems + a.continued == a.lines, a
    values: dict[str, Counter[str]] = {}
    for frame in sink.frames().values():
        t = frame["t_s"].to_numpy()
        assert np.isfinite(t).all()
        assert (np.diff(t) > 0).all()
        for name in frame.columns:
            column = frame[name].drop_nulls()
            assert column.is_finite().all(), name
            if name != "t_s":
                values.setdefault(name, Counter()).update(f"{abs(v):.8g}" for v in column.to_list())
    assert found.plan is not None
    return _Read(found.plan, values)


def _lines(data: bytes) -> list[bytes]:
    return [line.strip(b"\r") for line in data.split(b"\n")]


def _undamaged_lines_hold(data: bytes, damaged: bytes, was: _Read, now: _Read) -> bool:
    """Hold numbers of lines that were not damaged to what they were; False where the file can't tell.

    Below an undamaged head, each line that the original lacks may bring one value to a port's channel, no more.
    """
    if b"\0" in data or data.startswith(_PACKED):
        return False
    before, after = _lines(data), _lines(damaged)
    head = was.plan.layout.data_line - 1
    if before[:head] != after[:head]:
        return False
    foreign = (Counter(after) - Counter(before)).total()
    for name, found in now.values.items():
        news = (found - was.values.get(name, Counter())).total()
        assert news <= foreign * len(now.plan.runs), f"{name}: {news} values are not of the file's own lines"
    return True


def _storm(folder: Path, count: int) -> None:
    given = os.environ.get("JOULEBOOK_SEED")
    first = int(given) if given else random.SystemRandom().randrange(10**9)
    print(f"\nfirst seed {first}: JOULEBOOK_SEED={first} repeats it")
    outcomes = Counter(read=0, refused=0, compared=0)
    for seed in range(first, first + count):
        rng = random.Random(seed)
        data = make(rng.randrange(10**6), rng.choice(TIERS)).data
        damaged = data
        for _ in range(rng.randrange(1, 3)):
            damaged = _mutated(damaged, rng) or b"x"
        try:
            now = _read(damaged, folder / "damaged.csv")
            outcomes["refused" if now is None else "read"] += 1
            was = _read(data, folder / "whole.csv") if now is not None else None
            if now is not None and was is not None:
                outcomes["compared"] += _undamaged_lines_hold(data, damaged, was, now)
        except Exception as error:
            error.add_note(f"mutation seed {seed}")
            raise
    print(dict(outcomes))
    assert min(outcomes.values()) > 0


def test_a_hundred_damaged_files(tmp_path):
    _storm(tmp_path, 100)


@pytest.mark.long
def test_ten_thousand_damaged_files(tmp_path):
    _storm(tmp_path, 10_000)
