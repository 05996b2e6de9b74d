"""The questions that evidence leaves open, and the refusals where there is none: their wording and their answers.

Knows columns and units. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from importers.decide.channels import COMMON_UNITS, MAIN, is_plausible
from importers.decide.columns import Column
from importers.decide.plan import Choice, Plan, Question
from importers.decide.unitsolve import Law
from importers.schema import CHANNEL_NAMES, CHANNELS, Problem
from importers.vocabulary.words import Unit, Vocabulary

__all__ = [
    "confirm_reading",
    "label_conflict",
    "largest_of",
    "no_clock",
    "no_quantity",
    "other_columns",
    "out_of_range",
    "swapped",
    "time_unit",
    "unit_contradiction",
    "unknown_unit",
    "unlikely_unit",
    "unnamed_parts",
    "unread_unit",
    "which_clock",
    "which_column",
    "which_quantity",
    "which_temperature",
]


def unnamed_parts(names: Sequence[str], times: int) -> Question:
    """Ask about rows that share their clock readings and differ as those of several ports do."""
    shown = " and ".join(f"`{n}`" for n in names)
    return Question(
        "rows",
        f"Every clock reading stands {times} times, and {shown} alternates between {times} levels, as if the rows "
        "were of several ports; no column says which. Export the log with a column that names the port, or say that "
        "it is one.",
        (Choice("keep", f"one log, {times} samples to a clock reading: they are spread evenly"),),
        "--answer rows=keep",
        column=names[0],
    )


def no_clock(columns: list[Column]) -> Problem:
    """Refuse a file in which no column is a clock."""
    names = ", ".join(f"`{c.name}`" for c in columns)
    return Problem(
        "no-time",
        "error",
        f"No column is a clock: {names}. Name the time column with --answer column.N=t_s, or give the sample "
        "interval with "
        "--answer interval=SECONDS.",
    )


def no_quantity(columns: list[Column], unknown: Sequence[Column]) -> Problem:
    """Refuse a file in which no column holds a known quantity."""
    names = ", ".join(f"`{c.name}`" for c in columns)
    hint = f"column.{unknown[0].index + 1}" if unknown else "column.2"
    return Problem(
        "no-quantity",
        "error",
        f"No column holds a known quantity: {names}. Say what a column holds, for example --answer {hint}=voltage_v.",
    )


def which_column(channel: str, found: list[Column]) -> Question:
    """Ask which of several columns fills a channel."""
    names = " and ".join(f"`{c.name}` (column {c.index + 1})" for c in found)
    return Question(
        f"column.{found[0].index + 1}",
        f"Columns {names} could each be the {_said(channel)}; `{found[0].name}` holds {_first(found[0])}. What is it?",
        (
            Choice(channel, f"the {_said(channel)}; the other is left out"),
            Choice("unused", f"left out; `{found[1].name}` is the {_said(channel)}"),
            *(Choice(name, f"the {_said(name)}") for name in (*MAIN, "temperature_c") if name != channel),
        ),
        f"--answer column.{found[0].index + 1}={channel}",
        column=found[0].name,
    )


def which_clock(found: list[Column]) -> Question:
    """Ask which column of a file without names is the clock."""
    return Question(
        "clock-column",
        "No column is named as the clock. Which one is it?",
        tuple(Choice(str(c.index + 1), f"column {c.index + 1}: {', '.join(c.texts[:3])} ...") for c in found),
        f"--answer clock-column={found[0].index + 1}",
        column=found[0].name,
    )


def which_quantity(column: Column, used: Sequence[Column] = ()) -> Question:
    """Ask what a column holds that no word and no law names; `used` are the columns that are settled."""
    at = column.index + 1
    channels = (*MAIN, "temperature_c", "temperature_ambient_c", "temperature_cell_c", "resistance_ohm")
    others = tuple(n for n in ("temperature_plug_c", "temperature_meter_c", "voltage_far_v", "display_percent") if used)
    return Question(
        f"column.{at}",
        f"{_called(column)} holds {_first(column)}; neither its name nor its relation to other "
        "columns identifies it. What is it?",
        (
            Choice("unused", "leave it out of the run"),
            *(Choice(name, f"the {_said(name)}") for name in (*channels, *others)),
        ),
        f"--answer column.{at}=unused",
        column=column.name,
        example='channel = "unused"',
    )


def unread_unit(column: Column) -> Question:
    """Ask about a column of numbers with something behind them that is no known unit."""
    at = column.index + 1
    return Question(
        f"column.{at}",
        f"{_called(column)} holds {_first(column)}, and the text after the numbers is not a known unit. To "
        "read it, export the numbers alone, or with a unit such as V, A or W.",
        (Choice("unused", "leave it out of the run"),),
        f"--answer column.{at}=unused",
        column=column.name,
        example='channel = "unused"',
    )


def other_columns(left: Sequence[Column]) -> Question:
    """Ask in one question about several columns that no word and no law names."""
    shown = "; ".join(f"`{c.name}` (column {c.index + 1}): {_first(c)}" for c in left[:6])
    more = f"; and {len(left) - 6} more" if len(left) > 6 else ""
    first = left[0].index + 1
    return Question(
        "others",
        f"{len(left)} columns of numbers have names that are not known: {shown}{more}. Leave them out?",
        (
            Choice(
                "unused", f"leave out all of them; one that is a reading is named by --answer column.{first}=CHANNEL"
            ),
        ),
        "--answer others=unused",
        column=left[0].name,
        example='channel = "unused"',
    )


def _said(channel: str) -> str:
    """A channel in words, with its unit."""
    return next(f"{c.label} [{c.unit}]" for c in CHANNELS if c.name == channel)


def _called(column: Column) -> str:
    """A column by its own name, or by its place."""
    name = column.name.strip()
    at = column.index + 1
    return f"Column {at}" if not name or name == f"column {at}" else f"Column `{name}` (column {at})"


def _first(column: Column) -> str:
    """A column's first readings, and their range."""
    texts = [t.strip() for t in column.texts if t.strip()][:3]
    good = column.finite
    reach = f", from {good.min():g} to {good.max():g}" if len(good) else ""
    return f"{', '.join(texts)} ...{reach}" if texts else reach.strip(", ")


