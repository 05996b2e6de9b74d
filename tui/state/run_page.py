"""The page of one run: which channels, which span of time, where the cursor is, what stands below.

Knows `RunView`, strips and text; no Textual, no SQL.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, Literal

import pyarrow as pa

from store.methods.specs import by_weight, label_of
from store.model.records import EventRow, ResultRow, RunView, StripSet
from tui.render import format as fmt
from tui.render.plain import cut, fit, plain, width_of
from tui.state.glance import strip_block
from tui.state.lines import Line, line, line_width
from tui.state.look import Look
from tui.state.plot import is_second_axis, unit_of
from tui.state.strips import range_text, value_text
from tui.state.words import FACTS, channel_words, event_words

__all__ = ["PARTS", "PageRow", "RunPageModel", "nearest_values"]

Part = Literal["results", "facts", "events", "strips", "origin"]
PARTS: tuple[Part, ...] = ("results", "facts", "events", "strips", "origin")
"""What can stand below the plot, in order."""

VALUE, SPAN = 24, 20
"""Cells for a value with its uncertainty, and for the span that it was taken from."""

LEAST_WARNING = 24
"""A warning is told beside its result where so many cells are left; else a sign points to it, and Enter tells it."""

CLOSEST_SHARE = 1e-4
"""How far one can zoom in, as a share of the whole run (chosen by us), though never below four samples."""


@dataclass(frozen=True, slots=True)
class PageRow:
    """A line below the plot, and what it stands for."""

    text: Line
    result: ResultRow | None = None
    event: EventRow | None = None
    field: str | None = None


@dataclass(slots=True)
class RunPageModel:
    """State of the page."""

    look: Look
    zone: tzinfo | None = None
    view: RunView | None = None
    channels: list[str] = field(default_factory=list)
    """Drawn, in order; the first that is no temperature gives the left axis its unit."""
    from_s: float = 0.0
    to_s: float = 1.0
    cursor_s: float = 0.0
    part: Part = "results"
    at_cursor: Mapping[str, float] = field(default_factory=dict)
    """Values of the sample nearest to the cursor, `t_s` among them."""

    # what came
    def take(self, view: RunView) -> None:
        """Show a run; channels stay as chosen where it has them."""
        is_other = self.view is None or self.view.facts.run_id != view.facts.run_id
        self.view = view
        kept = [name for name in self.channels if name in view.channels]
        self.channels = kept or self._first_channels(view)
        if is_other:
            self.whole()
            self.cursor_s = self.from_s
            self.at_cursor = {}

    @staticmethod
    def _first_channels(view: RunView) -> list[str]:
        wanted = ("power_w", "voltage_v", "current_a", "display_power_w", "display_voltage_v")
        main = next((name for name in wanted if name in view.channels), None)
        chosen = [main] if main else []
        heat = next((name for name in view.channels if is_second_axis(name)), None)
        chosen += [heat] if heat else []
        return chosen or list(view.channels[:1])

    # channels
    @property
    def left_channels(self) -> list[str]:
        """Channels on the left axis, or on a scale of their own."""
        return [name for name in self.channels if not is_second_axis(name)]

    def switch(self, channel: str) -> bool:
        """Show or hide a channel; False where the run has none of it. The last one stays."""
        if self.view is None or channel not in self.view.channels:
            return False
        if channel not in self.channels:
            self.channels.append(channel)
        elif len(self.channels) > 1:
            self.channels.remove(channel)
        return True

    # time
    @property
    def span_s(self) -> float:
        """Length of the view [s]."""
        return self.to_s - self.from_s

    @property
    def run_span_s(self) -> tuple[float, float]:
        """First and last time of the run [s]."""
        if self.view is None:
            return 0.0, 1.0
        return 0.0, self.view.duration_s if self.view.duration_s > 0 else 1.0

    def whole(self) -> None:
        """Show the whole run."""
        self.from_s, self.to_s = self.run_span_s

    def zoom(self, factor: float) -> None:
        """Show `factor` times the time, around the cursor."""
        first, last = self.run_span_s
        interval = (self.view.interval_s if self.view else None) or 0.0
        least = max((last - first) * CLOSEST_SHARE, 4 * interval)
        span = min(max(self.span_s * factor, least), last - first)
        share = (self.cursor_s - self.from_s) / self.span_s if self.span_s > 0 else 0.5
        share = min(max(share, 0.0), 1.0)
        self._show_from(self.cursor_s - share * span, span)

    def _show_from(self, from_s: float, span: float) -> None:
        first, last = self.run_span_s
        self.from_s = min(max(from_s, first), last - span) if span < last - first else first
        self.to_s = self.from_s + min(span, last - first)

    def move(self, cells: float, columns: int) -> bool:
        """Move the cursor by so many cells of the plot; True where the view had to follow."""
        return self.go_to(self.cursor_s + cells * self.span_s / max(columns, 1))

    def go_to(self, moment_s: float) -> bool:
        """Put the cursor on a time; True where the view had to follow."""
        first, last = self.run_span_s
        self.cursor_s = min(max(moment_s, first), last)
        if self.from_s <= self.cursor_s <= self.to_s:
            return False
        span = self.span_s
        edge = 0.1 * span if self.cursor_s < self.from_s else 0.9 * span
        self._show_from(self.cursor_s - edge, span)
        return True

    def step_event(self, step: int) -> EventRow | None:
        """The next event after the cursor, or the one before; the first or last comes round."""
        events = sorted(self.view.events, key=lambda e: e.from_s) if self.view else []
        if not events:
            return None
        if step > 0:
            return next((e for e in events if e.from_s > self.cursor_s + 1e-6), events[0])
        return next((e for e in reversed(events) if e.from_s < self.cursor_s - 1e-6), events[-1])

    # texts
    def title(self) -> str:
        """What the page is about, for the top line."""
        if self.view is None:
            return ""
        facts = self.view.facts
        parts = [facts.device, facts.port, facts.mode]
        kind = facts.kind
        if kind and facts.load_set:
            kind = f"{kind} at {facts.load_set}"
        shown = [" ".join(p for p in parts if p), kind or "", fmt.local_date(facts.started_at, self.zone)]
        return "  ".join(plain(p, ascii_only=self.look.is_ascii) for p in shown if p)

    def legend(self, strips: StripSet | None, colours: Mapping[str, str]) -> Line:
        """Channels that are drawn, each with its range."""
        del colours
        parts: list[str | tuple[str, str]] = [" "]
        leading = self.left_channels[0] if self.left_channels else None
        for name in self.channels:
            strip = strips.strip(name) if strips else None
            unit = self.look.signs.unit(unit_of(name))
            low, high = range_text(strip) if strip is not None else ("", "")
            span = f" {low} to {high} {unit}" if low else f" {unit}"
            own = "" if name == leading or is_second_axis(name) else " own scale"
            parts += [(channel_words(name), f"channel:{name}"), (f"{span}{own}   ", "dim")]
        return line(*parts)

    def cursor_line(self) -> Line:
        """All channels at the cursor's time."""
        if self.view is None:
            return ()
        at = self.at_cursor.get("t_s", self.cursor_s)
        parts: list[str | tuple[str, str]] = [(" at ", "dim"), (fmt.clock_time(at), "accent")]
        for name in self.view.channels:
            value = self.at_cursor.get(name)
            if value is not None and math.isfinite(value):
                unit = self.look.signs.unit(unit_of(name))
                shown = value_text(value, unit_of(name))
                label = unit if name in {"voltage_v", "current_a", "power_w", "temperature_c"} else channel_words(name)
                parts += [(f"   {label} ", "dim"), shown]
        return line(*parts)

    # below the plot
    def rows(self, width: int) -> list[PageRow]:
        """The lines of the chosen part."""
        if self.view is None:
            return []
        makers = {
            "results": self._result_rows,
            "facts": self._fact_rows,
            "events": self._event_rows,
            "strips": self._strip_rows,
            "origin": self._origin_rows,
        }
        return makers[self.part](self.view, width)

    def parts_line(self) -> Line:
        """Names of the parts, the chosen one set off."""
        counts = {"results": 0, "events": len(self.view.events) if self.view else 0}
        parts: list[str | tuple[str, str]] = [" "]
        for name in PARTS:
            shown = f"{name} {counts[name]}" if counts.get(name) else name
            parts += [(shown, "place" if name == self.part else "dim"), "   "]
        return line(*parts)

    def turn_part(self, step: int) -> None:
        """Show the next part."""
        self.part = PARTS[(PARTS.index(self.part) + step) % len(PARTS)]

    def _result_rows(self, view: RunView, width: int) -> list[PageRow]:
        current = [r for r in view.results if r.is_current]
        present = [r for r in current if r.value is not None or r.text]
        absent = [r for r in current if r.value is None and not r.text]
        names = min(max((width_of(label_of(r.name, is_short=True)) for r in current), default=8), 28)
        rows = [PageRow(self._result_line(r, names, width), result=r) for r in _by_weight(present)]
        for r in absent:
            reason = plain(r.reason or "not in this run", ascii_only=self.look.is_ascii)
            rows.append(
                PageRow(line((fit(label_of(r.name, is_short=True), names), "dim"), "  ", (reason, "dim")), result=r)
            )
        return rows

    def _result_line(self, r: ResultRow, names: int, width: int) -> Line:
        """Name, value, the span it was taken from where there is room for it whole, what to mind."""
        name = (fit(label_of(r.name, is_short=True), names), "dim")
        room = max(width - names - 2, 10)
        if r.value is None:
            return line(name, "  ", cut(plain(r.text, ascii_only=self.look.is_ascii), room))
        if r.unit == "s":
            shown = fmt.span_words(r.value)
        else:
            shown = fmt.reading_within(min(room, VALUE), r.value, r.uncertainty, r.unit, signs=self.look.signs)
        span = ""
        if r.from_s is not None and r.to_s is not None and not (r.from_s == 0 and r.to_s == self.run_span_s[1]):
            span = f"{fmt.clock_time(r.from_s)} to {fmt.clock_time(r.to_s)}"
        parts: list[str | tuple[str, str]] = [name, "  ", fit(shown, VALUE), "  "]
        if room >= VALUE + 2 + SPAN:
            parts += [(fit(span, SPAN), "dim"), "  "]
        if r.warnings:
            words = plain("; ".join(r.warnings), ascii_only=self.look.is_ascii)
            is_room = width - line_width(line(*parts)) >= LEAST_WARNING
            parts.append((f"! {words}" if is_room else "!", "warn"))
        return line(*parts)

    def _fact_rows(self, view: RunView, width: int) -> list[PageRow]:
        del width
        rows = []
        amended = {a.field for a in view.amendments}
        for name, words in FACTS.items():
            value = getattr(view.facts, name, None)
            shown = fact_text(name, value, self.zone, ascii_only=self.look.is_ascii)
            note = ("  corrected", "dim") if name in amended else ("", "")
            rows.append(
                PageRow(
                    line(
                        (fit(self.look.signs.unit(words), 14), "dim"), shown or (self.look.signs.missing, "dim"), note
                    ),
                    field=name,
                )
            )
        for a in view.amendments:
            when = fmt.local_time(a.at, self.zone)
            old, new = a.old_value or "nothing", a.new_value or "nothing"
            text = plain(f"{a.field}: {old} -> {new}", ascii_only=self.look.is_ascii)
            why = plain(f"{a.who}{': ' + a.reason if a.reason else ''}", ascii_only=self.look.is_ascii)
            rows.append(PageRow(line((f"{when}  ", "dim"), text, (f"  by {why}", "dim"))))
        return rows

    def _event_rows(self, view: RunView, width: int) -> list[PageRow]:
        del width
        events = sorted(view.events, key=lambda e: e.from_s)
        return [PageRow(line(event_words(e, self.look.signs)), event=e) for e in events] or [
            PageRow(line(("no events in this run", "dim")))
        ]

    def _strip_rows(self, view: RunView, width: int) -> list[PageRow]:
        block = strip_block(view, view.channels, self.look, width=width, rows=1)
        return [PageRow(of) for of in block]

    def _origin_rows(self, view: RunView, width: int) -> list[PageRow]:
        del width
        return [
            PageRow(line((fit(name, 14), "dim"), plain(value, ascii_only=self.look.is_ascii)))
            for name, value in origin_pairs(view, self.zone)
        ]


