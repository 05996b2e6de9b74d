"""One run's time: raw clock readings -> t_s, strictly increasing, with every jump and repeat settled and said.

Knows NumPy arrays. Knows no file; zones only by the question whether a clock change explains a jump.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from importers.schema import Problem, TraceEvent

__all__ = ["Settled", "Timeline"]

Array = npt.NDArray[np.float64]
_DAY = 86400.0
_MANY = 200
"""More jumps back than this, or than one in twenty rows, and the column is no clock."""


@dataclass(frozen=True, slots=True)
class Settled:
    """Readings that are final."""

    rows: int
    """How many of the oldest pending rows are settled."""
    t: Array
    """Seconds on the run's own scale, NaN for rows to leave out."""
    new_run_at: int | None = None
    """Row of these at which a new run begins; rows before it belong to the old one."""


@dataclass(slots=True)
class Timeline:
    """Settles clock readings in pieces; call `feed` with all pending readings, oldest first."""

    source: str
    step_s: float
    """Typical time between distinct readings [s]."""
    restart: str = ""
    """The tester's answer: `split`, `join` or empty."""
    is_clock_change: Callable[[float, float], bool] = lambda _a, _b: False
    """Tells whether a change of the zone's offset explains two neighbouring local times [s]."""
    offset: float = 0.0
    last: float | None = None
    """Last settled time [s]."""
    last_raw: float | None = None
    per_step: int = 0
    """Samples with one and the same reading, typically."""
    events: list[TraceEvent] = field(default_factory=list)
    notes: dict[str, int] = field(default_factory=dict)
    problems: list[tuple[int, Problem]] = field(default_factory=list)
    """Row positions (of the current feed) with what is wrong."""
    jumps: int = 0
    rows: int = 0
    first: float | None = None
    zero: float | None = None
    """The first reading fed, where none is settled yet."""

    def feed(
        self, raw: Array, counters: Callable[[int, int], bool | None], headers: frozenset[int], *, is_final: bool
    ) -> Settled:
        """Settle as many readings as can be.

        Args:
            raw: pending readings [s], finite, oldest first.
            counters: tells for two row positions whether the meter's counters restarted between; None without counters.
            headers: rows before which a header stood again.
            is_final: no more readings come.
        """
        n = len(raw)
        if n == 0:
            return Settled(0, raw)
        x = raw + self.offset
        self.zero = float(x[0]) if self.zero is None else self.zero
        before = self.last_raw + self.offset if self.last_raw is not None else None
        keep = np.ones(n, bool)
        cut: int | None = None
        stop = n
        lead = np.concatenate(([x[0] if before is None else before], x))
        if (np.diff(lead) < 0).any() or self._has_spring(lead):
            x, keep, cut, stop = self._settle_jumps(x, before, counters, headers, is_final=is_final)
        ready = stop if is_final or cut is not None else self._ready(x, keep, stop)
        if cut is not None:
            ready = min(ready, cut)
        t = self._spread(x[:ready], keep[:ready], x[ready:stop][keep[ready:stop]], is_final=is_final or cut is not None)
        good = t[np.isfinite(t)]
        if len(good):
            self.last = float(good[-1])
            self.first = float(good[0]) if self.first is None else self.first
        self.rows += ready
        if ready:
            kept = np.flatnonzero(keep[:ready])
            if len(kept):
                self.last_raw = float(x[kept[-1]]) - self.offset
        return Settled(ready, t, cut)

    # -- jumps -----------------------------------------------------------------------------------------------------

    def _has_spring(self, lead: Array) -> bool:
        """Tell whether a local clock may have been put forward by an hour."""
        if self.source != "wall clock":
            return False
        return bool((np.abs(np.diff(lead) - 3600.0) <= max(2.0, 2 * self.step_s)).any())

    def _settle_jumps(
        self,
        x: Array,
        before: float | None,
        counters: Callable[[int, int], bool | None],
        headers: frozenset[int],
        *,
        is_final: bool,
    ) -> tuple[Array, npt.NDArray[np.bool_], int | None, int]:
        """Walk over the jumps, oldest first: wraps, clock changes, single wrong readings, restarts."""
        x = x.copy()
        n = len(x)
        keep = np.ones(n, bool)
        start = 0
        big = max(5 * self.step_s, 1e-9)
        while True:
            j = self._next_jump(x, keep, before, start)
            if j is None:
                return x, keep, None, n
            earlier = np.flatnonzero(keep[:j])
            prev = float(x[earlier[-1]]) if len(earlier) else before
            if prev is None:
                return x, keep, None, n
            change = float(x[j]) - prev
            if change > 0:  # an hour forward
                if self.is_clock_change(prev, float(x[j])):
                    self._shift(x, j, -3600.0, "the local clock was put forward an hour; times continue without a gap")
                start = j + 1
                continue
            if j + 2 >= n and not is_final:
                return x, keep, None, max(0, j - 2)
            restarted = counters(int(earlier[-1]) if len(earlier) else -1, j)
            if restarted is not True and self._passed_midnight(prev, float(x[j])):
                self._shift(x, j, _DAY, "the clock passed midnight")
            elif self.source == "time of day" and -12.01 * 3600 < change < -11.9 * 3600:
                self._shift(x, j, 0.5 * _DAY, "the 12-hour clock started again")
            elif self.source == "wall clock" and abs(change + 3600.0) <= max(2.0, 2 * self.step_s):
                self._shift(x, j, 3600.0, "the local clock was put back an hour; times continue without a break")
            elif (wrong := self._single(x, keep, j, before, big)) is not None:
                keep[wrong] = False
                self.problems.append((wrong, _wrong_reading()))
                start = max(0, wrong - 1)
                continue
            else:
                is_new = restarted is True or (
                    restarted is None and (j in headers or self._from_zero(float(x[j]), len(earlier)))
                )
                if self.restart:
                    is_new = self.restart == "split"
                if is_new:
                    return x, keep, j, n
                self._join(x, j, prev, change)
            start = j + 1
            self.jumps += 1
            if self.jumps > min(_MANY, 4 + (self.rows + n) // 20):
                self.problems.append((j, _no_clock()))
                return x, keep, None, n

    def _passed_midnight(self, prev: float, now: float) -> bool:
        """Tell whether a clock began at zero again for a day was over; an elapsed one must have been about to."""
        change = now - prev
        if self.source not in {"time of day", "elapsed"} or not -1.01 * _DAY < change < -0.5 * _DAY:
            return False
        slack = max(60.0, 10 * self.step_s)
        return self.source == "time of day" or (prev - self.offset > _DAY - slack and now - self.offset < slack)

    def _from_zero(self, now: float, rows: int) -> bool:
        """Tell whether an elapsed clock stands where it stood at the log's first sample: another log begins."""
        if self.source != "elapsed" or self.rows + rows < 3:
            return False
        first = self.first if self.first is not None else self.zero
        return first is not None and abs(now - first) <= 2.0 * self.step_s

    def _next_jump(self, x: Array, keep: npt.NDArray[np.bool_], before: float | None, start: int) -> int | None:
        at = np.flatnonzero(keep)
        values = x[at]
        lead = np.concatenate(([values[0] if before is None else before], values)) if len(values) else values
        steps = np.diff(lead)
        found = steps < 0
        if self.source == "wall clock":
            found |= np.abs(steps - 3600.0) <= max(2.0, 2 * self.step_s)
        for k in np.flatnonzero(found):
            if at[k] >= start:
                return int(at[k])
        return None

    def _shift(self, x: Array, j: int, by: float, note: str) -> None:
        x[j:] += by
        self.offset += by
        self.notes[note] = self.notes.get(note, 0) + 1
        if abs(by) == 3600.0:
            self.events.append(TraceEvent("clock change", float(x[j]), float(x[j]), by, "s", note))

    def _single(self, x: Array, keep: npt.NDArray[np.bool_], j: int, before: float | None, big: float) -> int | None:
        """Find one wrong reading between right ones: position, or None where the clock really went back."""
        earlier = np.flatnonzero(keep[:j])
        prev = float(x[earlier[-1]]) if len(earlier) else before
        prev2 = float(x[earlier[-2]]) if len(earlier) > 1 else (before if len(earlier) == 1 else None)
        if prev is None:
            return None
        if j + 1 < len(x) and 0 <= x[j + 1] - prev <= big and prev - x[j] > self.step_s * 0.5:
            return j
        if (
            prev2 is not None
            and len(earlier)
            and 0 <= x[j] - prev2 <= big
            and prev - x[j] > self.step_s * 0.5
            and prev - prev2 > big
        ):
            return int(earlier[-1])
        return None

    def _join(self, x: Array, j: int, prev: float, change: float) -> None:
        by = prev + self.step_s - float(x[j])
        x[j:] += by
        self.offset += by
        self.events.append(
            TraceEvent(
                "clock reset",
                prev,
                prev + self.step_s,
                change,
                "s",
                f"the clock went back by {-change:g} s; continued one sample interval later; the true pause is unknown",
            )
        )
        note = "the clock started again or was put back; the log continues one sample interval later"
        self.notes[note] = self.notes.get(note, 0) + 1

    # -- repeats ---------------------------------------------------------------------------------------------------

    def _ready(self, x: Array, keep: npt.NDArray[np.bool_], stop: int) -> int:
        """Hold back the last two rows and the last group of equal readings: what comes next decides about them."""
        if stop < 3:
            return 0
        last = x[stop - 2]
        back = stop - 2
        while back > 0 and x[back - 1] == last:
            back = (
                int(np.searchsorted(x[:back], last, side="left"))
                if keep[:stop].all() and np.all(np.diff(x[:stop]) >= 0)
                else back - 1
            )
        return max(0, back)

    def _spread(self, x: Array, keep: npt.NDArray[np.bool_], after: Array, *, is_final: bool) -> Array:
        """Give samples with one and the same reading their own times, evenly until the next reading."""
        t = np.where(keep, x, np.nan)
        good = x[keep]
        if len(good) == 0:
            return t
        step = np.diff(good)
        if (step > 0).all() and (self.last_raw is None or self.per_step <= 1):
            self.per_step = self.per_step or 1
            return t
        starts = np.flatnonzero(np.concatenate(([True], step != 0)))
        sizes = np.diff(np.concatenate((starts, [len(good)])))
        values = good[starts]
        if self.per_step == 0:
            self.per_step = int(np.median(sizes[1:-1])) if len(sizes) > 4 else int(sizes.max())
        nexts = np.concatenate((values[1:], after[:1] if len(after) else [values[-1] + self.step_s]))
        width = np.minimum(nexts - values, 1.5 * self.step_s)
        width = np.where(width > 0, width, self.step_s)
        group = np.repeat(np.arange(len(starts)), sizes)
        place = np.arange(len(good)) - starts[group]
        count = sizes[group].astype(float)
        usual = max(self.per_step, 1)
        if self.last is None and sizes[0] < usual and len(sizes) > 1:  # the log began within a second
            place = place + np.where(group == 0, usual - sizes[0], 0)
            count[group == 0] = usual
        if is_final and sizes[-1] < usual:
            count[group == group[-1]] = usual
        t[keep] = values[group] + width[group] * place / count
        if (sizes > 1).any():
            note = "several samples share one clock reading and are spread evenly until the next"
            self.notes[note] = self.notes.get(note, 0) + int((sizes[sizes > 1] - 1).sum())
        return t


def _wrong_reading() -> Problem:
    return Problem("clock-outlier", "warning", "One clock reading is far from those around it. The line is left out.")


def _no_clock() -> Problem:
    return Problem(
        "not-a-clock",
        "error",
        "The clock goes back again and again. Name another time column, or sort the file by time.",
    )
