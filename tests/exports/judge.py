"""Hold what was read of an invented export against its truth: right, asked, refused or wrong, with the reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from importers import ImportRefused, Question, inspect, read
from importers.schema import ImportedExport, RunStart
from tests.exports.generator import Export, TruthRun


@dataclass
class Kept:
    """A sink that keeps everything."""

    parts: list[tuple[RunStart, list[pl.DataFrame]]] = field(default_factory=list)

    def open_run(self, start: RunStart) -> _Run:
        """Begin a run."""
        frames: list[pl.DataFrame] = []
        self.parts.append((start, frames))
        return _Run(frames)

    def frames(self) -> dict[str, pl.DataFrame]:
        """Every run's samples by part."""
        return {start.part: pl.concat(frames) for start, frames in self.parts if frames}


@dataclass
class _Run:
    frames: list[pl.DataFrame]

    def write(self, samples: pl.DataFrame) -> None:
        """Take samples."""
        self.frames.append(samples)


@dataclass
class Verdict:
    """What came of one export."""

    outcome: str
    """right, answered (right once asked), asked (wrong or refused though asked), refused, wrong."""
    why: str = ""


def judge(export: Export, folder: Path) -> Verdict:
    """Inspect and read one export, answering what is asked by its truth."""
    path = folder / f"{export.tier}-{export.seed}{export.suffix}"
    path.write_bytes(export.data)
    answers: dict[str, str] = {}
    asked: list[str] = []
    try:
        for _ in range(6):
            found = inspect(path, answers=answers)
            new = [q for q in found.questions if q.id not in answers]
            if not new:
                break
            for question in new:
                asked.append(question.id)
                answers[question.id] = _answer(question, export)
        sink = Kept()
        outcome = read(path, found, sink)
    except ImportRefused as refusal:
        return Verdict("asked" if asked else "refused", f"{asked} {refusal}")
    finally:
        path.unlink()
    why = differences(export, outcome, sink)
    if why:
        return Verdict("asked" if asked else "wrong", f"{asked} {why}")
    return Verdict("answered" if asked else "right", str(asked) if asked else "")


def _answer(question: Question, export: Export) -> str:
    if question.id in export.answers:
        return export.answers[question.id]
    return question.choices[0].value if question.choices else "1"


def differences(export: Export, outcome: ImportedExport, sink: Kept) -> str:
    """Say the first difference from the truth; empty where there is none."""
    account = outcome.account
    said = account.samples + account.header + account.preamble + account.blank + account.totals + account.problems
    said += account.continued
    if said != account.lines:
        return f"account {account} adds up to {said}"
    frames = sink.frames()
    if len(frames) != len(export.runs):
        return f"{len(frames)} runs, not {len(export.runs)}"
    left = list(outcome.runs)
    for truth in export.runs:
        run = next((r for r in left if r.start.port == truth.port), None)
        if run is None:
            return f"no port {truth.port} in {[r.start.port for r in outcome.runs]}"
        left.remove(run)
        why = _run_differs(truth, frames[run.start.part])
        if why:
            return f"{truth.port}: {why}"
        if truth.started is not None and (
            run.started_at is None or abs((run.started_at - truth.started).total_seconds()) > 0.01
        ):
            return f"{truth.port}: starts {run.started_at}, not {truth.started}"
    return ""


def _run_differs(truth: TruthRun, frame: pl.DataFrame) -> str:
    if frame.height != len(truth.t):
        return f"{frame.height} samples, not {len(truth.t)}"
    t = frame["t_s"].to_numpy()
    expected = truth.t - truth.t[0]
    if np.abs(t - expected).max() > truth.t_tolerance:
        return f"t_s off by {np.abs(t - expected).max():g}"
    held = {n for n in frame.columns if n != "t_s" and frame[n].null_count() < frame.height}
    if held != set(truth.channels):
        return f"channels {sorted(held)}, not {sorted(truth.channels)}"
    for name, values in truth.channels.items():
        got = frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        if not np.allclose(got, values, rtol=1e-9, atol=1e-9, equal_nan=True):
            return f"{name} is {got[-1]:g}, not {values[-1]:g}"
    return ""
