"""A shared library read by engines that know nothing of it: their counts and sums are those of `joulebook sql`."""

from __future__ import annotations

import json
import multiprocessing
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest
from deltalake import DeltaTable

from store import Library, TraceDamaged
from store.sharing.share import share
from store.sharing.target import ShareRefused

FACTS = ("devices", "ports", "claims", "meters", "runs", "results", "events", "verdicts", "amendments", "calibrations")


@pytest.fixture(scope="module")
def made(demo_library: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tenth of the demo, in one trace file of its own."""
    library = Library.open(shutil.copytree(demo_library, tmp_path_factory.mktemp("shared") / "library"))
    ids = library.sql.run("SELECT run_id FROM runs ORDER BY 1", limit=None).table.column(0).to_pylist()
    library.runs.delete([run_id for n, run_id in enumerate(ids) if n % 10], reason="a smaller library")
    return library.path


@pytest.fixture
def library(made: Path, tmp_path: Path) -> Library:
    """A copy to change."""
    return Library.open(shutil.copytree(made, tmp_path / "library"))


def _count(library: Library, view: str) -> int:
    return int(library.sql.run(f"SELECT count(*) FROM {view}").table.column(0)[0].as_py())


def _dataset(folder: Path, table: str) -> object:
    return DeltaTable(str(folder / table)).to_pyarrow_dataset()


def test_every_table_has_the_rows_of_its_view(library: Library, tmp_path: Path) -> None:
    """Counts of each table by two engines, and a sum over all samples, equal the library's own."""
    lab = tmp_path / "lab"
    report = share(library, str(lab), "north")
    assert report.traces_added > 0
    for view in FACTS:
        expected = _count(library, view)
        assert pl.scan_delta(str(lab / view)).select(pl.len()).collect().item() == expected, view
        assert DeltaTable(str(lab / view)).to_pyarrow_table().num_rows == expected, view
    # fsum: a plain sum's last digits depend on the order in which threads add (measured: 3.5e-12 of a million values)
    own = library.sql.run(
        "SELECT count(*), fsum(voltage_v), fsum(current_a), max(temperature_c) FROM samples"
    ).table.to_pylist()[0]
    samples = _dataset(lab, "samples")  # noqa: F841 (read by name in the statement)
    by_duckdb = duckdb.sql(
        "SELECT count(*), fsum(voltage_v), fsum(current_a), max(temperature_c) FROM samples"
    ).fetchall()[0]
    by_polars = (
        pl.scan_delta(str(lab / "samples"))
        .select(pl.len(), pl.col("voltage_v").sum(), pl.col("current_a").sum(), pl.col("temperature_c").max())
        .collect()
        .row(0)
    )
    for found in (by_duckdb, by_polars):
        assert found == pytest.approx(tuple(own.values()), rel=1e-12)


def test_every_row_names_its_bench_and_each_run_its_uid(library: Library, tmp_path: Path) -> None:
    """Two benches with the same run numbers: joined on bench and number, each run meets its own results only."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    _give_another_identity(library)
    share(library, str(lab), "south")
    runs, results = _dataset(lab, "runs"), _dataset(lab, "results")  # noqa: F841 (read by name)
    expected = 2 * int(
        library.sql.run("SELECT count(*) FROM results WHERE run_id IS NOT NULL").table.column(0)[0].as_py()
    )
    right = duckdb.sql("SELECT count(*) FROM runs JOIN results USING (bench, run_id)").fetchall()[0][0]
    by_number = duckdb.sql("SELECT count(*) FROM runs r JOIN results s ON r.run_id = s.run_id").fetchall()[0][0]
    assert right == expected
    assert by_number == 2 * expected
    assert duckdb.sql(
        "SELECT count(*) FROM runs r JOIN results s USING (bench, run_id) WHERE r.uid <> s.uid"
    ).fetchall() == [(0,)]
    for bench in (
        "north",
        "south",
    ):  # the partition can be told by every reader, also by the one that takes it from the path
        chosen = pl.scan_delta(str(lab / "samples")).filter(pl.col("bench") == bench).select(pl.len()).collect().item()
        assert chosen == _count(library, "samples")


def _give_another_identity(library: Library) -> None:
    with library.catalogue.writer() as cursor:
        cursor.execute("UPDATE catalogue.meta SET value = value || 'x' WHERE key = 'library_uid'")


def test_again_with_nothing_new_writes_nothing(library: Library, tmp_path: Path) -> None:
    """No file is added or changed by a second call, and it says so."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    before = {path: path.stat().st_mtime_ns for path in lab.rglob("*") if path.is_file()}
    assert share(library, str(lab), "north").is_unchanged
    assert {path: path.stat().st_mtime_ns for path in lab.rglob("*") if path.is_file()} == before


def test_only_what_changed_is_written(library: Library, tmp_path: Path) -> None:
    """A note on one run writes the runs and the amendments, and no sample."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    run_id = int(library.sql.run("SELECT min(run_id) FROM runs").table.column(0)[0].as_py())
    library.runs.edit([run_id], {"note": "by the window"}, reason="seen later")
    report = share(library, str(lab), "north")
    assert report.traces_added == report.traces_removed == 0
    assert set(report.tables) == {"runs", "amendments", "kept"}
    found = pl.scan_delta(str(lab / "runs")).filter(pl.col("run_id") == run_id).collect()
    assert found["note"].to_list() == ["by the window"]


def test_deleted_runs_and_merged_files_are_followed(library: Library, tmp_path: Path) -> None:
    """After a deletion and a merge of trace files the tables hold exactly what the library holds."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    run_id = int(library.sql.run("SELECT max(run_id) FROM runs").table.column(0)[0].as_py())
    library.runs.delete([run_id], reason="for a test")
    library.maintenance.pack()
    report = share(library, str(lab), "north")
    assert report.traces_removed
    for view in ("runs", "results", "samples", "events"):
        assert pl.scan_delta(str(lab / view)).select(pl.len()).collect().item() == _count(library, view), view


def test_statistics_in_the_log_hold_against_the_files(library: Library, tmp_path: Path) -> None:
    """Rows, least and largest run number and time of each trace, as the log says and as the file holds them."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    actions = pl.DataFrame(DeltaTable(str(lab / "samples")).get_add_actions(flatten=True))
    for row in actions.to_dicts():
        held = pl.read_parquet(lab / "samples" / row["path"])
        assert row["num_records"] == held.height
        assert row["size_bytes"] == (lab / "samples" / row["path"]).stat().st_size
        for name in ("run_id", "t_s", "voltage_v"):
            assert (row[f"min.{name}"], row[f"max.{name}"]) == (held[name].min(), held[name].max())
            assert row[f"null_count.{name}"] == held[name].null_count()


def test_a_dry_run_says_what_would_go_and_writes_nothing(library: Library, tmp_path: Path) -> None:
    """The same counts as the real one, and no file."""
    dry = share(library, str(tmp_path / "lab"), "north", is_dry=True)
    assert not (tmp_path / "lab").exists()
    real = share(library, str(tmp_path / "lab"), "north")
    assert (dry.traces_added, dry.bytes_added, dry.tables) == (real.traces_added, real.bytes_added, real.tables)


def test_a_name_belongs_to_one_library(library: Library, tmp_path: Path) -> None:
    """Another library under the same name is refused, and nothing of the first is lost."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    _give_another_identity(library)
    with pytest.raises(ShareRefused, match="belongs to another library"):
        share(library, str(lab), "north")
    assert pl.scan_delta(str(lab / "runs")).select(pl.len()).collect().item() == _count(library, "runs")


def test_a_table_that_someone_deleted_comes_again(library: Library, tmp_path: Path) -> None:
    """A missing table is noticed although nothing changed in the library."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    shutil.rmtree(lab / "results")
    shutil.rmtree(lab / "samples")
    share(library, str(lab), "north")
    for view in ("results", "samples"):
        assert pl.scan_delta(str(lab / view)).select(pl.len()).collect().item() == _count(library, view)


def test_a_damaged_trace_is_not_shared(library: Library, tmp_path: Path) -> None:
    """One flipped bit in a trace: refused by name, and no reader sees half a generation."""
    victim = next(iter((library.path / "traces").rglob("*.parquet")))
    data = bytearray(victim.read_bytes())
    data[len(data) // 2] ^= 1
    victim.write_bytes(data)
    with pytest.raises(TraceDamaged, match="its hash is wrong"):
        share(library, str(tmp_path / "lab"), "north")
    assert not (tmp_path / "lab" / "benches").exists()
    assert not list((tmp_path / "lab").rglob("*.part"))


def test_tables_of_others_are_left_alone(library: Library, tmp_path: Path) -> None:
    """A folder whose `benches` is something else is refused."""
    lab = tmp_path / "lab"
    pl.DataFrame({"a": [1]}).write_delta(str(lab / "benches"))
    with pytest.raises(ShareRefused, match="not a table of a shared library"):
        share(library, str(lab), "north")


def test_a_newer_format_is_refused(library: Library, tmp_path: Path) -> None:
    """What a newer program shared is not touched."""
    lab = tmp_path / "lab"
    share(library, str(lab), "north")
    row = pl.read_delta(str(lab / "benches")).with_columns(format=pl.lit(99, pl.Int32))
    row.write_delta(str(lab / "benches"), mode="overwrite")
    library.runs.edit(
        [int(library.sql.run("SELECT min(run_id) FROM runs").table.column(0)[0].as_py())], {"note": "x"}, reason="y"
    )
    with pytest.raises(ShareRefused, match="newer Joulebook"):
        share(library, str(lab), "north")


def test_compacting_and_expiring_lose_nothing(library: Library, tmp_path: Path) -> None:
    """After many small changes, merged files and removed old ones: the same rows."""
    lab = tmp_path / "lab"
    ids = library.sql.run("SELECT run_id FROM runs", limit=None).table.column(0).to_pylist()
    for n in range(4):
        library.runs.edit([ids[n]], {"note": f"note {n}"}, reason="a test")
        share(library, str(lab), "north", compact=n == 3, keep_days=0 if n == 3 else None)
    for view in ("runs", "amendments", "samples"):
        assert pl.scan_delta(str(lab / view)).select(pl.len()).collect().item() == _count(library, view)


def _share_in_a_process(folder: str, lab: str, bench: str) -> None:
    share(Library.open(folder), lab, bench)


def test_three_benches_at_once_lose_nothing(library: Library, tmp_path: Path) -> None:
    """Three processes create and fill the same tables at the same time: every bench is whole afterwards."""
    lab = tmp_path / "lab"
    folders = []
    for bench in ("north", "south", "west"):
        _give_another_identity(library)
        folders.append((str(shutil.copytree(library.path, tmp_path / bench)), str(lab), bench))
    with multiprocessing.get_context("spawn").Pool(3) as pool:
        pool.starmap(_share_in_a_process, folders)
    for view in (*FACTS, "samples"):
        counts = dict(pl.scan_delta(str(lab / view)).group_by("bench").len().collect().iter_rows())
        expected = _count(library, view)
        assert counts == (dict.fromkeys(("north", "south", "west"), expected) if expected else {}), view
    benches = pl.read_delta(str(lab / "benches"))
    assert sorted(benches["bench"]) == ["north", "south", "west"]
    for text in benches["versions"]:
        assert set(json.loads(text)) >= {"samples", "runs", "results"}
