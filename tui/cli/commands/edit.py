"""`joulebook edit`: facts of runs changed."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from tui.cli.base import examples, session_of, things, wrong_use
from tui.cli.fact_options import Ambient, CableMohm, Device, Kind, Load, MeasuredAt, Meter, Mode, Note, Port, check_kind
from tui.cli.run_numbers import Reason, Runs, run_numbers

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 120

_HELP = examples(
    "Change facts of runs. The old values stay readable as amendments, and dependent results are recomputed.",
    "joulebook edit 12 --port C2",
    'joulebook edit 12-18 21 --meter M2 --reason "logged by the other meter"',
    'joulebook edit 31 --quality rejected --reason "cable came loose"',
    more='An empty value removes a fact: --note "".',
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("edit", help=_HELP, no_args_is_help=True)(edit)


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
    changed = session.open_library().runs.edit(numbers, changes, reason=reason)
    if changed:
        session.say(
            f"Changed {things(changed, 'fact')} of {things(len(numbers), 'run')}; `joulebook amendments` lists it."
        )
    else:
        session.say("Nothing changed: the facts already have these values.")


def _quality(quality: str | None, reason: str) -> str | None:
    if quality is None:
        return None
    if quality not in {"ok", "suspect", "rejected"}:
        wrong_use(f"--quality {quality}: use ok, suspect or rejected.")
    if quality != "ok" and not reason:
        wrong_use(f"--quality {quality} needs a reason: --reason TEXT.")
    return quality
