"""Writing commands on a small library, the state that each leaves, and what may go wrong at each of their steps.

Faults come through `store.files.durable`, which announces every open, write, flush, close, rename, removal and commit.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sys
import tarfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from importers.schema import Facts
from store import Library, StoreError
from store.care import repack
from store.care.packs import PackRun, write_pack
from store.catalogue.connection import rows
from store.files import durable
from store.model.records import Meter, RunFacts
from store.model.sheet import DeviceSheet
from store.sharing.take import take
from store.sql.view_source import samples_sql
from store.sql.views import VIEWS
from tests.builders import add_run, feed, make_run, make_store, write_export
from tests.store import libraries

Act = Callable[[Path], None]


def opened(folder: Path) -> Library:
    return Library.open(folder / "store", who="tester")


def base(folder: Path) -> Path:
    """A library of four short runs, one of them to recompute; exports, a pack and a backup to be taken in."""
    library = make_store(folder, 4, samples=120)
    write_export(folder, "new.csv")
    for number in range(3):
        write_export(folder, f"more{number}.csv")
    facts = RunFacts(50, "5" * 32, "PB-09", "C1", "fixed 9 V", "discharge", "out", "18 W", 22.0, None, None)
    write_pack(folder / "new.parquet", [PackRun(facts, make_run(150, seed=9))])
    library.runs.edit([3], {"note": "a slip"})
    with library.catalogue.writer() as cursor:
        cursor.execute(
            "UPDATE catalogue.result SET value = 1, method_version = 0 WHERE name = 'energy_wh' AND run_id = 4"
        )
    library.maintenance.backup(folder / "kept.tar")
    return library.path


def do_import(folder: Path) -> None:
    facts = Facts(device="PB-07", kind="discharge", load="30 W")
    parts = {"C1": make_run(90, seed=5), "C2": make_run(80, seed=6)}
    add_run(opened(folder), folder / "new.csv", parts=parts, facts=facts)


def do_import_many(folder: Path) -> None:
    with opened(folder).imports.batch(every_files=2) as batch:
        for number in range(3):
            export = folder / f"more{number}.csv"
            with batch.begin_import(export, Facts(kind="standby")) as job:
                if not job.already:
                    batch.commit(job, feed(job, export.name, {None: make_run(40, seed=number)}))


def do_import_and_pack(folder: Path) -> None:
    """An import that packs by itself, as one does past its limit."""
    kept, repack.LOOSE_LIMIT = repack.LOOSE_LIMIT, 3
    try:
        library = opened(folder)
        do_import(folder)
        if (
            len(library.maintenance.files()) > 1
        ):  # the same command again is no import: packing is then a command of its own
            library.maintenance.pack()
    finally:
        repack.LOOSE_LIMIT = kept


def do_take(folder: Path) -> None:
    take(opened(folder), folder / "new.parquet")


def do_edit(folder: Path) -> None:
    opened(folder).runs.edit([1, 2], {"load": "20 W", "note": "corrected"}, reason="typo")


def do_set_aside(folder: Path) -> None:
    opened(folder).runs.edit([2], {"quality": "rejected"}, reason="the probe fell off")


def do_undo(folder: Path) -> None:
    opened(folder).runs.edit([3], {"note": ""}, reason="taken back")


def do_recompute(folder: Path) -> None:
    opened(folder).results.recompute()


def do_group(folder: Path) -> None:
    library = opened(folder)
    if library.runs.get(1).facts.group_id is None:
        library.runs.group([1, 2], how="stated", offsets_s={2: 12.5})


def do_sheet(folder: Path) -> None:
    opened(folder).devices.save(DeviceSheet("PB-01", "power bank", rated_energy_wh=61.6, mass_g=352.0))


def do_meter(folder: Path) -> None:
    opened(folder).meters.add(Meter("M1", voltage_spec="0.05% + 2d(0.001)"))


def do_delete(folder: Path) -> None:
    library = opened(folder)
    if library.runs.page("run:2").shown:
        library.runs.delete([2], reason="wrong port")


def do_pack(folder: Path) -> None:
    opened(folder).maintenance.pack()


def do_delete_packed(folder: Path) -> None:
    opened(folder).maintenance.pack()
    do_delete(folder)


def do_backup(folder: Path) -> None:
    if not (folder / "all.tar").exists():
        opened(folder).maintenance.backup(folder / "all.tar")


def do_restore(folder: Path) -> None:
    if not (folder / "again").exists():
        Library.restore(folder / "kept.tar", folder / "again")


def lose_catalogue(folder: Path) -> None:
    opened(folder).maintenance.pack()
    add_run(opened(folder), folder / "new.csv", make_run(70, seed=3))
    path = folder / "store" / "catalogue.duckdb"
    path.write_bytes(path.read_bytes()[:9000])


def do_rebuild(folder: Path) -> None:
    Library.rebuilt(folder / "store", who="tester")


def make_old(folder: Path) -> None:
    shutil.rmtree(folder / "store")
    libraries.unpack(1, folder / "store")


def do_repair(folder: Path) -> None:
    opened(folder).maintenance.verify(repair=True)


def leave_litter(folder: Path) -> None:
    store = folder / "store"
    shutil.copy(folder / "new.parquet", store / "traces" / "packs" / "99.parquet")
    shutil.copy(folder / "new.csv", store / "originals" / f"{'0' * 64}.csv.zst")


@dataclass(frozen=True)
class Scenario:
    """A writing command."""

    act: Act
    prepare: Act = lambda folder: None
    opens_before: bool = True
    """False where the library can't be opened before the command has done its work."""
    parts: str = ""
    """`files` where it is several transactions, one per file or few; `facts first` where results follow in another."""


