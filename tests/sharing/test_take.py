"""Two libraries brought together: what one lacks comes whole, what both tell differently is listed, never guessed."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from store import Library, NotALibrary
from store.catalogue.amendments import broken_link
from store.catalogue.connection import rows
from store.sharing.conflicts import Prefer
from store.sharing.take import take
from store.sharing.target import ShareRefused

FACTS = "device, port, mode, kind, load_set, ambient_c, started_at, meter, quality, quality_reason, note, measured_at"


@pytest.fixture(scope="module")
def made(demo_library: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tenth of the demo twice: one bench lacks the second half of the runs, the other the first quarter."""
    folder = tmp_path_factory.mktemp("pair")
    mine = Library.open(shutil.copytree(demo_library, folder / "mine"))
    table = mine.sql.run("SELECT run_id, group_id FROM runs ORDER BY run_id", limit=None).table.to_pylist()
    grouped = sorted({row["group_id"] for row in table if row["group_id"]})[:3]
    kept = [r["run_id"] for n, r in enumerate(table) if n % 20 == 0 or r["group_id"] in grouped]
    _forget(mine, [row["run_id"] for row in table if row["run_id"] not in kept])
    shutil.copytree(mine.path, folder / "theirs")
    _forget(mine, kept[len(kept) // 2 :])
    _forget(Library.open(folder / "theirs"), kept[: len(kept) // 4])
    return folder


@pytest.fixture
def pair(made: Path, tmp_path: Path) -> tuple[Library, Library]:
    """Copies of both, to change."""
    return tuple(Library.open(shutil.copytree(made / name, tmp_path / name)) for name in ("mine", "theirs"))


def _forget(library: Library, run_ids: list[int]) -> None:
    """As if these runs had never been there."""
    with library.catalogue.reader() as cursor:
        told = int(rows(cursor, "SELECT coalesce(max(seq), 0) FROM catalogue.amendment")[0][0])
    library.runs.delete(run_ids, reason="for a test")
    with library.catalogue.writer() as cursor:
        cursor.execute("DELETE FROM catalogue.tombstone")
        cursor.execute("DELETE FROM catalogue.amendment WHERE seq > ?", [told])


def _told(library: Library) -> dict[str, Any]:
    """All that a library says, by names that do not depend on its numbers."""
    with library.catalogue.reader() as cursor:
        uids = {int(run_id): str(uid) for run_id, uid in rows(cursor, "SELECT run_id, uid FROM catalogue.run")}
        groups: dict[int, set[str]] = {}
        for group, run_id in rows(cursor, "SELECT group_id, run_id FROM catalogue.run WHERE group_id IS NOT NULL"):
            groups.setdefault(group, set()).add(uids[run_id])
        amendments = rows(
            cursor,
            "SELECT changed_at, who, table_name, key, field, old_value, new_value, reason FROM catalogue.amendment "
            "WHERE table_name <> 'library'",
        )
        told = {
            "facts": {str(r[0]): r[1:] for r in rows(cursor, f"SELECT uid, {FACTS} FROM catalogue.run")},
            "results": sorted(
                map(
                    str,
                    rows(
                        cursor,
                        "SELECT uid, name, round(value, 9), unit FROM catalogue.result "
                        "JOIN catalogue.run USING (run_id) WHERE is_current",
                    ),
                )
            ),
            "groups": sorted(
                sorted(members) for members in groups.values() if len(members) > 1
            ),  # one alone ties nothing
            "sheets": dict(rows(cursor, "SELECT device, sheet FROM catalogue.device")),
            "meters": sorted(map(str, rows(cursor, "SELECT * FROM catalogue.meter"))),
            "calibrations": sorted(map(str, rows(cursor, "SELECT * FROM catalogue.calibration"))),
            "originals": {str(row[0]) for row in rows(cursor, "SELECT sha256 FROM catalogue.original")},
            "amendments": {
                tuple(uids.get(int(v), v) if i == 3 and row[2] == "run" else v for i, v in enumerate(row))
                for row in amendments
            },
            "broken": broken_link(cursor),
        }
    sums = library.sql.run(
        "SELECT uid, count(*) AS n, fsum(voltage_v) AS v, fsum(current_a) AS a FROM samples JOIN runs USING (run_id) "
        "GROUP BY uid ORDER BY uid",
        limit=None,
    ).table.to_pylist()
    return {**told, "samples": {row["uid"]: (row["n"], row["v"], row["a"]) for row in sums}}


def _same(one: Library, other: Library) -> None:
    mine, theirs = _told(one), _told(other)
    for name, value in mine.items():
        assert value == theirs[name], name
    assert mine["broken"] is None


def test_both_ways_both_hold_the_same(pair: tuple[Library, Library]) -> None:
    """Runs, samples, results, groups, sheets, meters and amendments are equal afterwards, and both are whole."""
    mine, theirs = pair
    theirs.runs.edit([int(max(_numbers(theirs)))], {"note": "probe slipped once"}, reason="seen on the video")
    before = _told(theirs)
    took = take(mine, theirs.path)
    assert took.runs
    assert not took.open_conflicts
    assert not took.damaged
    assert _told(theirs) == before  # only read
    assert take(theirs, mine.path).runs
    _same(mine, theirs)
    assert not mine.maintenance.verify()
    assert not theirs.maintenance.verify()


def _numbers(library: Library) -> list[int]:
    return [int(row["run_id"]) for row in library.sql.run("SELECT run_id FROM runs", limit=None).table.to_pylist()]


def test_again_changes_nothing(pair: tuple[Library, Library]) -> None:
    """A second call brings nothing and records nothing."""
    mine, theirs = pair
    take(mine, theirs.path)
    before = _told(mine)
    again = take(mine, theirs.path)
    assert (again.runs, again.devices, again.meters, again.amendments) == ((), (), (), 0)
    assert _told(mine) == before


def test_a_dry_run_says_what_would_come(pair: tuple[Library, Library]) -> None:
    """As many runs as the real one, and nothing changes."""
    mine, theirs = pair
    before = _told(mine)
    dry = take(mine, theirs.path, is_dry=True)
    assert _told(mine) == before
    assert len(dry.runs) == len(take(mine, theirs.path).runs)


@pytest.mark.parametrize("prefer", [Prefer.ASK, Prefer.MINE, Prefer.THEIRS, Prefer.NEWER])
def test_a_fact_told_differently_is_listed_until_it_is_answered(pair: tuple[Library, Library], prefer: Prefer) -> None:
    """One run, two ambients: nothing changes unless theirs is preferred, or theirs is the newer."""
    mine, theirs = pair
    run_id = min(set(_numbers(mine)) & set(_numbers(theirs)))  # both still number it alike
    mine.runs.edit([run_id], {"ambient_c": 19.0}, reason="the wall's thermometer")
    theirs.runs.edit([run_id], {"ambient_c": 23.5}, reason="the logger")
    took = take(mine, theirs.path, prefer=prefer)
    (conflict,) = [c for c in took.conflicts if c.table == "run"]
    assert (conflict.field, conflict.mine.value, conflict.theirs.value) == ("ambient_c", "19.0", "23.5")
    assert conflict.mine.at
    assert conflict.theirs.at
    expected = {Prefer.ASK: "", Prefer.MINE: "mine", Prefer.THEIRS: "theirs", Prefer.NEWER: "theirs"}[prefer]
    assert conflict.takes == expected
    assert mine.runs.get(run_id).facts.ambient_c == (23.5 if expected == "theirs" else 19.0)
    again = take(mine, theirs.path)
    assert bool(again.open_conflicts) == (expected != "theirs")


def test_one_code_for_two_devices_is_asked_about(pair: tuple[Library, Library]) -> None:
    """Another model under a code of ours: its runs stay there; renamed, they come under their own code."""
    mine, theirs = pair
    absent = {facts[0] for uid, facts in _told(theirs)["facts"].items() if uid not in _told(mine)["facts"]}
    device = min(absent & set(mine.devices.sheets()))
    sheet = theirs.devices.sheets()[device]
    theirs.devices.save(replace(sheet, model="another one"), reason="a sheet of its own")
    lacking = [
        run for run in _told(theirs)["facts"].items() if run[1][0] == device and run[0] not in _told(mine)["facts"]
    ]
    assert lacking
    took = take(mine, theirs.path)
    (held,) = took.held_back
    assert (held.device, held.runs) == (device, len(lacking))
    assert mine.devices.sheets()[device] == sheet
    renamed = take(mine, theirs.path, codes={device: f"{device}-south"})
    assert not renamed.held_back
    assert mine.devices.sheets()[f"{device}-south"].model == "another one"
    facts = _told(mine)["facts"]
    assert {facts[uid][0] for uid, _ in lacking} == {f"{device}-south"}


def test_a_run_deleted_here_stays_deleted(pair: tuple[Library, Library]) -> None:
    """A deletion is a decision of this bench; it is counted, and not undone by taking."""
    mine, theirs = pair
    shared = min(set(_numbers(mine)) & set(_numbers(theirs)))
    mine.runs.delete([shared], reason="a cable came loose")
    took = take(mine, theirs.path)
    assert took.deleted_here == 1
    assert shared not in _numbers(mine)


def test_a_damaged_trace_there_stays_there(pair: tuple[Library, Library]) -> None:
    """Its runs are named and left out, the others come; mended there, they come as well."""
    mine, theirs = pair
    victim = max((theirs.path / "traces").rglob("*.parquet"), key=lambda path: path.stat().st_size)
    good = victim.read_bytes()
    spoiled = bytearray(good)
    spoiled[len(good) // 3] ^= 4
    victim.write_bytes(spoiled)
    took = take(mine, theirs.path)
    assert any("not what was stored" in sentence for sentence in took.damaged)
    assert not mine.maintenance.verify()
    victim.write_bytes(good)
    assert not take(mine, theirs.path).damaged
    assert set(_told(theirs)["facts"]) <= set(_told(mine)["facts"])


def test_from_an_archive(pair: tuple[Library, Library], tmp_path: Path) -> None:
    """A backup of the other library does as well as its folder."""
    mine, theirs = pair
    theirs.maintenance.backup(tmp_path / "theirs.tar")
    take(mine, tmp_path / "theirs.tar")
    assert set(_told(theirs)["facts"]) <= set(_told(mine)["facts"])


def test_profiles_and_saved_queries_come_with_it(pair: tuple[Library, Library]) -> None:
    """A file that is only there comes; one of the same name that says something else is listed."""
    mine, theirs = pair
    for library, text in ((mine, "SELECT 1"), (theirs, "SELECT 2")):
        folder = library.layout.queries
        folder.mkdir(exist_ok=True)
        (folder / "both.sql").write_text(text)
    (theirs.layout.queries / "theirs.sql").write_text("SELECT 3")
    took = take(mine, theirs.path)
    assert [Path(name).name for name in took.files] == ["theirs.sql"]
    assert [(c.table, Path(c.key).name) for c in took.open_conflicts] == [("file", "both.sql")]
    assert (mine.layout.queries / "both.sql").read_text() == "SELECT 1"


def test_what_is_no_library_is_refused(pair: tuple[Library, Library], tmp_path: Path) -> None:
    """This very library, an empty folder, a file of something else."""
    mine, _ = pair
    with pytest.raises(ShareRefused):
        take(mine, mine.path)
    (tmp_path / "nothing").mkdir()
    with pytest.raises(NotALibrary):
        take(mine, tmp_path / "nothing")
    (tmp_path / "a.tar").write_bytes(b"no archive")
    with pytest.raises(NotALibrary):
        take(mine, tmp_path / "a.tar")
    assert not list(mine.layout.tmp.iterdir())


_KILLED = """
import os, signal, sys
from pathlib import Path
from store import Library
from store.files import durable
from store.sharing.take import take
left = int(sys.argv[3])
def hook(operation, path):
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
durable.set_hook(hook)
take(Library.open(sys.argv[1]), Path(sys.argv[2]))
"""


def _killed_at(step: int, mine: Path, theirs: Path) -> bool:
    done = subprocess.run([sys.executable, "-c", _KILLED, str(mine), str(theirs), str(step)], check=False, cwd=ROOT)
    return done.returncode == -signal.SIGKILL


ROOT = Path(__file__).parents[2]


@pytest.mark.skipif(os.name == "nt", reason="kills by a signal that Windows lacks")
@pytest.mark.parametrize("step", [2, 5, 9, 14])
def test_killed_anywhere_whole_runs_came_and_the_rest_comes_again(pair: tuple[Library, Library], step: int) -> None:
    """Killed at a step of writing: nothing half is there, and the same call finishes the job."""
    mine, theirs = pair
    assert _killed_at(step, mine.path, theirs.path)
    after = Library.open(mine.path)
    told = _told(after)
    assert set(told["samples"]) == set(told["facts"])
    take(after, theirs.path)
    assert set(_told(theirs)["facts"]) <= set(_told(after)["facts"])
    assert not after.maintenance.verify(repair=True) or not after.maintenance.verify()
    assert not after.maintenance.verify()
