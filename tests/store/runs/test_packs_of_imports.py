"""An import that packs leaves earlier packs as they are until there are several small ones; no value changes by it."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
import pytest

from store import Library
from store.care import repack
from store.care.packs import pieces
from store.runs.recompute import load_records
from tests.builders import add_run, make_run, make_store, write_export


def _packs(library: Library) -> set[str]:
    return {path.name for path in library.layout.packs.glob("*.parquet")}


def test_small_packs_are_merged_when_there_are_several(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(repack, "LOOSE_LIMIT", 2)
    monkeypatch.setattr(repack, "SMALL_PACKS", 3)
    library = Library.create(tmp_path / "library", zone="UTC")
    seen: list[int] = []
    kept: set[str] = set()
    for number in range(15):
        frame = make_run(20, seed=number)
        add_run(library, write_export(tmp_path, f"log{number}.csv"), frame)
        now = _packs(library)
        if len(now) > len(kept):
            assert kept <= now, "an earlier pack was written anew"
        seen.append(len(now))
        kept = now
    assert max(seen) == 3
    assert min(seen[seen.index(3) :]) == 1, "several small ones become one"
    assert library.maintenance.verify() == []
    for run_id in range(1, 16):
        wanted = make_run(20, seed=run_id - 1)
        samples = pl.from_arrow(library.samples.read(run_id))
        assert samples["voltage_v"].to_list() == wanted["voltage_v"].to_list()


def test_what_the_footer_calls_empty_is_read_as_empty(tmp_path: Path) -> None:
    """Against reading every column of the file."""
    library = make_store(tmp_path, runs=5, samples=40)
    library.maintenance.pack()
    with library.catalogue.reader() as cursor:
        records = load_records(cursor)
    path = library.layout.absolute(records[0].provenance.trace_file)
    whole = pq.read_table(path)
    assert any(whole.column(name).null_count == whole.num_rows for name in whole.column_names)
    for record, piece in pieces(path, records):
        assert piece is not None
        assert piece.equals(whole.slice(record.first_row, record.samples))
