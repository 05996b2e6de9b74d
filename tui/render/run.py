"""A run's small traces with characters, and the run as a JSON document.

Knows view data and text: no library, no Textual.
"""

from __future__ import annotations

from typing import Any

from store.model.records import RunView
from tui.render.format import UNICODE_SIGNS, Signs
from tui.render.json_values import jsonable
from tui.state.lines import Line, line
from tui.state.look import StripStyle
from tui.state.strips import draw_strip, empty_buckets_to_bridge, event_times, range_text, time_axis

__all__ = ["run_data", "trace_lines"]

STRIP_CELLS = 56


def trace_lines(view: RunView, signs: Signs = UNICODE_SIGNS) -> list[Line]:
    """A line per channel with its range and its band over time, and the time axis with the events."""
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
        lines.append(line((label + drawn).rstrip()))
    indent = " " * (sum(widths) + 12)
    axis = time_axis(preview.from_s, preview.to_s, STRIP_CELLS, events=event_times(view.events), signs=signs)
    return [*lines, line((indent + axis).rstrip())]


def run_data(view: RunView) -> dict[str, Any]:
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
