"""What is shown of the run under the cursor: strips on one time axis, events, main results.

Knows `RunView` and text; no Textual. Everything comes from the stored preview and stored results, so that holding an
arrow key stays smooth.
"""

from __future__ import annotations

from collections.abc import Sequence

from store.methods.specs import by_weight, is_statistic, is_telling, label_of, mean_of
from store.model.records import EventRow, ResultRow, RunView, Strip
from store.uncertainty.decision import Verdict
from tui.render import format as fmt
from tui.render.plain import cut, fit, plain, width_of
from tui.state.lines import Line, line, line_width, pad_to
from tui.state.look import Look
from tui.state.strips import (
    MAIN_CHANNELS,
    draw_strip,
    empty_buckets_to_bridge,
    event_times,
    range_text,
    time_axis,
    value_text,
)
from tui.state.words import event_words

__all__ = ["below", "beside", "main_results", "strip_block"]

LABEL_WIDTH = 20
"""Cells for unit and range before a strip."""


def _name_of(strip: Strip, look: Look) -> str:
    return look.signs.unit(strip.unit)


def strip_block(
    view: RunView, channels: Sequence[str], look: Look, *, width: int, rows: int, with_mean: bool = False
) -> list[Line]:
    """Strips over one another with their ranges, and the time axis with events below.

    Args:
        view: The run.
        channels: Which strips, in order; those that the run lacks are passed over.
        look: What the terminal can draw.
        width: Cells for labels and strips together.
        rows: Lines per strip.
        with_mean: Tell the mean below the range, where there is a second line for it.
    """
    strips = [s for name in channels if (s := view.preview.strip(name)) is not None]
    ranges = [range_text(strip) for strip in strips]
    left = max((width_of(low) for low, _ in ranges), default=0)
    right = max((width_of(high) for _, high in ranges), default=0)
    label = max(min(LABEL_WIDTH, width // 3), left + right + 10)
    room = max(width - label, 4)
    bridge = empty_buckets_to_bridge(view.preview, view.interval_s)
    lines: list[Line] = []
    for strip, (low, high) in zip(strips, ranges, strict=True):
        unit = fit(_name_of(strip, look), 5 if look.is_ascii else 3)
        text = f"{unit}{low.rjust(left)} to {high.rjust(right)}" if low else f"{unit}no values"
        drawn = draw_strip(strip, width=room, rows=rows, style=look.strips, bridge=bridge)
        for index, ink in enumerate(drawn):
            before = text if index == 0 else ""
            if index == 1 and with_mean:
                before = _mean_text(view, strip, unit)
            lines.append(line((fit(before, label), "dim" if index else ""), (ink, "accent")))
    axis = time_axis(view.preview.from_s, view.preview.to_s, room, events=event_times(view.events), signs=look.signs)
    lines.append(line(" " * label, *_marked(axis, look.signs.event)))
    return lines


def _mean_text(view: RunView, strip: Strip, unit: str) -> str:
    name = mean_of(strip.channel)
    found = next((r for r in view.results if r.is_current and r.name == name and r.value is not None), None)
    if found is None or found.value is None:
        return ""
    return f"{' ' * width_of(unit)}mean {value_text(found.value, strip.unit)}"


def _marked(axis: str, sign: str) -> list[tuple[str, str]]:
    """The axis with its event marks in the colour of attention."""
    parts: list[tuple[str, str]] = []
    for index, piece in enumerate(axis.split(sign)):
        if index:
            parts.append((sign, "warn"))
        if piece:
            parts.append((piece, "dim"))
    return parts


def main_results(view: RunView, most: int) -> list[ResultRow]:
    """The run's most telling results that have a value."""
    current = {r.name: r for r in view.results if r.is_current and r.value is not None}
    ordered = [current[name] for name in by_weight(current) if not is_statistic(name)]
    chosen = [r for r in ordered if is_telling(r.name)]
    seen = {round(r.value, 12) if r.value is not None else None for r in chosen[:1]}
    unique = chosen[:1] + [r for r in chosen[1:] if not (r.value is not None and round(r.value, 12) in seen)]
    others = [r for r in ordered if not is_telling(r.name)]
    return (unique + others)[:most]


def _remarks(view: RunView, look: Look, most: int) -> list[Line]:
    """What wants to be noticed: the verdict on quality, then the gravest events."""
    lines: list[Line] = []
    if view.facts.quality != "ok":
        reason = plain(view.facts.quality_reason, ascii_only=look.is_ascii)
        lines.append(line((f"{view.facts.quality}: {reason}" if reason else view.facts.quality, "warn")))
    lines += [line(event_words(event, look.signs)) for event in _gravest(view.events)]
    return lines[:most]


def _gravest(events: Sequence[EventRow]) -> list[EventRow]:
    order = ("cutback", "pause", "trip", "dropout", "reset", "gap", "cut-off", "restart")

    def rank(event: EventRow) -> tuple[int, float]:
        found = next((i for i, word in enumerate(order) if word in event.kind.replace("_", "-")), len(order))
        return found, event.from_s

    return sorted(events, key=rank)


def _result_line(result: ResultRow, look: Look, name_width: int, width: int = 200) -> Line:
    room = width - name_width - 2
    value = fmt.reading_within(room, result.value, result.uncertainty, result.unit, signs=look.signs)
    if result.unit == "s":
        value = fmt.span_words(result.value)
    return line((fit(label_of(result.name, is_short=True), name_width), "dim"), "  ", value)


def below(view: RunView, look: Look, *, width: int, height: int) -> list[Line]:
    """The glance under the list: strips at the left, what matters at the right."""
    channels = MAIN_CHANNELS[: max(height - 1, 1)]
    if height <= 4:
        channels = tuple(c for c in MAIN_CHANNELS if c != "power_w")
    right = _remarks(view, look, 2)
    results = main_results(view, height - len(right))
    names = max((width_of(label_of(r.name, is_short=True)) for r in results), default=0)
    whole = [*right, *(_result_line(r, look, names) for r in results)]
    side = min(max([20, *map(line_width, whole)]), max(width - 48, 22))
    right += [_result_line(r, look, names, side) for r in results]
    block = strip_block(view, channels, look, width=width - side - 4, rows=1)
    lines = []
    for index in range(height):
        left_part = block[index] if index < len(block) else ()
        right_part = right[index] if index < len(right) else ()
        lines.append((*pad_to(line(" ", *left_part), width - side - 2), ("  ", ""), *pad_to(right_part, side)))
    return lines


def _verdict_lines(verdicts: Sequence[Verdict], look: Look, width: int) -> list[Line]:
    """Claims whose verdict rests on the run, what is not met first."""
    order = sorted(verdicts, key=lambda v: (v.verdict == "met", v.position))
    lines = []
    for verdict in order:
        words = verdict.verdict
        claim = cut(plain(verdict.claim, ascii_only=look.is_ascii), max(width - 13, 10))
        lines.append(line((fit(words, 11), "" if words == "met" else "warn"), "  ", (claim, "dim")))
    return lines


def beside(view: RunView, look: Look, *, width: int, height: int, verdicts: Sequence[Verdict] = ()) -> list[Line]:
    """The glance at the right of the list: taller strips, results with uncertainty, verdicts, events, the note."""
    facts = view.facts
    ascii_only = look.is_ascii
    title = "  ".join(
        plain(part, ascii_only=ascii_only)
        for part in (f"run {facts.run_id}", facts.device, facts.port, facts.mode)
        if part
    )
    second = "  ".join(
        plain(part, ascii_only=ascii_only)
        for part in (
            facts.kind,
            f"at {facts.load_set}" if facts.load_set else None,
            f"room {fmt.number(facts.ambient_c, 1)} {look.signs.degree_c}" if facts.ambient_c is not None else None,
            f"meter {facts.meter}" if facts.meter else None,
        )
        if part
    )
    channels = [name for name in MAIN_CHANNELS if view.preview.strip(name) is not None]
    rows = 3 if height >= 30 else 2
    lines: list[Line] = [line((title, "head")), line((second, "dim")), ()]
    lines += strip_block(view, channels, look, width=width, rows=rows, with_mean=True)
    lines.append(())
    results = main_results(view, 14 if height >= 36 else 8)
    names = max((width_of(label_of(r.name, is_short=True)) for r in results), default=0)
    lines += [_result_line(r, look, names) for r in results]
    if verdicts:
        lines += [(), line((f"claims held against run {facts.run_id}", "head"))]
        lines += _verdict_lines(verdicts, look, width)
    lines.append(())
    lines += _remarks(view, look, 6)
    if facts.note:
        lines += [(), line((plain(facts.note, ascii_only=ascii_only), "dim"))]
    return [pad_to(of, width) for of in lines[:height]]
