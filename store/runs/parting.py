"""One log as several runs: where each begins, what it is called, and what stands back for the way home.

Knows records and the samples' times; the exchange itself is `store.runs.replacing`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import duckdb
import numpy as np

from store.care.repack import Moved
from store.catalogue.amendments import Change
from store.catalogue.numbers import reserve_run_ids
from store.catalogue.run_records import RunRecord
from store.catalogue.shelved import (
    PARTED,
    Shelved,
    as_shelved,
    shelve,
)
from store.errors import DiskFault, WrongFact
from store.files.traces import read_samples
from store.runs.recompute import load_records
from store.words.clock import now_utc

if TYPE_CHECKING:
    from store.core import Store
from store.runs.replacing import Made, replace_runs

__all__ = ["Parting", "part"]


@dataclass(frozen=True, slots=True)
class Parting:
    """One run that is several now."""

    run_id: int
    """The former number."""
    runs: tuple[int, ...]
    is_back: bool
    """True where a joining was taken back, so that these are the runs of before."""


def part(library: Store, run_id: int, at_s: Sequence[float], *, who: str, reason: str) -> Parting:
    """Make one log several runs, parted at times of its own clock: see `RunStore.part`."""
    while True:
        with library.catalogue.reader() as cursor:
            (whole,) = load_records(cursor, [run_id])
            hidden = as_shelved(cursor, run_id, PARTED, [])
        borders = _borders(library, whole, at_s)
        first_id = reserve_run_ids(library, len(borders) - 1)
        pieces = [
            _Piece(first_id + index, row, end_row, begin)
            for index, ((row, begin), (end_row, _)) in enumerate(pairwise(borders))
        ]
        ids = [piece.run_id for piece in pieces]
        hidden = replace(hidden, into_uids=tuple(piece.uid_of(whole) for piece in pieces))
        made = [
            Made(piece.record(library, whole, hidden, who), ((whole, piece.row, piece.samples, -piece.begin_s),))
            for piece in pieces
        ]

        def stand_back(
            cursor: duckdb.DuckDBPyConnection, ids: Sequence[int] = tuple(ids), hidden: Shelved = hidden
        ) -> list[Change]:
            shelve(cursor, hidden)
            changes = [Change("run", str(i), "parted from", None, str(run_id)) for i in ids]
            return [*changes, Change("run", str(run_id), "parted into", None, ", ".join(map(str, ids)))]

        try:
            replace_runs(library, [whole], made, [], stand_back, who=who, reason=reason)
        except Moved:
            continue
        except OSError as error:
            raise DiskFault.of(error, "Parting") from error
        return Parting(run_id, tuple(ids), is_back=False)


def _borders(library: Store, whole: RunRecord, at_s: Sequence[float]) -> list[tuple[int, float]]:
    """First row and time [s] of each piece, and the end.

    Raises:
        WrongFact: A time outside the log, or with no sample between two.
    """
    path = library.layout.absolute(whole.provenance.trace_file)
    pieces = read_samples(path, whole.first_row, whole.samples, ("t_s",))
    t_s = np.concatenate([p.column("t_s").to_numpy() for p in pieces])
    found = [(0, float(t_s[0]))]
    for at in sorted(at_s):
        row = int(np.searchsorted(t_s, at))
        if not np.isfinite(at) or row <= found[-1][0] or row >= len(t_s):
            raise WrongFact(
                f"Run {whole.facts.run_id} can't be parted at {at:g} s: its samples lie from {t_s[0]:g} s "
                f"to {t_s[-1]:g} s, and each piece needs one at least."
            )
        found.append((row, float(t_s[row])))
    return [*found, (len(t_s), float(t_s[-1]))]


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of a log that becomes a run."""

    run_id: int
    row: int
    end_row: int
    begin_s: float

    @property
    def samples(self) -> int:
        return self.end_row - self.row

    def uid_of(self, whole: RunRecord) -> str:
        told = f"{whole.facts.uid}/{self.row}-{self.end_row}@{self.begin_s!r}/{self.run_id}"
        return hashlib.sha256(told.encode()).hexdigest()[:32]

    def record(self, library: Store, whole: RunRecord, hidden: Shelved, who: str) -> RunRecord:
        started, uid, begin = whole.facts.started_at, self.uid_of(whole), self.begin_s
        if started is not None:
            started += timedelta(seconds=begin)
        return replace(
            whole,
            facts=replace(whole.facts, run_id=self.run_id, uid=uid, started_at=started, group_id=None),
            provenance=replace(
                whole.provenance,
                part=f"{whole.provenance.part}@{begin!r}",
                imported_at=now_utc(),
                imported_by=who,
                trace_file=library.layout.run_file(uid),
            ),
            samples=self.samples,
            first_row=0,
            events=tuple(
                replace(event, from_s=event.from_s - begin, to_s=event.to_s - begin)
                for event in whole.events
                if event.from_s >= begin
            ),
            shelved=(hidden,),
        )
