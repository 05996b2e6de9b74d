"""Strips of a whole long run, fine enough to zoom into without reading its samples again.

Knows strips and arrays; no Textual, no library. A run of ten million samples takes half a second to scan; its 16,384
buckets are cut and merged in a millisecond.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from store.model.records import Strip, StripSet

__all__ = ["FINE", "LONG", "FineStrips"]

FloatArray = npt.NDArray[np.float64]

FINE = 16_384
"""Buckets of the whole run."""

LONG = 500_000
"""Samples from which on a scan takes so long that the strips are kept (chosen by us: about 50 ms)."""


@dataclass(slots=True)
class FineStrips:
    """Fine strips of one run, channel by channel as they come."""

    run_id: int
    strips: StripSet | None = None

    def missing(self, channels: list[str]) -> list[str]:
        """Channels that are not here yet."""
        return [name for name in channels if self.strips is None or self.strips.strip(name) is None]

    def take(self, more: StripSet) -> None:
        """Add channels; of the same span and number of buckets as those before."""
        if self.strips is None:
            self.strips = more
            return
        old = self.strips
        kept = tuple(s for s in old.strips if more.strip(s.channel) is None)
        self.strips = StripSet(old.from_s, old.to_s, old.buckets, (*kept, *more.strips))

    def window(self, channels: list[str], from_s: float, to_s: float, buckets: int) -> StripSet | None:
        """Strips of a part of the run; None where these here would be coarser than wanted, or lack a channel.

        Args:
            channels: Channels wanted.
            from_s: Begin of the part [s].
            to_s: End of the part [s].
            buckets: Fewest buckets over the part; there may be up to twice as many.
        """
        whole = self.strips
        if whole is None or self.missing(channels) or whole.to_s <= whole.from_s:
            return None
        width_s = (whole.to_s - whole.from_s) / whole.buckets
        first = max(math.floor((from_s - whole.from_s) / width_s), 0)
        last = min(math.ceil((to_s - whole.from_s) / width_s), whole.buckets)
        merged = (last - first) // buckets
        if merged < 1:
            return None
        first -= first % merged
        last = min(last + -(last - first) % merged, whole.buckets)
        chosen = (s for name in channels if (s := whole.strip(name)) is not None)
        strips = tuple(_merge(s, first, last, merged) for s in chosen)
        count = -(-(last - first) // merged)
        return StripSet(
            whole.from_s + first * width_s, whole.from_s + (first + count * merged) * width_s, count, strips
        )


def _merge(strip: Strip, first: int, last: int, merged: int) -> Strip:
    """Every `merged` buckets as one, keeping extremes; an end that does not fill one is filled up with nothing."""

    def rows(values: FloatArray) -> FloatArray:
        part = values[first:last]
        full = np.full(-(-len(part) // merged) * merged, np.nan)
        full[: len(part)] = part
        return full.reshape(-1, merged)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a row of nothing is nothing
        mean = np.nanmean(rows(strip.mean), axis=1)
    low, high = np.fmin.reduce(rows(strip.lowest), axis=1), np.fmax.reduce(rows(strip.highest), axis=1)
    return Strip(strip.channel, strip.unit, low, mean, high)
