"""`joulebook device`: sheets in, pages out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, things, wrong_use
from tui.cli.listing import print_document, print_rows
from tui.cli.session import Session, fail
from tui.render.tables import Head

if TYPE_CHECKING:
    from store.devices.sheet_reader import SheetReading

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 90

_ADD_HELP = examples(
    "Add a device by a few of its facts, or change them; a sheet holds more.",
    'joulebook device add PB-07 --kind "power bank" --capacity 20000 --cell-voltage 3.7',
    "joulebook device add AD-05 --kind adapter --output 65",
    more="What is not named stays as it is. `joulebook device template` prints a whole sheet to fill in.",
)


_SHOW_HELP = examples(
    "Show a device: claims with verdicts and the runs behind them, figures, course of tests, what to do next.",
    "joulebook device show PB-03",
    "joulebook device show PB-03 --load 12 --load 45    how long it runs these loads, in watts",
    "joulebook device show PB-03 --json",
)


_LIST_HELP = examples("List the devices.", "joulebook device list", "joulebook device list --json")


_LOAD_HELP = examples(
    "Load device sheets; loaded again after edits, the differences become amendments.",
    "joulebook device load PB-03.toml",
    "joulebook device load sheets/*.toml --sure",
    more="Impossible values are refused, with their line; unlikely ones need confirming (--sure).",
)


_TEMPLATE_HELP = examples("Print a commented sheet to fill in.", "joulebook device template > PB-10.toml")


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    devices = typer.Typer(
        name="device",
        help=examples("Devices with their ports and claims.", "joulebook device list", "joulebook device show PB-03"),
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    devices.command("add", help=_ADD_HELP, no_args_is_help=True)(add)
    devices.command("show", help=_SHOW_HELP, no_args_is_help=True)(show)
    devices.command("list", help=_LIST_HELP)(list_devices)
    devices.command("load", help=_LOAD_HELP, no_args_is_help=True)(load)
    devices.command("template", help=_TEMPLATE_HELP)(template)
    app.add_typer(devices)


def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="Your inventory code: one sample, one code.")],
    kind: Annotated[str | None, typer.Option("--kind", metavar="KIND", help="power bank, adapter or cable.")] = None,
    maker: Annotated[str | None, typer.Option("--maker", metavar="TEXT", help="Free text.")] = None,
    model: Annotated[str | None, typer.Option("--model", metavar="TEXT", help="Free text.")] = None,
    capacity: Annotated[float | None, typer.Option("--capacity", metavar="MAH", help="Rated capacity.")] = None,
    cell_voltage: Annotated[float | None, typer.Option("--cell-voltage", metavar="V", help="Nominal.")] = None,
    energy: Annotated[float | None, typer.Option("--energy", metavar="WH", help="Rated energy as marked.")] = None,
    output: Annotated[float | None, typer.Option("--output", metavar="W", help="Rated output power.")] = None,
    mass: Annotated[float | None, typer.Option("--mass", metavar="G", help="Mass of the device alone.")] = None,
    note: Annotated[str | None, typer.Option("--note", metavar="TEXT", help="Anything worth keeping.")] = None,
    sure: Annotated[bool, typer.Option("--sure", help="Accept an unlikely value as marked.")] = False,
) -> None:
    """Add or change a device."""
    from dataclasses import replace

    from store.devices.sheet_reader import read_sheet
    from store.devices.sheet_writer import write_sheet
    from store.model.sheet import DeviceSheet

    session = session_of(context)
    library = session.open_library(create=True)
    known = library.devices.sheets()
    if name not in known and kind is None:
        wrong_use(f'{name} is new: say what it is with --kind "power bank", --kind adapter or --kind cable.')
    stated = {
        "kind": kind,
        "maker": maker,
        "model": model,
        "capacity_mah": capacity,
        "cell_voltage_v": cell_voltage,
        "rated_energy_wh": energy,
        "output_w": output,
        "mass_g": mass,
        "note": note,
    }
    sheet = known.get(name, DeviceSheet(name, kind or ""))
    changed = replace(sheet, **{key: value for key, value in stated.items() if value is not None})  # type: ignore[arg-type]
    # The reader's checks hold for what is typed here as well.
    reading = read_sheet(write_sheet(changed), name)
    _settle(session, reading, sure=sure)
    library.devices.save(reading.sheet)
    session.say(f"Device {name} is in the library.")


def show(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="DEVICE", help="The device's inventory code.")],
    load: Annotated[
        list[float] | None, typer.Option("--load", metavar="W", help="Estimate the runtime at this load.")
    ] = None,
    as_json: Annotated[bool, JsonOption] = False,
) -> None:
    """Print a device's page."""
    from store.documents.device import device_document

    session = session_of(context)
    for watts in load or ():
        if not 0 < watts < float("inf"):
            wrong_use(f"--load {watts:g}: a load is more than 0 W.")
    page = session.open_library().devices.page(name, loads_w=tuple(load or ()))
    if as_json:
        session.document(page)
        return
    print_document(session, device_document(page))


