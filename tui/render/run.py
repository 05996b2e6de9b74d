"""One run as plain text and as a JSON document.

Knows view data and text: no library, no Textual.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from store.methods.specs import mean_of
from store.model.records import EventRow, ResultRow, RunView
from tui.render.format import (
    UNICODE_SIGNS,
    Signs,
    clock_time,
    count,
    local_time,
    reading,
    significant,
    size,
    span_words,
)
from tui.render.json_values import jsonable
from tui.render.plain import cut, plain
from tui.render.tables import Column, facts_block, table, titled, wrapped
from tui.state.look import StripStyle
from tui.state.strips import draw_strip, empty_buckets_to_bridge, event_times, range_text, time_axis

__all__ = ["result_text", "run_document", "run_lines"]

STRIP_CELLS = 56


def run_lines(
    view: RunView, *, signs: Signs = UNICODE_SIGNS, width: int | None = None, strips: bool = True
) -> Iterator[str]:
    """Everything about a run, line by line, harmless to any terminal.

    Args:
        view: The run.
        signs: What the output can take.
        width: Cells of a line; None for as many as needed.
        strips: Draw the small traces.
    """
    yield _headline(view, signs)
    yield from titled("facts", facts_block(_facts(view, signs), width=width, is_wrapped=True))
    if strips:
        yield from titled("traces", _strip_lines(view, signs))
    yield from titled("results", _result_lines(view, signs, width))
    yield from titled("events", _event_lines(view.events, signs, width))
    yield from titled("where it came from", facts_block(_origin(view), width=width, is_wrapped=True))
    yield from titled("how columns were read", _conversion_lines(view, signs, width))
    yield from titled("amendments", _amendment_lines(view, signs, width))


def _headline(view: RunView, signs: Signs) -> str:
    facts = view.facts
    what = facts.kind or "kind not stated"
    parts = [
        f"Run {facts.run_id}",
        " ".join(filter(None, [facts.device, facts.port, facts.mode])) or "device not stated",
        f"{what} at {facts.load_set}" if facts.load_set else what,
        local_time(facts.started_at, missing="date not known"),
    ]
    if facts.ambient_c is not None:
        parts.append(f"{significant(facts.ambient_c)} {signs.degree_c}")
    if facts.meter:
        parts.append(f"meter {facts.meter}")
    if facts.quality != "ok":
        parts.append(facts.quality.upper())
    return plain("   ".join(parts))


def _facts(view: RunView, signs: Signs) -> Iterator[tuple[str, object]]:
    facts = view.facts
    yield "direction", facts.direction
    yield "length", f"{span_words(view.duration_s)} ({clock_time(view.duration_s)})"
    step = "" if view.interval_s is None else f", one each {significant(view.interval_s)} s"
    yield "samples", f"{count(view.samples)}{step}"
    yield "channels", ", ".join(view.channels)
    yield "group", facts.group_id
    yield "quality", facts.quality + (f": {facts.quality_reason}" if facts.quality_reason else "")
    yield "voltage taken at", facts.measured_at
    yield "cable", None if facts.cable_mohm is None else f"{significant(facts.cable_mohm)} m{signs.ohm}"
    yield "note", facts.note
    if view.amendments:
        last = max(a.at for a in view.amendments)
        yield "amended", f"{count(len(view.amendments))} times, last on {local_time(last)}"


def _strip_lines(view: RunView, signs: Signs) -> list[str]:
    preview = view.preview
    bridge = empty_buckets_to_bridge(preview, view.interval_s)
    style: StripStyle = "ascii" if signs.is_ascii else "braille"
    heads = [(s.channel, signs.unit(s.unit), *range_text(s)) for s in preview.strips]
    if not heads:
        return []
    widths = [max(len(head[i]) for head in heads) for i in range(4)]
    lines = []
    for strip, (channel, unit, low, high) in zip(preview.strips, heads, strict=True):
        drawn = draw_strip(strip, width=STRIP_CELLS, style=style, bridge=bridge)[0]
        label = f"  {channel:<{widths[0]}}  {unit:>{widths[1]}}  {low:>{widths[2]}} to {high:>{widths[3]}}  "
        lines.append((label + drawn).rstrip())
    indent = " " * (sum(widths) + 12)
    axis = time_axis(preview.from_s, preview.to_s, STRIP_CELLS, events=event_times(view.events), signs=signs)
    return [*lines, (indent + axis).rstrip()]


def result_text(result: ResultRow, signs: Signs = UNICODE_SIGNS) -> str:
    """A result as people read it: value, expanded uncertainty, unit; words as they are; absent as such."""
    if result.text is not None:
        return plain(result.text)
    if result.value is None:
        return "absent"
    if result.unit == "1" and result.uncertainty == 0.0 and result.value == round(result.value):
        return count(round(result.value))
    text = reading(result.value, result.uncertainty, result.unit, signs=signs)
    return f"{text} ({clock_time(result.value)})" if result.unit == "s" and result.value >= 60 else text


def _result_lines(view: RunView, signs: Signs, width: int | None) -> list[str]:
    current = [r for r in view.results if r.is_current]
    present = [r for r in current if r.value is not None or r.text is not None]
    notes = list(dict.fromkeys(warning for result in present for warning in result.warnings))
    pairs = ((r.name, _with_marks(r, notes, signs)) for r in present)
    lines = facts_block(pairs, width=width, is_wrapped=True)
    for number, note in enumerate(notes, 1):
        lines += wrapped(f"  [{number}] ", plain(note), width)
    if present:
        lines += wrapped("  ", f"{signs.plus_minus} is twice the standard uncertainty.{_window_words(present)}", width)
    lines += _by_reason(
        "no uncertainty is known for:", [r for r in present if r.value is not None and r.uncertainty is None], width
    )
    absent = [r for r in current if r.value is None and r.text is None]
    lines += _by_reason("not to be had from this run:", absent, width)
    old = sum(not r.is_current for r in view.results)
    if old:
        told = f"{count(old)} older values are superseded; `joulebook show {view.facts.run_id} --json` lists them."
        lines += wrapped("  ", told, width)
    return lines


def _window_words(results: list[ResultRow]) -> str:
    """Over which part of the log means, extremes and spreads are taken."""
    means = (mean_of("power_w"), mean_of("voltage_v"))
    mean = next((r for r in results if r.name in means), None)
    if mean is None or mean.from_s is None or mean.to_s is None:
        return ""
    return (
        f" Mean, min, max and sd of voltage, current and power: {clock_time(mean.from_s)} to {clock_time(mean.to_s)}."
    )


def _by_reason(title: str, results: list[ResultRow], width: int | None) -> list[str]:
    """Results that share a reason, named together, each reason once."""
    if not results:
        return []
    groups: dict[str, list[str]] = {}
    for result in results:
        groups.setdefault(result.reason or "no reason was kept", []).append(result.name)
    lines = [f"  {title}"]
    for reason, names in groups.items():
        lines += wrapped("    ", plain(f"{', '.join(names)}: {reason}"), width)
    return lines


def _with_marks(result: ResultRow, notes: list[str], signs: Signs) -> str:
    """A result with the numbers of its warnings, which stand below."""
    marks = " ".join(f"[{notes.index(warning) + 1}]" for warning in result.warnings)
    return f"{result_text(result, signs)} {marks}".rstrip()


def _event_lines(events: tuple[EventRow, ...], signs: Signs, width: int | None) -> list[str]:
    rows = [
        (
            clock_time(event.from_s),
            clock_time(event.to_s) if event.to_s > event.from_s else "",
            event.kind,
            "" if event.value is None else reading(event.value, None, event.unit, signs=signs),
            event.detail,
        )
        for event in sorted(events, key=lambda event: event.from_s)
    ]
    columns = [Column("from"), Column("to"), Column("event"), Column("value"), Column("", wraps=True)]
    return (
        [f"  {line}" for line in table(columns, rows, width=width and width - 2, ellipsis=signs.ellipsis)]
        if rows
        else []
    )


def _origin(view: RunView) -> Iterator[tuple[str, object]]:
    origin = view.provenance
    yield "file", origin.source_file + (f" ({size(origin.source_bytes)})" if origin.source_bytes else "")
    yield "sha256", origin.source_sha256
    yield "part", origin.part
    yield "imported", f"{local_time(origin.imported_at)} by {origin.imported_by}, Joulebook {origin.program_version}"
    yield "profile", origin.profile
    clock = origin.clock
    yield "clock", " ".join(filter(None, [clock.source, clock.unit, clock.zone and f"in {clock.zone}", clock.note]))
    yield "sign", "current and power were turned round" if origin.sign_turned else None
    account = origin.account
    named = (("samples", account.samples), ("header", account.header), ("preamble", account.preamble),
             ("blank", account.blank), ("totals", account.totals), ("problems", account.problems),
             ("within quoted cells", account.continued))  # fmt: skip
    yield "lines", f"{count(account.lines)}: " + ", ".join(f"{count(n)} {name}" for name, n in named if n)
    yield "trace", origin.trace_file
    for warning in origin.warnings:
        yield "warning", warning


def _conversion_lines(view: RunView, signs: Signs, width: int | None) -> list[str]:
    rows = [
        (
            conversion.column,
            conversion.channel or "not used",
            conversion.unit,
            "" if conversion.channel is None else f"{conversion.factor:g}",
            conversion.reason,
        )
        for conversion in view.provenance.conversions
    ]
    columns = [Column("column"), Column("taken for"), Column("unit"), Column("factor"), Column("why", wraps=True)]
    return (
        [f"  {line}" for line in table(columns, rows, width=width and width - 2, ellipsis=signs.ellipsis)]
        if rows
        else []
    )


def _amendment_lines(view: RunView, signs: Signs, width: int | None) -> list[str]:
    lines = []
    for change in view.amendments:
        reason = f" ({change.reason})" if change.reason else ""
        old, new = change.old_value or "nothing", change.new_value or "nothing"
        line = f"  {local_time(change.at)}  {change.who}  {change.field}: {old} became {new}{reason}"
        lines.append(cut(plain(line), width, ellipsis=signs.ellipsis) if width else plain(line))
    return lines


def run_document(view: RunView) -> dict[str, Any]:
    """A run as `show --json` prints it."""
    strips = [
        {"channel": s.channel, "unit": s.unit, "lowest": s.lowest, "mean": s.mean, "highest": s.highest}
        for s in view.preview.strips
    ]
    preview = {"from_s": view.preview.from_s, "to_s": view.preview.to_s, "buckets": view.preview.buckets}
    return {
        **jsonable(view.facts),
        "samples": view.samples,
        "duration_s": view.duration_s,
        "interval_s": view.interval_s,
        "channels": list(view.channels),
        "results": jsonable(view.results),
        "events": jsonable(view.events),
        "provenance": jsonable(view.provenance),
        "amendments": jsonable(view.amendments),
        "preview": jsonable({**preview, "strips": strips}),
    }