SCENARIOS: dict[str, Scenario] = {
    "import": Scenario(do_import),
    "import many": Scenario(do_import_many, parts="files"),
    "import and pack": Scenario(do_import_and_pack),
    "take": Scenario(do_take),
    "edit": Scenario(do_edit),
    "set aside": Scenario(do_set_aside),
    "undo": Scenario(do_undo),
    "recompute": Scenario(do_recompute),
    "group": Scenario(do_group),
    "sheet": Scenario(do_sheet, parts="facts first"),
    "meter": Scenario(do_meter, parts="facts first"),
    "delete": Scenario(do_delete),
    "pack": Scenario(do_pack),
    "delete packed": Scenario(do_delete_packed),
    "backup": Scenario(do_backup),
    "restore": Scenario(do_restore),
    "rebuild": Scenario(do_rebuild, lose_catalogue, opens_before=False),
    "migrate": Scenario(lambda folder: opened(folder) and None, make_old),
    "repair": Scenario(do_repair, leave_litter),
}

_ASKED = {
    "runs": "SELECT * EXCLUDE (imported_at, imported_by) FROM ({runs}) ORDER BY run_id",
    "results": 'SELECT run_id, name, value, text, unit, uncertainty, "current" FROM ({results}) ORDER BY ALL',
    "events": "SELECT * FROM ({events}) ORDER BY ALL",
    "amendments": "SELECT table_name, key, field, old_value, new_value, reason FROM ({amendments})",
    "originals": "SELECT sha256, stored_as FROM ({originals}) ORDER BY ALL",
    "deleted": "SELECT run_id, source_sha256 FROM ({deleted}) ORDER BY ALL",
    "devices": "SELECT * FROM ({devices}) ORDER BY ALL",
    "meters": "SELECT * FROM ({meters}) ORDER BY ALL",
    "previews": "SELECT * FROM catalogue.preview ORDER BY ALL",
}


def state(folder: Path) -> dict[str, object]:
    """What a library says, without moments: two libraries of one state are equal in everything a person can ask."""
    found = said_by(opened(folder))
    if (folder / "again").exists():
        found["restored"] = said_by(Library.open(folder / "again"))
    if (folder / "all.tar").exists():
        with tarfile.open(folder / "all.tar") as archive:
            found["archive"] = [
                (member.name, hashlib.sha256(archive.extractfile(member).read()).hexdigest())  # type: ignore[union-attr]
                for member in archive
                if member.name not in {"catalogue.duckdb", "manifest.json"}
            ]
    return found


def said_by(library: Library) -> dict[str, object]:
    """The answer of every view, by one reader; samples as sums per run, from the files that the catalogue names."""
    files = [Path(str(file["path"])) for file in library.maintenance.files()]
    samples = f"SELECT run_id, count(*), sum(t_s), sum(voltage_v) FROM ({samples_sql(files)}) GROUP BY 1 ORDER BY 1"
    with library.catalogue.reader() as cursor:
        found: dict[str, object] = {name: rows(cursor, sql.format(**VIEWS)) for name, sql in _ASKED.items()}
        found["samples"] = rows(cursor, samples)
    return found


class Fault:
    """Counts steps, and at the n-th refuses or ends the process; `ever_after` refuses all that follow too."""

    def __init__(self, at: int | None = None, *, code: int = errno.EIO, ever_after: bool = False, kill: bool = False):
        self.at, self.code, self.ever_after, self.kill = at, code, ever_after, kill
        self.steps: list[str] = []

    def __call__(self, operation: str, path: Path) -> None:
        self.steps.append(operation)
        count = len(self.steps)
        if self.at is None or count < self.at or (count > self.at and not self.ever_after):
            return
        if self.kill:
            os._exit(9)
        raise OSError(self.code, os.strerror(self.code), str(path))


def count_steps(act: Act, folder: Path) -> list[str]:
    """The steps of an undisturbed run of a command."""
    fault = Fault()
    durable.set_hook(fault)
    try:
        act(folder)
    finally:
        durable.set_hook(None)
    return fault.steps


def fresh(original: Path, folder: Path) -> Path:
    """A copy of the base to break."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(original, folder)
    return folder


def end_at(name: str, folder: str, step: int) -> None:
    """Run a command in this process, which ends at the given step as if pulled."""
    durable.set_hook(Fault(step, kill=True))
    try:
        SCENARIOS[name].act(Path(folder))
    except StoreError as error:
        print(error)
        os._exit(1)
    os._exit(0)
