"""Samples of its own for each run of a library of copies: no read is warm by another's. All data is invented."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from importers.schema import TRACE_COLUMNS
from store import Library
from store.catalogue.numbers import trace_row
from store.catalogue.run_records import append_rows, footer_entry
from store.files import durable
from store.files.traces import TraceWriter, arrow_schema
from store.runs.recompute import load_records

__all__ = ["PER_PACK", "PER_RUN", "give_own_samples"]

PER_RUN = 100
PER_PACK = 20_000


def give_own_samples(library: Library) -> None:
    """Put so many samples of each run into packs, as `pack` writes them, and remove what they were copied from."""
    with library.catalogue.reader() as cursor:
        total = cursor.execute("SELECT max(run_id) FROM catalogue.run").fetchall()[0][0]
    for number, first in enumerate(range(1, total + 1, PER_PACK)):
        _pack(library, list(range(first, min(first + PER_PACK, total + 1))), 1000 + number)
    with library.catalogue.writer() as cursor:
        cursor.execute("DELETE FROM catalogue.trace_file WHERE NOT is_pack")
    for path in library.layout.runs.iterdir():
        path.unlink()


def _samples(ids: list[int]) -> Iterator[pa.Table]:
    rng = np.random.default_rng(ids[0])
    for first in range(0, len(ids), 1000):
        some = np.array(ids[first : first + 1000])
        rows = len(some) * PER_RUN
        held = {
            "run_id": np.repeat(some, PER_RUN),
            "t_s": np.tile(np.arange(PER_RUN, dtype=np.float64), len(some)),
            "voltage_v": (20 + 0.01 * rng.standard_normal(rows)).round(3),
            "current_a": (1.5 + 0.001 * rng.standard_normal(rows)).round(4),
            "power_w": (30 + 0.02 * rng.standard_normal(rows)).round(3),
        }
        yield pa.table(
            [pa.array(held[n]) if n in held else pa.nulls(rows, pa.float64()) for n in TRACE_COLUMNS], arrow_schema()
        )


def _pack(library: Library, ids: list[int], trace_id: int) -> None:
    with library.catalogue.reader() as cursor:
        records = {record.facts.run_id: record for record in load_records(cursor, ids)}
    writer = TraceWriter(durable.new_temporary(library.layout.tmp, ".parquet"))
    for table in _samples(ids):
        writer.write(table, whole=True)
    written = writer.finish([footer_entry(records[run_id]) for run_id in ids])
    file = library.layout.pack_file(trace_id)
    durable.place(written.path, library.layout.absolute(file))
    with library.catalogue.writer() as cursor:
        append_rows(cursor, "trace_file", [trace_row(trace_id, file, written, is_pack=True)])
        cursor.execute(
            f"UPDATE catalogue.run SET trace_id = {trace_id}, samples = {PER_RUN}, "
            f"first_row = (run_id - {ids[0]}) * {PER_RUN} WHERE run_id BETWEEN {ids[0]} AND {ids[-1]}"
        )
