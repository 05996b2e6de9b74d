"""Columns that no word explains, pinned by their numbers: voltage times current, a counter's slope.

Knows places of columns and `physics`. A column that more than one reading would fit stays unknown.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from importers.clock.clockwork import Clockwork
from importers.decide.columns import Column
from importers.decide.grouping import Group, Slots, with_label
from importers.decide.physics import counter_fit, is_monotone, product_fit
from importers.vocabulary.words import Vocabulary

__all__ = ["coulombs_by_slope", "pin_unknown"]

Array = npt.NDArray[np.float64]
_MOST = 14
"""Unknown columns looked at: triples grow with the cube."""


def pin_unknown(
    slots: Slots, seconds: Array, mask: npt.NDArray[np.bool_] | None, words: Vocabulary, clock: Clockwork
) -> None:
    """Move columns from `slots.unknown` to their channels where numbers leave one reading."""
    unknown = [c for c in slots.unknown if c.kind == "number" and len(np.unique(c.finite)) > 1][:_MOST]
    if not unknown or len(slots.groups) > 1:
        return
    group = slots.groups[0] if slots.groups else Group(None)
    pinned = _power_triple(group, unknown, mask)
    for channel, column in pinned.items():
        _pin(group, slots, unknown, column, channel, "by its numbers: power is voltage times current")
    ticks = tuple(u.factor for u in clock.open_units) or (1.0,)
    for channel, column in _energy_triple(group, unknown, seconds, mask, ticks).items():
        _pin(
            group,
            slots,
            unknown,
            column,
            channel,
            "by its numbers: the energy counter's slope is voltage times current",
        )
    _counters(group, slots, unknown, seconds, mask, words, clock)
    if group.by_channel and not slots.groups:
        slots.groups.append(group)


def coulombs_by_slope(columns: list[Column], seconds: Array, words: Vocabulary) -> list[Column]:
    """Read a lone `C` as coulombs where it counts up as the current flows; beside volts and amps it is else °C."""
    amps = [c for c in columns if c.label.quantity == "current" and c.label.role is None and not c.label.unused]
    if len(amps) != 1 or len(amps[0].values) != len(seconds):
        return columns
    factor = amps[0].label.unit.factor if amps[0].label.unit is not None else 1.0
    out = []
    for column in columns:
        if column.label.terms == ("neighbours",) and column.label.quantity == "temperature":
            fit = counter_fit(seconds, np.abs(amps[0].values) * factor, column.values)
            if fit is not None and fit.misfit < 0.03 and abs(np.log(abs(fit.ratio))) < 0.05:
                why = "C counts up by the current: coulombs"
                label = replace(column.label, quantity="charge", unit=words.units["C"], terms=("numbers",), reason=why)
                out.append(replace(column, label=label))
                continue
        out.append(column)
    return out


def _pin(group: Group, slots: Slots, unknown: list[Column], column: Column, channel: str, reason: str) -> None:
    quantity = {
        "voltage_v": "voltage",
        "current_a": "current",
        "power_w": "power",
        "energy_wh": "energy",
        "charge_ah": "charge",
    }[channel]
    group.by_channel[channel] = with_label(column, quantity=quantity, terms=("numbers",), reason=f"{quantity} {reason}")
    slots.unknown.remove(column)
    unknown.remove(column)


def _power_triple(group: Group, unknown: list[Column], mask: npt.NDArray[np.bool_] | None) -> dict[str, Column]:
    """Find the one assignment of unknown columns to volts, amps and watts that fits; nothing where several do."""
    slots = ("voltage_v", "current_a", "power_w")
    fixed = {ch: group.by_channel[ch] for ch in slots if ch in group.by_channel}
    wanted = [ch for ch in slots if ch not in fixed]
    if not wanted or len(wanted) > len(unknown):
        return {}
    found: list[dict[str, Column]] = []
    rates = [c for c in unknown if not _is_counter(_masked(c.values, mask))]  # energy is volts times charge, too
    for combo in itertools.permutations(rates, len(wanted)):
        trial = {**fixed, **dict(zip(wanted, combo, strict=True))}
        v, i, p = (_masked(trial[ch].values, mask) for ch in slots)
        if not _could_be_voltage(v) or not _could_be_current(i):
            continue
        fit = product_fit(v, i, p)
        if fit is not None and fit.misfit < 0.03 and _is_thousand(fit.ratio) and not _are_parallel(i, p, v):
            found.append(dict(zip(wanted, combo, strict=True)))
    return found[0] if len(found) == 1 else {}


def _energy_triple(
    group: Group,
    unknown: list[Column],
    seconds: Array,
    mask: npt.NDArray[np.bool_] | None,
    ticks: tuple[float, ...],
) -> dict[str, Column]:
    """Find the one assignment to volts, amps and watt-hours where no power stands; nothing where several fit."""
    slots = ("voltage_v", "current_a", "energy_wh")
    if "power_w" in group.by_channel or all(ch in group.by_channel for ch in slots):
        return {}
    t = _masked(seconds, mask)
    rates = [c for c in unknown if not _is_counter(_masked(c.values, mask))]
    counters = [c for c in unknown if c not in rates]
    places = [
        [group.by_channel[ch]] if ch in group.by_channel else (counters if ch == "energy_wh" else rates) for ch in slots
    ]
    found = []
    for volts, amps, counter in itertools.product(*places):
        v, i, e = (_masked(c.values, mask) for c in (volts, amps, counter))
        if volts is amps or not _could_be_voltage(v) or not _could_be_current(i):
            continue
        fit = counter_fit(t, np.abs(v * i), e)
        if fit is not None and fit.misfit < 0.02 and any(_is_thousand(abs(fit.ratio) * 3600.0 / s) for s in ticks):
            found.append({ch: c for ch, c in zip(slots, (volts, amps, counter), strict=True) if c in unknown})
    return found[0] if len(found) == 1 else {}


def _is_counter(values: Array) -> bool:
    return is_monotone(values) and len(np.unique(values[np.isfinite(values)])) > 10


def _masked(values: Array, mask: npt.NDArray[np.bool_] | None) -> Array:
    return values if mask is None or len(mask) != len(values) else values[mask]


def _is_thousand(ratio: float) -> bool:
    step = np.log10(ratio) / 3.0
    return bool(abs(step - round(step)) < 0.01)


def _could_be_voltage(values: Array) -> bool:
    """Bus volts lie between 2.5 and 51 V, or the same in millivolts."""
    good = np.abs(values[np.isfinite(values)])
    usual = float(np.median(good)) if len(good) else 0.0
    return 2.5 <= usual <= 51.0 or 2500.0 <= usual <= 51000.0


def _could_be_current(values: Array) -> bool:
    """Currents lie below 6.5 A, or from 50 mA up in milliamps."""
    good = np.abs(values[np.isfinite(values)])
    most = float(good.max()) if len(good) else 0.0
    return most <= 6.5 or 50.0 <= most <= 6500.0


def _are_parallel(i: Array, p: Array, v: Array) -> bool:
    """Tell where volts stand still so that amps and watts can't be told from each other by a product of one."""
    good = np.isfinite(v)
    return bool(abs(np.median(np.abs(v[good])) - 1.0) < 0.1) and i is not p


