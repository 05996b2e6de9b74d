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

import pyarrow as pa
import pytest
from deltalake import write_deltalake

from store import Library, NotALibrary, StoreError
from store.care.packs import PackRun, write_pack
from store.catalogue.amendments import broken_link
from store.catalogue.connection import rows
from store.model.records import RunFacts
from store.sharing.conflicts import Prefer
from store.sharing.share import share
from store.sharing.take import take
from store.sharing.target import ShareRefused
from tests.builders import make_run

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
    with Library.open(folder / "theirs").catalogue.writer() as cursor:
        cursor.execute("UPDATE catalogue.meta SET value = 'theirs' WHERE key = 'library_uid'")
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


@pytest.mark.parametrize("form", ["archive", "shared place"])
def test_from_an_archive_and_a_shared_place_the_same_comes(
    pair: tuple[Library, Library], tmp_path: Path, form: str
) -> None:
    """Both ways, as from the folder: originals, amendments, groups, sheets, meters, profiles and queries too."""
    mine, theirs = pair
    theirs.runs.edit([int(max(_numbers(theirs)))], {"note": "probe slipped once"}, reason="seen on the video")
    (theirs.layout.profiles / "own.toml").write_text("# a profile of theirs\n", encoding="utf-8")

    def sent(library: Library, name: str) -> str:
        if form == "archive":
            (tmp_path / f"{name}.tar").unlink(missing_ok=True)
            library.maintenance.backup(tmp_path / f"{name}.tar")
            return str(tmp_path / f"{name}.tar")
        share(library, str(tmp_path / "lab"), name)
        return str(tmp_path / "lab")

    took = take(mine, sent(theirs, "south"))
    assert took.runs
    assert (took.open_conflicts, took.damaged, took.files) == ((), (), ("profiles/own.toml",))
    back = take(theirs, sent(mine, "north"))
    assert back.runs
    assert (back.open_conflicts, back.damaged) == ((), ())
    _same(mine, theirs)
    assert not mine.maintenance.verify(results=True)
    assert not theirs.maintenance.verify()
    assert not list(mine.layout.tmp.iterdir())
    again = take(mine, sent(theirs, "south"))
    assert (again.runs, again.amendments, again.files) == ((), 0, ())
    assert again.known == len(_numbers(mine))


def test_from_a_shared_place_a_fact_told_differently_is_listed(pair: tuple[Library, Library], tmp_path: Path) -> None:
    """Of runs that both have, whose samples need not be sent."""
    mine, theirs = pair
    share(theirs, str(tmp_path / "lab"), "south")
    take(mine, tmp_path / "lab")
    with mine.catalogue.reader() as cursor:
        uid = rows(cursor, "SELECT uid FROM catalogue.run ORDER BY run_id DESC LIMIT 1")[0][0]
    for library, told in ((mine, "hot"), (theirs, "cold")):
        with library.catalogue.reader() as cursor:
            (number,) = rows(cursor, "SELECT run_id FROM catalogue.run WHERE uid = ?", [uid])[0]
        library.runs.edit([number], {"note": told})
    share(theirs, str(tmp_path / "lab"), "south")
    found = take(mine, tmp_path / "lab").open_conflicts
    assert [(c.field, c.mine.value, c.theirs.value) for c in found] == [("note", "hot", "cold")]
    take(mine, tmp_path / "lab", prefer=Prefer.THEIRS)
    assert not take(mine, tmp_path / "lab").conflicts


def test_of_several_benches_one_is_chosen(pair: tuple[Library, Library], tmp_path: Path) -> None:
    mine, theirs = pair
    lab = str(tmp_path / "lab")
    with pytest.raises(NotALibrary):
        take(mine, lab)
    share(mine, lab, "north")
    with pytest.raises(ShareRefused, match="no other library"):
        take(mine, lab)
    with pytest.raises(ShareRefused, match="is this library"):
        take(mine, lab, bench="north")
    share(theirs, lab, "south")
    third = Library.create(tmp_path / "third")
    with pytest.raises(ShareRefused, match="2 other benches: north, south"):
        take(third, lab)
    with pytest.raises(ShareRefused, match="no bench west"):
        take(third, lab, bench="west")
    assert len(take(third, lab, bench="south").runs) == len(_numbers(theirs))
    assert take(third, lab, bench="north").runs


def test_without_the_exports_runs_come_and_verify_says_nothing_else(
    pair: tuple[Library, Library], tmp_path: Path
) -> None:
    mine, theirs = pair
    assert share(theirs, str(tmp_path / "lab"), "south", exports=False).exports_added == 0
    took = take(mine, tmp_path / "lab")
    assert took.runs
    assert not took.damaged
    assert not mine.maintenance.verify()


@pytest.mark.parametrize("what", ["trace", "name", "facts", "no facts", "footer"])
def test_a_shared_place_that_lies_is_refused_and_nothing_comes(
    pair: tuple[Library, Library], tmp_path: Path, what: str
) -> None:
    mine, theirs = pair
    lab = tmp_path / "lab"
    share(theirs, str(lab), "south")
    before = _told(mine)
    trace = next((lab / "samples").rglob("*.parquet"))
    if what == "trace":
        raw = bytearray(trace.read_bytes())
        raw[len(raw) // 3] ^= 4
        trace.write_bytes(raw)
    elif what == "footer":
        trace.write_bytes(trace.read_bytes()[:200])
    elif what == "name":
        for log in (lab / "samples" / "_delta_log").glob("*.json"):
            log.write_text(log.read_text().replace(trace.name, "../../../../mine/catalogue.duckdb"))
    else:
        told = '{"device": {"$t": "never"}}' if what == "facts" else '{"nothing": 1}'
        table = pa.table({"bench": ["south"], "about": ["device"], "uid": [None], "told": [told]})
        table = table.cast(pa.schema([(name, pa.string()) for name in table.column_names]))
        shutil.rmtree(lab / "kept")
        write_deltalake(str(lab / "kept"), table.append_column("block", pa.array([0], pa.int32())))
    with pytest.raises(StoreError):
        take(mine, lab)
    assert _told(mine) == before
    assert not list(mine.layout.tmp.iterdir())
    assert not mine.maintenance.verify(quick=True)


def test_a_pack_of_runs_is_taken(pair: tuple[Library, Library], tmp_path: Path) -> None:
    """As a demo or an exchange of bare runs is sent: once, and under numbers that are free."""
    mine, _ = pair
    facts = RunFacts(1, "a" * 32, "PB-99", "C1", None, "discharge", "out", None, None, None, None)
    pack = tmp_path / "runs.parquet"
    write_pack(pack, [PackRun(facts, make_run(300)), PackRun(replace(facts, run_id=2, uid="b" * 32), make_run(90))])
    before = len(_numbers(mine))
    took = take(mine, pack)
    assert len(took.runs) == 2
    assert not take(mine, pack).runs
    assert len(_numbers(mine)) == before + 2
    assert not mine.maintenance.verify(results=True)
    mine.runs.delete([took.runs[0]], reason="a slip")
    assert take(mine, pack).deleted_here == 1


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
    assert all(finding.is_repaired for finding in after.maintenance.verify(repair=True))
    assert not after.maintenance.verify()
