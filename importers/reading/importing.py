"""`read`: an inspected export through a sink, every line accounted for; `check_profiles`: what each profile finds.

Composes `reader`. Refuses what an inspection left open.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from importers.decide.plan import Plan, Question
from importers.problems import ImportRefused
from importers.profiles.profile import Profile, shipped_profiles
from importers.reading.inspecting import inspect
from importers.reading.inspection import Inspection
from importers.reading.reader import Outcome, read_parsed, read_runs
from importers.schema import Facts, ImportedExport, ImportSink, Problem
from importers.text.bytesview import pieces
from importers.text.recast.looking import look
from importers.vocabulary.words import shipped_vocabulary

__all__ = ["ProfileCheck", "check_profiles", "read"]

_SHOWN = 5
"""Answers of one question that a refusal lists."""


def read(
    path: Path | str,
    inspection: Inspection,
    sink: ImportSink,
    *,
    facts: Facts | None = None,
    zone: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ImportedExport:
    """Push a file's samples to a sink, run by run, in order of time.

    Args:
        path: the file.
        inspection: what `inspect` found in it, with all questions answered.
        sink: takes the runs; what it got is void where this raises.
        facts: what the tester states.
        zone: IANA name by which local times are read; None for the inspection's.
        progress: called with bytes done and bytes in all.

    Returns:
        Runs, account of every line, problems, the mapping as a profile's text.

    Raises:
        ImportRefused: questions are open, the file can't be read on, or what comes up in it can't be settled.
    """
    path = Path(path)
    _refuse_open(inspection)
    plan = inspection.plan
    if plan is None:
        raise ImportRefused(inspection.problems)
    facts = facts or Facts()
    if zone is not None and inspection.profile is None:
        plan = replace(plan, zone=zone)
    done = 0

    def report(size: int) -> None:
        nonlocal done
        done += size
        if progress is not None:
            progress(min(done, inspection.view.size), inspection.view.size)

    try:
        outcome = _outcome(inspection, plan, sink, facts, path.name, report)
    except ImportRefused as refusal:
        if inspection.view.recast is None:
            raise
        raise ImportRefused([inspection.view.recast.relocated(p) for p in refusal.problems]) from refusal
    if not outcome.runs:
        raise ImportRefused.because(
            "no-samples", f"{path.name} has a header but no line with a time and a reading.", file=path.name
        )
    account = outcome.account(plan)
    problems = [replace(p, file=path.name) for p in outcome.tally.found]
    if inspection.view.recast is not None:
        problems = [inspection.view.recast.relocated(p) for p in problems]
    problems += [p for p in inspection.problems if p.code in {"nul-tail", "law-broken", "left-out"}]
    profile = inspection.as_profile(inspection.profile or path.stem[:40] or "proposed")
    return ImportedExport(
        path.name, tuple(outcome.runs), account, tuple(problems), inspection.profile or "proposed", profile.to_toml()
    )


def _outcome(
    inspection: Inspection, plan: Plan, sink: ImportSink, facts: Facts, file: str, report: Callable[[int], None]
) -> Outcome:
    if inspection.parsed is not None:
        found = read_parsed(inspection.parsed, plan, sink, facts, inspection.answers, file)
        report(inspection.view.size)
        return found
    return read_runs(pieces(inspection.view), plan, inspection.words, sink, facts, inspection.answers, file, report)


def _refuse_open(inspection: Inspection) -> None:
    """Refuse a file about which something is still asked: the message names the option that answers."""
    errors = [p for p in inspection.problems if p.severity == "error"]
    asked = [
        Problem(f"question:{q.id}", "question", _with_choices(q), inspection.file, column=q.column)
        for q in inspection.questions
    ]
    if errors or asked:
        raise ImportRefused([*errors, *asked], inspection.questions)


def _with_choices(question: Question) -> str:
    """A question with every answer and what it does, as a person types it; a long list is cut."""
    if not question.choices:
        answers = f"Answer with {question.option}"
    else:
        shown = "; ".join(f"--answer {question.id}={c.value} ({c.label})" for c in question.choices[:_SHOWN])
        more = len(question.choices) - _SHOWN
        answers = f"Answer with {shown}" + (f"; and {more} more that `joulebook inspect` lists" if more > 0 else "")
    return f"{question.text} {answers}" + (f", or a profile's line `{question.example}`." if question.example else ".")


@dataclass(frozen=True, slots=True)
class ProfileCheck:
    """What one profile made of a file."""

    profile: str
    fits: bool
    finding: str
    """One sentence."""


def check_profiles(path: Path | str, profiles: Iterable[Profile] = (), *, zone: str = "UTC") -> list[ProfileCheck]:
    """Try all profiles on a file and say what each found.

    Raises:
        ImportRefused: there is no table to look at.
    """
    path = Path(path)
    words = shipped_vocabulary()
    _, layout = look(path, words)
    checks = []
    for profile in [*profiles, *shipped_profiles()]:
        if not profile.fits(layout):
            missing = profile.missing_in(layout)
            why = f"column `{missing[0]}` is not in the file" if missing else "units or preamble differ"
            checks.append(ProfileCheck(profile.name, fits=False, finding=f"does not fit: {why}."))
            continue
        try:
            found = inspect(path, profiles=[profile], profile=profile.name, zone=zone)
        except ImportRefused as refusal:
            checks.append(ProfileCheck(profile.name, fits=True, finding=f"fits, but: {refusal}"))
            continue
        checks.append(ProfileCheck(profile.name, fits=True, finding=f"fits: {found.summary}."))
    return checks
