"""`joulebook edit`, `delete`, `amendments` and `recompute`: changing what is known of runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from tui.cli.base import JsonOption, examples, session_of, things, wrong_use
from tui.cli.commands.runs import print_rows
from tui.cli.fact_options import Ambient, CableMohm, Device, Kind, Load, MeasuredAt, Meter, Mode, Note, Port, check_kind
from tui.render.format import local_time
from tui.render.tables import Column

if TYPE_CHECKING:
    from collections.abc import Sequence

    from store.runs.previews import VerdictChange
    from store.runs.recompute import ResultChange
    from tui.cli.session import Session

__all__ = ["print_changes", "print_flips", "register", "run_numbers"]

_EDIT_HELP = examples(
    "Change facts of runs. The old values stay readable as amendments, and results that rest on them are made again.",
    "joulebook edit 12 --port C2",
    'joulebook edit 12-18 21 --meter M2 --reason "logged by the other meter"',
    'joulebook edit 31 --quality rejected --reason "cable came loose"',
    more='An empty value takes a fact away: --note "".',
)
_DELETE_HELP = examples(
    "Delete runs. Their trace goes; a line with the original's hash stays. Setting a run aside with "
    "`edit --quality rejected` is nearly always better.",
    "joulebook delete 12",
    "joulebook delete 12 13 --force --reason 'imported for a test'",
)
_AMENDMENTS_HELP = examples(
    "List every change of a fact: who, when, old and new value, reason.",
    "joulebook amendments",
    "joulebook amendments 12",
    "joulebook amendments --json",
)
_RECOMPUTE_HELP = examples(
    "Make results again by today's methods. Old values stay, marked superseded.",
    "joulebook recompute",
    "joulebook recompute 12-18",
    "joulebook recompute --dry-run             list what would change, change nothing",
)


Runs = Annotated[list[str], typer.Argument(metavar="RUN...", help="Run numbers, and spans such as 12-18.")]
Reason = Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, for the amendment.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("edit", help=_EDIT_HELP, no_args_is_help=True)(edit)
    app.command("delete", help=_DELETE_HELP, no_args_is_help=True)(delete)
    app.command("amendments", help=_AMENDMENTS_HELP)(amendments)
    app.command("recompute", help=_RECOMPUTE_HELP)(recompute)


def run_numbers(words: list[str]) -> list[int]:
    """Run numbers from words such as `12` and `12-18`, each once, in the order given.

    Raises:
        Refusal: with status 2 where a word is neither.
    """
    numbers: list[int] = []
    for word in words:
        first, mark, last = word.partition("-")
        ends = [first, last] if mark else [first]
        if not all(end.isascii() and end.isdigit() and len(end) < 10 for end in ends):
            wrong_use(f"`{word}` is no run number and no span such as 12-18. `joulebook runs` lists the runs.")
        span = range(int(ends[0]), int(ends[-1]) + 1)
        if not span or len(span) > 100_000:
            wrong_use(f"`{word}` is no span of runs: the first number comes first.")
        numbers += span
    return list(dict.fromkeys(numbers))


def edit(
    context: typer.Context,
    runs: Runs,
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
    quality: Annotated[str | None, typer.Option("--quality", metavar="Q", help="ok, suspect or rejected.")] = None,
    reason: Reason = "",
) -> None:
    """Change facts of runs."""
    session = session_of(context)
    stated: dict[str, Any] = {
        "device": device,
        "port": port,
        "mode": mode,
        "kind": check_kind(kind or None) if kind else kind,
        "load_set": load,
        "ambient_c": ambient,
        "meter": meter,
        "note": note,
        "measured_at": measured_at,
        "cable_mohm": cable_mohm,
        "quality": _quality(quality, reason),
    }
    changes = {name: (None if value == "" else value) for name, value in stated.items() if value is not None}
    if not changes:
        wrong_use("`joulebook edit` needs something to change, as --port C2. `joulebook edit --help` lists the facts.")
    numbers = run_numbers(runs)
    changed = session.open_library().edit_runs(numbers, changes, reason=reason)
    if changed:
        session.say(
            f"Changed {things(changed, 'fact')} of {things(len(numbers), 'run')}; `joulebook amendments` lists it."
        )
    else:
        session.say("Nothing changed: the facts are so already.")


def _quality(quality: str | None, reason: str) -> str | None:
    if quality is None:
        return None
    if quality not in {"ok", "suspect", "rejected"}:
        wrong_use(f"--quality {quality}: say ok, suspect or rejected.")
    if quality != "ok" and not reason:
        wrong_use(f"--quality {quality} needs a reason: --reason TEXT.")
    return quality


def delete(
    context: typer.Context,
    runs: Runs,
    force: Annotated[bool, typer.Option("--force", "-f", help="Don't ask.")] = False,
    reason: Reason = "",
) -> None:
    """Delete runs."""
    session = session_of(context)
    numbers = run_numbers(runs)
    library = session.open_library()
    for number in numbers:
        library.run(number)  # an unknown one ends the command before anything is deleted
    if not force:
        session.confirm(f"Delete {things(len(numbers), 'run')} for good?", option="--force")
    session.say(f"Deleted {things(library.delete_runs(numbers, reason=reason), 'run')}.")


def amendments(
    context: typer.Context,
    run: Annotated[str | None, typer.Argument(metavar="[RUN]", help="Only of this run.")] = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """List changes of facts."""
    session = session_of(context)
    library = session.open_library()
    changes = library.amendments("run", [str(number) for number in run_numbers([run])]) if run else library.amendments()
    if as_json:
        session.document(changes)
        return
    columns = [Column("when"), Column("who"), Column("what"), Column("key"), Column("field")]
    columns += [Column(name, may_shrink=True) for name in ("old", "new", "reason")]
    rows: list[tuple[object, ...]] = [
        (local_time(c.at), c.who, c.table_name, c.key, c.field, c.old_value, c.new_value, c.reason) for c in changes
    ]
    print_rows(session, columns, rows)
    session.say(f"{things(len(changes), 'amendment')}.")


def recompute(
    context: typer.Context,
    runs: Annotated[list[str] | None, typer.Argument(metavar="[RUN]...", help="Runs; all unless named.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", "-n", help="List what would change; change nothing.")] = False,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Make results again."""
    session = session_of(context)
    library = session.open_library()
    numbers = run_numbers(runs) if runs else None
    from store.runs.previews import RecomputePreview, flips

    with session.progress("making results again") as report:
        if dry_run:
            found = library.preview_recompute(numbers, progress=report)
        else:
            before = library.verdicts()
            changes = tuple(library.recompute(numbers, progress=report))
            found = RecomputePreview(changes, flips(before, library.verdicts()) if changes else ())
    if as_json:
        session.document(found)
        return
    print_changes(session, found.changes)
    print_flips(session, found.verdicts, verb="would flip" if dry_run else "flipped")
    verb = "would change" if dry_run else "changed"
    session.say(f"{things(len(found.changes), 'result')} {verb}, {things(len(found.verdicts), 'verdict')} with them.")