def which_temperature(column: Column) -> Question:
    """Ask where a temperature is taken whose words are not all known."""
    places = [c.name for c in CHANNELS if c.quantity == "temperature"]
    said = {c.name: c.label for c in CHANNELS}
    words = " ".join(column.label.unknown)
    return Question(
        f"column.{column.index + 1}",
        f"Column `{column.name}` is a temperature, but `{words}` is not known. Where is it taken?",
        (*(Choice(name, said[name]) for name in places), Choice("unused", "do not use it")),
        f"--answer column.{column.index + 1}=temperature_c",
        column=column.name,
    )


def time_unit(column: Column, step: float, options: tuple[Unit, ...]) -> Question:
    """Ask for the unit of a clock that nothing tells."""
    return Question(
        "time-unit",
        f"Column `{column.name}` advances by {step:g} per sample, and its unit is not stated. Which is it?",
        tuple(Choice(u.symbol, f"{u.symbol}: a sample every {step * u.factor:g} s") for u in options),
        f"--answer time-unit={options[0].symbol}",
        column=column.name,
        example=f'unit = "{options[0].symbol}"',
    )


def unit_contradiction(
    law: Law,
    suspects: list[tuple[Column, Unit]],
    main: Mapping[str, Column],
    candidates: Mapping[str, tuple[Unit, ...]],
) -> Question:
    """Ask which unit is wrong where the stated ones contradict a law."""
    column, unit = suspects[0]
    key = next(k for k, c in main.items() if c is column)
    stated = candidates[key][0]
    others = "; ".join(
        f"or `{c.name}` is in {u.symbol} (--answer unit.{c.index + 1}={u.symbol})" for c, u in suspects[1:]
    )
    return Question(
        f"unit.{column.index + 1}",
        f"{law.sentence.capitalize()}, but not with the units that stand here: `{column.name}` would have to "
        f"be in {unit.symbol}, "
        f"not {stated.symbol}{'; ' + others if others else ''}. Which unit is it?",
        (
            Choice(unit.symbol, f"{unit.symbol}, as the numbers say"),
            Choice(stated.symbol, f"{stated.symbol}, as the header says"),
        ),
        f"--answer unit.{column.index + 1}={unit.symbol}",
        column=column.name,
        example=f'unit = "{unit.symbol}"',
    )


def unknown_unit(column: Column, key: str, units: tuple[Unit, ...]) -> Question:
    """Ask for a unit that nothing tells."""
    high = float(column.finite.max()) if len(column.finite) else 0.0
    return Question(
        f"unit.{column.index + 1}",
        f"{_called(column)} is {key}: {_first(column)}; its unit is not stated. Which is it?",
        tuple(
            Choice(u.symbol, f"{u.symbol}: up to {high * u.factor + u.offset:g} {COMMON_UNITS[key][0]}") for u in units
        ),
        f"--answer unit.{column.index + 1}={units[0].symbol}",
        column=column.name,
        example=f'unit = "{units[0].symbol}"',
    )


