"""Strips and first rows of what an importer made of a file, before anything is stored.

Knows Polars frames and strips; no Textual.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from importers.schema import CHANNELS
from store.model.records import Strip, StripSet
from tui.render.plain import fit
from tui.state.lines import Line, line
from tui.state.look import Look
from tui.state.strips import MAIN_CHANNELS, draw_strip, range_text, time_axis, value_text

__all__ = ["parts_of", "preview_lines", "strips_of"]

_CELL = 14
"""Cells of a value in the first rows, its gap included."""
_UNITS = {channel.name: channel.unit for channel in CHANNELS}


def strips_of(frame: pl.DataFrame, buckets: int) -> StripSet:
    """Minimum and maximum per time bucket of a few converted rows.

    Args:
        frame: `t_s` [s] and channels.
        buckets: How many spans.
    """
    t = frame["t_s"].to_numpy()
    if not len(t):
        return StripSet(0.0, 1.0, buckets, ())
    first, last = float(np.nanmin(t)), float(np.nanmax(t))
    span = last - first or 1.0
    index = np.minimum(((t - first) / span * buckets).astype(int), buckets - 1)
    strips = []
    for name in frame.columns:
        if name not in _UNITS or frame[name].null_count() == frame.height:
            continue
        values = frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        keep = ~np.isnan(values)
        low, high = np.full(buckets, np.inf), np.full(buckets, -np.inf)
        np.minimum.at(low, index[keep], values[keep])
        np.maximum.at(high, index[keep], values[keep])
        empty = np.isinf(low)
        low[empty] = high[empty] = np.nan
        strips.append(Strip(name, _UNITS[name], low, (low + high) / 2, high))
    return StripSet(first, first + span, buckets, tuple(strips))


def parts_of(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The preview's rows by the run within the file that they belong to."""
    if "part" not in frame.columns:
        return {"": frame}
    return {str(key[0]): part for key, part in frame.partition_by("part", as_dict=True, maintain_order=True).items()}


def preview_lines(frame: pl.DataFrame, look: Look, width: int, rows: int) -> list[Line]:
    """Strips of the first rows, then the rows themselves."""
    room = max(width - 20, 10)
    strips = strips_of(frame, 2 * room)
    lines: list[Line] = []
    for name in (*MAIN_CHANNELS, *(s.channel for s in strips.strips if s.channel not in MAIN_CHANNELS)):
        strip = strips.strip(name)
        if strip is not None and len(lines) < 5:
            low, high = range_text(strip)
            ink = draw_strip(strip, width=room, style=look.strips, bridge=2 * room)[0]
            lines.append(line(fit(f"{look.signs.unit(strip.unit)} {low} to {high}", 20), (ink, "accent")))
    lines.append(line(" " * 20, (time_axis(strips.from_s, strips.to_s, room, signs=look.signs), "dim")))
    fitting = max(width // _CELL, 1)
    shown = [c for c in frame.columns if c == "t_s" or c in _UNITS][:fitting]
    lines += [(), line(*((fit(c, _CELL, right=True), "head") for c in shown))]
    for row in frame.head(rows).select(shown).iter_rows():
        cells = [
            fit("" if v is None else value_text(float(v), _UNITS.get(c, "s")), _CELL, right=True)
            for c, v in zip(shown, row, strict=True)
        ]
        lines.append(line("".join(cells)))
    return lines
