"""What an import knows of the runs that are there, read on after each change, is what reading all of it gives."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from store import Library
from store.imports.known_runs import KnownRuns, known_runs
from tests.builders import add_run, make_run, make_store, write_export


def _told(known: KnownRuns) -> dict[str, object]:
    return {
        "hashes": known.hashes,
        "sources": known.sources,
        "names": known.names,
        "starts": known.starts,
        "sizes": known.sizes.tolist(),
        "next_id": known.next_id,
        "devices": sorted(known.bench.devices),
    }


def test_read_on_after_each_change_it_is_what_reading_all_gives(tmp_path: Path) -> None:
    library = make_store(tmp_path, runs=4, samples=30)
    other = Library.open(library.path)
    exports = tmp_path / "exports"
    kept = known_runs(library)
    assert len(kept.names) == 4
    changes = (
        lambda: add_run(library, write_export(exports, "more.csv", "more of it"), make_run(30, seed=9)),
        lambda: add_run(other, write_export(exports, "elsewhere.csv", "by another process"), make_run(30, seed=10)),
        lambda: library.runs.edit([2], {"started_at": datetime(2025, 1, 2, 3, 4, 5, tzinfo=UTC)}),
        lambda: library.runs.edit([3], {"note": "of no interest to it"}),
        lambda: library.runs.delete([1]),
        lambda: add_run(library, write_export(exports, "last.csv", "and the last"), make_run(30, seed=11)),
    )
    for change in changes:
        change()
        assert known_runs(library) is kept
        assert _told(kept) == _told(KnownRuns(Library.open(library.path)).look())
    assert "log0000.csv" not in kept.names
    assert {"more.csv", "elsewhere.csv", "last.csv"} <= kept.names
