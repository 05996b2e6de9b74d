"""The first rows of every run of a file that is looked at.

A sink that keeps little; knows frames and channels only.
"""

from __future__ import annotations

import polars as pl

from importers.schema import CHANNEL_NAMES, RunStart

__all__ = ["Preview"]

PREVIEW_ROWS = 200


class Preview:
    """A sink that keeps the first rows of every run."""

    def __init__(self) -> None:
        self.kept: list[tuple[RunStart, list[pl.DataFrame]]] = []

    def open_run(self, start: RunStart) -> _PreviewRun:
        """Begin a run."""
        frames: list[pl.DataFrame] = []
        self.kept.append((start, frames))
        return _PreviewRun(frames)

    def frame(self) -> pl.DataFrame:
        """All parts one below the other, empty channels left out."""
        parts = []
        for start, frames in self.kept:
            if frames:
                rows = pl.concat(frames).head(PREVIEW_ROWS)
                parts.append(rows.select(pl.lit(start.part).alias("part"), pl.all()))
        if not parts:
            return pl.DataFrame({"part": [], "t_s": []}, schema={"part": pl.String, "t_s": pl.Float64})
        whole = pl.concat(parts, how="diagonal")
        filled = {n for n in whole.columns if whole[n].null_count() < whole.height}
        return whole.select("part", "t_s", *(n for n in CHANNEL_NAMES if n in filled))


class _PreviewRun:
    def __init__(self, frames: list[pl.DataFrame]) -> None:
        self.frames = frames
        self.rows = 0

    def write(self, samples: pl.DataFrame) -> None:
        """Take samples; keep the first."""
        if self.rows < PREVIEW_ROWS:
            self.frames.append(samples.head(PREVIEW_ROWS - self.rows))
        self.rows += samples.height
