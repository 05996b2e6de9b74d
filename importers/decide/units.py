"""The unit of every column: by its label, its range and the laws that tie columns together, or asked.

Knows the state of a decision. Reads no file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from importers.decide.asking import (
    label_conflict,
    largest_of,
    out_of_range,
    time_unit,
    unit_contradiction,
    unknown_unit,
    which_temperature,
)
from importers.decide.channels import COMMON_UNITS, RARE_UNITS, is_plausible
from importers.decide.columns import Column, cell_unit
from importers.decide.evidence import KEYS, Work, masked, median_step
from importers.decide.grouping import Group
from importers.decide.holding import doubt_header
from importers.decide.plan import ColumnPlan
from importers.decide.unitsolve import Law, Solution, laws_of, solve_units
from importers.decide.weights import probability
from importers.schema import CHANNELS, Problem
from importers.vocabulary.words import Unit, Vocabulary

__all__ = ["settle_time", "settle_units"]

_FLOOR = {"voltage": 2.5}
"""Where no unit stands, a bus below this [V] is not believed; small currents are: standby draws microamps."""
_CEILING = {"current": 6.5, "voltage": 60.0, "power": 300.0}
"""Where no unit stands, DC readings above these are not believed: USB ends at 5 A and 50.9 V."""


def _candidates(column: Column, quantity: str, words: Vocabulary) -> tuple[Unit, ...]:
    """Units that a column may be in."""
    label = column.label
    if column.cell_units:
        found = [cell_unit(column, u, words) for u in column.cell_units]
        kinds = [f for f in found if f is not None and f.quantity == quantity]
        if kinds:
            return (kinds[0],)
    if label.unit is not None and label.unit.quantity == quantity and label.unit_sure:
        # a column called `volt` need not be in volts; one called `V` must
        is_word = words.unit(column.name) is not None and column.name.strip().casefold() != label.unit.symbol.casefold()
        if not is_word or is_plausible(quantity, largest_of(column) * label.unit.factor):
            return (label.unit,)
    return tuple(words.units[u] for u in (*COMMON_UNITS.get(quantity, ()), *RARE_UNITS.get(quantity, ())))


def settle_units(work: Work, group: Group) -> None:
    """Settle the unit of every column of a port, or ask."""
    main = {KEYS[ch]: c for ch, c in group.by_channel.items() if ch in KEYS and c.index not in work.plans}
    values = {k: masked(c.values, work.mask) for k, c in main.items()}
    if "power_factor" in group.by_channel:
        values["power_factor"] = masked(group.by_channel["power_factor"].values, work.mask)
    laws, _ = laws_of(values, masked(work.seconds, work.mask), is_ac=group.is_ac)
    candidates: dict[str, tuple[Unit, ...]] = {k: _candidates(c, k, work.words) for k, c in main.items()}
    candidates["time"] = (work.time_unit,) if work.time_unit else (_open_time(work) or (work.words.units["s"],))
    largest = {k: largest_of(c) for k, c in main.items()}
    step = median_step(work.seconds)
    if work.clock.open_units and step:
        largest["time"] = step
    solved = solve_units(candidates, largest, laws, _FLOOR, {} if group.is_ac else _CEILING)
    _broken_laws(work, main, solved.broken, candidates)
    if (
        work.clock.open_units
        and len(solved.units["time"]) == 1
        and any("time" in dict(law.terms) for law in solved.used)
    ):
        work.time_unit = solved.units["time"][0]
    tied = _tied_by_laws(solved)
    for key, column in main.items():
        _place(
            work, group, column, key, solved.units[key], [law for law in solved.used if key in dict(law.terms)], tied
        )
    for channel, column in group.by_channel.items():
        if channel not in KEYS and column.index not in work.plans:
            _place_other(work, group, column, channel)


def _tied_by_laws(solved: Solution) -> dict[str, int]:
    """Number each group of columns whose open units laws tie together."""
    group: dict[str, int] = {}
    for law in solved.used:
        keys = [k for k, _ in law.terms if len(solved.units.get(k, ())) > 1 and k != "time"]
        numbers = {group[k] for k in keys if k in group}
        number = min(numbers, default=len(group))
        group.update({k: number for k, n in group.items() if n in numbers} | dict.fromkeys(keys, number))
    return group


def _open_time(work: Work) -> tuple[Unit, ...]:
    """Units that an elapsed clock without a unit may be in: meters log every 8 ms to every 15 min (chosen by us)."""
    step = median_step(work.seconds)
    fitting = tuple(u for u in work.clock.open_units if step is None or 0.008 <= step * u.factor <= 900.0)
    return fitting or work.clock.open_units


def _broken_laws(
    work: Work, main: Mapping[str, Column], broken: tuple[Law, ...], candidates: Mapping[str, tuple[Unit, ...]]
) -> None:
    """Ask where stated units contradict each other by what another unit would explain; warn otherwise."""
    for law in broken:
        factors = {k: u[0].factor for k, u in candidates.items()}
        error = law.error(factors)
        work.decision.penalty += 1.0
        suspects = []
        for key, power in law.terms:
            if key == "time" or key not in main or f"unit.{main[key].index + 1}" in work.answers:
                continue
            for name in (*COMMON_UNITS[key], *RARE_UNITS[key]):
                unit = work.words.units[name]
                change = power * np.log(unit.factor / factors[key])
                if abs(error + change) < 0.2 and unit.factor != factors[key]:
                    suspects.append((main[key], unit))
        if suspects:
            work.decision.questions.append(unit_contradiction(law, suspects, main, candidates))
        else:
            names = ", ".join(f"`{main[k].name}`" for k, _ in law.terms if k in main)
            work.decision.problems.append(
                Problem(
                    "law-broken",
                    "warning",
                    f"{names}: {law.sentence}, but here they differ by a factor of {np.exp(abs(error)):.3g}. "
                    "Check what the meter logs.",
                )
            )


def _place(
    work: Work, group: Group, column: Column, key: str, units: tuple[Unit, ...], laws: list[Law], tied: dict[str, int]
) -> None:
    """Write the plan of one main column.

    Of open columns that laws tie together one is asked about: the others follow from the answer.
    """
    channel = next(ch for ch, k in KEYS.items() if k == key)
    label = column.label
    unit = units[0]
    stated = label.unit is not None and label.unit.quantity == key and label.unit_sure and units == (label.unit,)
    reason = label.reason or f"{key} by its numbers"
    proof = ", ".join(law.sentence for law in laws)
    terms = list(label.terms)
    if len(units) > 1:
        if key not in work.asked:
            work.decision.questions.append(unknown_unit(column, key, units))
            work.asked |= {key, *(k for k, number in tied.items() if number == tied.get(key))}
        terms.append("unit open")
        reason += f"; its unit could be {' or '.join(u.symbol for u in units)}"
    elif column.cell_units:
        terms.append("unit named")
        where = "behind the numbers" if column.unit_column is None else "beside the numbers, row by row"
        reason += f"; {' and '.join(column.cell_units)} {'stand' if len(column.cell_units) > 1 else 'stands'} {where}"
    elif stated:
        terms.append("unit named")
    elif laws:
        terms.append("unit by law")
        reason += f"; {unit.symbol}, for so {proof}"
    else:
        terms.append("unit by range")
        reason += f"; {unit.symbol}, for any other unit would be out of a USB bench's range"
    if stated and laws:
        terms.append("law confirms")
        reason += f"; the numbers confirm it: {proof}"
    if label.conflict:
        work.decision.questions.append(label_conflict(column))
        terms.append("contradiction")
        reason += f"; {label.conflict}"
    if stated and not is_plausible(key, largest_of(column) * unit.factor):
        work.decision.penalty += 1.0
        work.decision.questions.append(out_of_range(work.words, column, key, None, unit))
        terms.append("contradiction")
    elif stated and not laws and f"unit.{column.index + 1}" not in work.answers:
        better = doubt_header(column, unit, key, work.words)
        if better is not None:
            work.decision.questions.append(out_of_range(work.words, column, key, better, unit))
            terms.append("contradiction")
    _write(work, group, column, channel, unit, key, terms, reason)


def _write(
    work: Work,
    group: Group,
    column: Column,
    channel: str,
    unit: Unit | str,
    quantity: str,
    terms: list[str],
    reason: str,
) -> None:
    """Write a column's plan; a unit that is a word alone has the factor 1."""
    symbol, factor, offset = (unit, 1.0, 0.0) if isinstance(unit, str) else (unit.symbol, unit.factor, unit.offset)
    work.plans[column.index] = ColumnPlan(
        column.index,
        column.name,
        channel,
        symbol,
        factor,
        offset,
        group.port,
        probability(terms),
        reason,
        _cell_factors(work, column, factor),
        quantity,
        column.label.side,
        column.unit_column,
        tuple(terms),
    )


