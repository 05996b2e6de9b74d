"""Parts of one log joined, and each joining and parting taken back exactly, also when killed in the middle."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from deltalake import DeltaTable

from importers.schema import Facts
from store import Library, NotFound, WrongFact
from store.files import durable
from store.sharing.share import share
from store.sharing.take import take
from tests.builders import STARTED, add_run, make_run, write_export

FACTS = Facts(device="PB-01", port="C1", kind="discharge", load="30 W", meter="M1")
TABLES = ("run", "result", "event", "preview", "original", "shelved_run")


class Killed(BaseException):
    """The process ends here."""


def new_library(folder: Path) -> Library:
    folder.mkdir(parents=True, exist_ok=True)
    return Library.create(folder / "store", zone="UTC", who="tester")


def split(library: Library, folder: Path, frame: pl.DataFrame, cuts: list[int], *, is_dated: bool = True) -> list[int]:
    """Import a log in pieces, each on its own clock, as a meter that begins a file every N rows."""
    ids = []
    for number, (first, end) in enumerate(zip([0, *cuts], [*cuts, frame.height], strict=True)):
        piece = frame.slice(first, end - first)
        begin = float(piece["t_s"][0])
        moved = piece.with_columns(t_s=pl.col("t_s") - begin)
        started = STARTED + timedelta(seconds=begin) if is_dated else None
        export = write_export(folder, f"log-{number}.csv")
        ids += add_run(library, export, moved, facts=FACTS, started_at=started).run_ids
    return ids


def told(library: Library) -> dict[str, list[tuple[object, ...]]]:
    """All that the catalogue holds of runs, but where their samples lie and how often they were amended."""
    left_out = "EXCLUDE (trace_id, first_row, amendment_count)"
    found = {}
    with library.catalogue.reader() as cursor:
        for table in TABLES:
            what = f"* {left_out}" if table == "run" else "*"
            found[table] = sorted(cursor.execute(f"SELECT {what} FROM catalogue.{table}").fetchall(), key=repr)
    return found


def samples_of(library: Library, run_id: int) -> np.ndarray:
    return library.samples.lazy(run_id).drop("run_id").collect().to_numpy()


def events_of(library: Library, run_id: int) -> list[tuple[object, ...]]:
    return [(e.kind, round(e.from_s, 6), round(e.to_s, 6)) for e in library.runs.get(run_id).events]


def results_of(library: Library, run_id: int) -> dict[str, object]:
    return {
        r.name: r.value if r.value is not None else r.text for r in library.runs.get(run_id).results if r.is_current
    }


@pytest.mark.parametrize("is_dated", [True, False])
def test_a_log_split_at_random_gives_when_joined_what_the_whole_gives(tmp_path: Path, is_dated: bool) -> None:
    """The whole is drawn and imported too: energy, runtime, every other result and every event are the same."""
    seed = secrets.randbits(32)
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    count = int(rng.integers(200, 900))
    frame = make_run(count, step_s=float(rng.choice([0.5, 1.0, 2.0])), seed=seed, amps=float(rng.uniform(0.5, 3)))
    missing = int(rng.integers(60, 120))
    frame = pl.concat([frame.head(missing), frame.slice(missing + int(rng.integers(0, 30)))])
    cuts = sorted(
        int(c) for c in rng.choice(np.arange(3, frame.height - 3), size=int(rng.integers(1, 4)), replace=False)
    )
    whole = new_library(tmp_path / "whole")
    (run_id,) = split(whole, tmp_path, frame, [])
    library = new_library(tmp_path / "parts")
    parts = split(library, tmp_path, frame, cuts, is_dated=is_dated)
    begun = dict(zip(parts[1:], (float(frame["t_s"][c]) for c in cuts), strict=True))
    joined = library.runs.join(parts, offsets_s=None if is_dated else begun)
    assert joined.how == ("start times" if is_dated else "stated")
    expected, found = results_of(whole, run_id), results_of(library, joined.run_id)
    assert expected.keys() == found.keys()
    for name, value in expected.items():
        assert found[name] == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value), name
    assert events_of(whole, run_id) == events_of(library, joined.run_id)
    assert samples_of(library, joined.run_id) == pytest.approx(samples_of(whole, run_id), abs=1e-6, nan_ok=True)
    assert library.maintenance.verify(results=True) == []


def test_a_joining_is_taken_back_exactly(tmp_path: Path) -> None:
    """Same numbers, facts, results, events, previews and samples; amendments tell of both."""
    library = new_library(tmp_path)
    parts = split(library, tmp_path, make_run(300), [100, 180])
    library.runs.edit([parts[1]], {"note": "second file"}, reason="told apart")
    before, samples = told(library), [samples_of(library, i) for i in parts]
    joined = library.runs.join(parts, reason="split every 100 rows")
    with pytest.raises(NotFound, match=f"joined into run {joined.run_id}"):
        library.runs.get(parts[0])
    back = library.runs.part(joined.run_id, reason="looked again")
    assert back.runs == tuple(parts)
    assert told(library) == before
    for i, then in zip(parts, samples, strict=True):
        assert np.array_equal(samples_of(library, i), then, equal_nan=True)
    assert [(a.field, a.reason) for a in library.runs.get(parts[0]).amendments] == [
        ("joined into", "split every 100 rows"),
        ("joined into", "looked again"),
    ]
    assert library.maintenance.verify(results=True) == []
    assert library.runs.join(parts).run_id == joined.run_id


def test_a_log_is_parted_and_is_one_again(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    (run_id,) = split(library, tmp_path, make_run(300), [])
    before, samples = told(library), samples_of(library, run_id)
    parted = library.runs.part(run_id, [100.0, 180.5])
    assert [library.runs.get(i).samples for i in parted.runs] == [100, 81, 119]
    assert library.runs.get(parted.runs[1]).facts.started_at == STARTED + timedelta(seconds=100)
    assert library.maintenance.verify(results=True) == []
    with pytest.raises(NotFound, match="was parted into runs"):
        library.runs.get(run_id)
    again = library.runs.join(list(parted.runs))
    assert (again.run_id, again.how) == (run_id, "parted")
    assert told(library) == before
    assert np.array_equal(samples_of(library, run_id), samples, equal_nan=True)
    for at in ([0.0], [1e9], [float("nan")], [100.1, 100.2]):
        with pytest.raises(WrongFact, match="can't be parted"):
            library.runs.part(run_id, at)


def test_files_of_parts_are_known(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    parts = split(library, tmp_path, make_run(300), [100])
    joined = library.runs.join(parts)
    for number in range(2):
        outcome = add_run(library, tmp_path / f"log-{number}.csv")
        assert outcome.already
        assert outcome.run_ids == (joined.run_id,)


def test_what_is_no_log_of_one_is_refused(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    one, other = split(library, tmp_path, make_run(300), [100])
    with pytest.raises(WrongFact, match="overlap"):
        library.runs.join([one, other], offsets_s={other: 50.0})
    library.runs.edit([other], {"device": "PB-02"})
    with pytest.raises(WrongFact, match=r"PB-01.*PB-02"):
        library.runs.join([one, other])
    library.runs.edit([other], {"device": "PB-01", "started_at": None})
    with pytest.raises(WrongFact, match=f"--offset {other}=SECONDS"):
        library.runs.join([one, other])
    assert library.runs.join([one, other], offsets_s={other: 100.0}).how == "stated"
    with pytest.raises(WrongFact, match="two runs"):
        library.runs.join([other])


def test_a_counter_that_goes_on_tells_when_a_part_began(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    frame = make_run(300, noise=0.0).head(250)
    frame = frame.with_columns(energy_wh=(pl.col("power_w").cum_sum() / 3600))
    frame = pl.concat([frame.head(100), frame.slice(140)])
    one, other = split(library, tmp_path, frame, [100], is_dated=False)
    joined = library.runs.join([one, other])
    assert joined.how == "counters"
    assert joined.offsets_s[1] == pytest.approx(140.0, abs=1.5)
    assert "gap" in [kind for kind, *_ in events_of(library, joined.run_id)]


def test_joined_runs_survive_packing_a_lost_catalogue_and_a_lost_journal(tmp_path: Path) -> None:
    """Footers tell of the parts: they can be had again where nothing but the traces is left."""
    library = new_library(tmp_path)
    parts = split(library, tmp_path, make_run(300), [100])
    before = [samples_of(library, i) for i in parts]
    joined = library.runs.join(parts)
    add_run(library, write_export(tmp_path, "another.csv"), make_run(60))
    library.maintenance.pack()
    for leaves in ("journal", "traces"):
        library.layout.catalogue.unlink()
        library.layout.wal.unlink(missing_ok=True)
        if leaves == "traces":
            for file in library.layout.journal.iterdir():
                file.unlink()
        library, report = Library.rebuilt(library.path)
        assert (report.runs, report.unreadable) == (2, ())
        assert library.maintenance.verify() == []
    assert library.runs.part(joined.run_id).runs == tuple(parts)
    for i, then in zip(parts, before, strict=True):
        assert np.array_equal(samples_of(library, i), then, equal_nan=True)
    assert library.maintenance.verify() == []


def test_deleting_a_joined_run_takes_its_parts(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    joined = library.runs.join(split(library, tmp_path, make_run(300), [100]))
    assert library.runs.delete([joined.run_id], reason="a trial") == 1
    assert library.maintenance.verify() == []
    assert library.sql.run("SELECT count(*) AS n FROM deleted").table["n"][0].as_py() == 3
    assert library.sql.run("SELECT count(*) AS n FROM originals").table["n"][0].as_py() == 0


def until_it_ends(do: Callable[[], object], check: Callable[[], None], *, every: int) -> int:
    """Kill a change before every so many of its operations in turn; what is checked holds after each."""
    for at in range(secrets.randbelow(every), 200, every):
        left = [at]

        def kill(*_: object, left: list[int] = left) -> None:
            left[0] -= 1
            if left[0] < 0:
                raise Killed

        durable.set_hook(kill)
        try:
            do()
        except Killed:
            durable.set_hook(None)
            check()
            continue
        finally:
            durable.set_hook(None)
        return at
    raise AssertionError("it never ends")


@pytest.mark.parametrize("every", [7, pytest.param(1, marks=pytest.mark.long)])
def test_killed_anywhere_either_the_parts_are_there_or_the_whole(tmp_path: Path, every: int) -> None:
    """The same samples lie in the library once, whatever was left on the disk, and nothing of them is lost."""
    library = new_library(tmp_path)
    parts = split(library, tmp_path, make_run(120), [50])

    def whole() -> None:
        opened = Library.open(library.path)
        assert sum(opened.runs.get(i).samples for i in opened.runs.frame()["run_id"]) == 120
        assert all(f.code != "result" for f in opened.maintenance.verify(repair=True))
        assert opened.maintenance.verify() == []
        assert sum(opened.runs.get(i).samples for i in opened.runs.frame()["run_id"]) == 120

    def join() -> None:
        opened = Library.open(library.path)
        if opened.runs.page().total == 2:
            opened.runs.join(parts)

    def take_back() -> None:
        opened = Library.open(library.path)
        if opened.runs.page().total == 1:
            opened.runs.part(int(opened.runs.frame()["run_id"][0]))

    def part() -> None:
        opened = Library.open(library.path)
        if opened.runs.page().total == 2:
            opened.runs.part(parts[0], [20.0])

    for change in (join, take_back, part):
        assert until_it_ends(change, whole, every=every) > 3
    assert Library.open(library.path).runs.page().total == 3


def test_another_library_takes_a_joined_run_whole(tmp_path: Path) -> None:
    """It comes under new numbers with its parts and their originals, is taken apart there, and never comes twice."""
    library, other = new_library(tmp_path / "mine"), new_library(tmp_path / "theirs")
    parts = split(other, tmp_path, make_run(300), [100])
    before = [samples_of(other, i) for i in parts]
    joined = other.runs.join(parts)
    add_run(library, write_export(tmp_path, "own.csv"), make_run(60))
    (taken,) = take(library, other.path).runs
    assert np.array_equal(samples_of(library, taken), samples_of(other, joined.run_id), equal_nan=True)
    assert library.maintenance.verify() == []
    back = library.runs.part(taken)
    assert len({*back.runs, taken, 1}) == 4
    for i, then in zip(back.runs, before, strict=True):
        assert np.array_equal(samples_of(library, i), then, equal_nan=True)
    assert take(library, other.path).runs == ()
    (own,) = take(other, library.path).runs
    assert np.array_equal(samples_of(other, own), samples_of(library, 1), equal_nan=True)
    assert take(other, library.path).runs == ()
    assert library.maintenance.verify() == []


def test_a_joined_run_is_shared_as_one_and_taken_whole_from_there(tmp_path: Path):
    """Its row and samples stand in the tables once; who takes it has its parts too and can take it apart."""
    other, library = new_library(tmp_path / "theirs"), new_library(tmp_path / "mine")
    parts = split(other, tmp_path, make_run(300), [100])
    before = [samples_of(other, i) for i in parts]
    joined = other.runs.join(parts)
    place = str(tmp_path / "lab")
    share(other, place, "south")
    table = DeltaTable(f"{place}/runs").to_pyarrow_table()
    assert table.column("run_id").to_pylist() == [joined.run_id]
    assert DeltaTable(f"{place}/samples").to_pyarrow_table().num_rows == 300
    (taken,) = take(library, place).runs
    assert np.array_equal(samples_of(library, taken), samples_of(other, joined.run_id), equal_nan=True)
    for i, then in zip(library.runs.part(taken).runs, before, strict=True):
        assert np.array_equal(samples_of(library, i), then, equal_nan=True)
    assert take(library, place).runs == ()
    assert library.maintenance.verify() == []
