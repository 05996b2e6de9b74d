"""A library from end to end: import, list, open, ask, edit, pack, back up, rebuild; and many at once."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

from importers.schema import TRACE_COLUMNS, Facts
from store import Library, LibraryBusy, LibraryTooNew, NotALibrary, NotFound, StoreError, WrongFact
from store.catalogue.numbers import reserve_run_ids
from store.model.records import Calibration, Meter
from tests.builders import STARTED, add_run, feed, make_run, make_store, write_export

MAIN = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def shared(tmp_path_factory) -> Library:
    """Six runs, only read."""
    return make_store(tmp_path_factory.mktemp("shared"), 6, samples=300)


def test_the_same_bytes_are_imported_once(tmp_path):
    library = make_store(tmp_path, 1, samples=60)
    outcome = add_run(library, tmp_path / "exports" / "log0000.csv")
    assert outcome.already
    assert outcome.run_ids == (1,)
    assert library.runs.page().total == 1


def test_an_import_that_is_left_stores_nothing(tmp_path):
    library = make_store(tmp_path, 1, samples=60)
    with library.imports.begin(write_export(tmp_path, "x.csv"), Facts()) as job:
        feed(job, "x.csv", {None: make_run(50)})
    assert library.runs.page().total == 1
    assert not list(library.layout.tmp.iterdir())
    assert library.maintenance.verify() == []


def test_a_batch_stores_each_file_whole(tmp_path):
    library = make_store(tmp_path, 0)
    done = []
    with library.imports.batch(
        every_files=3, on_committed=lambda path, outcome: done.append((path.name, outcome))
    ) as batch:
        for n in range(7):
            with batch.begin_import(write_export(tmp_path, f"b{n}.csv"), Facts(kind="standby")) as job:
                batch.commit(job, feed(job, f"b{n}.csv", {None: make_run(30, seed=n)}))
        with batch.begin_import(tmp_path / "b6.csv") as job:
            assert job.already
    assert [name for name, _ in done] == [f"b{n}.csv" for n in range(7)]
    assert [outcome.run_ids for _, outcome in done] == [(n,) for n in range(1, 8)]
    assert library.maintenance.verify() == []


def test_a_trace_is_plain_parquet_that_every_engine_reads_alike(shared):
    """DuckDB, Polars and pyarrow give the same numbers without the program."""
    file = str(shared.maintenance.files()[0]["path"])
    ours = shared.samples.read(1, ["voltage_v"])["voltage_v"].to_numpy()
    assert np.array_equal(ours, pq.read_table(file)["voltage_v"].to_numpy())
    assert np.array_equal(ours, pl.read_parquet(file)["voltage_v"].to_numpy())
    assert np.array_equal(
        ours, duckdb.connect().execute("SELECT voltage_v FROM read_parquet(?)", [file]).fetchnumpy()["voltage_v"]
    )
    assert tuple(pq.read_schema(file).names) == TRACE_COLUMNS


def test_what_went_in_comes_out_to_the_last_bit(shared):
    frame = make_run(300, volts=20.0, seed=0)
    found = shared.samples.lazy(1).select("t_s", "voltage_v", "current_a", "power_w", "temperature_c").collect()
    assert found.equals(frame)


def test_the_original_is_kept_byte_for_byte(tmp_path):
    from store.files.originals import unpack_original

    library = make_store(tmp_path, 1, samples=60)
    stored = library.sql.run("SELECT stored_as FROM originals").table["stored_as"][0].as_py()
    assert (
        b"".join(unpack_original(library.layout.absolute(stored)))
        == (tmp_path / "exports" / "log0000.csv").read_bytes()
    )


def test_strips_keep_a_dropout_of_one_sample(tmp_path):
    library = make_store(tmp_path, 0)
    frame = (
        make_run(5000)
        .head(4700)
        .with_columns(pl.when(pl.col("t_s") == 2500).then(0.2).otherwise(pl.col("voltage_v")).alias("voltage_v"))
    )
    add_run(library, write_export(tmp_path, "d.csv"), frame)
    for strips in (library.samples.preview(1), library.samples.strips(1, buckets=400)):
        (voltage,) = [strip for strip in strips.strips if strip.channel == "voltage_v"]
        assert voltage.lowest.min() == pytest.approx(0.2, rel=1e-6)
        assert np.all((voltage.lowest <= voltage.mean + 1e-6) & (voltage.mean <= voltage.highest + 1e-6))


def test_preview_and_trace_agree(shared):
    preview, strips = shared.samples.preview(2), shared.samples.strips(2, buckets=120)
    for ours, theirs in zip(preview.strips, strips.strips, strict=True):
        np.testing.assert_allclose(ours.mean, theirs.mean, rtol=1e-6)  # float32 holds 7 digits


def test_editing_keeps_both_versions_and_makes_results_anew(tmp_path):
    library = make_store(tmp_path, 2, samples=300)
    before = library.runs.get(1)
    assert library.runs.edit([1, 2], {"load": "12 W", "ambient": 25}, reason="misread") == 4
    after = library.runs.get(1)
    assert (before.facts.load_set, after.facts.load_set) == ("30 W", "12 W")
    changes = [(a.field, a.old_value, a.new_value, a.reason) for a in after.amendments]
    assert changes == [("load_set", "30 W", "12 W", "misread"), ("ambient_c", "22.0", "25.0", "misread")]
    assert any(not r.is_current for r in library.results.of(1, superseded=True))
    assert library.results.recompute(dry_run=True) == []
    assert library.runs.frame()["amendment_count"].to_list() == [2, 2]


def test_a_run_is_set_aside_only_with_a_reason(tmp_path):
    library = make_store(tmp_path, 1, samples=60)
    with pytest.raises(WrongFact, match="Give a reason"):
        library.runs.edit([1], {"quality": "rejected"})
    library.runs.edit([1], {"quality": "rejected"}, reason="the probe fell off")
    assert library.runs.get(1).facts.quality_reason == "the probe fell off"
    with pytest.raises(NotFound):
        library.runs.edit([1, 99], {"note": "x"})
    assert library.runs.get(1).facts.note == ""


def test_deleting_leaves_a_tombstone_and_its_number_is_not_used_again(tmp_path):
    library = make_store(tmp_path, 3, samples=60)
    library.runs.delete([3], reason="twice")
    with pytest.raises(NotFound, match="was deleted"):
        library.runs.get(3)
    assert library.sql.run("SELECT run_id, reason FROM deleted").table.to_pylist() == [{"run_id": 3, "reason": "twice"}]
    assert add_run(library, tmp_path / "exports" / "log0002.csv", make_run(60)).run_ids == (4,)
    assert library.maintenance.verify() == []


def test_packing_changes_no_number(tmp_path):
    library = make_store(tmp_path, 5, samples=200)
    question = "SELECT run_id, t_s, voltage_v, current_a, power_w, temperature_c FROM samples ORDER BY 1, 2"
    before, listed = library.sql.run(question).table, library.runs.page().table
    report = library.maintenance.pack()
    assert report.runs == 5
    assert [f["is_pack"] for f in library.maintenance.files()] == [True]
    assert library.sql.run(question).table.equals(before)
    assert library.runs.page().table.equals(listed)
    assert library.samples.read(3).num_rows == 200
    assert library.maintenance.verify() == []
    library.runs.delete([2])
    assert library.sql.run(question).table.num_rows == 800
    assert library.maintenance.verify() == []


def test_a_backup_restores_to_the_same_library(tmp_path):
    library = make_store(tmp_path, 3, samples=60)
    library.maintenance.backup(tmp_path / "all.tar")
    again = Library.restore(tmp_path / "all.tar", tmp_path / "again")
    assert again.maintenance.verify() == []
    assert again.runs.page().table.equals(library.runs.page().table)
    with pytest.raises(WrongFact, match="exists already"):
        library.maintenance.backup(tmp_path / "all.tar")
    raw = bytearray((tmp_path / "all.tar").read_bytes())
    raw[len(raw) // 2] ^= 1
    (tmp_path / "bad.tar").write_bytes(raw)
    with pytest.raises(StoreError):
        Library.restore(tmp_path / "bad.tar", tmp_path / "bad")
    assert not (tmp_path / "bad").exists()


def test_a_moved_library_opens(tmp_path):
    library = make_store(tmp_path, 2, samples=60)
    library.path.rename(tmp_path / "it's moved %20*")
    again = Library.open(tmp_path / "it's moved %20*")
    assert again.maintenance.verify() == []
    assert again.sql.run("SELECT count(*) AS n FROM samples").table["n"][0].as_py() == 120


@pytest.mark.parametrize("harm", ["garbage", "missing", "truncated"])
def test_a_lost_catalogue_is_made_again_from_the_traces(tmp_path, harm):
    library = make_store(tmp_path, 4, samples=120)
    library.maintenance.pack()
    add_run(library, write_export(tmp_path, "late.csv"))
    before = library.runs.frame(sort="run_id").drop("amendment_count")
    file = library.layout.catalogue
    if harm == "missing":
        file.unlink()
    else:
        file.write_bytes(b"no catalogue" * 500 if harm == "garbage" else file.read_bytes()[:9000])
    with pytest.raises(StoreError, match="rebuild"):
        Library.open(library.path).runs.page()
    again, report = Library.rebuilt(library.path, who="tester")
    assert report.runs == 5
    assert again.runs.frame(sort="run_id").drop("amendment_count").equals(before)
    assert again.maintenance.verify() == []


def test_an_unreadable_log_is_moved_aside_and_said(tmp_path):
    """Killed with a log that can't be replayed: the library opens, and the log is still there under another name."""
    library = make_store(tmp_path, 1, samples=60)
    code = (
        "import duckdb, os, sys; c = duckdb.connect(':memory:'); c.execute(f\"ATTACH '{sys.argv[1]}' AS l\"); "
        "c.execute(\"INSERT INTO l.meta VALUES ('a', 'b')\"); os._exit(1)"
    )
    subprocess.run([sys.executable, "-c", code, str(library.layout.catalogue)], check=False)
    raw = bytearray(library.layout.wal.read_bytes())
    raw[len(raw) // 2] ^= 0xFF
    library.layout.wal.write_bytes(raw)
    again = Library.open(library.path)
    assert again.runs.page().total == 1
    assert any("could not be replayed" in notice for notice in again.notices)
    assert [f.code for f in again.maintenance.verify()] == ["log-aside"]


def test_a_newer_library_is_refused_in_one_line(tmp_path):
    library = make_store(tmp_path, 0)
    with library.catalogue.writer() as cursor:
        cursor.execute("INSERT INTO catalogue.schema_history VALUES (4711, '2030-01-01', '9')")
    with pytest.raises(LibraryTooNew, match=r"schema 4711; this program knows up to \d"):
        Library.open(library.path)


def test_no_writer_writes_where_a_newer_program_has_migrated(tmp_path):
    library = make_store(tmp_path, 2, samples=60)
    opened_before = Library.open(library.path)
    with library.catalogue.writer() as cursor:
        cursor.execute("INSERT INTO catalogue.schema_history VALUES (4711, '2030-01-01', '9')")
    before = library.path.joinpath("catalogue.duckdb").read_bytes()
    writers = (
        lambda: opened_before.runs.edit([1], {"port": "A9"}),
        lambda: opened_before.runs.delete([1]),
        lambda: opened_before.meters.add(Meter("M9")),
        lambda: reserve_run_ids(opened_before, 3),
    )
    for write in writers:
        with pytest.raises(LibraryTooNew):
            write()
    assert library.path.joinpath("catalogue.duckdb").read_bytes() == before


def test_exports_are_imported_from_python(tmp_path):
    folder = tmp_path / "exports"
    folder.mkdir()
    for name, amps in (("a.csv", "1.5"), ("b.csv", "2.5")):
        lines = [f"{second},5.0,{amps}\n" for second in range(60)]
        write_export(folder, name, "".join(["time (s),voltage (V),current (A)\n", *lines]))
    (folder / "c.csv").write_bytes(b"")
    with Library.open(tmp_path / "lib", create=True) as library:
        outcomes = library.imports.add(folder, Facts(device="PB-01", kind="discharge"))
        again = library.imports.add([str(folder / "a.csv")])
        assert [o.status for o in outcomes] == ["imported", "imported", "refused"]
        assert "empty" in outcomes[2].reason
        assert again[0].status == "already"
        assert again[0].run_ids == outcomes[0].run_ids
        assert library.runs.get(outcomes[1].run_ids[0]).facts.device == "PB-01"
        assert library.runs.page().total == 2


def test_paths_that_are_no_library_are_said(tmp_path):
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "file", tmp_path / "nowhere"):
        with pytest.raises(NotALibrary, match=str(path.name)):
            Library.open(path)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("x")
    with pytest.raises(NotALibrary, match="not empty"):
        Library.create(tmp_path / "full")