def label_conflict(column: Column) -> Question:
    """Ask what a column holds whose label contradicts itself."""
    options = [
        c.name
        for c in CHANNELS
        if c.quantity == column.label.quantity or (column.label.unit and c.quantity == column.label.unit.quantity)
    ]
    return Question(
        f"column.{column.index + 1}",
        f"{_called(column)}: {column.label.conflict}. It holds {_first(column)}. What is it?",
        (*(Choice(o, f"the {_said(o)}") for o in options), Choice("unused", "leave it out of the run")),
        f"--answer column.{column.index + 1}={options[0] if options else 'unused'}",
        column=column.name,
    )


def out_of_range(words: Vocabulary, column: Column, key: str, better: Unit | None, unit: Unit) -> Question:
    """Ask for the unit of a column whose readings can't be on a USB bench, or hardly."""
    most = largest_of(column)
    others = (
        [better]
        if better is not None
        else [
            words.units[u]
            for u in COMMON_UNITS[key]
            if u != unit.symbol and is_plausible(key, most * words.units[u].factor)
        ]
    )
    base = COMMON_UNITS[key][0]
    can = "can hardly be" if better is not None else "can't be"
    return Question(
        f"unit.{column.index + 1}",
        f"{_called(column)} says {unit.symbol}, but {most:g} {unit.symbol} {can} on a USB bench. Which unit is it?",
        tuple(Choice(u.symbol, f"{u.symbol}: up to {most * u.factor:g} {base}") for u in (*others, unit)),
        f"--answer unit.{column.index + 1}={(others or [unit])[0].symbol}",
        column=column.name,
        example=f'unit = "{(others or [unit])[0].symbol}"',
    )


def unlikely_unit(column: Column, unit: Unit, better: Unit, why: str) -> Question:
    """Ask for a unit that a profile states and the numbers make unlikely."""
    most, at = largest_of(column), column.index + 1
    base = COMMON_UNITS[unit.quantity][0]
    return Question(
        f"unit.{at}",
        f"{_called(column)} holds {_first(column)}. The profile says {unit.symbol}, which makes at most "
        f"{most * unit.factor:g} {base}; {why}. Which unit is it?",
        tuple(
            Choice(u.symbol, f"{u.symbol}: up to {most * u.factor:g} {base}, {said}")
            for u, said in ((better, "as the numbers say"), (unit, "as the profile says"))
        ),
        f"--answer unit.{at}={better.symbol}",
        column=column.name,
        example=f'unit = "{better.symbol}"',
    )


def swapped(volts: Column, amps: Column) -> Question:
    """Ask whether volts and amps of a profile are swapped in a file."""
    at = volts.index + 1
    return Question(
        f"column.{at}",
        f"The profile says that {_called(volts)} is the voltage and {_called(amps)} the current, but the numbers "
        f"suggest the reverse: {_first(volts)}; {_first(amps)}. What is `{volts.name}`?",
        (
            Choice("current_a", f"the current; `{amps.name}` is then the voltage"),
            Choice("voltage_v", f"the voltage, as the profile says; `{amps.name}` is the current"),
        ),
        f"--answer column.{at}=current_a",
        column=volts.name,
        example='channel = "current_a"',
    )


def confirm_reading(plan: Plan) -> Question:
    """Ask about the column of which least is known, where the whole is not sure enough."""
    used = [c for c in plan.columns if c.channel in CHANNEL_NAMES]
    weakest = min(used, key=lambda c: c.confidence)
    at, channel = weakest.index + 1, str(weakest.channel)
    quantity = next(c.quantity for c in CHANNELS if c.name == channel)
    others = [c.name for c in CHANNELS if c.quantity == quantity and c.name != channel]
    return Question(
        f"column.{at}",
        f"`{weakest.name}` (column {at}) is read as the {_said(channel)} in {weakest.unit}: {weakest.reason}. Is it?",
        (
            Choice(channel, "yes"),
            *(Choice(name, f"no, it is the {_said(name)}") for name in others),
            Choice("unused", "leave it out of the run"),
        ),
        f"--answer column.{at}={channel}",
        column=weakest.name,
        example=f'channel = "{channel}"',
    )


def largest_of(column: Column) -> float:
    """Largest magnitude of a column, in its own unit, one reading in a thousand left out; 0 without readings."""
    good = np.abs(column.finite)
    return float(np.quantile(good, 0.999)) if len(good) else 0.0
