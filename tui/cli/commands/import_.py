"""`joulebook import`: exports into the library."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tui.cli.base import JsonOption, examples, session_of
from tui.cli.errors import BUSY, DONE, INTERRUPTED, NOT_DONE
from tui.cli.fact_options import (
    Ambient,
    Answers,
    CableMohm,
    Device,
    Kind,
    Load,
    MeasuredAt,
    Meter,
    Mode,
    Note,
    Port,
    check_kind,
)
from tui.cli.session import Session, fail
from tui.render.format import count, span_words

if TYPE_CHECKING:
    from importers.schema import Facts
    from store.imports.importer import FileOutcome, Order
    from store.runs.proposals import Proposal
from tui.cli.import_options import ProfileName, Zone, import_order

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 20

MOST_PROPOSED_FOR = 500
"""Runs of one import for which proposals are looked for: each costs a few milliseconds."""

_HELP = examples(
    "Import exports: files, or folders with all exports below them. Imports are atomic; the same bytes never twice.",
    'joulebook import log.csv --device PB-07 --port C1 --mode "fixed 20 V" --kind discharge --load "30 W"',
    "joulebook import season-2026/ --meter M2 --ambient 21.5",
    "joulebook import log.csv --dry-run        look, store nothing",
    "joulebook import log.csv --answer unit.3=mAh",
    more="An ambiguous file is refused; the message names the option that resolves it. "
    "`joulebook inspect FILE` shows how a file is read.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("import", help=_HELP, no_args_is_help=True)(import_exports)


def import_exports(
    context: typer.Context,
    paths: Annotated[list[Path], typer.Argument(metavar="PATH...", help="Files or folders.")],
    device: Device = None,
    port: Port = None,
    mode: Mode = None,
    kind: Kind = None,
    load: Load = None,
    ambient: Ambient = None,
    meter: Meter = None,
    started: Annotated[
        str | None,
        typer.Option("--started", metavar="ISO", help="When the first sample was taken, as 2026-02-11T14:03."),
    ] = None,
    note: Note = None,
    measured_at: MeasuredAt = None,
    cable_mohm: CableMohm = None,
    profile: ProfileName = None,
    zone: Zone = None,
    answer: Answers = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", "-n", help="Show what would be imported; store nothing.")
    ] = False,
    new_run: Annotated[
        bool, typer.Option("--new-run", help="Import a longer version of an imported log as a run of its own.")
    ] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> int:
    """Import files and folders."""
    session = session_of(context)
    facts = _facts(device, port, mode, kind, load, ambient, meter, note, measured_at, cable_mohm)
    order = replace(import_order(facts, started, zone, profile, answer, is_dry=dry_run), is_own=new_run)
    return _import(session, paths, order, as_json=as_json)


def _facts(
    device: str | None,
    port: str | None,
    mode: str | None,
    kind: str | None,
    load: str | None,
    ambient_c: float | None,
    meter: str | None,
    note: str | None,
    measured_at: str | None,
    cable_mohm: float | None,
) -> Facts:
    from importers.schema import Facts

    return Facts(
        device=device,
        port=port,
        mode=mode,
        kind=check_kind(kind),
        load=load,
        ambient_c=ambient_c,
        meter=meter,
        note=note,
        measured_at=measured_at,
        cable_mohm=cable_mohm,
    )


def _import(session: Session, paths: Sequence[Path], order: Order, *, as_json: bool) -> int:
    from store.imports.importer import find_files, named_profile
    from store.imports.workers import Stopped, import_files

    found = find_files([path.expanduser() for path in paths])
    if not found.files:
        fail(
            f"No exports below {', '.join(map(str, paths))}: name files, or folders with .csv, .txt, .tsv and the like."
        )
    library = session.open_library(create=True)
    if order.profile is not None:
        named_profile(library, order.profile)  # an unknown one ends the command before any file is read
    is_stopped = False
    with session.progress(
        f"{count(len(found.files))} files" if len(found.files) > 1 else found.files[0].name
    ) as report:
        try:
            outcomes: Sequence[FileOutcome] = import_files(library, found.files, order, report)
        except Stopped as stop:
            outcomes, is_stopped = stop.outcomes, True
    fresh = [run_id for outcome in outcomes if outcome.status == "imported" for run_id in outcome.run_ids]
    proposed = library.imports.proposals(fresh) if 0 < len(fresh) <= MOST_PROPOSED_FOR else ()
    if as_json:
        session.document(import_document(outcomes, proposed))
    else:
        _tell(session, outcomes, len(found.passed_over))
        for proposal in proposed:
            what = "look like parts of one log" if proposal.how == "join" else "look simultaneous"
            session.say(f"Runs {_listed(proposal.run_ids)} {what}: {proposal.reason}. `{proposal.command}`")
    if is_stopped:
        return INTERRUPTED
    refused = [outcome for outcome in outcomes if outcome.status == "refused"]
    if refused and all(outcome.is_busy for outcome in refused):
        return BUSY
    return NOT_DONE if refused else DONE


def import_document(
    outcomes: Sequence[FileOutcome], proposed: Sequence[Proposal] = ()
) -> dict[str, list[dict[str, Any]]]:
    """What `import --json` prints; `checked` and `proposals` only where there are some."""
    by_status = {status: [o for o in outcomes if o.status == status] for status in ("imported", "already", "checked")}
    refused = [outcome for outcome in outcomes if outcome.status in {"refused", "not read"}]
    document: dict[str, list[dict[str, Any]]] = {
        "imported": [{"file": outcome.file, **run} for outcome in by_status["imported"] for run in outcome.runs],
        "already": [{"file": outcome.file, "run_ids": list(outcome.run_ids)} for outcome in by_status["already"]],
        "refused": [
            {"file": outcome.file, "reason": outcome.reason, "questions": list(outcome.questions)}
            for outcome in refused
        ],
    }
    if checked := by_status["checked"]:
        document["checked"] = [{"file": o.file, "profile": o.profile, "summary": o.reason} for o in checked]
    if proposed:
        document["proposals"] = [
            {"how": p.how, "run_ids": list(p.run_ids), "reason": p.reason, "command": p.command} for p in proposed
        ]
    return document


def _tell(session: Session, outcomes: Sequence[FileOutcome], passed_over: int) -> None:
    """What became of each file: good news on standard output, refusals on standard error, the sum last."""
    for outcome in outcomes:
        if outcome.status == "imported":
            for run in outcome.runs:
                session.out(_run_line(outcome.file, run))
        elif outcome.status == "already":
            how = "its samples are the beginning of" if outcome.is_beginning else "imported before, as"
            session.say(f"{outcome.file}: {how} {_runs(outcome.run_ids)}; nothing was added.")
        elif outcome.status == "checked":
            session.out(f"{outcome.file}: {outcome.reason}")
        else:
            session.complain(_with_file(outcome))
    if len(outcomes) > 1 or passed_over:
        session.say(_sum(outcomes, passed_over))


def _with_file(outcome: FileOutcome) -> str:
    return outcome.reason if outcome.file in outcome.reason else f"{outcome.file}: {outcome.reason}"


def _run_line(file: str, run: Any) -> str:
    port = f" {run['port']}" if run.get("port") else ""
    line = (
        f"{file}: run {run['run_id']}{port}, {count(run['samples'])} samples over {span_words(run['span_s'])}, "
        f"{', '.join(run['channels'])} (profile {run['profile']})"
    )
    if "grown_from" in run:
        more = count(run["samples"] - run["samples_before"])
        line += (
            f"\n  replaces run {run['grown_from']}, of which it is a longer version ({more} samples more); "
            f"`joulebook part {run['run_id']}` undoes that"
        )
    return "\n".join([line, *(f"  warning: {warning}" for warning in run.get("warnings", ()))])


def _listed(run_ids: Sequence[int]) -> str:
    return f"{', '.join(map(str, run_ids[:-1]))} and {run_ids[-1]}"


def _runs(run_ids: Sequence[int]) -> str:
    return ("run " if len(run_ids) == 1 else "runs ") + ", ".join(map(str, run_ids))


def _sum(outcomes: Sequence[FileOutcome], passed_over: int) -> str:
    words = {"imported": "imported", "checked": "readable", "already": "known before", "refused": "refused"}
    words["not read"] = "not read"
    tally = [
        f"{count(n)} {word}"
        for status, word in words.items()
        if (n := sum(outcome.status == status for outcome in outcomes))
    ]
    if passed_over:
        tally.append(f"{count(passed_over)} ignored (not an export's file extension)")
    return f"{count(len(outcomes))} files: {', '.join(tally)}."
