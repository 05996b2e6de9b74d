"""`joulebook take`: another library's runs into this one."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things, wrong_use
from tui.cli.errors import DONE, NOT_DONE
from tui.cli.listing import print_rows
from tui.render.format import local_time
from tui.render.tables import Head

if TYPE_CHECKING:
    from store.sharing.conflicts import Conflict, Told
    from store.sharing.take import TakeReport
    from tui.cli.session import Session

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 286

_HELP = examples(
    "Take what another library has and this one lacks: runs with their traces, originals, facts and amendments, "
    "groups, pairs, sheets, meters, profiles. The other library is only read. Taking again changes nothing.",
    "joulebook take ../colleague/library --dry-run",
    "joulebook take s3://lab/joulebook --bench south",
    "joulebook take ../colleague/library",
    "joulebook take colleague-2026-02.tar --prefer newer",
    "joulebook take ../colleague/library --rename PB-03=PB-03-south",
    more="A fact that both libraries state differently stays as it is here and is listed until --prefer says whose "
    "statement counts. Where one code stands for two different devices, their runs stay there until --rename gives "
    "one of them another code. Exit status 1 while something is open.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("take", help=_HELP, no_args_is_help=True)(take_library)


def take_library(
    context: typer.Context,
    source: Annotated[
        str, typer.Argument(metavar="LIBRARY", help="A library's folder, a backup, a shared place, or a pack of runs.")
    ],
    bench: Annotated[str, typer.Option("--bench", metavar="NAME", help="Of a shared place: whose runs.")] = "",
    prefer: Annotated[
        str,
        typer.Option("--prefer", metavar="WHOSE", help="mine, theirs or newer, for facts stated differently."),
    ] = "ask",
    rename: Annotated[
        list[str] | None, typer.Option("--rename", metavar="THERE=HERE", help="Their device code, and its code here.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", "-n", help="List what would come; change nothing.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> int:
    """Take from another library."""
    from store.sharing.conflicts import Prefer
    from store.sharing.take import take

    session = session_of(context)
    if prefer not in set(Prefer):
        wrong_use(f"--prefer {prefer}: say mine, theirs or newer.")
    codes = _codes(rename or [])
    library = session.open_library(create=True)
    place = source if "://" in source else Path(source).expanduser()
    with session.progress("taking") as report:
        done = take(
            library, place, bench=bench or None, prefer=Prefer(prefer), codes=codes, is_dry=dry_run, progress=report
        )
    if as_json:
        session.document(asdict(done))
    else:
        _tell(session, done)
    return NOT_DONE if done.damaged or done.held_back or done.open_conflicts else DONE


def _codes(words: list[str]) -> dict[str, str]:
    codes = {}
    for word in words:
        there, mark, here = word.partition("=")
        if not mark or not there.strip() or not here.strip():
            wrong_use(f"--rename {word}: write --rename THERE=HERE, as --rename PB-03=PB-03-south.")
        codes[there.strip()] = here.strip()
    return codes


def _tell(session: Session, done: TakeReport) -> None:
    verb = "would come" if done.is_dry else "taken"
    parts = [f"{things(len(done.runs), 'run')} {verb}", f"{things(done.known, 'run')} here already"]
    if done.deleted_here:
        parts.append(f"{things(done.deleted_here, 'run')} deleted here and left out")
    for names, word in ((done.devices, "device"), (done.meters, "meter"), (done.files, "file")):
        if names:
            parts.append(f"{things(len(names), word)} ({', '.join(names)})")
    if done.amendments:
        parts.append(things(done.amendments, "amendment"))
    session.say(f"{done.source}: {'; '.join(parts)}.")
    for sentence in done.damaged:
        session.complain(sentence)
    for held in done.held_back:
        session.complain(
            f"{held.device} is another device there: {held.difference}. {things(held.runs, 'run')} stay there. "
            f"`--rename {held.device}=NEW-CODE` takes them under a new code, `--prefer mine` as the same device."
        )
    if done.conflicts:
        columns = [Head("what", may_shrink=True), Head("field"), Head("here", may_shrink=True)]
        columns += [Head("there", may_shrink=True), Head("counts")]
        print_rows(session, columns, [_row(conflict) for conflict in done.conflicts])
    if done.open_conflicts:
        session.complain(
            f"{things(len(done.open_conflicts), 'fact')} stated differently, left as here. "
            "`--prefer mine`, `theirs` or `newer` settles them."
        )


def _row(conflict: Conflict) -> tuple[object, ...]:
    return (
        f"{conflict.table} {conflict.key}",
        conflict.field,
        _told(conflict.mine),
        _told(conflict.theirs),
        conflict.takes or "open",
    )


def _told(told: Told) -> str:
    value = "not stated" if told.value is None else told.value
    return f"{value} ({told.who}, {local_time(told.at)})" if told.at else value
