"""The electrical track of a run that is too long for memory: blocks of samples in, kept samples with integrals out.

Knows arrays only. A block in which power and voltage are quiet leaves its first sample and its extremes; any other
stays whole. Integrals run over every sample and are exact at each sample that stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from store.model.results import Array, Mask, Power
from store.signal.signals import Electrical, SampleSeries, fill_gaps, flows_against, steps_of
from store.signal.statistics import median, median_of_three, noise

__all__ = ["BLOCK", "ONES", "Blocks", "Track", "electrical"]

AGAINST = ("energy_against", "charge_against")
BLOCK = 64
"""Samples of a block: even, so that every second sample of one block lines up with the next."""
QUIET_SHARE = 0.02
"""A block that moves by less than this share of the largest value yet is quiet: under half of any band."""
NOISE_SPAN = 8.0
"""... or by less than this many standard deviations of the noise: 64 samples span about 5."""
NOISE_SAMPLES = 2048
"""Of each piece, for the noise on it: tells it to some percent."""
ONES = np.ones(BLOCK)
MOST_KEPT = 600_000
"""Samples kept at the most; past that every block counts as quiet, and the run says so."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Whole blocks of the electrical track, and the sample after them."""

    part: dict[str, Array]
    steps: dict[str, Array]
    """What each step adds to the running integrals."""
    has_gap: Mask
    rows: dict[str, Array]
    low: dict[str, Array]
    high: dict[str, Array]


