"""`joulebook next`: what to do next at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.session import Session

if TYPE_CHECKING:
    from store.judge.course import CourseTest
    from store.judge.course_grid import CourseCell

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 350

_HELP = examples(
    "Show the next test of the course, how to set it up, and its cautions.",
    "joulebook next                            one line per device",
    "joulebook next PB-03",
    "joulebook next PB-03 --all",
    more="The course is data: a course.toml in the library's folder takes the place of the one that ships.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("next", help=_HELP)(next_tests)


def next_tests(
    context: typer.Context,
    devices: Annotated[list[str] | None, typer.Argument(metavar="[DEVICE]...", help="Devices (default: all).")] = None,
    every: Annotated[bool, typer.Option("--all", help="All remaining tests, not only the next.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print what to do next at the bench."""
    session = session_of(context)
    library = session.open_library()
    names = list(devices) if devices else [row.device for row in library.devices.all()]
    if not names:
        wrong_use("The library knows no device yet. `joulebook device load SHEET.toml` brings one in.")
    steps: dict[str, tuple[tuple[CourseTest, CourseCell], ...]] = {}
    for name in names:
        left = library.devices.course(name).next_steps
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
