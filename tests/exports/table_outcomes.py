"""What came of an invented table: the class, what was asked, and how sure the importer was.

`python -m tests.exports.table_outcomes FIRST_SEED COUNT [KIND ...]` prints the table and the curve of confidence.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from importers import ImportRefused, Inspection, inspect, read
from tests.exports.generator import Export, TruthRun
from tests.exports.judge import Kept
from tests.exports.tables import KINDS, make_table

CLASSES = (
    "right",
    "asked, right",
    "asked, wrong",
    "not offered",
    "refused",
    "left out",
    "wrong, warned",
    "wrong, silent",
)


@dataclass
class Outcome:
    """What came of one export."""

    found: str
    why: str = ""
    asked: int = 0
    confidence: float = 0.0
    """Before anything was answered; 0 where something was asked."""


def outcome_of(export: Export, folder: Path) -> Outcome:
    """Inspect and read one export, answering by its truth what is asked."""
    path = folder / f"{export.tier}-{export.seed}{export.suffix}"
    path.write_bytes(export.data)
    answers: dict[str, str] = {}
    first: Inspection | None = None
    asked: list[str] = []
    try:
        for _ in range(8):
            found = inspect(path, answers=answers)
            first = first or found
            new = [q for q in found.questions if q.id not in answers]
            if not new:
                break
            for question in new:
                asked.append(question.id)
                answer = export.answers.get(question.id)
                offered = {c.value for c in question.choices}
                if answer is None or (offered and answer not in offered):
                    return Outcome(
                        "not offered", f"{question.id}={answer}: {question.text} {sorted(offered)}", len(asked)
                    )
                answers[question.id] = answer
        sink = Kept()
        outcome = read(path, found, sink)
    except ImportRefused as refusal:
        return Outcome("asked, wrong" if asked else "refused", f"{asked} {refusal}", len(asked))
    finally:
        path.unlink()
    why = differences(export.runs, list(sink.frames().values()))
    sure = 0.0 if asked or first is None else first.confidence
    if not why and not asked and "unknown" in export.features:
        return Outcome("left out", "nobody said what the column without a known name is", 0, sure)
    if not why:
        return Outcome("asked, right" if asked else "right", str(asked or ""), len(asked), sure)
    if asked:
        return Outcome("asked, wrong", f"{asked} {why}", len(asked))
    if why.startswith("left out"):
        return Outcome("left out", why, 0, sure)
    warned = outcome.problems or any(run.warnings for run in outcome.runs)
    return Outcome("wrong, warned" if warned else "wrong, silent", why, 0, sure)


def differences(truth: Iterable[TruthRun], frames: list[pl.DataFrame]) -> str:
    """Say the first difference from the truth, whatever runs are called; empty where there is none."""
    truth = list(truth)
    if len(frames) != len(truth):
        return f"{len(frames)} runs of {[f.height for f in frames]}, not {len(truth)} of {[len(r.t) for r in truth]}"
    left = list(frames)
    for run in truth:
        whys = [_differs(run, frame) for frame in left]
        if "" not in whys:
            return whys[0]
        left.pop(whys.index(""))
    return ""


def _differs(truth: TruthRun, frame: pl.DataFrame) -> str:
    held = {n for n in frame.columns if n != "t_s" and frame[n].null_count() < frame.height}
    if held < set(truth.channels):
        return f"left out {sorted(set(truth.channels) - held)}"
    if held != set(truth.channels):
        return f"channels {sorted(held)}, not {sorted(truth.channels)}"
    if frame.height != len(truth.t):
        return f"{frame.height} samples, not {len(truth.t)}"
    t = frame["t_s"].to_numpy()
    if np.abs(t - (truth.t - truth.t[0])).max() > max(truth.t_tolerance, 2e-6):
        return f"t_s off by {np.abs(t - truth.t + truth.t[0]).max():g}"
    for name, values in truth.channels.items():
        got = frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        if not np.allclose(got, values, rtol=1e-9, atol=1e-9, equal_nan=True):
            return f"{name} is {got[-1]:g}, not {values[-1]:g}"
    return ""


def tabulate(
    first: int,
    count: int,
    kinds: Iterable[str] = KINDS,
    *,
    make: Callable[[int, str], Export] = make_table,
    told: int = 0,
) -> dict[str, list[Outcome]]:
    """Outcomes by kind over seeds; prints at most `told` cases of each class of each kind that are not right."""
    table: dict[str, list[Outcome]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds:
            said: Counter[str] = Counter()
            for seed in range(first, first + count):
                export = make(seed, kind)
                outcome = outcome_of(export, Path(folder))
                table.setdefault(kind, []).append(outcome)
                said[outcome.found] += 1
                if "right" not in outcome.found and said[outcome.found] <= told:
                    print(f"{seed} {kind} {outcome.found}: {outcome.why[:230]} | {' '.join(export.features)}")
    return table


def printed(table: dict[str, list[Outcome]]) -> str:
    """The table, questions per asked file, and the share that is right and complete by confidence."""
    lines = [f"{'kind':12}" + "".join(f"{c:>15}" for c in CLASSES)]
    every = [o for found in table.values() for o in found]
    for kind, found in [*table.items(), ("all", every)]:
        counts = Counter(o.found for o in found)
        lines.append(f"{kind:12}" + "".join(f"{counts[c] or '.':>15}" for c in CLASSES))
    asked = [o.asked for o in every if o.asked]
    if asked:
        lines.append(f"questions per asked file: {sum(asked) / len(asked):.2f}, at most {max(asked)}")
    for least, most in ((0.5, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 0.97), (0.97, 0.99), (0.99, 1.01)):
        of = [o for o in every if not o.asked and o.found != "refused" and least <= o.confidence < most]
        if of:
            right = sum(o.found == "right" for o in of)
            lines.append(
                f"confidence {least:.2f} to {min(most, 1.0):.2f}: {right} of {len(of)} right, {right / len(of):.2%}"
            )
    return "\n".join(lines)


if __name__ == "__main__":
    print(printed(tabulate(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:] or KINDS, told=2)))
