"""`inspect`: look at an export and say what it holds. Composes bytes, table, profile, decision and a first reading.

Stores nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from importers.decide.answers import check_answers
from importers.decide.asking import confirm_reading
from importers.decide.columns import guess_numeric, look_at_columns
from importers.decide.decide import FileDecision, decide
from importers.decide.plan import Choice, ColumnPlan, Plan, Question
from importers.decide.weights import SURE, of_clock, together
from importers.problems import ImportRefused
from importers.profiles.profile import Profile, matching, shipped_profiles
from importers.reading.inspection import Inspection
from importers.reading.preview import Preview
from importers.reading.reader import Outcome, parse_text, read_parsed
from importers.schema import ClockReading, Facts, LineAccount, Problem
from importers.text.bytesview import BytesView, Piece
from importers.text.parsing import Known, ParsedText
from importers.text.preamble import read_preamble
from importers.text.recast.looking import look
from importers.text.rows import read_rows
from importers.text.rowset import Tally
from importers.text.shape import TableLayout
from importers.vocabulary.words import Vocabulary, shipped_vocabulary

__all__ = ["inspect"]


@dataclass(frozen=True, slots=True)
class _Weighed:
    """A table with what was decided about it, and its first rows as they were read for that."""

    layout: TableLayout
    decision: FileDecision
    known: Known

    @property
    def penalty(self) -> float:
        """How badly the numbers contradict this reading."""
        return self.decision.penalty + (3.0 if self.decision.plan is None else 0.0)


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
    view, layout = look(path, words, answers.get("delimiter"))
    check_answers(answers, layout.names, words, path.name)
    found = _choose_profile([*(profiles or ()), *shipped_profiles()], profile, layout, path.name)
    if found is not None:
        layout = _by_profile(layout, found)
        zone = found.zone or zone
    weighed = _decide_decimal(view, layout, words, answers, zone, found)
    return _describe(path, view, weighed, words, answers, found)


def _choose_profile(profiles: list[Profile], name: str | None, layout: TableLayout, file: str) -> Profile | None:
    if name is not None:
        named = [p for p in profiles if p.name == name]
        if not named:
            known = ", ".join(p.name for p in profiles) or "none"
            raise ImportRefused.because("no-profile", f"There is no profile `{name}`; known are: {known}.", file=file)
        if not named[0].fits(layout):
            raise ImportRefused.because(
                "profile-misfit",
                f"Profile `{name}` does not fit {file}: {_misfit(named[0], layout)} The file's header is "
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


def _misfit(profile: Profile, layout: TableLayout) -> str:
    missing = profile.missing_in(layout)
    named = ", ".join(f"`{n}`" for n in missing)
    return f"the file has no column {named}." if missing else "its units or the lines above the table are others."


def _by_profile(layout: TableLayout, profile: Profile) -> TableLayout:
    has_mark = any(c in cell for row in layout.samples for cell in row for c in ".,")
    if profile.decimal and (layout.decimal_open or not has_mark or profile.decimal == layout.decimal):
        layout = replace(layout, decimal=profile.decimal, decimal_open=False, thousands=profile.thousands)
    return layout


def _decide_decimal(
    view: BytesView,
    layout: TableLayout,
    words: Vocabulary,
    answers: Mapping[str, str],
    zone: str,
    profile: Profile | None,
) -> _Weighed:
    """Decide; where every mark could be a decimal or a thousands mark, decide both ways and compare."""
    given = answers.get("decimal", "")
    if given in {".", ","} and (layout.decimal_open or layout.decimal != given):
        other = "," if given == "." else "."
        layout = replace(
            layout, decimal=given, thousands=other if layout.decimal_open else layout.thousands, decimal_open=False
        )
    if not layout.decimal_open:
        return _decide(view, layout, words, answers, zone, profile)
    trials = []
    for mark, thousands in ((",", "."), (".", ",")):
        trial = replace(layout, decimal=mark, thousands=thousands, decimal_open=False)
        trials.append(_decide(view, trial, words, answers, zone, profile))
    trials.sort(key=lambda t: t.penalty)
    best, second = trials
    if best.penalty < second.penalty:
        return best
    best.decision.questions.insert(
        0,
        Question(
            "decimal",
            f"In {view.path.name} every comma or point stands before three digits. Which one is the decimal mark?",
            (
                Choice(",", "decimal comma: 1,234 means 1.234"),
                Choice(".", "decimal point: 1,234 means 1234"),
            ),
            "--answer decimal=,",
            example='decimal = ","',
        ),
    )
    return best


def _decide(
    view: BytesView,
    layout: TableLayout,
    words: Vocabulary,
    answers: Mapping[str, str],
    zone: str,
    profile: Profile | None,
) -> _Weighed:
    numeric, tally = guess_numeric(layout, words), Tally()
    rows = read_rows(_head_piece(view), layout, numeric, words, tally)
    late = [
        read_rows(Piece(text, layout.data_line, is_last=False, ends_line=True), layout, numeric, words, Tally())
        for text in (*view.slices, view.tail)
        if text
    ]
    columns = look_at_columns(layout, rows, words, late)
    day_first = "decimal commas are not used where the month comes first" if layout.decimal == "," else ""
    preamble = read_preamble(layout, words, zone, day_first=day_first)
    decision = decide(layout, columns, rows, preamble, words, answers, zone, day_first, profile)
    return _Weighed(layout, decision, Known(rows, tally, numeric))


def _head_piece(view: BytesView) -> Piece:
    ends = view.head.endswith(b"\n") or not view.is_whole
    return Piece(view.head, 1, is_last=view.is_whole, ends_line=ends)


def _describe(
    path: Path,
    view: BytesView,
    weighed: _Weighed,
    words: Vocabulary,
    answers: dict[str, str],
    profile: Profile | None,
) -> Inspection:
    layout, decision = weighed.layout, weighed.decision
    problems = [replace(p, file=p.file or path.name) for p in decision.problems]
    questions = list({q.id: q for q in reversed(decision.questions)}.values())[::-1]
    preview = Preview()
    outcome: Outcome | None = None
    parsed: ParsedText | None = None
    plan = decision.plan
    if profile is not None and profile.restart:
        answers = {"restart": profile.restart, **answers}
    if view.recast is not None and view.recast.splits:
        answers = {"restart": "split", **answers}
    if plan is not None:
        try:
            parsed = parse_text(_head_piece(view), weighed.known, plan, words, path.name)
            outcome = read_parsed(parsed, plan, preview, Facts(), answers, path.name)
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
    if view.recast is not None:
        problems = [view.recast.relocated(p) for p in problems]
    problems += [
        Problem(
            "left-out",
            "warning",
            f"`{name}` in {path.name} is not a log with this table's columns and is not read.",
            path.name,
        )
        for name in view.passed
    ]
    confidence = plan_confidence(plan) if plan is not None else 0.0
    if plan is not None and confidence < SURE and not questions:
        questions.append(confirm_reading(plan))
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
        round(confidence, 4),
        tuple(questions),
        tuple(problems),
        preview,
        outcome.account(plan) if outcome and plan else LineAccount(0, 0),
        plan,
        view,
        words,
        answers,
        (view.reason, layout.reason, plan.clock_reason if plan else "no clock"),
        parsed if view.is_whole and outcome is not None else None,
        tuple((r.start.part, r.start.port, r.samples) for r in outcome.runs) if outcome else (),
    )


def plan_confidence(plan: Plan) -> float:
    """Probability that every column and the clock are read rightly."""
    measured = (c.confidence for c in plan.columns if c.channel not in {None, "t_s", "port"})
    return together((*measured, of_clock(plan.clock_confidence)))


def _clock_reading(plan: Plan, outcome: Outcome | None) -> ClockReading:
    if outcome and outcome.runs:
        return outcome.runs[0].clock
    return ClockReading(
        plan.clock.source, tuple(plan.columns[i].name for i in plan.clock.columns), plan.clock.unit, plan.zone
    )