def _place_other(work: Work, group: Group, column: Column, channel: str) -> None:
    """Write the plan of a column that no law ties to others: temperatures, data lines, frequency ..."""
    quantity = next(c.quantity for c in CHANNELS if c.name == channel)
    label = column.label
    terms = list(label.terms)
    if quantity in {"power factor", "state of charge", "frequency"}:
        symbol = {"frequency": "Hz", "state of charge": "%"}.get(quantity, "1")
        _write(work, group, column, channel, symbol, quantity, [*terms, "unit by range"], label.reason)
        return
    units = _candidates(column, quantity, work.words)
    is_stated = len(units) == 1
    if len(units) > 1:
        units = _by_range(column, quantity, units) or units
    unit = units[0]
    reason = label.reason
    if len(units) > 1:
        work.decision.questions.append(unknown_unit(column, quantity, units))
        terms.append("unit open")
        reason += f"; its unit could be {' or '.join(u.symbol for u in units)}"
    else:
        terms.append("unit named" if is_stated else "unit by range")
        if not is_stated:
            reason += f"; {unit.symbol}, for any other unit would be out of range"
    if label.conflict:
        work.decision.questions.append(label_conflict(column))
        terms.append("contradiction")
    elif quantity == "temperature" and label.role is None and label.unknown:
        work.decision.questions.append(which_temperature(column))
        terms.append("contradiction")
    _write(work, group, column, channel, unit, quantity, terms, reason)


