"""Marked runs laid over each other: where each one's time begins, and results side by side.

Knows `RunView`, strips and text; no Textual. Differences and whether they are any come from `store.judge.differences`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from store.judge.differences import difference, unlike
from store.judge.measured import Measured
from store.methods.specs import by_weight, label_of
from store.model.records import ResultRow, RunView, Strip, StripSet
from tui.render import format as fmt
from tui.render.plain import fit, plain, width_of
from tui.state.lines import Line, line
from tui.state.look import Look
from tui.state.strips import MAIN_CHANNELS
from tui.state.words import channel_words

__all__ = ["CompareModel", "Shifted"]

Origin = Literal["load", "clock"]

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class Shifted:
    """One run's strip with the time that its first sample takes in the drawing."""

    run_id: int
    letter: str
    strips: StripSet
    strip: Strip


@dataclass(slots=True)
class CompareModel:
    """Which runs, which channel, from when."""

    look: Look
    channel: str = "power_w"
    origin: Origin = "load"
    views: list[RunView] = field(default_factory=list)
    strips: dict[int, StripSet] = field(default_factory=dict)
    measured: Mapping[int, Mapping[str, Measured]] = field(default_factory=dict)
    """Results with what they share with others of their meter, by run and name."""

    def offsets_s(self) -> dict[int, float]:
        """Seconds to add to each run's own time.

        On load applied each run's load begins at zero; on the clock the earliest run begins at zero. A run without a
        date can't be laid on the clock and begins at zero.
        """
        if self.origin == "load":
            return {v.facts.run_id: -_load_applied_s(v) for v in self.views}
        dated = [v.facts.started_at for v in self.views if v.facts.started_at is not None]
        first = min(dated, default=None)
        return {
            v.facts.run_id: 0.0
            if first is None or v.facts.started_at is None
            else (v.facts.started_at - first).total_seconds()
            for v in self.views
        }

    def span_s(self) -> tuple[float, float]:
        """First and last time of the drawing [s]."""
        offsets = self.offsets_s()
        starts = [offsets[v.facts.run_id] for v in self.views]
        ends = [offsets[v.facts.run_id] + v.duration_s for v in self.views]
        return (min(starts), max(ends)) if starts else (0.0, 1.0)

    def shifted(self) -> list[Shifted]:
        """Strips in the drawing's time, in the order of the runs."""
        offsets = self.offsets_s()
        out = []
        for letter, view in zip(LETTERS, self.views, strict=False):
            run_id = view.facts.run_id
            strips = self.strips.get(run_id)
            strip = strips.strip(self.channel) if strips else None
            if strips is not None and strip is not None:
                moved = StripSet(
                    strips.from_s + offsets[run_id], strips.to_s + offsets[run_id], strips.buckets, (strip,)
                )
                out.append(Shifted(run_id, letter, moved, strip))
        return out

    def all_in_one(self) -> Strip | None:
        """The lowest and highest of all runs, for one axis."""
        found = [s.strip for s in self.shifted()]
        if not found:
            return None
        low = np.concatenate([s.lowest for s in found])
        high = np.concatenate([s.highest for s in found])
        return Strip(self.channel, found[0].unit, low, (low + high) / 2, high)

    def choose_channel(self) -> str:
        """Keep the channel where all runs have it, else take one that most have; says so where it is another."""
        wanted = dict.fromkeys((self.channel, *MAIN_CHANNELS, *(c for v in self.views for c in v.channels)))
        before = self.channel
        self.channel = max(wanted, key=lambda c: sum(c in v.channels for v in self.views), default=self.channel)
        if self.channel == before:
            return ""
        lacking = sum(before not in v.channels for v in self.views)
        who = "none" if lacking == len(self.views) else f"not all ({len(self.views) - lacking} of {len(self.views)})"
        return f"{who} of these runs logged {channel_words(before)}; {channel_words(self.channel)} is shown"

    def conditions_words(self, width: int) -> list[str]:
        """What differs between the tests, where like is not set against like; nothing where it is."""
        facts = [v.facts for v in self.views]
        told = unlike(
            {
                "kind of test": [f.kind for f in facts],
                "port": [f.port for f in facts],
                "mode": [f.mode for f in facts],
                "load": [f.load_set for f in facts],
            }
        )
        return textwrap.wrap(plain(" ".join(told), ascii_only=self.look.is_ascii), max(width, 20))

    def label(self, view: RunView) -> str:
        """What a run is called in the legend, and whether it lacks the channel."""
        f = view.facts
        lacks = "" if self.channel in view.channels else f"(logged no {channel_words(self.channel)})"
        parts = (f.device, f.port, f.mode, f.kind, f.load_set, f"run {f.run_id}", lacks)
        return plain(" ".join(p for p in parts if p), ascii_only=self.look.is_ascii)

    # results side by side
    def rows(self, width: int) -> list[Line]:
        """Results that at least two runs share, each beside the first one's, with the difference.

        The most telling come first; where a cell is too narrow, differences stand on a line of their own.
        """
        cell = self._cell(width)
        return [of for name in self._shared() for of in self._row(name, cell)]

    def _cell(self, width: int) -> int:
        return max((width - 20) // max(len(self.views), 1) - 2, 8)

    def head_line(self, width: int) -> Line:
        """Letters above the columns."""
        cell = self._cell(width - 3)
        parts: list[str | tuple[str, str]] = ["   ", fit("", 18)]
        for letter, view in zip(LETTERS, self.views, strict=False):
            name = plain(view.facts.device or f"run {view.facts.run_id}", ascii_only=self.look.is_ascii)
            parts += [(fit(f"{letter} {name}", cell), "head"), "  "]
        return line(*parts)

    def _current(self, view: RunView) -> dict[str, ResultRow]:
        return {r.name: r for r in view.results if r.is_current and r.value is not None}

    def _shared(self) -> list[str]:
        seen: dict[str, int] = {}
        for view in self.views:
            for name in self._current(view):
                seen[name] = seen.get(name, 0) + 1
        return by_weight([name for name, times in seen.items() if times > 1])

    def _row(self, name: str, cell: int) -> list[Line]:
        values = [self._shown(self._current(view).get(name), cell) for view in self.views]
        told = [self._difference(name, view, self.views[0]) if i else ("", False) for i, view in enumerate(self.views)]
        words = fit(label_of(name, is_short=True), 18)
        together = [f"{value}  {text}".rstrip() for value, (text, _) in zip(values, told, strict=True)]
        if max(map(width_of, together)) <= cell:
            return [self._cells(words, together, told, cell)]
        lines = [self._cells(words, values, [("", False)] * len(values), cell)]
        if any(text for text, _ in told):
            lines.append(self._cells(" " * 18, [text for text, _ in told], told, cell))
        return lines

    @staticmethod
    def _cells(head: str, texts: Sequence[str], told: Sequence[tuple[str, bool]], cell: int) -> Line:
        parts: list[str | tuple[str, str]] = [(head, "dim")]
        for text, (_, is_apart) in zip(texts, told, strict=True):
            parts += [(fit(text, cell), "accent" if is_apart else ""), "  "]
        return line(*parts)

    def _shown(self, found: ResultRow | None, cell: int) -> str:
        if found is None:
            return self.look.signs.missing
        if found.unit == "s":
            return fmt.span_words(found.value)
        return fmt.reading_within(cell, found.value, found.uncertainty, found.unit, signs=self.look.signs)

    def _difference(self, name: str, view: RunView, first: RunView) -> tuple[str, bool]:
        """The difference from the first run, and whether it exceeds its uncertainty; what one meter shares cancels."""
        one = self.measured.get(view.facts.run_id, {}).get(name)
        other = self.measured.get(first.facts.run_id, {}).get(name)
        if one is None or other is None:
            return "", False
        d = difference(one, other, len(self.views))
        decimals = fmt.decimals_of(max(abs(one.value), abs(other.value)), d.uncertainty)
        size = fmt.span_words(abs(d.value)) if one.unit == "s" else fmt.number(abs(d.value), decimals)
        sign = "" if not size.strip("0.,") or size == "0 s" else "+" if d.value > 0 else "-"
        text = f"{sign}{size}"
        if d.uncertainty is None:
            return f"{text}?", False
        return (text if d.is_told_apart else f"({text})"), d.is_told_apart

    def legend_words(self) -> str:
        """What signs beside a difference mean, where any stands there."""
        return "differences from A: (not significant), ? not known"


def _load_applied_s(view: RunView) -> float:
    """When the load was applied, from the run's first sample [s]; zero where no event tells."""
    names = ("load applied", "load_applied", "load-applied", "load on")
    found = [e.from_s for e in view.events if e.kind in names]
    return min(found, default=0.0)
