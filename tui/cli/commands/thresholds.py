"""`joulebook thresholds`: the named constants by which cut-offs, pauses, levels and the like are told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things, wrong_use
from tui.cli.changes import print_changes, print_flips
from tui.cli.listing import print_rows
from tui.render.tables import Head

if TYPE_CHECKING:
    from collections.abc import Sequence

    from store.catalogue.thresholds import ThresholdRow
    from tui.cli.session import Session

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 160

_HELP = examples(
    "List the constants of detection with their values and reasons, or set one for this library: dependent results "
    "are recomputed, and `joulebook why` names it.",
    "joulebook thresholds",
    "joulebook thresholds held_band",
    'joulebook thresholds held_band 0.03 --reason "loads here hold 3 %" --dry-run',
    'joulebook thresholds held_band 0.03 --reason "loads here hold 3 %"',
    'joulebook thresholds held_band --default --reason "use the default"',
    more="Each change is an amendment; values that it replaces stay, superseded. --dry-run lists results that would "
    "move and verdicts that would flip.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("thresholds", help=_HELP)(thresholds)


def thresholds(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="A constant (default: all).")] = None,
    value: Annotated[str | None, typer.Argument(metavar="[VALUE]", help="Its value in this library.")] = None,
    default: Annotated[bool, typer.Option("--default", help="Restore the default.")] = False,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Reason, kept with the amendment; needed to set.")
    ] = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", "-n", help="List what would change; change nothing.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """List or set constants of detection."""
    session = session_of(context)
    if value is None and not default:
        _list(session, session.open_library().thresholds.all(), name, as_json=as_json)
        return
    if name is None or (value is not None and default):
        wrong_use("Name one constant with a value, or with --default: `joulebook thresholds held_band 0.03`.")
    wanted = {name: None if value is None else _number(name, value)}
    library = session.open_library()
    if dry_run:
        with session.progress("trying it out") as report:
            found = library.results.preview(thresholds=wanted, progress=report)
        if as_json:
            session.document(found)
            return
        print_changes(session, found.changes)
        print_flips(session, found.verdicts, verb="would flip")
        session.say(f"{things(len(found.changes), 'result')} would change. Nothing was stored.")
        return
    with session.progress("recomputing results") as report:
        changes = library.thresholds.change(wanted, reason=reason, progress=report)
    if as_json:
        session.document(changes)
        return
    print_changes(session, changes)
    session.say(f"{name} is set; {things(len(changes), 'result')} changed. `joulebook amendments` lists it.")


def _number(name: str, value: str) -> float:
    try:
        return float(value.replace(",", "."))
    except ValueError:
        wrong_use(f"{name} {value}: no number. `joulebook thresholds {name}` shows its unit.")


def _list(session: Session, found: Sequence[ThresholdRow], name: str | None, *, as_json: bool) -> None:
    if name is not None:
        known = [row.name for row in found]
        found = [row for row in found if row.name == name]
        if not found:
            from store.errors import NotFound

            raise NotFound.of("threshold", name, known)
    if as_json:
        session.document(found)
        return
    columns = [Head("constant"), Head("value", is_number=True), Head("unit"), Head("set here")]
    columns += [Head("reason", may_shrink=True)]
    rows: list[tuple[object, ...]] = [
        (
            row.name,
            f"{row.value:g}",
            "" if row.unit == "1" else row.unit,
            f"unless set {row.default:g}" if row.is_own else "",
            row.reason,
        )
        for row in found
    ]
    print_rows(session, columns, rows)
    if name is not None:
        session.say(f"Decides: {', '.join(found[0].decides) or 'the load window, and so about all results'}.")