def _cell_factors(work: Work, column: Column, factor: float) -> tuple[tuple[str, float], ...]:
    return tuple(
        (u, found.factor / factor if found.quantity != "temperature" else 1.0)
        for u in column.cell_units
        if (found := cell_unit(column, u, work.words)) is not None
    )


def _by_range(column: Column, quantity: str, units: tuple[Unit, ...]) -> tuple[Unit, ...]:
    """Keep units with which the values are possible: probes start between 5 and 45 degC, data lines end at 5.5 V."""
    good = column.finite
    if len(good) == 0:
        return units[:1]
    first, low, high = float(good[0]), float(good.min()), float(good.max())
    if quantity == "temperature":
        return tuple(
            u
            for u in units
            if 5.0 <= first * u.factor + u.offset <= 45.0
            and low * u.factor + u.offset >= -20
            and high * u.factor + u.offset <= 130.0
        )
    if quantity == "voltage":
        return (
            tuple(u for u in units if 0.04 < max(abs(low), abs(high)) * u.factor < 26.0)
            if high != low or high
            else units[:1]
        )
    return tuple(u for u in units if is_plausible(quantity, high * u.factor))


def settle_time(work: Work) -> None:
    """Settle the unit of an elapsed clock that has none, by physics or by asking."""
    clock = work.clock
    if not clock.open_units or clock.form is None:
        return
    if work.time_unit is not None:
        unit, confidence = work.time_unit, 0.97
        why = f"{clock.reason}; in {unit.symbol}, for so the counter's slope is its rate"
    else:
        options = _open_time(work)
        unit, confidence = options[0], 0.5
        why = f"{clock.reason}; its unit is not stated"
        if len(options) == 1:
            confidence = 0.95
            why = f"{clock.reason}; in {unit.symbol}, for a meter's steps are between 8 ms and 15 min"
        else:
            column = work.columns[clock.form.columns[0]]
            work.decision.questions.append(time_unit(column, median_step(work.seconds) or 0.0, options))
    form = replace(clock.form, factor=unit.factor, unit=unit.symbol)
    work.clock = replace(clock, form=form, confidence=confidence, reason=why, open_units=())
    work.seconds = work.seconds * unit.factor
