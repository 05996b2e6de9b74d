"""What the processes of the soak do, each until a moment; each writes down what it did, for the sums at the end."""

from __future__ import annotations

import json
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from importers.schema import Facts
from store import Library
from store.files import durable
from store.imports.importer import Order, import_file

VOLTS, AMPS = 20.0, 1.5


class Journal:
    """One JSON object a line: what was done, and when it was known to be done [s]."""

    def __init__(self, folder: Path, name: str) -> None:
        self._file = (folder / f"{name}.jsonl").open("w", encoding="utf-8")

    def note(self, what: str, **facts: object) -> None:
        self._file.write(json.dumps({"what": what, "at": time.time(), **facts}) + "\n")
        self._file.flush()


class CommitClock:
    """The moment of the last commit [s], as the steps of writing announce it."""

    def __init__(self) -> None:
        self.at = 0.0
        durable.set_hook(self._step)

    def _step(self, operation: str, _path: Path) -> None:
        if operation == "committed":
            self.at = time.time()


def import_until(folder: Path, name: str, until: float, pause_s: float = 0.0) -> None:
    """Import one export after the other: constant voltage and current, so that energy is known by one product.

    Args:
        folder: Holds the library.
        name: Of the importer, and of the port.
        until: When to end [s].
        pause_s: Longest pause between two imports; the moments are random, so that no rhythm of a watcher's is met.
    """
    journal, number = Journal(folder, name), 0
    exports = folder / name
    exports.mkdir()
    library = Library.open(folder / "store", who=name)
    clock, rng = CommitClock(), random.Random(name)
    warmest = {"one": 20, "two": 30, "calm": 40}[name]
    while time.time() < until:
        number += 1
        samples = 50 + number % 150
        warmth = warmest + number / 10_000  # no two exports of the same bytes
        path = exports / f"{name}-{number:05d}.csv"
        lines = [f"{t},{VOLTS:.3f},{AMPS:.4f},{warmth:.4f}" for t in range(samples)]
        path.write_text("\n".join(["Time (s),Voltage (V),Current (A),Temperature (°C)", *lines, ""]), encoding="utf-8")
        outcome = import_file(library, path, Order(Facts(device="PB-77", port=name, kind="discharge", load="30 W")))
        assert outcome.status == "imported", outcome
        wh = VOLTS * AMPS * (samples - 1) / 3600
        journal.note("import", run_id=outcome.run_ids[0], samples=samples, wh=wh, committed=clock.at)
        if pause_s:
            time.sleep(rng.uniform(0.3, 1.0) * pause_s)


def import_calmly(folder: Path, name: str, until: float) -> None:
    """Import as one person does, with the machine idle between."""
    import_until(folder, name, until, pause_s=1.5)


def edit_until(folder: Path, name: str, until: float) -> None:
    """Correct, set aside, group, delete, pack and back up, whatever runs there are; never the run that is looked at."""
    journal, rng = Journal(folder, name), random.Random(5)
    library = Library.open(folder / "store", who=name)
    turn = 0
    while time.time() < until:
        turn += 1
        runs = library.runs.frame("port:one,two")["run_id"].to_list()
        if len(runs) < 4:
            time.sleep(0.2)
            continue
        some = rng.sample(runs, 3)
        changed = library.runs.edit(some, {"note": f"turn {turn}", "ambient": 20 + turn % 9}, reason="soak")
        journal.note("edit", changed=changed)
        if turn % 5 == 0:
            journal.note("edit", changed=library.runs.edit(some[:1], {"quality": "suspect"}, reason="soak"))
        if turn % 7 == 0:
            library.runs.delete(some[2:], reason="soak")
            journal.note("delete", run_id=some[2])
        if turn % 23 == 0:
            library.maintenance.pack()
            journal.note("pack")
        if turn % 31 == 0:
            target = folder / f"backup-{turn}.tar"
            library.maintenance.backup(target)
            target.unlink()
            journal.note("backup")


def ask_until(folder: Path, name: str, until: float) -> None:
    """Ask questions whose answer must hold at every moment, whatever the others do."""
    journal = Journal(folder, name)
    library = Library.open(folder / "store", who=name)
    same = (
        "SELECT (SELECT sum(samples) FROM runs) AS stated, (SELECT count(*) FROM samples) AS held, "
        "(SELECT count(DISTINCT run_id) FROM samples) = (SELECT count(*) FROM runs) AS whole, "
        "(SELECT count(*) FROM runs ANTI JOIN originals ON source_sha256 = sha256) AS lonely"
    )
    while time.time() < until:
        (row,) = library.sql.run(same).table.to_pylist()
        assert row["stated"] == row["held"], row
        assert row["whole"], row
        assert row["lonely"] == 0, row
        journal.note("question", samples=row["held"])


TASKS: dict[str, Callable[[Path, str, float], None]] = {
    "one": import_until,
    "two": import_until,
    "editor": edit_until,
    "reader": ask_until,
    "calm": import_calmly,
}

if __name__ == "__main__":
    TASKS[sys.argv[2]](Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]))
