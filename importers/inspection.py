"""What the importer makes of a file, with its reasons: `inspect`, and the record that it returns.

Composes the named steps of `steps.STEPS`. Stores nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import polars as pl

from importers.bytesview import BytesView, Piece, view_bytes
from importers.columns import guess_numeric, look_at_columns
from importers.decide import Decision, decide
from importers.errors import ImportRefused
from importers.plan import Choice, ColumnPlan, Plan, Question
from importers.preamble import read_preamble
from importers.profile import Profile, ProfileClock, ProfileColumn, matching, shipped_profiles
from importers.reader import Outcome, read_runs
from importers.rows import Tally, read_rows
from importers.schema import Account, ClockReading, Facts, Problem, RunStart
from importers.shape import Layout, find_layout
from importers.words import Vocabulary, shipped_vocabulary

__all__ = ["Inspection", "inspect"]

PREVIEW_ROWS = 200


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
    preview: pl.DataFrame
    """`part`, `t_s` and the channels that hold values; the first rows of every part."""
    account: Account
    """Lines of what was looked at: the whole of a small file, the head of a large one."""
    plan: Plan | None
    view: BytesView
    words: Vocabulary
    answers: Mapping[str, str] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()
    """How encoding, table and clock were told."""
    runs: tuple[tuple[str, str | None, int], ...] = ()
    """Part, port and samples of every run in what was looked at."""

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


def inspect(
    path: Path | str,
    *,
    profiles: Iterable[Profile] | None = None,
    profile: str | None = None,
    zone: str = "UTC",
    answers: Mapping[str, str] | None = None,
    words: Vocabulary | None = None,
) -> Inspection:
    """Look at an export and say what it holds; stores nothing.

    Args:
        path: the file.
        profiles: a person's own profiles, tried beside the shipped ones.
        profile: name of the one profile to use, whether its header fits or not.
        zone: IANA name by which local times without a zone are read.
        answers: values by question id.
        words: vocabulary; None for the shipped one.

    Raises:
        ImportRefused: there is no table to look at, or two profiles fit.
    """
    words = words or shipped_vocabulary()
    answers = dict(answers or {})
    path = Path(path)
    view = view_bytes(path, words)
    layout = find_layout(view.head, words, answers.get("delimiter"))
    if layout is None:
        raise ImportRefused.because(
            "no-table",
            f"{path.name} holds no table: no lines with the same number of numeric cells were found. Export "
            "it as CSV with a header.",
            file=path.name,
        )
    found = _choose_profile([*(profiles or ()), *shipped_profiles()], profile, layout, path.name)
    if found is not None:
        layout = _by_profile(layout, found)
        zone = found.zone or zone
    layout, decision = _decide_decimal(view, layout, words, answers, zone, found)
    return _describe(path, view, layout, decision, words, answers, found)


def _choose_profile(profiles: list[Profile], name: str | None, layout: Layout, file: str) -> Profile | None:
    if name is not None:
        named = [p for p in profiles if p.name == name]
        if not named:
            known = ", ".join(p.name for p in profiles) or "none"
            raise ImportRefused.because("no-profile", f"There is no profile `{name}`; known are: {known}.", file=file)
        if not named[0].fits(layout):
            raise ImportRefused.because(
                "profile-misfit",
                f"Profile `{name}` does not fit {file}: its header is {list(named[0].header)}, the file's is "
                f"{list(layout.names)}.",
                file=file,
            )
        return named[0]
    fitting = matching(profiles, layout)
    if len(fitting) > 1:
        names = " and ".join(f"`{p.name}`" for p in fitting)
        raise ImportRefused.because(
            "two-profiles",
            f"{file} fits {names}. Name one with --profile, or make their [recognise] tables differ.",
            file=file,
        )
    return fitting[0] if fitting else None


def _by_profile(layout: Layout, profile: Profile) -> Layout:
    if profile.decimal:
        layout = replace(layout, decimal=profile.decimal, decimal_open=False, thousands=profile.thousands)
    return layout


def _decide_decimal(
    view: BytesView, layout: Layout, words: Vocabulary, answers: Mapping[str, str], zone: str, profile: Profile | None
) -> tuple[Layout, Decision]:
    """Decide; where every mark could be a decimal or a thousands mark, decide both ways and compare."""
    given = answers.get("decimal", "")
    if given in {".", ","} and (layout.decimal_open or layout.decimal != given):
        other = "," if given == "." else "."
        layout = replace(
            layout, decimal=given, thousands=other if layout.decimal_open else layout.thousands, decimal_open=False
        )
    if not layout.decimal_open:
        return layout, _decide(view, layout, words, answers, zone, profile)
    trials = []
    for mark, thousands in ((",", "."), (".", ",")):
        trial = replace(layout, decimal=mark, thousands=thousands, decimal_open=False)
        decision = _decide(view, trial, words, answers, zone, profile)
        trials.append((decision.penalty + (3.0 if decision.plan is None else 0.0), trial, decision))
    trials.sort(key=lambda t: t[0])
    best, second = trials
    if best[0] < second[0]:
        return best[1], best[2]
    best[2].questions.insert(
        0,
        Question(
            "decimal",
            f"In {view.path.name} every comma or point stands before three digits. Which one is the decimal mark?",
            (
                Choice(",", "decimal comma: 1,234 is one and a bit"),
                Choice(".", "decimal point: 1,234 is more than a thousand"),
            ),
            "--answer decimal=,",
            example='decimal = ","',
        ),
    )
    return best[1], best[2]


def _decide(
    view: BytesView, layout: Layout, words: Vocabulary, answers: Mapping[str, str], zone: str, profile: Profile | None
) -> Decision:
    piece = _head_piece(view)
    rows = read_rows(piece, layout, guess_numeric(layout, words), words, Tally())
    late = [
        read_rows(Piece(text, layout.data_line, is_last=False, ends_line=True), layout, frozenset(), words, Tally())
        for text in (*view.slices, view.tail)
        if text
    ]
    columns = look_at_columns(layout, rows, words, late)
    day_first = "decimal commas are not used where the month comes first" if layout.decimal == "," else ""
    preamble = read_preamble(layout, words, zone, day_first=day_first)
    return decide(layout, columns, rows, preamble, words, answers, zone, day_first, profile)


def _head_piece(view: BytesView) -> Piece:
    ends = view.head.endswith(b"\n") or not view.is_whole
    return Piece(view.head, 1, is_last=view.is_whole, ends_line=ends)


class _Preview:
    """A sink that keeps the first rows of every run."""

    def __init__(self) -> None:
        self.kept: list[tuple[RunStart, list[pl.DataFrame]]] = []

    def open_run(self, start: RunStart) -> _PreviewRun:
        frames: list[pl.DataFrame] = []
        self.kept.append((start, frames))
        return _PreviewRun(frames)

    def frame(self) -> pl.DataFrame:
        """All parts one below the other, empty channels left out."""
        parts = []
        for start, frames in self.kept:
            if frames:
                rows = pl.concat(frames).head(PREVIEW_ROWS)
                parts.append(rows.select(pl.lit(start.part).alias("part"), pl.all()))
        if not parts:
            return pl.DataFrame({"part": [], "t_s": []}, schema={"part": pl.String, "t_s": pl.Float64})
        whole = pl.concat(parts)
        return whole.select(n for n in whole.columns if n in {"part", "t_s"} or whole[n].null_count() < whole.height)


class _PreviewRun:
    def __init__(self, frames: list[pl.DataFrame]) -> None:
        self.frames = frames
        self.rows = 0

    def write(self, samples: pl.DataFrame) -> None:
        if self.rows < PREVIEW_ROWS:
            self.frames.append(samples.head(PREVIEW_ROWS - self.rows))
        self.rows += samples.height


def _describe(
    path: Path,
    view: BytesView,
    layout: Layout,
    decision: Decision,
    words: Vocabulary,
    answers: dict[str, str],
    profile: Profile | None,
) -> Inspection:
    problems = [replace(p, file=p.file or path.name) for p in decision.problems]
    questions = list({q.id: q for q in reversed(decision.questions)}.values())[::-1]
    preview = _Preview()
    outcome: Outcome | None = None
    plan = decision.plan
    if profile is not None and profile.restart:
        answers = {"restart": profile.restart, **answers}
    if plan is not None:
        try:
            outcome = read_runs([_head_piece(view)], plan, words, preview, Facts(), answers, path.name)
            problems += outcome.tally.found
        except ImportRefused as refusal:
            problems += refusal.problems
        if outcome is not None and outcome.samples == 0:
            problems.append(
                Problem(
                    "no-samples", "error", f"{path.name} has a header but no line with a time and a reading.", path.name
                )
            )
    if view.nul_tail:
        problems.append(
            Problem(
                "nul-tail",
                "warning",
                f"The file ends in {view.nul_tail:,} NUL bytes, as after a loss of power; they are left out.",
                path.name,
            )
        )
    used = [c for c in plan.columns if c.channel is not None] if plan else []
    sure = [c.confidence for c in used] + ([plan.clock_confidence] if plan else [0.0])
    confidence = min(sure) if sure else 0.0
    if questions:
        confidence = min(confidence, 0.5)
    if any(p.severity == "error" for p in problems):
        confidence = 0.0
    columns = (
        plan.columns
        if plan
        else tuple(ColumnPlan(i, n, None, reason="not decided") for i, n in enumerate(layout.names))
    )
    clock = ClockReading("none") if plan is None else _clock_reading(plan, outcome)
    return Inspection(
        path.name,
        view.encoding + (" with byte-order mark" if view.has_bom else ""),
        layout.delimiter,
        layout.decimal,
        layout.header_line,
        columns,
        clock,
        profile.name if profile else None,
        round(confidence, 3),
        tuple(questions),
        tuple(problems),
        preview.frame(),
        account_of(outcome.tally, outcome.samples, plan) if outcome and plan else Account(0, 0),
        plan,
        view,
        words,
        answers,
        (view.reason, layout.reason, plan.clock_reason if plan else "no clock"),
        tuple((r.start.part, r.start.port, r.samples) for r in outcome.runs) if outcome else (),
    )


def _clock_reading(plan: Plan, outcome: Outcome | None) -> ClockReading:
    if outcome and outcome.runs:
        return outcome.runs[0].clock
    return ClockReading(
        plan.clock.source, tuple(plan.columns[i].name for i in plan.clock.columns), plan.clock.unit, plan.zone
    )


def account_of(tally: Tally, samples: int, plan: Plan) -> Account:
    """Account for every line; a line that gives a sample to each of several ports counts once."""
    per_line = 1 if plan.port_column is not None else len(plan.runs)
    return Account(
        tally.lines,
        samples // max(per_line, 1),
        tally.header,
        tally.preamble,
        tally.blank,
        tally.totals,
        tally.problems,
    )


def _summary(found: Inspection) -> str:
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
        "questions": [
            {
                "id": q.id,
                "text": q.text,
                "choices": [{"value": c.value, "label": c.label} for c in q.choices],
                "option": q.option,
                "column": q.column,
                "profile_line": q.example,
            }
            for q in found.questions
        ],
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
            for name in ("lines", "samples", "header", "preamble", "blank", "totals", "problems")
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
        plan.columns[plan.port_column].name if plan.port_column is not None else "",
        (sides.pop() or "") if len(sides) == 1 and len(plan.runs) == 1 else "",
        found.answers.get("restart", ""),
        "",
        name,
    )