def test_nothing_is_held_while_idle(shared):
    """Another process can open the catalogue for writing while a library object stays open."""
    shared.runs.page()
    shared.sql.run("SELECT count(*) FROM samples")
    code = "import duckdb, sys; duckdb.connect(sys.argv[1]).execute('CHECKPOINT')"
    done = subprocess.run(
        [sys.executable, "-c", code, str(shared.layout.catalogue)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_a_busy_library_names_the_process(tmp_path):
    library = make_store(tmp_path, 0)
    code = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print(1, flush=True); sys.stdin.read()"
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(library.layout.catalogue)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        holder.stdout.readline()
        library.catalogue.wait_s = 0.2
        with pytest.raises(LibraryBusy, match=str(holder.pid)):
            library.runs.page()
    finally:
        holder.kill()
        holder.communicate()


def test_one_file_imported_by_many_processes_is_there_once(tmp_path):
    library = make_store(tmp_path, 0)
    export = write_export(tmp_path, "same.csv")
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); from pathlib import Path; "
        "from tests.builders import add_run, make_run; from store import Library; "
        "print(add_run(Library.open(sys.argv[2]), Path(sys.argv[3]), make_run(200)).run_ids)"
    )
    arguments = [sys.executable, "-c", code, str(MAIN), str(library.path), str(export)]
    crowd = [subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    said = [process.communicate() for process in crowd]
    assert {out for out, _ in said} == {"(1,)\n"}, said
    assert library.runs.page().total == 1
    assert library.maintenance.verify() == []


def test_the_generation_changes_with_every_commit(tmp_path):
    library = make_store(tmp_path, 1, samples=60)
    seen = {library.generation()}
    for n in range(5):
        library.runs.edit([1], {"note": f"n{n}"})
        seen.add(library.generation())
    assert len(seen) == 6
    library.runs.page()
    assert library.generation() in seen


def test_a_run_by_a_meter_past_its_due_date_is_flagged(tmp_path):
    library = make_store(tmp_path, 1, samples=60)
    library.meters.add(Meter("M1", voltage_spec="0.05% + 2d(0.001)"))
    library.meters.add_calibration(Calibration("M1", date(2024, 1, 1), due_on=date(2025, 1, 1)))
    assert library.runs.frame()["meter_overdue"].to_list() == [True]
    library.meters.add_calibration(Calibration("M1", date(2026, 1, 1), due_on=date(2027, 1, 1)))
    assert library.runs.frame()["meter_overdue"].to_list() == [False]


def test_groups_by_a_shared_step_find_the_offset(tmp_path):
    """A step at 300 s in one log and at 263 s in the other: 37 s apart, within the sampling intervals."""
    library = make_store(tmp_path, 0)
    for name, at, step_s in (("a", 300.0, 1.0), ("b", 263.0, 0.5)):
        t_s = np.arange(0, 900, step_s)
        watts = np.where((t_s >= at) & (t_s < at + 311), 30.0, 2.0) + 0.01 * np.random.default_rng(1).standard_normal(
            len(t_s)
        )
        add_run(
            library,
            write_export(tmp_path, name),
            pl.DataFrame({"t_s": t_s, "power_w": watts}),
            facts=Facts(kind="standby"),
        )
    _, second = library.runs.group([1, 2], how="event")
    assert second.offset_s == pytest.approx(37.0, abs=2 * second.uncertainty_s)
    assert second.uncertainty_s < 0.5
    assert library.runs.ungroup([2]) == 2
    first, second = library.runs.group([1, 2], how="times")
    assert (first.offset_s, second.offset_s) == (0.0, 0.0)
    assert STARTED.year == 2026


def test_a_flipped_bit_in_a_trace_or_an_original_is_found(tmp_path):
    library = make_store(tmp_path, 1, samples=100)
    rng = np.random.default_rng(7)
    for file in (*library.layout.runs.iterdir(), *library.layout.originals.iterdir()):
        whole = file.read_bytes()
        for at in rng.integers(0, len(whole), 15):
            raw = bytearray(whole)
            raw[at] ^= 1 << int(rng.integers(8))
            file.write_bytes(raw)
            assert [f.subject for f in library.maintenance.verify()] == [file.relative_to(library.path).as_posix()]
        for cut in (0, 1, len(whole) // 2, len(whole) - 1):
            file.write_bytes(whole[:cut])
            assert len(library.maintenance.verify(quick=True)) == 1
        file.write_bytes(whole)
    assert library.maintenance.verify() == []