def fact_text(name: str, value: Any, zone: tzinfo | None, *, ascii_only: bool = False) -> str:
    """A fact as text; empty where it is not stated."""
    if value is None or value == "":
        return ""
    if name == "started_at":
        return fmt.local_time(value, zone)
    if isinstance(value, float):
        return fmt.significant(value, 3)
    return plain(value, ascii_only=ascii_only)


def origin_pairs(view: RunView, zone: tzinfo | None) -> list[tuple[str, str]]:
    """Where a run came from and what was done to its numbers."""
    p = view.provenance
    account = p.account
    pairs = [
        ("file", f"{p.source_file}, {fmt.size(p.source_bytes)}, part {p.part}"),
        ("sha256", p.source_sha256),
        ("imported", f"{fmt.local_time(p.imported_at, zone)} by {p.imported_by}, version {p.program_version}"),
        ("read as", p.profile),
        ("lines", (f"{fmt.count(account.lines)}: {fmt.count(account.samples)} samples, {account.header} head, "
                  f"{account.preamble} before it, {account.blank} blank, {account.totals} totals, "
                  f"{account.problems} with problems"
                  + (f", {account.continued} within quoted cells" if account.continued else ""))),
        ("clock", " ".join(part for part in (p.clock.source, p.clock.unit, p.clock.zone, p.clock.note) if part)),
    ]  # fmt: skip
    for c in p.conversions:
        to = c.channel or "not used"
        scale = "" if c.channel is None or c.factor == 1 else f", times {c.factor:g}"
        pairs.append(("column", f"{c.column} [{c.unit}] -> {to}{scale}{'; ' + c.reason if c.reason else ''}"))
    if p.sign_turned:
        pairs.append(
            ("sign", "signs of current and power were reversed, so that they are positive in the run's direction")
        )
    pairs += [("warning", text) for text in p.warnings]
    pairs += [("trace", f"{p.trace_file}"), ("its sha256", p.trace_sha256)]
    return pairs


def _by_weight(results: Sequence[ResultRow]) -> list[ResultRow]:
    order = by_weight([r.name for r in results])
    return sorted(results, key=lambda r: order.index(r.name))


def nearest_values(samples: pa.Table, moment_s: float) -> dict[str, float]:
    """Values of the sample nearest to a time; empty where there is none.

    Args:
        samples: `t_s` [s] and channels.
        moment_s: The time [s].
    """
    if samples.num_rows == 0:
        return {}
    times = samples.column("t_s").to_pylist()
    index = min(range(len(times)), key=lambda i: abs(times[i] - moment_s))
    row = samples.slice(index, 1).to_pylist()[0]
    return {name: float(value) for name, value in row.items() if isinstance(value, int | float)}
