"""`joulebook display`: readings of a device's own display, typed in beside the meter's."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.fact_options import Ambient, Load, Meter, Mode, Note, Port
from tui.cli.session import fail

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 210

_HELP = examples(
    "Enter readings of a device's own display, each with what the meter showed at that moment; they become a run of "
    "kind display, with bias, spread, largest error and the accuracy of its charge indicator.",
    'joulebook display PB-04 --port C1 --meter M1 "20.1 V = 20.05 V" "1.54 A = 1.50 A" "31 W = 30.1 W"',
    'joulebook display PB-04 "@0:00 100 % = 0 Wh" "@0:40 64 % = 30.2 Wh" "@1:58 0 % = 79.5 Wh"',
    more="A charge level is set against the energy delivered so far; its last pair is taken at switch-off. A log that "
    "holds both columns is imported like any other: `joulebook import FILE --kind display`.",
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("display", help=_HELP, no_args_is_help=True)(display)


def display(
    context: typer.Context,
    device: Annotated[str, typer.Argument(metavar="DEVICE", help="Its inventory code.")],
    pairs: Annotated[list[str], typer.Argument(metavar="PAIR...", help='"DISPLAY = METER", "@H:MM" before it.')],
    port: Port = None,
    mode: Mode = None,
    load: Load = None,
    ambient: Ambient = None,
    meter: Meter = None,
    note: Note = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Type in display readings."""
    from importers.schema import Facts
    from store.imports.display_readings import PairError, as_export, read_pair
    from store.imports.importer import Order, import_file

    session = session_of(context)
    try:
        text = as_export([read_pair(word) for word in pairs])
    except PairError as error:
        wrong_use(str(error))
    library = session.open_library()
    told = note or "entered by hand; readings without a time are numbered, a second apart"
    facts = Facts(
        device=device, port=port, mode=mode, kind="display", load=load, ambient_c=ambient, meter=meter, note=told,
    )  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="joulebook-") as folder:
        file = Path(folder) / f"{device_file(device)}-display-{today()}.csv"
        file.write_text(text, "utf-8")
        outcome = import_file(library, file, Order(facts))
    if outcome.status == "refused":
        fail(outcome.reason)
    if as_json:
        session.document({"run_ids": outcome.run_ids, "pairs": len(pairs)})
        return
    if outcome.status == "already":
        session.say("These readings were entered before.")
    for run_id in outcome.run_ids:
        session.say(f"Run {run_id} holds {len(pairs)} pairs; `joulebook show {run_id}` shows the results.")


def device_file(device: str) -> str:
    """A device's code as part of a file's name."""
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in device) or "device"


def today() -> str:
    """Today, for the name of what was typed."""
    return date.today().isoformat()