def _counters(
    group: Group,
    slots: Slots,
    unknown: list[Column],
    seconds: Array,
    mask: npt.NDArray[np.bool_] | None,
    words: Vocabulary,
    clock: Clockwork,
) -> None:
    """Pin monotone columns whose slope is power or current, where size tells which of both."""
    if clock.open_units:
        return
    t = _masked(seconds, mask)
    for column in list(unknown):
        values = _masked(column.values, mask)
        if not is_monotone(values):
            continue
        fits = []
        for channel, rate_channel, units in (
            ("energy_wh", "power_w", ("Wh", "mWh", "J")),
            ("charge_ah", "current_a", ("Ah", "mAh", "C")),
        ):
            rate = group.by_channel.get(rate_channel)
            if rate is None or channel in group.by_channel:
                continue
            fit = counter_fit(t, _masked(rate.values, mask), values)
            if fit is None or fit.misfit > 0.03:
                continue
            for rate_factor in _rate_factors(rate, rate_channel):
                fits += [
                    (channel, unit)
                    for unit in units
                    if abs(np.log(words.units[unit].factor * abs(fit.ratio) * 3600.0 / rate_factor)) < 0.03
                ]
        if len({channel for channel, _ in fits}) == 1:
            channel = fits[0][0]
            rate_name = "power" if channel == "energy_wh" else "current"
            _pin(group, slots, unknown, column, channel, f"by its numbers: its slope is the {rate_name}")


def _rate_factors(rate: Column, channel: str) -> tuple[float, ...]:
    """Factors that the rate's unit may have."""
    if rate.label.unit is not None:
        return (rate.label.unit.factor,)
    most = float(np.abs(rate.finite).max()) if len(rate.finite) else 0.0
    if channel == "current_a":
        return (1.0,) if most <= 6.5 else (0.001,)
    return (1.0,) if most <= 300.0 else (0.001,)
