"""Writing commands on a small library, the state that each leaves, and what may go wrong at each of their steps.

Faults come through `store.diskio`, which announces every open, write, flush, close, rename, removal and commit.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from importers.schema import Facts
from store import Library, diskio, migrations
from store.model import RunFacts
from store.packs import PackRun, write_pack
from tests.builders import add_run, make_run, make_store, write_export

Act = Callable[[Path], None]


def base(folder: Path) -> Path:
    """A library of four short runs, and an export and a pack that wait to be taken in."""
    library = make_store(folder, 4, samples=120)
    write_export(folder, "new.csv")
    facts = RunFacts(50, "5" * 32, "PB-09", "C1", "fixed 9 V", "discharge", "out", "18 W", 22.0, None, None)
    write_pack(folder / "new.parquet", [PackRun(facts, make_run(150, seed=9))])
    return library.path


def do_import(folder: Path) -> None:
    library = Library.open(folder / "store", who="tester")
    facts = Facts(device="PB-07", kind="discharge", load="30 W")
    add_run(library, folder / "new.csv", parts={"C1": make_run(90, seed=5), "C2": make_run(80, seed=6)}, facts=facts)


def do_import_pack(folder: Path) -> None:
    Library.open(folder / "store", who="tester").import_pack(folder / "new.parquet")


def do_edit(folder: Path) -> None:
    library = Library.open(folder / "store", who="tester")
    library.edit_runs([1, 2], {"load": "20 W", "note": "corrected"}, reason="typo")


def do_delete(folder: Path) -> None:
    library = Library.open(folder / "store", who="tester")
    if library.runs("run:2").shown:
        library.delete_runs([2], reason="wrong port")


def do_pack(folder: Path) -> None:
    Library.open(folder / "store", who="tester").pack()


def do_delete_packed(folder: Path) -> None:
    library = Library.open(folder / "store", who="tester")
    library.pack()
    do_delete(folder)


def do_migrate(folder: Path) -> None:
    layout = Library.open(folder / "store", who="tester").layout
    library = Library(layout.root)
    texts = {**migrations.scripts(), 999: "ALTER TABLE catalogue.mark ADD COLUMN seen_on DATE;"}
    migrations.migrate(library.catalogue, layout, texts)


SCENARIOS: dict[str, Act] = {
    "import": do_import,
    "import pack": do_import_pack,
    "edit": do_edit,
    "delete": do_delete,
    "pack": do_pack,
    "delete packed": do_delete_packed,
}


def state(folder: Path) -> dict[str, object]:
    """What a library says, without moments: two libraries of one state are equal in everything a person can ask."""
    library = Library.open(folder / "store", who="tester")
    asked = {
        "runs": "SELECT * EXCLUDE (imported_at) FROM runs ORDER BY run_id",
        "results": 'SELECT run_id, name, value, text, unit, uncertainty, "current" FROM results ORDER BY ALL',
        "events": "SELECT * FROM events ORDER BY ALL",
        "samples": "SELECT run_id, count(*), sum(t_s), sum(voltage_v) FROM samples GROUP BY 1 ORDER BY 1",
        "amendments": "SELECT who, table_name, key, field, old_value, new_value, reason FROM amendments",
        "originals": "SELECT sha256, stored_as FROM originals ORDER BY ALL",
        "deleted": "SELECT run_id, source_sha256 FROM deleted ORDER BY ALL",
    }
    found: dict[str, object] = {name: library.sql(sql, limit=None).table.to_pylist() for name, sql in asked.items()}
    found["previews"] = [library.preview(row["run_id"]).buckets for row in found["runs"]]  # type: ignore[attr-defined]
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
    diskio.set_hook(fault)
    try:
        act(folder)
    finally:
        diskio.set_hook(None)
    return fault.steps


def fresh(original: Path, folder: Path) -> Path:
    """A copy of the base to break."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(original, folder)
    return folder


if __name__ == "__main__":  # one killed run: scenario, folder, step
    diskio.set_hook(Fault(int(sys.argv[3]), kill=True))
    {**SCENARIOS, "migrate": do_migrate}[sys.argv[1]](Path(sys.argv[2]))