@dataclass(slots=True)
class Track:
    """The electrical track while it grows."""

    step_s: float
    gap_s: float
    """A longer step is a gap."""
    zero_a: float
    has_product: bool
    parts: list[dict[str, Array]] = field(default_factory=list)
    carry: dict[str, Array] = field(default_factory=dict)
    base: dict[str, float] = field(default_factory=dict)
    shifts: dict[str, float] = field(default_factory=dict)
    top: dict[str, float] = field(default_factory=dict)
    kept: int = 0
    used: int = 0
    left_out: int = 0
    is_coarse: bool = False

    def blocks(self, piece: Mapping[str, Array]) -> Blocks | None:
        """Make blocks of the next samples: `t_s`, and V and I or P, NaN where absent; the rest is carried on.

        Needs nothing of what `keep` decides, so that a thread of its own can be one piece ahead.
        """
        names = {"t": "t_s", "v": "voltage_v", "i": "current_a"} if self.has_product else {"t": "t_s", "p": "power_w"}
        new = {short: piece[name] for short, name in names.items()}
        valid = np.isfinite(new["t"])
        for y in new.values():
            valid &= np.isfinite(y)
        if not valid.all():
            self.left_out += int((~valid).sum())
            new = {n: y[valid] for n, y in new.items()}
        self.used += len(new["t"])
        if self.carry:
            new = {n: np.concatenate((self.carry[n], y)) for n, y in new.items()}
        count = max((len(new["t"]) - 1) // BLOCK, 0)
        self.carry = {n: y[count * BLOCK :] for n, y in new.items()}
        if not count:
            return None
        part = {n: y[: count * BLOCK + 1] for n, y in new.items()}
        if self.has_product:
            part["p"] = part["v"] * part["i"]
        dt_s = np.diff(part["t"])
        is_gap = dt_s > self.gap_s
        steps = self._steps(part, dt_s, is_gap)
        rows = {n: part[n][:-1].reshape(count, BLOCK) for n in self.values}
        low, high = {n: y.min(axis=1) for n, y in rows.items()}, {n: y.max(axis=1) for n, y in rows.items()}
        part["gap"] = np.append(is_gap, False).astype(np.float64)
        has_gap: Mask = np.logical_or.reduce(is_gap.reshape(count, BLOCK), axis=1)
        return Blocks(part, steps, has_gap, rows, low, high)

    def keep(self, blocks: Blocks) -> None:
        """Take the next blocks, in order: the quiet ones shortened."""
        whole = self._whole(blocks.rows, blocks.low, blocks.high) | blocks.has_gap
        self._keep(blocks.part, blocks.steps, whole, blocks.low, blocks.high)

    @property
    def values(self) -> tuple[str, ...]:
        """Quantities on the track."""
        return ("v", "i", "p") if self.has_product else ("p",)

    @property
    def integrals(self) -> Mapping[str, str]:
        """Which running integral is that of a quantity itself: its first moment is that less the shift's."""
        return {"v": "volt_hours", "i": "charge"} if self.has_product else {"p": "energy"}

    def _steps(self, part: dict[str, Array], dt_s: Array, is_gap: Mask) -> dict[str, Array]:
        """What each step adds to the running integrals, the moments' among them."""
        both = self.has_product and float(part["i"].min()) < -self.zero_a
        steps = steps_of(part["t"], dt_s, is_gap, part["p"], v=part.get("v"), i=part.get("i"), is_both_ways=both)
        for name in ("energy", "charge"):
            steps.pop(f"{name}_along", None)  # the net less what went against
        half = 0.5 * steps["hours"]
        for name in self.values:
            shift = self.shifts[name] if name in self.shifts else self._settle(name, part[name])
            rest = part[name] - shift
            if name not in self.integrals:
                steps[f"{name}1"] = half * (rest[:-1] + rest[1:])
            rest *= rest
            steps[f"{name}2"] = half * (rest[:-1] + rest[1:])
        return steps

    def _settle(self, name: str, y: Array) -> float:
        """A value near all of a quantity's samples: squares about it lose no digits."""
        self.shifts[name] = median(y)
        return self.shifts[name]

    def _whole(self, rows: dict[str, Array], low: dict[str, Array], high: dict[str, Array]) -> Mask:
        """Which blocks move too much to be told by one sample."""
        whole = np.zeros(len(low["p"]), dtype=bool)
        if self.is_coarse:
            return whole
        for name in rows:
            most = len(high[name]) * 99 // 100
            top = self.top[name] = max(self.top.get(name, 0.0), float(np.partition(high[name], most)[most]))
            spread = noise(rows[name][: NOISE_SAMPLES // BLOCK].ravel())
            limit = max(QUIET_SHARE * top, NOISE_SPAN * spread)
            moved = high[name] - low[name] > limit
            first = rows[name][:, 0]
            stepped = np.abs(np.diff(first, append=first[-1])) > limit
            whole |= moved | stepped
        return whole

    def _keep(
        self,
        part: dict[str, Array],
        steps: dict[str, Array],
        whole: Mask,
        low: dict[str, Array],
        high: dict[str, Array],
    ) -> None:
        blocks = len(whole)
        counts = np.where(whole, BLOCK, 1)
        starts = np.cumsum(counts) - counts
        inside = (starts[whole][:, None] + np.arange(BLOCK)).ravel()
        stays = np.zeros((blocks, BLOCK), dtype=bool)
        stays[:, 0] = True
        stays[whole] = True
        at = np.flatnonzero(stays.ravel())
        out = {n: part[n][at] for n in ("t", "gap", *self.values)}
        for name in self.values:
            for bound, extreme in (("low", low), ("high", high)):
                values = np.repeat(extreme[name], counts)
                values[inside] = out[name][inside]
                out[f"{bound} {name}"] = values
        for name, gained in steps.items():
            rows = gained.reshape(blocks, BLOCK)
            sums = rows @ ONES
            before = np.cumsum(sums) - sums + self.base.get(name, 0.0)
            values = np.repeat(before, counts)
            if len(inside):
                detail = rows[whole]
                values[inside] = (before[whole][:, None] + np.cumsum(detail, axis=1) - detail).ravel()
            out[f"total {name}"] = values
            self.base[name] = float(before[-1] + sums[-1])
        for name in AGAINST:
            if self.has_product and name not in steps:
                out[f"total {name}"] = np.full(len(at), self.base.get(name, 0.0))
        self.parts.append(out)
        self.kept += len(at)
        self.is_coarse = self.is_coarse or self.kept > MOST_KEPT

    def finish(self) -> dict[str, Array]:
        """All kept samples with bounds and totals; the last block's samples all stay."""
        part = dict(self.carry)
        if self.has_product:
            part["p"] = part["v"] * part["i"]
        dt_s = np.diff(part["t"])
        is_gap = dt_s > self.gap_s
        out = {n: part[n] for n in ("t", *self.values)}
        for name in self.values:
            out[f"low {name}"] = out[f"high {name}"] = part[name]
        out["gap"] = np.append(is_gap, False).astype(np.float64)
        steps = self._steps(part, dt_s, is_gap)
        for name in (*steps, *(AGAINST if self.has_product else ())):
            gained = steps.get(name, np.zeros(len(part["t"]) - 1))
            out[f"total {name}"] = self.base.get(name, 0.0) + np.concatenate(([0.0], np.cumsum(gained)))
        self.parts.append(out)
        joined = {n: np.concatenate([p.pop(n) for p in self.parts]) for n in tuple(out)}  # frees what it has joined
        for name, whole in self.integrals.items():
            joined[f"total {name}1"] = joined[f"total {whole}"] - self.shifts[name] * joined["total hours"]
        return joined


def electrical(track: Track, series: Mapping[str, SampleSeries]) -> Electrical:
    """The finished track as reducers know it."""
    all_kept = track.finish()
    t, p = all_kept["t"], all_kept["p"]
    v, i = all_kept.get("v"), all_kept.get("i")
    is_gap = all_kept["gap"][:-1] > 0.0
    total = {n.removeprefix("total "): a for n, a in all_kept.items() if n.startswith("total ")}
    filled_wh = fill_gaps(t, is_gap, series.get("energy_wh"), float(p.max()))
    filled_ah = fill_gaps(t, is_gap, series.get("charge_ah"), float(i.max()) if i is not None else 0.0)
    if i is not None and flows_against(i, track.zero_a):
        for name in ("energy", "charge"):
            total[f"{name}_along"] = total[name] - total[f"{name}_against"]
    else:
        for name in AGAINST:
            total.pop(name, None)
        for name, filled in (("energy", filled_wh), ("charge", filled_ah)):
            if name in total and np.isfinite(filled).any():
                total[name] = total[name] + np.concatenate(([0.0], np.cumsum(np.nan_to_num(filled))))
    return Electrical(
        t=t,
        p=p,
        v=v,
        i=i,
        is_gap=is_gap,
        total=total,
        source=Power.PRODUCT if track.has_product else Power.LOGGED,
        p3=median_of_three(p),
        left_out=track.left_out,
        shifts=track.shifts,
        bounds={n: (all_kept[f"low {n}"], all_kept[f"high {n}"]) for n in track.values},
        used=track.used,
        grain_s=BLOCK * track.step_s,
        filled_wh=filled_wh,
        filled_ah=filled_ah,
        zero_a=track.zero_a,
    )
