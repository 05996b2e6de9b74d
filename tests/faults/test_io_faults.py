"""Any write, flush or rename may fail: the library is then as it was, or as it should become, and never between."""

from __future__ import annotations

import errno
import itertools
import multiprocessing
import os
import random
import sys
from pathlib import Path

import pytest

from store import Library, StoreError
from store.catalogue import connection
from store.files import durable
from tests.faults import scenarios
from tests.faults.scenarios import SCENARIOS, Fault, base, count_steps, fresh, state

CODES = (errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS)
EVERY_WRITE = 23
"""Of the hundreds of writes of one command every so many-th is tried in the storm, beside all its other steps."""


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("original")
    base(folder)
    return folder


@pytest.fixture(autouse=True)
def _no_hook_left():
    yield
    durable.set_hook(None)


class Trial:
    """One command on copies of one library: how it goes undisturbed, and the check after a disturbed run."""

    def __init__(self, name: str, original: Path, tmp_path: Path) -> None:
        self.name, self.scenario = name, SCENARIOS[name]
        self.start = fresh(original, tmp_path / "start")
        self.scenario.prepare(self.start)
        self.folder = tmp_path / "broken"
        whole = fresh(self.start, tmp_path / "whole")
        self.before = state(fresh(self.start, tmp_path / "before")) if self.scenario.opens_before else None
        self.steps = count_steps(self.scenario.act, whole)
        self.after = state(whole)

    def storm_steps(self) -> list[int]:
        """The steps to try, 1-based: all but most of the writes, where there are hundreds."""
        many = self.steps.count("write") > 20
        return [n for n, what in enumerate(self.steps, 1) if not (many and what == "write" and n % EVERY_WRITE)]

    def again(self) -> Path:
        return fresh(self.start, self.folder)

    def check(self) -> None:
        """Whole runs only; `verify --repair` leaves it clean; the same command again ends like an undisturbed one."""
        library = self._opened()
        if library is not None:
            library.maintenance.verify(repair=True)
            assert library.maintenance.verify() == []
        self.scenario.act(self.folder)
        assert state(self.folder) == self.after
        left_over = Library.open(self.folder / "store", who="tester").maintenance.verify(
            repair=not self.scenario.opens_before
        )
        assert all(finding.is_repaired for finding in left_over), left_over
        assert not list(self.folder.glob("store/tmp/*"))
        left = [path.name for path in self.folder.iterdir() if ".part" in path.name or ".restore" in path.name]
        assert not left

    def _opened(self) -> Library | None:
        try:
            found = state(self.folder)
        except StoreError as error:
            if self.before is not None or "rebuild" not in str(error):
                raise
            return None
        before = self.before or {}
        if self.scenario.parts == "files":
            self._check_each_run(found)
        else:
            later = {"runs", "results", "events"} if self.scenario.parts else set()
            half = [name for name in found if found[name] not in (before.get(name), self.after.get(name))]
            half = [name for name in half if name not in later]
            assert not half, {name: found[name] for name in half}
        return Library.open(self.folder / "store", who="tester")

    def _check_each_run(self, found: dict) -> None:
        """The runs that are there are there with all that belongs to them."""
        there = {row[0] for row in found["runs"]}
        assert there >= {row[0] for row in self.before["runs"]}
        for name in ("runs", "results", "events", "previews", "samples"):
            assert found[name] == [row for row in self.after[name] if row[0] in there], name


def few(steps: list[str], wanted: tuple[str, ...]) -> list[int]:
    """The last step of each wanted operation, 1-based: where most has been done already."""
    return [len(steps) - steps[::-1].index(operation) for operation in wanted if operation in steps]


def refuse(trial: Trial, at: int, code: int, *, ever_after: bool) -> str:
    """Let the disk refuse one step, or all from it on; what the command said."""
    folder = trial.again()
    durable.set_hook(Fault(at, code=code, ever_after=ever_after))
    said = ""
    try:
        trial.scenario.act(folder)
    except StoreError as error:
        said = str(error)
    finally:
        durable.set_hook(None)
    assert "\n" not in said
    left = [*folder.glob("store/tmp/*"), *folder.glob("*.part"), *folder.glob("*.restore")]
    assert not left, f"step {at} ({trial.steps[at - 1]}) left a temporary: {said}"
    trial.check()
    return said


