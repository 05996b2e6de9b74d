"""`joulebook watch`: a folder that a meter's software writes into."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import examples, session_of
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
    answers_of,
    check_kind,
)
from tui.cli.session import Session, fail

if TYPE_CHECKING:
    from store.imports.importer import FileOutcome, Order

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 340

_HELP = examples(
    "Import what a meter's software drops into a folder, as soon as each file has stopped growing. Facts are given "
    "once and hold for all. Ctrl-C ends it; started again it goes on, and nothing is imported twice.",
    "joulebook watch logs",
    'joulebook watch logs --device PB-07 --port C1 --mode "fixed 20 V" --kind discharge --load "30 W" --ambient 21.5',
    "joulebook watch logs --once               what is there and settled, then end",
    more="A file with an open question is reported with the option that answers it, and waits; the interface's "
    "import (F5) asks it on screen.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("watch", help=_HELP, no_args_is_help=True)(watch_folder)


def watch_folder(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the files appear.")],
    device: Device = None,
    port: Port = None,
    mode: Mode = None,
    kind: Kind = None,
    load: Load = None,
    ambient: Ambient = None,
    meter: Meter = None,
    note: Note = None,
    measured_at: MeasuredAt = None,
    cable_mohm: CableMohm = None,
    answer: Answers = None,
    profile: Annotated[str | None, typer.Option("--profile", metavar="NAME", help="Use only this profile.")] = None,
    settle: Annotated[
        float,
        typer.Option("--settle", metavar="SECONDS", min=0.0, help="Time without change before a file is imported."),
    ] = 10.0,
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", min=0.1, help="Interval between looks at the folder.")
    ] = 2.0,
    once: Annotated[bool, typer.Option("--once", help="Wait until no file there grows any more, then end.")] = False,
) -> int:
    """Watch a folder until Ctrl-C."""
    session = session_of(context)
    if not folder.is_dir():
        fail(f"{folder} is not a folder. Name the one into which the meter's software writes.")
    from importers.schema import Facts
    from store.imports.importer import Order

    facts = Facts(
        device=device,
        port=port,
        mode=mode,
        kind=check_kind(kind),
        load=load,
        ambient_c=ambient,
        meter=meter,
        note=note,
        measured_at=measured_at,
        cable_mohm=cable_mohm,
    )
    order = Order(facts, profile=profile, answers=answers_of(answer or []))
    return _watch(session, folder, order, settle_s=settle, every_s=every, once=once)


def _watch(session: Session, folder: Path, order: Order, *, settle_s: float, every_s: float, once: bool) -> int:
    from store.imports.importer import import_file, named_profile
    from store.imports.watched_folder import Watcher, watch

    library = session.open_library(create=True)
    if order.profile is not None:
        named_profile(library, order.profile)
    watcher = Watcher(settle_s)
    bell = threading.Event()  # never set: its wait ends at once on Ctrl-C, on every system

    def pause() -> bool:
        if once and not watcher.waiting:
            return False
        bell.wait(every_s)
        return True

    session.say(f"Watching {folder}. Ctrl-C ends it.")
    refused = 0
    outcomes = watch(folder, lambda path: import_file(library, path, order), watcher=watcher, pause=pause)
    try:
        for outcome in outcomes:
            refused += outcome.status == "refused"
            _tell(session, outcome)
    except KeyboardInterrupt:
        session.say("Stopped watching. What settled is imported; the same command goes on with the rest.")
        return 0
    return 1 if refused else 0


def _tell(session: Session, outcome: FileOutcome) -> None:
    if outcome.status == "refused":
        session.complain(f"{outcome.file}: {outcome.reason}")
    elif outcome.status == "already":
        session.say(f"{outcome.file}: here already, run {', '.join(map(str, outcome.run_ids))}")
    else:
        session.out(f"{outcome.file}: run {', '.join(map(str, outcome.run_ids))}")
        for run in outcome.runs:
            for warning in run.get("warnings", ()):
                session.complain(f"  {warning}")
