"""`joulebook share`: the library as tables that other engines read."""

from __future__ import annotations

import re
from dataclasses import asdict
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things, wrong_use
from tui.render.format import count, size

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 285

_HELP = examples(
    "Share the library as Delta tables in a folder or an S3-compatible bucket, for engines that read them. Run it "
    "again to bring them up to date; trace files are added unchanged, and only what changed is written.",
    "joulebook share lab/ --bench north",
    "joulebook share s3://lab/joulebook --bench south",
    "joulebook share lab/ --bench north --dry-run      list what would go, write nothing",
    "joulebook share lab/ --bench north --compact --keep 30d",
    more="Several benches can share to one place. Join their tables on bench and run_id: run numbers alone are not "
    "unique. Credentials for a bucket come from the usual variables and profiles of object store clients. Needs the "
    'extra "share": pip install "joulebook[share]".',
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("share", help=_HELP, no_args_is_help=True)(share_library)


def share_library(
    context: typer.Context,
    to: Annotated[str, typer.Argument(metavar="TO", help="A folder, or s3://bucket/prefix.")],
    bench: Annotated[
        str,
        typer.Option("--bench", metavar="NAME", help="Name of this bench there (default: the library's folder)."),
    ] = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", "-n", help="List what would go; write nothing.")] = False,
    compact: Annotated[
        bool, typer.Option("--compact", help="Merge small files of the fact tables afterwards.")
    ] = False,
    keep: Annotated[
        str, typer.Option("--keep", metavar="30d", help="Remove files that only versions older than this need.")
    ] = "",
    exports: Annotated[
        bool,
        typer.Option("--exports/--no-exports", help="Share the exports as they came too, for `joulebook take`."),
    ] = True,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Share the library."""
    from store.sharing.share import share

    session = session_of(context)
    days = _days(keep)
    library = session.open_library()
    name = bench or re.sub(r"[^A-Za-z0-9_-]+", "-", library.name).strip("-")[:40] or "bench"
    with session.progress("sharing") as report:
        done = share(
            library, to, name, is_dry=dry_run, compact=compact, keep_days=days, exports=exports, progress=report
        )
    if as_json:
        session.document(asdict(done))
        return
    if done.is_unchanged:
        session.say(f"{done.target}: bench {done.bench} is up to date.")
        return
    parts = [f"{things(done.traces_added, 'trace file')} ({size(done.bytes_added)})"]
    if done.exports_added:
        parts.append(things(done.exports_added, "export"))
    if done.traces_removed:
        parts.append(f"{things(done.traces_removed, 'trace file')} removed")
    parts += [f"{count(n)} rows of {table}" for table, n in done.tables.items()]
    session.say(f"{done.target}: bench {done.bench}{', would go' if dry_run else ''}: {', '.join(parts)}.")


def _days(text: str) -> float | None:
    if not text:
        return None
    found = re.fullmatch(r"(\d{1,5})d", text)
    if found is None:
        wrong_use(f"--keep {text}: write a number of days, as --keep 30d.")
    return float(found[1])
