"""The program in a process of its own that has loaded it already: what starts and is traced from here is the command.

Loading takes a second, the command a tenth of it. A server that has loaded everything forks a child for each command;
the child waits until it is told to go, so that strace can be attached first.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import pkgutil
import subprocess
import sys
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import importers
import store
import tui
from tui.cli.main import main

for _package in (store, importers):
    for _module in pkgutil.walk_packages(_package.__path__, f"{_package.__name__}."):
        importlib.import_module(_module.name)
for _module in pkgutil.iter_modules(tui.__path__, "tui."):
    if _module.name.startswith(("tui.cli.main", "store.imports.importer", "tui.render.tables")):
        importlib.import_module(_module.name)


STUCK = "failed to wake I/O driver"
"""What Polars' threads say when they can't wake each other: such a refusal struck no file."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a command ended."""

    status: int
    """As a shell tells it; negative where a signal ended it."""
    out: str
    err: str


def _command(words: tuple[str, ...], folder: str, go: Connection) -> None:
    os.chdir(folder)
    for number, name in ((1, "out"), (2, "err")):
        os.dup2(os.open(f"{folder}.{name}", os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600), number)
    os.environ.update({"USER": "tester", "HOME": str(Path(folder).parent)})
    go.recv()
    os._exit(main(["--library", f"{folder}/store", *words]))


def _wait(child: BaseProcess, err: Path) -> None:
    """Let it end; where a refusal struck the wheels of Polars' threads, no file, it never would."""
    latest = time.monotonic() + 120
    while child.exitcode is None:
        child.join(0.2)
        if child.exitcode is None and STUCK in err.read_text():
            child.kill()
        assert time.monotonic() < latest, err.read_text()


def run(words: tuple[str, ...], folder: Path, strace: tuple[str, ...] = ()) -> Ended:
    """Run a command on the library in a folder, traced where strace's words are given."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    there, go = context.Pipe(duplex=False)
    child = context.Process(target=_command, args=(words, str(folder), there))
    child.start()
    tracer = None
    if strace:
        attach = ["strace", "-f", "-p", str(child.pid), *strace]
        tracer = subprocess.Popen(attach, stderr=subprocess.PIPE, text=True)
        line = tracer.stderr.readline()
        assert "attached" in line, line
    go.send("go")
    _wait(child, Path(f"{folder}.err"))
    if tracer is not None:
        tracer.communicate(timeout=60)
    out, err = (Path(f"{folder}.{name}").read_text() for name in ("out", "err"))
    return Ended(child.exitcode, out, err)
