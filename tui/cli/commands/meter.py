"""`joulebook meter`: instruments and their accuracy."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import typer

from tui.cli.base import JsonOption, examples, session_of, wrong_use
from tui.cli.listing import print_rows
from tui.render.tables import Head

__all__ = ["HELP_ORDER", "register"]

HELP_ORDER = 100

_ADD_HELP = examples(
    "Add a meter, or change it: what it had before stays as an amendment.",
    'joulebook meter add M2 --voltage "0.05% + 2d(0.001)" --current "0.1% + 2d(0.001)" --calibrated 2026-01-10',
    'joulebook meter add M3 --voltage 0.1% --current 0.2% --power "0.2% + 2d(0.01)" --clock "50 ppm"',
    'joulebook meter add T1 --temperature "1% + 5d(0.1)"',
    more="Accuracy is the limit of error as printed: percent of reading, %r of range where a range is given, digits "
    "with their size. A quantity left out is unknown, and so are uncertainties that depend on it.",
)
_LIST_HELP = examples("List the meters.", "joulebook meter list", "joulebook meter list --json")


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    meters = typer.Typer(
        name="meter",
        help=examples("Meters and their accuracy.", "joulebook meter list"),
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    meters.command("add", help=_ADD_HELP, no_args_is_help=True)(add)
    meters.command("list", help=_LIST_HELP)(list_meters)
    app.add_typer(meters)


def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The meter's name, as runs state it.")],
    voltage: Annotated[str, typer.Option("--voltage", metavar="SPEC", help="Accuracy of voltage.")] = "",
    current: Annotated[str, typer.Option("--current", metavar="SPEC", help="Accuracy of current.")] = "",
    temperature: Annotated[str, typer.Option("--temperature", metavar="SPEC", help="Accuracy of temperature.")] = "",
    power: Annotated[
        str, typer.Option("--power", metavar="SPEC", help="Accuracy of the power that it logs itself, as on the mains.")
    ] = "",
    clock: Annotated[
        str, typer.Option("--clock", metavar="SPEC", help="Accuracy of its clock, `50 ppm`; 0.1 % is assumed else.")
    ] = "",
    calibrated: Annotated[
        str | None, typer.Option("--calibrated", metavar="DATE", help="Day of the calibration.")
    ] = None,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything worth keeping.")] = "",
) -> None:
    """Add or change a meter."""
    from store.model.records import Meter

    session = session_of(context)
    _check_clock(clock)
    _check(voltage=voltage, current=current, temperature=temperature, power=power)
    meter = Meter(name, voltage, current, temperature, _day(calibrated), note, power, clock)
    session.open_library(create=True).meters.add(meter)
    session.say(f"Meter {name} is in the library.")


def _check(**specs: str) -> None:
    """Refuse a specification that can't be read, before anything is stored."""
    from store.uncertainty.accuracy import SpecError, parse_spec

    for quantity, spec in specs.items():
        if not spec:
            continue
        try:
            parse_spec(spec)
        except SpecError as error:
            wrong_use(f"--{quantity}: {error}")


def _check_clock(spec: str) -> None:
    from store.uncertainty.clock import ClockError, parse_clock

    try:
        parse_clock(spec)
    except ClockError as error:
        wrong_use(f"--clock: {error}")


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        wrong_use(f"--calibrated {text}: no date. Write it as 2026-01-10.")


def list_meters(context: typer.Context, as_json: Annotated[bool, JsonOption] = False) -> None:
    """Print the meters."""
    session = session_of(context)
    meters = session.open_library().meters.all()
    if as_json:
        session.document(meters)
        return
    columns = [Head("meter")]
    columns += [Head(name, may_shrink=True) for name in ("voltage", "current", "power", "temperature", "clock")]
    columns += [Head("calibrated"), Head("note", may_shrink=True)]
    rows: list[tuple[object, ...]] = [
        (
            m.name,
            m.voltage_spec,
            m.current_spec,
            m.power_spec,
            m.temperature_spec,
            m.clock_spec,
            m.calibrated_on,
            m.note,
        )
        for m in meters
    ]
    print_rows(session, columns, rows)
    if not meters:
        session.say("No meters yet: `joulebook meter add --help` shows how one is described.")
