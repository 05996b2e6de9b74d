"""`joulebook watch` and `next`: habits at the bench."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
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
    from store.judge.course import CourseTest
    from store.judge.course_grid import CourseCell

__all__ = ["register"]

_WATCH_HELP = examples(
    "Import what a meter's software drops into a folder, as soon as each file has stopped growing. Facts are given "
    "once and hold for all. Ctrl-C ends it; started again it goes on, and nothing is imported twice.",
    "joulebook watch logs",
    'joulebook watch logs --device PB-07 --port C1 --mode "fixed 20 V" --kind discharge --load "30 W" --ambient 21.5',
    "joulebook watch logs --once               what is there and settled, then end",
    more="A file that leaves a question open is told with the option that answers it, and waits; the interface's "
    "import (F5) asks it on screen.",
)
_NEXT_HELP = examples(
    "Say which test of the course is next, how to set it up, and what to mind.",
    "joulebook next                            one line per device",
    "joulebook next PB-03",
    "joulebook next PB-03 --all",
    more="The course is data: a course.toml in the library's folder takes the place of the one that ships.",
)


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("watch", help=_WATCH_HELP, no_args_is_help=True)(watch_folder)
    app.command("next", help=_NEXT_HELP)(next_tests)


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
    profile: Annotated[
        str | None, typer.Option("--profile", metavar="NAME", help="Read by this profile alone.")
    ] = None,
    settle: Annotated[
        float, typer.Option("--settle", metavar="SECONDS", min=0.0, help="How long a file must not have changed.")
    ] = 10.0,
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", min=0.1, help="How often the folder is looked at.")
    ] = 2.0,
    once: Annotated[bool, typer.Option("--once", help="Wait until nothing there grows any more, then end.")] = False,
) -> int:
    """Watch a folder until Ctrl-C."""
    session = session_of(context)
    if not folder.is_dir():
        fail(f"{folder} is no folder. Name the one into which the meter's software writes.")
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


def next_tests(
    context: typer.Context,
    devices: Annotated[
        list[str] | None, typer.Argument(metavar="[DEVICE]...", help="All devices unless named.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Everything that is left, not only what is next.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print what to do next at the bench."""
    session = session_of(context)
    library = session.open_library()
    names = list(devices) if devices else [row.device for row in library.devices()]
    if not names:
        wrong_use("The library knows no device yet. `joulebook device load SHEET.toml` brings one in.")
    steps: dict[str, tuple[tuple[CourseTest, CourseCell], ...]] = {}
    for name in names:
        left = library.course(name).next_steps
        steps[name] = left if every else left[:1]
    if as_json:
        session.document([_document(name, test, cell) for name, left in steps.items() for test, cell in left])
        return
    for name, left in steps.items():
        if not left:
            session.out(f"{name}: the course is done.")
        for test, cell in left:
            _print_step(session, name, test, cell, in_full=bool(devices))


def _print_step(session: Session, name: str, test: CourseTest, cell: CourseCell, *, in_full: bool) -> None:
    session.out(f"{name}: {_what(test, cell)}")
    if not in_full:
        if test.caution:
            session.out(f"  caution: {test.caution}")
        return
    session.out(f"  {test.how}")
    if test.caution:
        session.out(f"  caution: {test.caution}")
    session.out(f"  then: {_command(name, test, cell)}")


def _what(test: CourseTest, cell: CourseCell) -> str:
    place = f" on {cell.port}" if cell.port else ""
    mode = f" in {cell.mode}" if cell.mode else ""
    why = {"suspect": "; the runs there are suspect", "repeat": f"; {cell.done} of {cell.wanted} done"}
    ambient = f" at {test.ambient_c:g} °C" if test.ambient_c is not None else ""
    return f"{test.name}{place}{mode}{ambient}{why.get(cell.state, '')}"


def _command(name: str, test: CourseTest, cell: CourseCell) -> str:
    words = ["joulebook import LOG", f"--device {_quoted(name)}", f"--kind {test.kind}"]
    if cell.port:
        words.append(f"--port {_quoted(cell.port)}")
    if cell.mode:
        words.append(f"--mode {_quoted(cell.mode)}")
    if test.ambient_c is not None:
        words.append(f"--ambient {test.ambient_c:g}")
    return " ".join(words)


def _quoted(text: str) -> str:
    import shlex

    return f'"{text}"' if " " in text and '"' not in text else shlex.quote(text)


def _document(name: str, test: CourseTest, cell: CourseCell) -> dict[str, Any]:
    return {
        "device": name,
        "test": test.name,
        "kind": test.kind,
        "port": cell.port,
        "mode": cell.mode,
        "state": cell.state,
        "done": cell.done,
        "wanted": cell.wanted,
        "ambient_c": test.ambient_c,
        "how": test.how,
        "caution": test.caution,
    }
