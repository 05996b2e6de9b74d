"""The real command's system calls fail, or are its last: also those of the catalogue's engine, which no hook sees.

Uses strace's fault injection, where there is strace. The N-th call of a kind that touches the library is refused
once, or from then on, or the process is killed there before it is carried out. Every N is tried, in both ways.
"""

from __future__ import annotations

import itertools
import re
import shutil
import signal
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

from store import Library, StoreError
from tests.builders import make_store
from tests.faults.program_child import STUCK, run
from tests.faults.scenarios import fresh, said_by
from tests.store import libraries

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(shutil.which("strace") is None, reason="no strace on this machine"),
]
CALLS = "write,pwrite64,pwritev,fsync,fdatasync,ftruncate,rename,renameat,renameat2,unlink,unlinkat,mkdir,fallocate"
REFUSALS = ("error=EIO:when={n}", "error=ENOSPC:when={n}+", "error=ENOSPC:when={n}", "error=EIO:when={n}+")
KILL = "signal=KILL:when={n}"


@dataclass(frozen=True)
class Command:
    """A command of the program, on a library that was made ready for it."""

    words: tuple[str, ...]
    opens_before: bool = True

    def prepare(self, folder: Path) -> None:
        library = make_store(folder, 3, samples=120)
        lines = [f"{t},{20 + 0.01 * (t % 7):.3f},{1.5 + 0.001 * (t % 5):.3f}" for t in range(400)]
        (folder / "log.csv").write_text("\n".join(["Time (s),Voltage (V),Current (A)", *lines, ""]))
        if "delete" in self.words:
            library.maintenance.pack()
        if "recompute" in self.words:
            with library.catalogue.writer() as cursor:
                cursor.execute("UPDATE catalogue.result SET value = 1, method_version = 0 WHERE name = 'energy_wh'")
        if "rebuild" in self.words:
            library.layout.catalogue.write_bytes(b"no catalogue" * 900)
        if "runs" in self.words:
            shutil.rmtree(library.path)
            libraries.unpack(1, library.path)


COMMANDS = {
    "import": Command(("import", "log.csv", "--kind", "discharge", "--device", "PB-01")),
    "edit": Command(("edit", "1", "2", "--load", "20 W", "--reason", "misread")),
    "delete": Command(("delete", "2", "--force", "--reason", "wrong port")),
    "pack": Command(("pack",)),
    "recompute": Command(("recompute",)),
    "migrate": Command(("runs",)),
    "rebuild": Command(("rebuild",), opens_before=False),
    "backup": Command(("backup", "all.tar")),
}


def points(words: tuple[str, ...], folder: Path) -> list[tuple[str, int]]:
    """Every call of an undisturbed run that changes something in the folder: its name, and its number in its thread."""
    log = folder / "calls"
    done = run(words, folder, ("-y", "-e", "signal=none", "-e", f"trace={CALLS}", "-o", str(log)))
    assert done.status == 0, done.err
    seen: Counter[tuple[str, str]] = Counter()
    found: list[tuple[str, int]] = []
    for line in log.read_text().splitlines():
        parts = re.match(r"(\d+) +(\w+)\((.*)", line)
        if parts is None:
            continue
        thread, name, rest = parts.groups()
        seen[thread, name] += 1
        if str(folder) in rest[:400] or "all.tar" in rest[:400]:
            found.append((name, seen[thread, name]))
    log.unlink()
    return list(dict.fromkeys(found))


def state(folder: Path) -> dict[str, object]:
    found = said_by(Library.open(folder / "store", who="tester"))
    return {**found, "archive": (folder / "all.tar").exists()}


@pytest.mark.parametrize("name", COMMANDS)
def test_any_system_call_of_a_command_may_fail_or_be_its_last(name: str, tmp_path: Path, tried):
    command = COMMANDS[name]
    (tmp_path / "start").mkdir()
    command.prepare(tmp_path / "start")
    start, folder = tmp_path / "start", tmp_path / "broken"
    before = state(fresh(start, tmp_path / "before")) if command.opens_before else None
    where = points(command.words, fresh(start, tmp_path / "whole"))
    after = state(tmp_path / "whole")
    assert len(where) >= 10, where
    count = 0
    refusals = itertools.cycle(REFUSALS)
    for call, number in where:
        for way in (KILL, next(refusals)):
            fresh(start, folder)
            inject = f"inject={call}:{way.format(n=number)}"
            told = folder / "calls"
            trace = ("-o", str(told), "-e", "signal=none", "-e", f"trace={call}", "-e", inject)
            done = run(command.words, folder, trace)
            was_hit = "INJECTED" in told.read_text() or done.status == -signal.SIGKILL
            was_hit &= STUCK not in done.err
            told.unlink()
            if not was_hit:
                continue
            count += 1
            what = f"{inject}\n{done.status}\n{done.out}\n{done.err}"
            assert "Traceback" not in done.err, what
            assert "Something went wrong" not in done.err, what
            check(command, folder, before, after, what)
    assert count >= len(where)
    tried("system calls that fail or are the last", count)


def check(command: Command, folder: Path, before: dict | None, after: dict, what: str) -> None:
    """As it was or as it should be; repaired it is clean; the same command again finishes."""
    found = None
    try:
        found = state(folder)
    except StoreError as error:
        error.add_note(what)
        if before is not None or "rebuild" not in str(error):
            raise
    else:
        half = [key for key in found if found[key] not in ((before or {}).get(key), after[key])]
        assert not half, f"{what}\n{ {key: found[key] for key in half} }"
        library = Library.open(folder / "store")
        library.maintenance.verify(repair=True)
        assert library.maintenance.verify() == [], what
    finish = run(command.words, folder)
    assert finish.status == 0 or found == after, f"{what}\n{finish.err}"
    assert state(folder) == after, what
    left_over = Library.open(folder / "store").maintenance.verify(repair=before is None)
    assert all(finding.is_repaired for finding in left_over), left_over
    assert not list(folder.glob("store/tmp/*")), what
