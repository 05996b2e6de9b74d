"""The program called as a person calls it: in this process mostly, in one of its own for streams and signals."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tui.cli.main import main


@dataclass(frozen=True)
class Said:
    """How a call ended and what it said."""

    status: int
    out: str
    err: str

    def json(self) -> Any:
        """The one document on standard output."""
        return json.loads(self.out, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))

    def assert_refused(self, *words: str, status: int = 1) -> None:
        """One or two clear sentences that hold the words, the exit status, nothing on standard output, no traceback."""
        assert self.status == status, (self.status, self.err)
        assert self.out == ""
        assert "Traceback" not in self.err
        assert "Something went wrong inside" not in self.err
        missing = [word for word in words if word not in self.err]
        assert not missing, (missing, self.err)
        assert "\x1b" not in self.err


Cli = Callable[..., Said]


@pytest.fixture
def cli(capsys: pytest.CaptureFixture[str]) -> Cli:
    """Call the program in this process."""

    def call(*words: object) -> Said:
        capsys.readouterr()
        status = main([str(word) for word in words])
        captured = capsys.readouterr()
        return Said(status, captured.out, captured.err)

    return call


@pytest.fixture
def program() -> Callable[..., subprocess.CompletedProcess[bytes]]:
    """Call the program in a process of its own."""

    def call(*words: object, **options: Any) -> subprocess.CompletedProcess[bytes]:
        environment = {**os.environ, **options.pop("env", {})}
        command = [sys.executable, "-m", "tui", *(str(word) for word in words)]
        options = {"capture_output": True, "check": False, "timeout": 120} | options
        root = Path(__file__).resolve().parents[2]
        environment["PYTHONPATH"] = str(root)
        return subprocess.run(command, env=environment, **options)  # noqa: PLW1510 (among the options)

    return call


@contextmanager
def started(*words: object) -> Iterator[subprocess.Popen[bytes]]:
    """The program in a process of its own that hears Ctrl-C, whatever this one does; ended at the end."""

    def hear_ctrl_c() -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)  # a job in the background inherits deafness

    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    command = [sys.executable, "-m", "tui", *(str(word) for word in words)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    child = subprocess.Popen(command, **pipes, env=environment, preexec_fn=hear_ctrl_c)  # noqa: PLW1509 (no locks in it)
    try:
        yield child
    finally:
        child.kill()
        child.communicate()


@pytest.fixture
def demo_copy(demo_library: Path, tmp_path: Path) -> Path:
    """The demo library, to be changed."""
    return Path(shutil.copytree(demo_library, tmp_path / "copy"))
