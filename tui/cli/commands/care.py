"""`joulebook verify`, `pack`, `rebuild`, `backup`, `restore`, `files`, `check`: care of the library and its numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things
from tui.cli.commands.runs import print_rows, terminal_width
from tui.cli.errors import DONE, NOT_DONE
from tui.render.format import count, size
from tui.render.tables import Column

__all__ = ["register"]

_VERIFY_HELP = examples(
    "Check every hash, row count and catalogue row against the files, and say what is wrong.",
    "joulebook verify",
    "joulebook verify --quick                  names and sizes only, no hashes",
    "joulebook verify --repair                 sweep what a broken import left, mend what can be mended",
    more="Exit status 1 where something is wrong and not repaired.",
)
_PACK_HELP = examples(
    "Merge loose trace files into packs, so that questions over all samples stay quick.", "joulebook pack"
)
_REBUILD_HELP = examples(
    "Make a lost or damaged catalogue's runs again from the traces and originals; the damaged one is kept beside it.",
    "joulebook rebuild",
)
_BACKUP_HELP = examples(
    "Write the whole library into one archive; works while others use it.", "joulebook backup store-2026-02.tar"
)
_RESTORE_HELP = examples(
    "Unpack a backup into a new folder: the one of --to, else the library's own place.",
    "joulebook restore store-2026-02.tar --to restored",
    "joulebook --library restored runs",
)
_FILES_HELP = examples(
    "List the trace files that hold the library's runs, for other programs that read Parquet.",
    "joulebook files",
    "joulebook files --json",
)
_CHECK_HELP = examples(
    "Run published reference cases through this program and print a dated validation record to keep.",
    "joulebook check",
    "joulebook check > validation-2026-02.txt",
    "joulebook check --json",
    more="Needs no library. Exit status 1 where a case gives another number than it should.",
)


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("verify", help=_VERIFY_HELP)(verify)
    app.command("pack", help=_PACK_HELP)(pack)
    app.command("rebuild", help=_REBUILD_HELP)(rebuild)
    app.command("backup", help=_BACKUP_HELP, no_args_is_help=True)(backup)
    app.command("restore", help=_RESTORE_HELP, no_args_is_help=True)(restore)
    app.command("files", help=_FILES_HELP)(files)
    app.command("check", help=_CHECK_HELP)(check)


def verify(
    context: typer.Context,
    repair: Annotated[bool, typer.Option("--repair", help="Mend what can be mended.")] = False,
    quick: Annotated[bool, typer.Option("--quick", help="Names and sizes only.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> int:
    """Check the library."""
    session = session_of(context)
    library = session.open_library()
    with session.progress("checking") as report:
        findings = library.verify(repair=repair, quick=quick, progress=report)
    left = [finding for finding in findings if not finding.is_repaired]
    if as_json:
        session.document(findings)
        return NOT_DONE if left else DONE
    for finding in findings:
        session.out(f"{finding.subject}: {finding.message}{' Repaired.' if finding.is_repaired else ''}")
    if left:
        advice = (
            "What is left needs a backup or `joulebook rebuild`." if repair else "`--repair` mends what can be mended."
        )
        session.complain(f"{things(len(left), 'finding')}. {advice}")
        return NOT_DONE
    session.say(f"{things(len(findings), 'finding')} repaired; all is well now." if findings else "All is well.")
    return DONE


def pack(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> int:
    """Merge loose traces."""
    session = session_of(context)
    library = session.open_library()
    with session.progress("packing") as report:
        outcome = library.pack(progress=report)
    if as_json:
        session.document(outcome)
    elif outcome.runs:
        session.say(f"Packed {things(outcome.runs, 'run')} into {', '.join(outcome.packs)}.")
    else:
        session.say("Nothing is loose enough to pack.")
    for damaged in outcome.damaged:
        session.complain(f"{damaged} is not what the catalogue says and was left alone. `joulebook verify` tells more.")
    return NOT_DONE if outcome.damaged else DONE


def rebuild(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> int:
    """Make the catalogue again."""
    from store import Library

    session = session_of(context)
    with session.progress("rebuilding") as report:
        _, outcome = Library.rebuilt(session.library_path, progress=report)
    if as_json:
        session.document(outcome)
    else:
        session.say(f"{things(outcome.runs, 'run')} made again from the traces.")
        if outcome.moved_aside:
            kept = f" Taken over from it: {', '.join(outcome.salvaged)}." if outcome.salvaged else ""
            session.say(f"The damaged catalogue is kept as {outcome.moved_aside}.{kept}")
    for sentence in outcome.unreadable:
        session.complain(sentence)
    return NOT_DONE if outcome.unreadable else DONE


def backup(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The archive to write, as store.tar.")],
) -> None:
    """Write an archive."""
    session = session_of(context)
    library = session.open_library()
    with session.progress("backing up") as report:
        written = library.backup(file.expanduser(), report)
    session.say(f"{file}: {size(written)}. `joulebook restore {file} --to DIR` brings it back.")


def restore(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The archive.")],
    to: Annotated[Path | None, typer.Option("--to", metavar="DIR", help="A new or empty folder.")] = None,
) -> None:
    """Unpack an archive."""
    from store import Library

    session = session_of(context)
    target = to.expanduser() if to else session.library_path
    with session.progress("restoring") as report:
        library = Library.restore(file.expanduser(), target, progress=report)
    session.say(f"{target} holds {things(library.runs(limit=1).total, 'run')} again.")


def files(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> None:
    """List the trace files."""
    session = session_of(context)
    found = session.open_library().files()
    if as_json:
        session.document(found)
        return
    columns = [Column("samples", is_number=True), Column("bytes", is_number=True), Column("file")]
    rows = [(_number(file["samples"]), _number(file["bytes"]), file["path"]) for file in found]
    print_rows(session, columns, rows)


def check(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> int:
    """Run the reference cases."""
    from store.validation import validate
    from tui.render.check import check_document, check_lines

    session = session_of(context)
    record = validate()
    if as_json:
        session.document(check_document(record))
    else:
        session.out_all(check_lines(record, signs=session.signs, width=terminal_width()))
    if record.failed:
        session.complain(
            f"{things(len(record.failed), 'case')} of {len(record.cases)} failed: numbers of this installation are not "
            "to be published. Install it anew, and report it where that does not help."
        )
        return NOT_DONE
    session.say(f"All {len(record.cases)} cases passed.")
    return DONE


def _number(value: object) -> str:
    return count(value) if isinstance(value, int) else ""