def list_devices(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> None:
    """Print the devices."""
    session = session_of(context)
    library = session.open_library()
    devices = library.devices.all()
    if as_json:
        session.document(devices)
        return
    tally: dict[str, dict[str, int]] = {}
    for verdict in library.verdicts.all():
        words = tally.setdefault(verdict.device, {})
        words[verdict.verdict] = words.get(verdict.verdict, 0) + 1
    columns = [Head("device"), Head("kind"), Head("rated Wh", is_number=True), Head("runs", is_number=True)]
    columns += [Head("claims", may_shrink=True), Head("model", may_shrink=True)]
    rows = [
        (
            row.device,
            row.kind or "no sheet",
            None if row.rated_wh is None else f"{row.rated_wh:.4g}",
            row.runs,
            ", ".join(f"{n} {word}" for word, n in tally.get(row.device, {}).items()),
            " ".join(part for part in (row.maker, row.model) if part),
        )
        for row in devices
    ]
    print_rows(session, columns, rows)
    if not devices:
        session.say("No devices yet: `joulebook device template` prints a sheet to fill in.")


def load(
    context: typer.Context,
    files: Annotated[list[Path], typer.Argument(metavar="FILE.toml...", help="Device sheets.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Reason, kept with the amendments.")] = "",
    sure: Annotated[bool, typer.Option("--sure", help="Accept an unlikely value as marked.")] = False,
) -> None:
    """Load device sheets."""
    session = session_of(context)
    library = None
    bad = 0
    for file in files:
        reading = _read(session, file)
        if reading is None or not _agreed(session, reading, file, sure=sure):
            bad += 1
            continue
        library = library or session.open_library(create=True)
        is_new = library.devices.find(reading.sheet.device) is None
        changes = library.devices.save(reading.sheet, reason=reason)
        word = "is new" if is_new else f"{things(changes, 'change')}" if changes else "is as it was"
        session.say(f"{file}: {reading.sheet.device} {word}, {things(len(reading.sheet.claims), 'claim')}.")
    if bad:
        fail(f"{things(bad, 'sheet')} not loaded.")


def _read(session: Session, file: Path) -> SheetReading | None:
    from store.devices.sheet_reader import SheetRefused, read_sheet

    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        why = problem.strerror if isinstance(problem, OSError) else "it is not UTF-8 text"
        session.complain(f"{file}: not read: {why}.")
        return None
    try:
        return read_sheet(text, str(file))
    except SheetRefused as problem:
        session.complain(str(problem))
        return None


def _agreed(session: Session, reading: SheetReading, file: Path, *, sure: bool) -> bool:
    """Whether questions are settled: none, --sure, or a yes on the terminal."""
    from tui.cli.errors import Refusal

    try:
        _settle(session, reading, sure=sure)
    except Refusal as problem:
        session.complain(f"{file}: not loaded. {problem}")
        return False
    return True


def _settle(session: Session, reading: SheetReading, *, sure: bool) -> None:
    for question in reading.questions:
        session.complain(question.message)
    if reading.questions and not sure:
        session.confirm("Is that what the case says?", option="--sure")


def template() -> None:
    """Print a commented sheet."""
    import sys

    from store.devices.sheet_writer import TEMPLATE

    sys.stdout.write(TEMPLATE)