@pytest.mark.parametrize("name", ["import", "pack", "delete packed", "rebuild"])
def test_a_failing_step_leaves_the_library_whole(name: str, original: Path, tmp_path: Path, tried):
    """The disk fails for good at the last step of each kind."""
    trial = Trial(name, original, tmp_path)
    wanted = ("fsync", "replace", "commit") if name in {"import", "pack"} else ("replace",)
    said = [refuse(trial, at, errno.EIO, ever_after=True) for at in few(trial.steps, wanted)]
    assert all(said)
    tried("steps that fail", len(said))


@pytest.mark.long
@pytest.mark.parametrize("name", SCENARIOS)
def test_every_failing_step_leaves_the_library_whole(name: str, original: Path, tmp_path: Path, tried):
    """Every step fails, once and ever after, each in another way; of many writes every so many-th."""
    trial = Trial(name, original, tmp_path)
    said, codes = [], itertools.cycle(CODES)
    for at in trial.storm_steps():
        said += [refuse(trial, at, next(codes), ever_after=ever_after) for ever_after in (False, True)]
    assert any(said)
    tried("steps that fail", len(said))


def killed(trial: Trial, at: int) -> None:
    """Run the command in a process that ends at a step."""
    here = multiprocessing.get_context("forkserver" if sys.platform != "win32" else "spawn")
    if sys.platform != "win32":
        here.set_forkserver_preload([scenarios.__name__])
    process = here.Process(target=scenarios.end_at, args=(trial.name, str(trial.folder), at))
    process.start()
    process.join()
    assert process.exitcode == 9


@pytest.mark.parametrize("name", ["import", "pack"])
def test_a_killed_command_leaves_the_library_whole(name: str, original: Path, tmp_path: Path, tried):
    """The process ends at a few of its steps, as if pulled."""
    trial = Trial(name, original, tmp_path)
    steps = few(trial.steps, ("replace", "commit", "committed"))
    for at in steps:
        trial.again()
        killed(trial, at)
        trial.check()
    tried("kills at a step", len(steps))


@pytest.mark.long
@pytest.mark.parametrize("name", SCENARIOS)
def test_a_command_killed_anywhere_leaves_the_library_whole(name: str, original: Path, tmp_path: Path, tried):
    """The process ends at each of its steps; then its second try ends early too, before the third may finish."""
    trial = Trial(name, original, tmp_path)
    rng = random.Random(4711)
    count = 0
    for at in trial.storm_steps():
        trial.again()
        killed(trial, at)
        count += 1
        if at % 2:
            second = fresh(trial.folder, trial.folder.with_name("second"))
            steps = count_steps(trial.scenario.act, second)
            if steps:
                killed(trial, rng.randint(1, len(steps)))
                count += 1
        trial.check()
    tried("kills at a step", count)


def test_an_import_flushes_before_it_names(original: Path, tmp_path: Path):
    """Order: fsync of the files, traces renamed and their folder flushed, the original, then the catalogue's commit."""
    steps = count_steps(SCENARIOS["import"].act, fresh(original, tmp_path / "whole"))
    order = [s for s in steps if s in {"fsync", "replace", "fsync-folder", "commit"}]
    assert order[: order.index("replace")] == ["fsync"] * 3
    last_replace = len(order) - 1 - order[::-1].index("replace")
    assert order[last_replace - 1 : last_replace + 3] == ["fsync-folder", "replace", "fsync-folder", "commit"]


def test_a_file_whose_flush_failed_is_thrown_away(tmp_path: Path):
    """A second fsync after a failed one tells lies (Rebello et al., USENIX ATC 2020): the file must go."""
    path = tmp_path / "x"
    durable.set_hook(
        lambda op, p: (_ for _ in ()).throw(OSError(errno.EIO, os.strerror(errno.EIO))) if op == "fsync" else None
    )
    with durable.HashingFile(path) as file:
        file.write(b"samples")
        with pytest.raises(OSError, match="Input/output"):
            file.commit()
    assert not path.exists()


def test_a_rebuilt_catalogue_holds_what_only_its_log_held(original: Path, tmp_path: Path):
    """The disk fills while the last commit is folded in: the rows are in a log that is not moved with the file."""
    trial = Trial("rebuild", original, tmp_path)
    folder = trial.again()
    commits = trial.steps.count("committed")
    seen = 0

    def break_last_checkpoint(operation: str, path: Path) -> None:
        nonlocal seen
        seen += operation == "committed"
        if operation == "committed" and seen == commits:
            connection._gate_of(path.resolve()).host.execute("SET debug_checkpoint_abort = 'before_header'")

    durable.set_hook(break_last_checkpoint)
    Library.rebuilt(folder / "store", who="tester")
    durable.set_hook(None)
    assert seen >= commits > 0
    assert state(folder) == trial.after
