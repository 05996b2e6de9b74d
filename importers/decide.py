"""From evidence to a plan: labels, units, ranges and physics are weighed; what stays open becomes a question.

Knows every piece of evidence. Reads no file and writes no sample.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from importers.asking import (
    label_conflict,
    largest_of,
    no_clock,
    no_quantity,
    out_of_range,
    unit_contradiction,
    unknown_unit,
    which_column,
)
from importers.channels import COMMON_UNITS, RARE_UNITS, channel_of, is_plausible
from importers.clockwork import Clockwork, choose_clock
from importers.columns import Column
from importers.grouping import Group, Slots, assign, find_port_column, with_label
from importers.pinning import pin_unknown
from importers.plan import Choice, ColumnPlan, Plan, Question, RunPlan
from importers.preamble import Preamble
from importers.profile import Profile
from importers.rows import Rows, name_of
from importers.schema import CHANNEL_NAMES, CHANNELS, Problem
from importers.sense import find_sense
from importers.shape import Layout
from importers.stated import ROLES, by_profile, stated_clock
from importers.unitsolve import Law, laws_of, solve_units
from importers.words import Unit, Vocabulary

__all__ = ["Decision", "decide"]

Array = npt.NDArray[np.float64]
_KEY = {
    "voltage_v": "voltage",
    "current_a": "current",
    "power_w": "power",
    "energy_wh": "energy",
    "charge_ah": "charge",
}
_FLOOR = {"voltage": 2.5}
"""Where no unit stands, a bus below this [V] is not believed; small currents are: standby draws microamps."""
_CEILING = {"current": 6.5, "voltage": 60.0, "power": 300.0}
"""Where no unit stands, DC readings above these are not believed: USB ends at 5 A and 50.9 V."""


@dataclass(slots=True)
class Decision:
    """What was decided, and what stays open."""

    plan: Plan | None
    questions: list[Question] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    penalty: float = 0.0
    """How badly numbers contradict the reading: to choose between two ways to read decimals."""


@dataclass(slots=True)
class _Work:
    """State of one decision."""

    layout: Layout
    columns: list[Column]
    rows: Rows
    words: Vocabulary
    preamble: Preamble
    answers: Mapping[str, str]
    decision: Decision
    clock: Clockwork
    seconds: Array
    mask: npt.NDArray[np.bool_] | None
    plans: dict[int, ColumnPlan] = field(default_factory=dict)
    time_unit: Unit | None = None
    direction: str | None = None
    """As a profile states it."""


def decide(
    layout: Layout,
    columns: list[Column],
    rows: Rows,
    preamble: Preamble,
    words: Vocabulary,
    answers: Mapping[str, str],
    zone: str,
    day_first: str,
    profile: Profile | None = None,
) -> Decision:
    """Weigh the evidence and make the plan; a profile's word goes before the labels', an answer before both."""
    decision = Decision(None)
    if profile is not None:
        columns = by_profile(columns, profile, words)
    columns = [_answered(c, answers, words) for c in columns]
    if profile is not None:
        clock = stated_clock(profile, rows, layout)
    else:
        clock = choose_clock(columns, rows, layout, preamble, words, answers, day_first)
    if clock.form is None:
        decision.problems.append(no_clock(columns))
        return decision
    decision.questions += clock.questions
    is_stamp = clock.form.source in {"wall clock", "unix", "serial day"}
    seconds = clock.raw * 1e-6 if is_stamp else clock.raw  # stamps are microseconds of 1970
    seconds = seconds - (seconds[np.isfinite(seconds)][0] if np.isfinite(seconds).any() else 0.0)
    port_column = find_port_column(columns) if profile is None else _stated_port(profile, columns)
    work = _Work(
        layout,
        columns,
        rows,
        words,
        preamble,
        answers,
        decision,
        clock,
        seconds,
        _first_port(rows, port_column),
        direction=profile.direction or None if profile is not None else None,
    )
    slots = assign(columns, clock.used, port_column)
    pin_unknown(slots, work.seconds, work.mask, words, clock)
    _choose_rivals(work, slots)
    if not any(g.by_channel for g in slots.groups):
        decision.problems.append(no_quantity(columns, slots))
        return decision
    for group in slots.groups:
        _settle_units(work, group)
    _settle_time(work)
    runs = tuple(_run_plan(work, group) for group in slots.groups if group.by_channel)
    decision.plan = _assemble(work, slots, runs, port_column, zone)
    return decision


def _stated_port(profile: Profile, columns: list[Column]) -> int | None:
    return next(
        (c.index for c in columns if profile.port_column and c.name.strip() == profile.port_column.strip()), None
    )


def _first_port(rows: Rows, port_column: int | None) -> npt.NDArray[np.bool_] | None:
    if port_column is None:
        return None
    cells = rows.cells[name_of(port_column)]
    first = cells.drop_nulls().head(1)
    return (cells == first[0]).fill_null(value=False).to_numpy() if len(first) else None


def _answered(column: Column, answers: Mapping[str, str], words: Vocabulary) -> Column:
    """Put the tester's answers before the label's words."""
    at = str(column.index + 1)
    what = answers.get(f"column.{at}", answers.get(f"column.{column.name}"))
    if what in {"unused", "none", ""} and what is not None:
        return with_label(column, unused="not used, as answered", quantity=column.label.quantity or "text")
    if what == "t_s":
        column = with_label(
            column, quantity="elapsed", role=None, strength=1.0, reason="the clock, as answered", unused="", conflict=""
        )
    if what in CHANNEL_NAMES:
        channel = next(c for c in CHANNELS if c.name == what)
        role = next((r for r in ROLES if channel_of(channel.quantity, r) == what), None)
        column = with_label(
            column, quantity=channel.quantity, role=role, strength=1.0, reason="as answered", unused="", conflict=""
        )
    unit = answers.get(f"unit.{at}", answers.get(f"unit.{column.name}"))
    found = words.unit(unit) if unit is not None else None
    if found is not None:
        column = with_label(
            column, unit=found[0], unit_sure=True, conflict="", strength=1.0, reason=f"{found[0].symbol}, as answered"
        )
        if column.label.quantity is None:
            column = with_label(column, quantity=found[0].quantity)
    return column


def _choose_rivals(work: _Work, slots: Slots) -> None:
    """Choose among columns that could fill one channel: not an average, then the one that obeys P = U I."""
    for group, channel, found in slots.rivals:
        plain = [c for c in found if "avg" not in c.name.lower() and "mean" not in c.name.lower()] or found
        chosen, why = plain[0] if len(plain) == 1 else None, "another column is the plain reading"
        if chosen is None:
            chosen = _by_law(group, channel, plain)
            why = "does not fit power = volts x amps; the other column does"
        if chosen is None and all(np.array_equal(plain[0].values, c.values, equal_nan=True) for c in plain[1:]):
            chosen, why = plain[0], "the same numbers stand in another column"
        if chosen is None:
            answered = [c for c in plain if f"column.{c.index + 1}" in work.answers]
            chosen = answered[0] if answered else None
            why = "the other column was chosen"
        if chosen is None:
            work.decision.questions.append(which_column(channel, plain))
            chosen = plain[0]
        group.by_channel[channel] = chosen
        for column in found:
            if column is not chosen:
                slots.unused[column.index] = why


def _by_law(group: Group, channel: str, found: list[Column]) -> Column | None:
    """Choose the one column with which power is volts times amps; None where that does not decide."""
    if channel not in {"voltage_v", "current_a", "power_w"}:
        return None
    fits = []
    for column in found:
        values = {k: c.values for k, c in group.by_channel.items() if len(c.values)}
        values[channel] = column.values
        if {"voltage_v", "current_a", "power_w"} <= set(values):
            laws, _ = laws_of({_KEY[k]: v for k, v in values.items() if k in _KEY}, None, is_ac=group.is_ac)
            if laws and (misfit := _misfit(values)) is not None:
                fits.append((misfit, column))
    fits.sort(key=lambda f: f[0])
    if not fits or (len(fits) > 1 and fits[0][0] > 0.4 * fits[1][0]):
        return None
    return fits[0][1]


def _misfit(values: Mapping[str, Array]) -> float | None:
    """Median relative distance of power from volts x amps, best power of a thousand taken out."""
    v, i, p = values["voltage_v"], values["current_a"], values["power_w"]
    law = np.abs(v * i)
    good = (
        np.isfinite(law) & np.isfinite(p) & (law > 0.05 * np.nanmax(law)) & (p != 0)
        if np.isfinite(law).any()
        else np.zeros(0, bool)
    )
    if good.sum() < 3:
        return None
    ratio = np.log(np.abs(p[good]) / law[good])
    step = np.log(1000.0)
    return float(np.median(np.abs(ratio - step * np.round(np.median(ratio) / step))))


# -- units ---------------------------------------------------------------------------------------------------------


def _candidates(column: Column, quantity: str, words: Vocabulary) -> tuple[Unit, ...]:
    """Units that a column may be in."""
    label = column.label
    if column.cell_units:
        found = [words.unit(u) for u in column.cell_units]
        kinds = [f[0] for f in found if f is not None and f[0].quantity == quantity]
        if kinds:
            return (kinds[0],)
    if label.unit is not None and label.unit.quantity == quantity and label.unit_sure:
        return (label.unit,)
    return tuple(words.units[u] for u in (*COMMON_UNITS.get(quantity, ()), *RARE_UNITS.get(quantity, ())))


def _settle_units(work: _Work, group: Group) -> None:
    """Settle the unit of every column of a port, or ask."""
    main = {_KEY[ch]: c for ch, c in group.by_channel.items() if ch in _KEY and c.index not in work.plans}
    values = {k: _masked(c.values, work.mask) for k, c in main.items()}
    if "power_factor" in group.by_channel:
        values["power_factor"] = _masked(group.by_channel["power_factor"].values, work.mask)
    laws, _ = laws_of(values, _masked(work.seconds, work.mask), is_ac=group.is_ac)
    candidates: dict[str, tuple[Unit, ...]] = {k: _candidates(c, k, work.words) for k, c in main.items()}
    candidates["time"] = (work.time_unit,) if work.time_unit else (_open_time(work) or (work.words.units["s"],))
    largest = {k: largest_of(c) for k, c in main.items()}
    step = _median_step(work.seconds)
    if work.clock.open_units and step:
        largest["time"] = step
    solved = solve_units(candidates, largest, laws, _FLOOR, {} if group.is_ac else _CEILING)
    if not solved.used and not solved.broken and any(len(u) > 1 for u in solved.units.values()):
        pass
    _broken_laws(work, main, solved.broken, candidates)
    if (
        work.clock.open_units
        and len(solved.units["time"]) == 1
        and any("time" in dict(law.terms) for law in solved.used)
    ):
        work.time_unit = solved.units["time"][0]
    for key, column in main.items():
        _place(work, group, column, key, solved.units[key], [law for law in solved.used if key in dict(law.terms)])
    for channel, column in group.by_channel.items():
        if channel not in _KEY and column.index not in work.plans:
            _place_other(work, group, column, channel)


def _open_time(work: _Work) -> tuple[Unit, ...]:
    """Units that an elapsed clock without a unit may be in: meters log every 8 ms to every 15 min (chosen by us)."""
    step = _median_step(work.seconds)
    fitting = tuple(u for u in work.clock.open_units if step is None or 0.008 <= step * u.factor <= 900.0)
    return fitting or work.clock.open_units


def _median_step(seconds: Array) -> float | None:
    steps = np.abs(np.diff(seconds[np.isfinite(seconds)]))
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else None


def _masked(values: Array, mask: npt.NDArray[np.bool_] | None) -> Array:
    return values if mask is None or len(mask) != len(values) else values[mask]


def _broken_laws(
    work: _Work, main: Mapping[str, Column], broken: tuple[Law, ...], candidates: Mapping[str, tuple[Unit, ...]]
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


def _place(work: _Work, group: Group, column: Column, key: str, units: tuple[Unit, ...], laws: list[Law]) -> None:
    """Write the plan of one main column."""
    channel = next(ch for ch, k in _KEY.items() if k == key)
    label = column.label
    unit = units[0]
    stated = label.unit is not None and label.unit.quantity == key and label.unit_sure
    reason = label.reason or f"{key} by its numbers"
    proof = ", ".join(law.sentence for law in laws)
    if len(units) > 1:
        work.decision.questions.append(unknown_unit(column, key, units))
        confidence = 0.5
        reason += f"; its unit could be {' or '.join(u.symbol for u in units)}"
    elif column.cell_units:
        confidence = 0.98
        reason += f"; {unit.symbol} stands behind the numbers"
    elif stated:
        confidence = max(label.strength, 0.96)
    elif laws:
        confidence = 0.97
        reason += f"; {unit.symbol}, for so {proof}"
    else:
        confidence = 0.95
        reason += f"; {unit.symbol}, for any other unit would be out of a USB bench's range"
    if stated and laws:
        confidence = 0.99
        reason += f"; confirmed: {proof}"
    if label.conflict:
        work.decision.questions.append(label_conflict(column))
        confidence = 0.4
        reason += f"; {label.conflict}"
    if stated and not is_plausible(key, largest_of(column) * unit.factor):
        work.decision.penalty += 1.0
        work.decision.questions.append(out_of_range(work.words, column, key, unit))
        confidence = 0.4
    cells = _cell_factors(work, column, unit.factor)
    work.plans[column.index] = ColumnPlan(
        column.index,
        column.name,
        channel,
        unit.symbol,
        unit.factor,
        unit.offset,
        group.port,
        confidence,
        reason,
        cells,
        key,
        label.side,
    )


def _place_other(work: _Work, group: Group, column: Column, channel: str) -> None:
    """Write the plan of a column that no law ties to others: temperatures, data lines, frequency ..."""
    quantity = next(c.quantity for c in CHANNELS if c.name == channel)
    label = column.label
    if quantity in {"power factor", "state of charge", "frequency"}:
        confidence = max(label.strength, 0.95)
        work.plans[column.index] = ColumnPlan(
            column.index,
            column.name,
            channel,
            {"frequency": "Hz", "state of charge": "%"}.get(quantity, "1"),
            1.0,
            0.0,
            group.port,
            confidence,
            label.reason,
            _cell_factors(work, column, 1.0),
            quantity,
            label.side,
        )
        return
    units = _candidates(column, quantity, work.words)
    if len(units) > 1:
        units = _by_range(column, quantity, units) or units
    unit = units[0]
    reason = label.reason
    confidence = max(label.strength, 0.95)
    if len(units) > 1:
        work.decision.questions.append(unknown_unit(column, quantity, units))
        confidence = 0.5
        reason += f"; its unit could be {' or '.join(u.symbol for u in units)}"
    elif label.unit is None or not label.unit_sure:
        reason += f"; {unit.symbol}, for any other unit would be out of range"
    if label.conflict:
        work.decision.questions.append(label_conflict(column))
        confidence = 0.4
    work.plans[column.index] = ColumnPlan(
        column.index,
        column.name,
        channel,
        unit.symbol,
        unit.factor,
        unit.offset,
        group.port,
        confidence,
        reason,
        _cell_factors(work, column, unit.factor),
        quantity,
        label.side,
    )


def _cell_factors(work: _Work, column: Column, factor: float) -> tuple[tuple[str, float], ...]:
    return tuple(
        (u, found[0].factor / factor if found[0].quantity != "temperature" else 1.0)
        for u in column.cell_units
        if (found := work.words.unit(u))
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


def _settle_time(work: _Work) -> None:
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
        why = f"{clock.reason}; nothing tells its unit"
        if len(options) == 1:
            confidence = 0.95
            why = f"{clock.reason}; in {unit.symbol}, for a meter's steps are between 8 ms and 15 min"
        else:
            column = work.columns[clock.form.columns[0]]
            work.decision.questions.append(
                Question(
                    "time-unit",
                    f"Column `{column.name}` advances by {_median_step(work.seconds) or 0:g} per sample, and "
                    "nothing tells its unit. Which is it?",
                    tuple(
                        Choice(
                            u.symbol, f"{u.symbol}: a sample every {(_median_step(work.seconds) or 0) * u.factor:g} s"
                        )
                        for u in options
                    ),
                    f"--answer time-unit={options[0].symbol}",
                    column=column.name,
                    example=f'unit = "{options[0].symbol}"',
                )
            )
    form = replace(clock.form, factor=unit.factor, unit=unit.symbol)
    work.clock = replace(clock, form=form, confidence=confidence, reason=why, open_units=())
    work.seconds = work.seconds * unit.factor


# -- the plan ------------------------------------------------------------------------------------------------------


def _run_plan(work: _Work, group: Group) -> RunPlan:
    plans = [replace(work.plans[c.index], port=group.port, channel=ch) for ch, c in group.by_channel.items()]
    values = {p.channel: _every(work.columns[p.index]) * p.factor + p.offset for p in plans if p.channel is not None}
    sense = find_sense(values, group.side, work.direction or work.preamble.direction, is_descending=_descends(work))
    turned = set(sense.turned)
    plans = [
        replace(p, factor=-p.factor, reason=f"{p.reason}; sign turned round") if p.channel in turned else p
        for p in plans
    ]
    return RunPlan(
        group.port,
        tuple(sorted(plans, key=lambda p: p.index)),
        sense.direction,
        tuple(sense.turned),
        sense.follow_current,
        sense.note,
    )


def _every(column: Column) -> Array:
    """All values looked at, those from within and from the end of a longer file included."""
    return np.concatenate((column.values, column.late)) if len(column.late) else column.values


def _assemble(work: _Work, slots: Slots, runs: tuple[RunPlan, ...], port_column: int | None, zone: str) -> Plan:
    clock = work.clock
    assert clock.form is not None  # noqa: S101 - decided at the beginning
    by_index: dict[int, ColumnPlan] = {p.index: p for run in reversed(runs) for p in run.columns}
    shared = [i for i in by_index if sum(any(p.index == i for p in run.columns) for run in runs) > 1]
    columns = []
    for column in work.columns:
        i = column.index
        if i in by_index:
            columns.append(replace(by_index[i], port=None) if i in shared else by_index[i])
        elif i in clock.form.columns:
            columns.append(
                ColumnPlan(
                    i,
                    column.name,
                    "t_s",
                    clock.form.unit or clock.form.format,
                    abs(clock.form.factor),
                    0.0,
                    None,
                    clock.confidence,
                    clock.reason,
                )
            )
        elif i in clock.used:
            columns.append(
                ColumnPlan(
                    i, column.name, None, "", 1.0, 0.0, None, 0.98, (clock.reasons or {}).get(i, "gives the run's date")
                )
            )
        elif i == port_column:
            columns.append(ColumnPlan(i, column.name, "port", "", 1.0, 0.0, None, 0.97, "names the port of each row"))
        else:
            why = slots.unused.get(i, "nothing tells what it is, and no law of physics pins it")
            columns.append(ColumnPlan(i, column.name, None, "", 1.0, 0.0, None, 0.95, f"not used: {why}"))
    form = replace(clock.form, is_descending=_descends(work))
    step = _median_step(work.seconds) or 1.0
    return Plan(
        work.layout,
        tuple(columns),
        runs,
        form,
        clock.confidence,
        clock.reason,
        clock.date_form,
        port_column,
        zone,
        work.preamble.facts,
        work.preamble.started_note,
        work.preamble.day_us,
        step,
    )


def _descends(work: _Work) -> bool:
    good = work.seconds[np.isfinite(work.seconds)]
    steps = np.diff(good)
    steps = steps[steps != 0]
    return len(steps) > 0 and float((steps < 0).mean()) > 0.9