def print_changes(session: Session, changes: Sequence[ResultChange]) -> None:
    """Results that came, or would come, out otherwise: before, now, by how much."""
    from tui.render.answers import cell

    columns = [Column("run", is_number=True), Column("result"), Column("before", is_number=True)]
    columns += [Column("now", is_number=True), Column("by", is_number=True), Column("unit"), Column("method")]
    rows: list[tuple[object, ...]] = [
        (
            *(c.run_id, c.name, cell(c.old_value), cell(c.new_value), _moved(c.old_value, c.new_value)),
            *(c.unit, _versions(c.old_version, c.new_version)),
        )
        for c in changes
    ]
    if rows:
        print_rows(session, columns, rows)


def print_flips(session: Session, changes: Sequence[VerdictChange], *, verb: str) -> None:
    """Claims that are, or would be, judged otherwise."""
    if not changes:
        return
    session.out("")
    session.out(f"verdicts that {verb}")
    columns = [Column("device"), Column("claim", may_shrink=True), Column("before"), Column("after"), Column("runs")]
    rows: list[tuple[object, ...]] = [
        (c.device, c.claim, c.before, c.after, ", ".join(map(str, c.run_ids))) for c in changes
    ]
    print_rows(session, columns, rows)


def _moved(old: float | str | None, new: float | str | None) -> str:
    """By how much a number moved; a result that differs otherwise only has another uncertainty, span or warning."""
    if not isinstance(old, (int, float)) or not isinstance(new, (int, float)):
        return ""
    return f"{new - old:+.3g}" if new != old else "same value"


def _versions(old: int | None, new: int | None) -> str:
    """How a method's version changed, in words."""
    if old is None:
        return f"new, version {new}"
    if new is None:
        return "no longer made"
    return f"version {old}" if old == new else f"version {old} to {new}"
