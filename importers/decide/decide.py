"""From evidence to a plan: labels, units, ranges and physics are weighed; what stays open becomes a question.

Composes clock, places of columns, units and assembly. Reads no file and writes no sample.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.clock.choice import choose_clock
from importers.clock.clockwork import clock_candidates
from importers.clock.elapsed import count_rows
from importers.decide.answers import answered, check_clock_answers
from importers.decide.asking import no_clock, no_quantity, which_clock, which_column
from importers.decide.assembly import assemble, run_plan
from importers.decide.columns import Column
from importers.decide.evidence import KEYS, Array, FileDecision, Work
from importers.decide.grouping import Group, Slots, assign, with_label
from importers.decide.holding import doubt_profile, turn_swapped
from importers.decide.leftover import ask_leftovers, copied_times
from importers.decide.parting import RunParting, doubt_repeats, find_parting
from importers.decide.pinning import coulombs_by_slope, pin_unknown
from importers.decide.plan import PartColumn
from importers.decide.units import settle_time, settle_units
from importers.decide.unitsolve import laws_of
from importers.profiles.profile import Profile, same_name
from importers.text.preamble import Preamble
from importers.text.rowset import Rows, name_of
from importers.text.shape import TableLayout
from importers.vocabulary.stated import by_profile, stated_clock
from importers.vocabulary.words import Vocabulary

__all__ = ["FileDecision", "decide"]

_MOST_ASKED = 12
"""More unnamed columns than this [count] are not asked about one by one: the file is refused."""


def decide(
    layout: TableLayout,
    columns: list[Column],
    rows: Rows,
    preamble: Preamble,
    words: Vocabulary,
    answers: Mapping[str, str],
    zone: str,
    day_first: str,
    profile: Profile | None = None,
) -> FileDecision:
    """Weigh the evidence and make the plan; a profile's word goes before the labels', an answer before both."""
    decision = FileDecision(None)
    if profile is not None:
        columns = by_profile(columns, profile, words)
    columns = answered(columns, answers, words)
    if profile is not None:
        columns = turn_swapped(columns, answers)
    is_named = layout.header_line is not None or profile is not None
    if profile is not None:
        clock = stated_clock(profile, rows, layout)
    else:
        clock = choose_clock(columns, rows, layout, preamble, words, answers, day_first)
    if clock.form is None:
        candidates = clock_candidates(columns)
        if len(candidates) == 1 and not is_named:
            columns = [_as_clock(c) if c is candidates[0] else c for c in columns]
            clock = choose_clock(columns, rows, layout, preamble, words, answers, day_first)
        elif candidates:
            decision.questions.append(which_clock(candidates))
        else:
            clock = count_rows(columns, rows, preamble, answers) or clock
    if clock.form is None and not decision.questions:
        decision.problems.append(no_clock(columns))
    if clock.form is None:
        return decision
    check_clock_answers(answers, clock, columns)
    decision.questions += clock.questions
    is_stamp = clock.form.source in {"wall clock", "unix", "serial day"}
    seconds = clock.raw * 1e-6 if is_stamp else clock.raw  # stamps are microseconds of 1970
    seconds = seconds - (seconds[np.isfinite(seconds)][0] if np.isfinite(seconds).any() else 0.0)
    columns = coulombs_by_slope(columns, seconds, words)
    if profile is not None:
        decision.questions += doubt_profile(columns, seconds, answers, words)
    parting = find_parting(columns, rows, seconds, clock.used, answers.get("rows", ""))
    if profile is not None:
        parting = _stated_port(profile, columns, parting)
    if not parting.columns and parting.question is None and not answers.get("rows"):
        parting = replace(parting, question=doubt_repeats(columns, seconds))
    if parting.question is not None:
        decision.questions.append(parting.question)
    work = Work(
        layout,
        columns,
        rows,
        words,
        preamble,
        answers,
        decision,
        clock,
        seconds,
        _first_part(rows, parting),
        direction=profile.direction or None if profile is not None else None,
    )
    slots = assign(columns, clock.used, parting)
    pin_unknown(slots, work.seconds, work.mask, words, clock)
    _choose_rivals(work, slots)
    is_known = any(g.by_channel for g in slots.groups)
    decision.questions += ask_leftovers(columns, slots, answers, _MOST_ASKED, is_named=is_named and is_known)
    if not is_known:
        if not decision.questions:
            decision.problems.append(no_quantity(columns, slots.unknown))
        return decision
    for group in slots.groups:
        settle_units(work, group)
    settle_time(work)
    runs = tuple(run_plan(work, group) for group in slots.groups if group.by_channel)
    decision.plan = assemble(work, slots, runs, parting, zone)
    return decision


def _as_clock(column: Column) -> Column:
    why = "the one column that only ever advances, in even steps"
    return with_label(column, quantity="elapsed", reason=why)


def _stated_port(profile: Profile, columns: list[Column], found: RunParting) -> RunParting:
    """The column that the profile names; the numbers' own finding says what it parts by."""
    at = next((c.index for c in columns if profile.port_column and same_name(c.name, profile.port_column)), None)
    if at is None or at in found.indices:
        return found
    return RunParting((PartColumn(at, "port"),), "names the port of each row, as the profile says")


def _first_part(rows: Rows, parting: RunParting) -> npt.NDArray[np.bool_] | None:
    """Rows of the first port, device or test: those that laws are looked for in."""
    mask: npt.NDArray[np.bool_] | None = None
    for part in parting.columns:
        cells = rows.cells[name_of(part.index)]
        first = (cells if mask is None else cells.filter(pl.Series(mask))).drop_nulls().head(1)
        if not len(first):
            return mask
        here = (cells == first[0]).fill_null(value=False).to_numpy()
        mask = here if mask is None else mask & here
    return mask


def _choose_rivals(work: Work, slots: Slots) -> None:
    """Choose among columns that could fill one channel: not an average, then the one that obeys P = U I."""
    for group, channel, found in slots.rivals:
        plain = [c for c in found if "avg" not in c.name.lower() and "mean" not in c.name.lower()] or found
        chosen, why = plain[0] if len(plain) == 1 else None, "another column is the plain reading"
        if chosen is None:
            chosen = _by_law(group, channel, plain)
            why = "does not fit power = voltage x current; the other column does"
        if chosen is None:
            finest = max(plain, key=lambda c: len(np.unique(c.finite)))
            if all(c is finest or copied_times(c, finest) is not None for c in plain):
                chosen, why = finest, f"the same readings stand in `{finest.name}`"
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
    """Choose the one column with which power is voltage times current; None where that does not decide."""
    if channel not in {"voltage_v", "current_a", "power_w"}:
        return None
    fits = []
    for column in found:
        values = {k: c.values for k, c in group.by_channel.items() if len(c.values)}
        values[channel] = column.values
        if {"voltage_v", "current_a", "power_w"} <= set(values):
            laws, _ = laws_of({KEYS[k]: v for k, v in values.items() if k in KEYS}, None, is_ac=group.is_ac)
            if laws and (misfit := _misfit(values)) is not None:
                fits.append((misfit, column))
    fits.sort(key=lambda f: f[0])
    if not fits or (len(fits) > 1 and fits[0][0] > 0.4 * fits[1][0]):
        return None
    return fits[0][1]


def _misfit(values: Mapping[str, Array]) -> float | None:
    """Median relative distance of power from voltage x current, best power of a thousand taken out."""
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
