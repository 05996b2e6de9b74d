"""Any write, flush or rename may fail: the library is then as it was, or as it should become, and never between."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from store import Library, StoreError, diskio
from tests.faults import scenarios
from tests.faults.scenarios import SCENARIOS, Fault, base, count_steps, fresh, state


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("original")
    base(folder)
    return folder


@pytest.fixture(autouse=True)
def _no_hook_left():
    yield
    diskio.set_hook(None)


def check_after(original_state: dict, undisturbed: dict, act, folder: Path) -> None:
    """Whole runs only; `verify --repair` leaves it clean; the same command again ends like an undisturbed one."""
    found = state(folder)
    half = [name for name in found if found != undisturbed and found[name] != original_state[name]]
    assert found == undisturbed or not half, {name: found[name] for name in half}
    library = Library.open(folder / "store", who="tester")
    library.verify(repair=True)
    assert library.verify() == []
    act(folder)
    assert state(folder) == undisturbed
    library.verify(repair=True)
    assert library.verify() == []
    assert not list((folder / "store" / "tmp").iterdir())


def few(steps: list[str], wanted: tuple[str, ...]) -> list[int]:
    """The last step of each wanted operation, 1-based: where most has been done already."""
    return [len(steps) - steps[::-1].index(operation) for operation in wanted if operation in steps]


def storm(name: str, original: Path, tmp_path: Path, *, codes: tuple[int, ...], wanted: tuple[str, ...] = ()) -> int:
    act = SCENARIOS[name]
    before = state(original)
    steps = count_steps(act, fresh(original, tmp_path / "whole"))
    after = state(tmp_path / "whole")
    tried, said = 0, []
    for at in few(steps, wanted) if wanted else range(1, len(steps) + 1):
        for code in codes:
            for ever_after in (True,) if wanted else (False, True):
                folder = fresh(original, tmp_path / "broken")
                diskio.set_hook(Fault(at, code=code, ever_after=ever_after))
                try:
                    act(folder)
                except StoreError as error:
                    said.append(str(error))
                finally:
                    diskio.set_hook(None)
                assert not list((folder / "store" / "tmp").iterdir()), f"step {at} ({steps[at - 1]}) left a temporary"
                check_after(before, after, act, folder)
                tried += 1
    assert said
    assert not [sentence for sentence in said if "\n" in sentence]
    return tried


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_failing_step_leaves_the_library_whole(name: str, original: Path, tmp_path: Path):
    """The disk fails for good at the last step of each kind."""
    wanted = (
        ("write", "fsync", "replace", "fsync-folder", "commit") if name in {"import", "pack"} else ("replace", "commit")
    )
    assert storm(name, original, tmp_path, codes=(errno.EIO,), wanted=wanted) >= 1


@pytest.mark.long
@pytest.mark.parametrize("name", SCENARIOS)
def test_every_failing_step_leaves_the_library_whole(name: str, original: Path, tmp_path: Path):
    """Every step fails, once and ever after, in four ways."""
    storm(name, original, tmp_path, codes=(errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS))


def kills(name: str, original: Path, tmp_path: Path, wanted: tuple[str, ...] = ()) -> int:
    act = {**SCENARIOS, "migrate": scenarios.do_migrate}[name]
    before = state(original)
    steps = count_steps(act, fresh(original, tmp_path / "whole"))
    after = state(tmp_path / "whole") if name != "migrate" else before
    tried = 0
    for at in few(steps, wanted) if wanted else range(1, len(steps) + 1):
        folder = fresh(original, tmp_path / "broken")
        command = [sys.executable, scenarios.__file__, name, str(folder), str(at)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 9, done.stderr
        if name == "migrate":
            assert state(folder) == before
        else:
            check_after(before, after, act, folder)
        tried += 1
    return tried


@pytest.mark.parametrize("name", ["import", "pack"])
def test_a_killed_command_leaves_the_library_whole(name: str, original: Path, tmp_path: Path):
    """The process ends at a few of its steps, as if pulled."""
    assert kills(name, original, tmp_path, ("replace", "commit", "committed")) == 3


@pytest.mark.long
@pytest.mark.parametrize("name", [*SCENARIOS, "migrate"])
def test_a_command_killed_anywhere_leaves_the_library_whole(name: str, original: Path, tmp_path: Path):
    """The process ends at each of its steps."""
    kills(name, original, tmp_path)


def test_an_import_flushes_before_it_names(original: Path, tmp_path: Path):
    """Order: fsync of the files, rename, fsync of the folders, then the catalogue's commit."""
    steps = count_steps(SCENARIOS["import"], fresh(original, tmp_path / "whole"))
    order = [s for s in steps if s in {"fsync", "replace", "fsync-folder", "commit"}]
    assert order[: order.index("replace")] == ["fsync"] * 3
    last_replace = len(order) - 1 - order[::-1].index("replace")
    assert order[last_replace + 1 : last_replace + 4] == ["fsync-folder", "fsync-folder", "commit"]


def test_a_file_whose_flush_failed_is_thrown_away(tmp_path: Path):
    """A second fsync after a failed one tells lies (Rebello et al., USENIX ATC 2020): the file must go."""
    path = tmp_path / "x"
    diskio.set_hook(
        lambda op, p: (_ for _ in ()).throw(OSError(errno.EIO, os.strerror(errno.EIO))) if op == "fsync" else None
    )
    with diskio.HashingFile(path) as file:
        file.write(b"samples")
        with pytest.raises(OSError, match="Input/output"):
            file.commit()
    assert not path.exists()
