"""The bench as lines: what to have ready, the curve so far, the figures under it, what should stop the test.

Knows plans, growing traces and strips; no Textual, no library.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from store.words.numbers import clock_time, duration_text, significant
from tui.render.plain import fit, plain
from tui.state.bench_log import SLOPE_S, BenchFigures, GrowingTrace
from tui.state.bench_plan import BenchPlan
from tui.state.lines import Line, line
from tui.state.look import Look
from tui.state.strips import MAIN_CHANNELS, draw_strip, range_text, time_axis, value_text

__all__ = ["bench_lines", "said_lines"]

_LEFT = 20
"""Cells of a channel's unit and range, left of its curve."""
_HEAD = 9
"""Cells of the words at the left."""
_NOW = {"voltage_v": "V", "current_a": "A", "power_w": "W"}


def bench_lines(
    plan: BenchPlan,
    trace: GrowingTrace,
    look: Look,
    *,
    width: int,
    height: int,
    state: str,
    expected_s: float | None = None,
) -> list[Line]:
    """The whole place.

    Args:
        plan: The test.
        trace: Its samples so far.
        look: Signs and strips.
        width: Cells of a line.
        height: Lines that there are room for.
        state: What the watched export does, in words.
        expected_s: How long a like run took; None where none is known.
    """
    how = () if trace.samples or not plan.how else _wrapped("how", plan.how, width, "", look)
    before = [*how, *_ready(plan, look, width), *_watched(plan, state, look, width)]
    figures = trace.figures()
    below = [*_so_far(figures, expected_s, look, width), *_stops(plan, trace, figures, look, width)]
    notes = [line(fit("note", _HEAD), (plain(text), "")) for text in plan.notes[-2:]]
    room = height - len(before) - len(below) - len(notes) - 2
    if room < 4:  # what is to be had ready gives way to the curve
        before, room = before[-1:], room + len(before) - 1
    curve = _curve(trace, look, width, max(room, 4), expected_s)
    return [*before, (), *curve, (), *below, *notes]


def said_lines(said: Sequence[str], look: Look, width: int) -> list[Line]:
    """What is said where no test is set up: what became of the one before, then what was found about its run."""
    lines: list[Line] = []
    for number, text in enumerate(said):
        lines += [(), *_wrapped("" if number == 0 else "!", text, width, "" if number == 0 else "warn", look)]
    return lines


def _wrapped(head: str, text: str, width: int, role: str, look: Look) -> Iterator[Line]:
    shown = plain(text, ascii_only=look.is_ascii)
    for number, part in enumerate(textwrap.wrap(shown, max(width - _HEAD - 2, 20)) or [""]):
        yield line((fit(head if number == 0 else "", _HEAD), "dim"), (part, role))


def _ready(plan: BenchPlan, look: Look, width: int) -> Iterator[Line]:
    done, open_ = ("[x]", "[ ]") if look.is_ascii else ("✓", "□")
    parts = [f"{done if index in plan.ticked else open_} {text}" for index, text in enumerate(plan.steps)]
    if parts:
        yield from _wrapped("before", "   ".join(parts), width, "", look)
    if plan.caution:
        yield from _wrapped("!", plan.caution, width, "warn", look)


def _watched(plan: BenchPlan, state: str, look: Look, width: int) -> Iterator[Line]:
    meter = f"meter {plan.meter}   " if plan.meter else ""
    ambient = f"room {plan.ambient_c} °C   " if plan.ambient_c else ""
    yield from _wrapped("set up", f"{meter}{ambient}{state}", width, "", look)


def _curve(trace: GrowingTrace, look: Look, width: int, rows: int, expected_s: float | None) -> list[Line]:
    room = max(width - _LEFT - 1, 10)
    strips = trace.strips(2 * room, expected_s)
    found = [strip for name in MAIN_CHANNELS if (strip := strips.strip(name)) is not None]
    if not found:
        return []
    each = max((rows - 1) // len(found), 1)
    tall = {strip.channel: each for strip in found}
    spare = rows - 1 - each * len(found)
    for name in ("power_w", "temperature_c", "voltage_v", "current_a"):
        if name in tall and spare > 0:
            tall[name] += 1
            spare -= 1
    shown = found if rows - 1 >= len(found) else found[-(rows - 1) :]
    lines: list[Line] = []
    for strip in shown:
        low, high = range_text(strip)
        drawn = draw_strip(strip, width=room, rows=tall[strip.channel], style=look.strips, bridge=2 * room)
        head = f"{look.signs.unit(strip.unit)} {low} to {high}"
        lines += [line(fit(head if number == 0 else "", _LEFT), (ink, "accent")) for number, ink in enumerate(drawn)]
    lines.append(line(" " * _LEFT, (time_axis(strips.from_s, strips.to_s, room, signs=look.signs), "dim")))
    return lines


def _so_far(figures: BenchFigures, expected_s: float | None, look: Look, width: int) -> Iterator[Line]:
    if not figures.samples:
        return
    sums = []
    if figures.energy_wh is not None:
        sums.append(f"{significant(figures.energy_wh, 4)} Wh")
    if figures.charge_ah is not None:
        sums.append(f"{significant(figures.charge_ah, 4)} Ah")
    at = f"at {clock_time(float(round(figures.elapsed_s)))}"
    if expected_s is not None:
        at += f" of about {clock_time(float(round(expected_s)))}"
    now = [f"{value_text(figures.last[name], unit)} {unit}" for name, unit in _NOW.items() if name in figures.last]
    yield from _wrapped("so far", "   ".join([*sums, at, *now]), width, "head", look)
    case = figures.last.get("temperature_c")
    if case is not None:
        rising = ""
        if figures.slope_k_per_h is not None:
            span = duration_text(min(SLOPE_S, figures.elapsed_s), 0.0 if figures.elapsed_s >= SLOPE_S else None)
            rising = f", {significant(figures.slope_k_per_h, 2)} K/h over the last {span}"
        yield from _wrapped("", f"case {value_text(case, '°C')} °C{rising}", width, "", look)
    if figures.is_off:
        yield from _wrapped("", "the load is off: enter files the run", width, "accent", look)


def _stops(plan: BenchPlan, trace: GrowingTrace, figures: BenchFigures, look: Look, width: int) -> Iterator[Line]:
    for limit in figures.passed:
        yield from _wrapped("STOP" if limit.stops else "!", f"{limit.words} is passed", width, "warn", look)
    waiting = [limit.words for limit in trace.limits if limit not in figures.passed]
    stops = [*waiting, "stop if it swells, smells or hisses"] if plan.kind != "cable" else waiting
    if stops:
        yield from _wrapped("limits", " · ".join(stops) if not look.is_ascii else "; ".join(stops), width, "dim", look)
