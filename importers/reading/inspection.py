"""What the importer makes of a file, with its reasons: the record, its summary, its JSON, and the profile it makes.

Knows plans. Looks at no file: that is `inspecting`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import polars as pl

from importers.decide.plan import ColumnPlan, Plan, Question
from importers.decide.weights import WEIGHTS
from importers.problems import ImportRefused
from importers.profiles.profile import Profile, ProfileClock, ProfileColumn
from importers.reading.preview import Preview
from importers.schema import ClockReading, LineAccount, Problem
from importers.text.bytesview import BytesView
from importers.text.parsing import ParsedText
from importers.vocabulary.words import Vocabulary

__all__ = ["Inspection"]


@dataclass(frozen=True)
class Inspection:
    """What was recognised in a file, and what stays open."""

    file: str
    encoding: str
    delimiter: str
    decimal: str
    header_row: int | None
    """1-based line of the header; None where the file has none."""
    columns: tuple[ColumnPlan, ...]
    time: ClockReading
    profile: str | None
    """Name of the profile that fits, None where the mapping was worked out."""
    confidence: float
    questions: tuple[Question, ...]
    problems: tuple[Problem, ...]
    shown: Preview
    """The first rows of every part, as they were read."""
    account: LineAccount
    """Lines of what was looked at: the whole of a small file, the head of a large one."""
    plan: Plan | None
    view: BytesView
    words: Vocabulary
    answers: Mapping[str, str] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()
    """How encoding, table and clock were told."""
    parsed: ParsedText | None = None
    """The text as it was parsed, where it is small and was looked at whole: an import need not parse it again."""
    runs: tuple[tuple[str, str | None, int], ...] = ()
    """Part, port and samples of every run in what was looked at."""

    @cached_property
    def preview(self) -> pl.DataFrame:
        """`part`, `t_s` and the channels that hold values; the first rows of every part."""
        return self.shown.frame()

    @property
    def is_sure(self) -> bool:
        """True where nothing is asked and nothing is wrong."""
        return self.plan is not None and not self.questions and not any(p.severity == "error" for p in self.problems)

    @property
    def summary(self) -> str:
        """One line in words."""
        return _summary(self)

    def as_json(self) -> dict[str, Any]:
        """Make the document of `inspect --json`."""
        return _document(self)

    def as_profile(self, name: str) -> Profile:
        """Keep this mapping as a profile.

        Raises:
            ImportRefused: questions are open.
        """
        return _profile_of(self, name)


def _summary(found: Inspection) -> str:
    if found.plan is None and found.questions:
        return f"{len(found.columns)} columns: {len(found.questions)} question{'s' * (len(found.questions) != 1)} open"
    if found.plan is None:
        return "not readable so: " + (found.problems[0].message if found.problems else "no table")
    channels = sorted({c.channel for c in found.columns if c.channel not in {None, "t_s", "port"}}, key=str)
    ports = [p for p in dict.fromkeys(port for _, port, _ in found.runs) if p]
    words = [f"{len(found.columns)} columns", f"{len(channels)} channel{'s' * (len(channels) != 1)}"]
    words.append("decimal comma" if found.decimal == "," else "decimal point")
    words.append(f"{found.plan.step_s:.4g} s steps")
    if len(ports) > 1:
        words.append(f"{len(ports)} ports")
    if len(found.runs) > max(1, len(ports)):
        words.append(f"{len(found.runs)} runs")
    state = (
        "sure"
        if found.is_sure
        else f"{len(found.questions)} question{'s' * (len(found.questions) != 1)} open"
        if found.questions
        else "not importable"
    )
    return ", ".join(words) + f": {state}"


def _document(found: Inspection) -> dict[str, Any]:
    clock = found.plan.clock if found.plan else None
    return {
        "file": found.file,
        "encoding": found.encoding,
        "delimiter": found.delimiter,
        "decimal": found.decimal,
        "header_row": found.header_row,
        "columns": [
            {
                "name": c.name,
                "channel": c.channel,
                "unit": c.unit,
                "factor": c.factor,
                "offset": c.offset,
                "port": c.port,
                "confidence": round(c.confidence, 3),
                "reason": c.reason,
                "evidence": [{"term": t, "weight": WEIGHTS[t][0], "means": WEIGHTS[t][1]} for t in c.evidence],
            }
            for c in found.columns
        ],
        "time": {
            "source": found.time.source,
            "columns": list(found.time.columns),
            "unit": found.time.unit,
            "format": clock.format if clock else "",
            "zone": found.time.zone,
            "interval_s": found.plan.step_s if found.plan else None,
            "is_descending": bool(clock and clock.is_descending),
            "confidence": round(found.plan.clock_confidence, 3) if found.plan else 0.0,
            "reason": found.plan.clock_reason if found.plan else "",
            "note": found.time.note,
        },
        "profile": found.profile,
        "confidence": found.confidence,
        "questions": [q.as_json() for q in found.questions],
        "summary": found.summary,
        "reasons": list(found.reasons),
        "runs": [{"part": part, "port": port, "samples": samples} for part, port, samples in found.runs],
        "problems": [
            {
                "code": p.code,
                "severity": p.severity,
                "message": p.message,
                "line": p.line,
                "column": p.column,
                "raw": p.raw,
                "count": p.count,
            }
            for p in found.problems
        ],
        "account": {
            name: getattr(found.account, name)
            for name in ("lines", "samples", "header", "preamble", "blank", "totals", "problems", "continued")
        },
    }


def _profile_of(found: Inspection, name: str) -> Profile:
    plan = found.plan
    if plan is None or found.questions:
        raise ImportRefused.because(
            "open-questions", f"{found.file} has open questions; answer them before keeping a profile.", file=found.file
        )
    layout, clock = plan.layout, plan.clock
    sides = {c.side for c in plan.columns if c.channel is not None and c.side is not None}
    columns = tuple(
        ProfileColumn(c.name, c.channel, c.unit, c.port)
        for c in plan.columns
        if c.channel not in {"t_s", "port"} and c.index not in clock.columns and c.name
    )
    return Profile(
        name,
        layout.names,
        ProfileClock(
            clock.source,
            tuple(plan.columns[i].name for i in clock.columns),
            clock.unit,
            clock.format,
            clock.interval_s,
            clock.has_zone,
        ),
        columns,
        (),
        layout.unit_row if any(layout.unit_row) else (),
        layout.delimiter,
        layout.decimal,
        layout.thousands,
        "",
        plan.columns[plan.parts[0].index].name if plan.parts else "",
        (sides.pop() or "") if len(sides) == 1 and len(plan.runs) == 1 else "",
        found.answers.get("restart", ""),
        "",
        name,
    )
