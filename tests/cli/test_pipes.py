"""Pipes, closed streams, full disks, encodings: the program ends in good manners."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import started
from tui.cli.main import main

Program = Callable[..., "subprocess.CompletedProcess[bytes]"]

on_posix = pytest.mark.skipif(os.name == "nt", reason="POSIX shells and devices")

READERS = (
    ("runs",),
    ("show", "1", "--json"),
    ("sql", "FROM samples LIMIT 20000", "--format", "csv"),
)


@on_posix
@pytest.mark.parametrize("words", READERS, ids=" ".join)
def test_a_reader_that_has_seen_enough_is_no_error(words: tuple[str, ...], demo_library: Path) -> None:
    """`joulebook runs | head -1`: status 0 or 141, nothing on standard error but a sum."""
    quoted = " ".join(f"'{word}'" for word in words)
    script = (
        f"'{sys.executable}' -m tui --library '{demo_library}' {quoted} | head -c 10; echo status ${{PIPESTATUS[0]}}"
    )
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True, timeout=120)
    assert done.stdout.rsplit("status ", 1)[1].strip() in {"0", "141"}
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


@on_posix
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("words", READERS[::2], ids=" ".join)
def test_a_full_disk_is_said_in_one_sentence(words: tuple[str, ...], demo_library: Path, program: Program) -> None:
    """Output that can't be written ends with status 1 and the reason."""
    with Path("/dev/full").open("wb") as full:
        done = program("--library", demo_library, *words, capture_output=False, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 1
    assert b"could not be written" in done.stderr
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr


@on_posix
@pytest.mark.parametrize("closing", ["1>&-", "0<&- 1>&- 2>&-"])
def test_closed_streams_do_no_harm(closing: str, demo_library: Path) -> None:
    """A stream that is closed from the start is as good as one that nobody reads."""
    script = f"'{sys.executable}' -m tui --library '{demo_library}' runs {closing}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0
    assert "Traceback" not in done.stderr


ASCII = (
    ("runs",),
    ("runs", "--plain"),
    ("runs", "Ω:°"),
    ("show", "1"),
    ("why", "1", "energy_wh"),
    ("sql", "SELECT 'Ω ± °C 電池 ⣿' AS text"),
    ("sql", "SELECT 'Ω' AS text", "--format", "csv"),
    ("sql", "--views"),
    ("device", "list"),
    ("device", "show", "PB-03"),
    ("compare", "PB-01", "PB-03"),
    ("meter", "list"),
    ("profile", "list"),
    ("amendments",),
    ("files",),
    ("verify", "--quick"),
    ("--help",),
)


@pytest.mark.parametrize("words", ASCII, ids=" ".join)
def test_ascii_terminals_get_every_command(
    words: tuple[str, ...], demo_library: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In ASCII no command fails on a sign; what one has no word for becomes a question mark."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="ascii", write_through=True) for _ in range(2))
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    status = main(["--library", str(demo_library), *words])
    said = err.buffer.getvalue().decode("ascii")  # type: ignore[attr-defined]
    assert status == (2 if "Ω:°" in words else 0), said
    assert "inside Joulebook" not in said
    if "csv" not in words:  # an interchange format: always UTF-8
        assert out.buffer.getvalue().isascii()  # type: ignore[attr-defined]


def test_the_environments_encoding_is_obeyed(demo_library: Path, program: Program) -> None:
    """PYTHONIOENCODING=ascii: text gets words for its signs, JSON escapes, so that no value changes."""
    ascii_only = {"PYTHONIOENCODING": "ascii"}
    shown = program("--library", demo_library, "show", "1", env=ascii_only)
    assert b"degC" in shown.stdout
    assert b"+-" in shown.stdout
    words = ("sql", "SELECT 'Ω ± 電 ⣿' AS text", "--format", "json")
    done = program("--library", demo_library, *words, env=ascii_only)
    assert json.loads(done.stdout) == [{"text": "Ω ± 電 ⣿"}]


def test_words_about_a_result_go_to_standard_error(demo_library: Path, program: Program) -> None:
    """With --quiet standard error stays empty; standard output is the same bytes."""
    loud = program("--library", demo_library, "runs")
    quiet = program("--library", demo_library, "runs", "-q")
    assert loud.stdout == quiet.stdout
    assert loud.stderr
    assert not quiet.stderr


def test_no_escape_code_reaches_a_pipe_even_when_colour_is_forced(demo_library: Path, program: Program) -> None:
    """FORCE_COLOR draws neither colour nor a bar into a file."""
    done = program("--library", demo_library, "show", "1", env={"FORCE_COLOR": "1"})
    assert b"\x1b" not in done.stdout + done.stderr


def test_the_interface_needs_a_terminal(program: Program) -> None:
    """`joulebook` in a script says which commands to use instead, and makes no library."""
    done = program(stdin=subprocess.DEVNULL)
    assert done.returncode == 1
    assert b"needs a terminal" in done.stderr
    assert not Path(os.environ["JOULEBOOK_LIBRARY"]).exists()


@on_posix
def test_ctrl_c_interrupts_a_question_at_once(demo_library: Path) -> None:
    """A question that would take hours ends with status 130 and one word; no abort, no traceback."""
    sql = "SELECT sum(a.t_s * b.t_s) FROM samples a, samples b"
    with started("--library", demo_library, "sql", sql) as child:
        threads = Path(f"/proc/{child.pid}/task")
        if not threads.exists():
            pytest.skip("needs /proc to see that the question runs")
        deadline = time.monotonic() + 60
        while sum(_cpu_ticks(task) for task in _tasks(threads) if task.name != str(child.pid)) < 30:
            assert time.monotonic() < deadline
            assert child.poll() is None
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=30)
    assert (child.returncode, out) == (130, b"")
    assert err.strip() == b"Stopped."


def _tasks(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except FileNotFoundError:
        return []


def _cpu_ticks(task: Path) -> int:
    """Processor time that a thread has used."""
    try:
        fields = (task / "stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return 0
    return int(fields[11]) + int(fields[12])
