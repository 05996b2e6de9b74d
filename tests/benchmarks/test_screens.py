"""How soon the interface shows and follows, at 100,000 runs and at 10 million samples. Run with -n 0 -m bench -s.

Goals: the list up within 1.5 times the start of a bare Textual app in the same run; a key in the filter shows its
effect in under 50 ms (median) and 100 ms (95th percentile); holding an arrow key never falls behind; the first plot of
10 million samples in under 300 ms, a zoom in under 100 ms. Figures are printed, not asserted: another machine's load is
no fault of the program.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import statistics
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path

import pytest
from textual import events
from textual.keys import _character_to_key
from textual.pilot import Pilot

from store import Library
from tests.benchmarks.many_runs import library_of, long_run
from tests.tui.harness import app_on, press, settle
from tui.app import JoulebookApp
from tui.screens.run import RunScreen
from tui.settings import Settings, pages_folder
from tui.state.kept_page import keep_page
from tui.widgets.lines_view import LinesView

pytestmark = pytest.mark.bench

RUNS = 100_000
SAMPLES = 10_000_000
SIZE = (120, 40)
QUIET_S = 0.05
"""The framework draws 60 times a second: what is to be drawn is drawn after three of its turns."""
BARE = """
from textual.app import App
from textual.widgets import Static
class Bare(App):
    def compose(self):
        yield Static("bare")
Bare().run()
"""
LOADED = f"import duckdb, pyarrow\n{BARE}"


@pytest.fixture(scope="module")
def big(tmp_path_factory: pytest.TempPathFactory) -> Library:
    return library_of(tmp_path_factory.mktemp("big"), RUNS)


class Frames:
    """When the app wrote a frame to the screen."""

    def __init__(self, app: JoulebookApp) -> None:
        self.at: list[float] = []
        write = app._display

        def display(*args: object) -> None:
            write(*args)
            self.at.append(time.perf_counter())

        app._display = display

    async def after(self, moment: float, is_true: Callable[[], bool]) -> float:
        """Wait until something is true and drawn; gives seconds from `moment` to the last frame of it."""
        while not is_true():  # noqa: ASYNC110 (what is watched belongs to the app under test)
            await asyncio.sleep(0.0005)
        await asyncio.sleep(QUIET_S)
        return self.at[-1] - moment


@contextlib.asynccontextmanager
async def opened(library: Library) -> AsyncIterator[tuple[JoulebookApp, Pilot[None], Frames]]:
    app = app_on(library)
    frames = Frames(app)
    async with app.run_test(size=SIZE) as pilot:
        await settle(pilot)
        yield app, pilot, frames


def key(app: JoulebookApp, name: str) -> float:
    """Put a key into the app's queue, as the terminal does; gives when."""
    at = time.perf_counter()
    app.post_message(events.Key(name if len(name) > 1 else _character_to_key(name), name if len(name) == 1 else None))
    return at


def spread(seconds: Sequence[float]) -> str:
    ordered = sorted(seconds)
    return (
        f"median {statistics.median(ordered) * 1e3:.0f} ms, "
        f"95th percentile {ordered[int(0.95 * (len(ordered) - 1))] * 1e3:.0f} ms, most {ordered[-1] * 1e3:.0f} ms"
    )


# the start, in a terminal of its own
@contextlib.contextmanager
def in_terminal(command: Sequence[str], home: Path) -> Iterator[int]:
    """Run a program in a pseudo terminal of 120 x 40; gives the terminal's side that sees its output."""
    import fcntl
    import pty
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", SIZE[1], SIZE[0], 0, 0))
    env = {**os.environ, "TERM": "xterm-256color", "XDG_STATE_HOME": str(home)}
    process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=env, close_fds=True)
    os.close(theirs)
    try:
        yield ours
    finally:
        process.kill()
        process.wait()
        os.close(ours)


def seconds_to(word: bytes, command: Sequence[str], home: Path) -> float:
    """How long a program takes to show a word [s]."""
    began, seen = time.perf_counter(), b""
    with in_terminal(command, home) as terminal:
        while word not in seen:
            ready, _, _ = select.select([terminal], [], [], 30)
            assert ready, seen[-2000:]
            seen += os.read(terminal, 65536)
        return time.perf_counter() - began


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo terminal")
def test_the_list_is_up(big, tmp_path):
    """The whole start of the process, the four taking turns: with the first page kept from last time, and without."""
    here = [sys.executable, "-m", "tui", "--library", str(big.path)]
    changed, seen = tmp_path / "changed", tmp_path / "seen"
    hour_ago = time.time() - 3600
    os.utime(big.layout.catalogue, (hour_ago, hour_ago))
    usual = Settings()
    assert keep_page(pages_folder(seen / "joulebook" / "view.json"), big, sort=usual.sort, columns=usual.columns)
    programs = {
        "bare Textual": (b"bare", [sys.executable, "-c", BARE], seen),
        "bare Textual with DuckDB and pyarrow loaded": (b"bare", [sys.executable, "-c", LOADED], seen),
        f"the list of {RUNS:,} runs": (b"PB-", here, seen),
        "the same where something was committed since it was last seen": (b"PB-", here, changed),
    }
    took: dict[str, list[float]] = {name: [] for name in programs}
    for _ in range(6):
        for name, (word, command, home) in programs.items():
            took[name].append(seconds_to(word, command, home))
    print()
    base, middle = min(took["bare Textual"]), statistics.median(took["bare Textual"])
    for name, seconds in took.items():
        print(f"{name}: {min(seconds):.2f} s at best ({min(seconds) / base:.2f} x the bare app), "
              f"{statistics.median(seconds):.2f} s median ({statistics.median(seconds) / middle:.2f} x)")  # fmt: skip


# keys in the filter
async def test_a_key_in_the_filter_shows_its_effect(big):
    """Each key waits for the effect of the one before, as a person does who looks."""
    took: list[float] = []
    async with opened(big) as (app, pilot, frames):
        await press(pilot, "slash")
        for text in ("port:C1 mode:20V wh>4", "PB-01", "kind:heat -PB-003", "device:PB-03", "log0001"):
            for letter in text:
                at = key(app, letter)
                typed = app.screen.filter_input.value + letter

                def is_shown(typed: str = typed) -> bool:
                    return app.run_list.filter_text == typed and not app.jobs.is_waiting("runs.list")

                took.append(await frames.after(at, is_shown))
                await settle(pilot)
            app.screen.filter_input.put("")
            await settle(pilot)
    print(f"\na key in the filter to the frame with its effect, {len(took)} keys: {spread(took)}")


@pytest.mark.parametrize("name", ["down", "pagedown"])
async def test_a_held_key_never_falls_behind(big, name):
    """200 presses at the rate of a keyboard (30 a second), then as fast as the queue takes them."""
    async with opened(big) as (app, pilot, frames):
        lag: list[float] = []
        for pause_s in (1 / 30, 0.0):
            lag.clear()
            before = app.run_list.cursor
            began = time.perf_counter()
            for n in range(200):
                at = key(app, name)
                target = before + n + 1
                if pause_s:
                    while time.perf_counter() < at + pause_s:
                        await asyncio.sleep(0.001)
                        if name == "down" and len(lag) == n and app.run_list.cursor >= target:
                            lag.append(time.perf_counter() - at)
            last = time.perf_counter()

            def is_there(start: int = before) -> bool:
                run_id = app.run_list.run_id()
                view = app.screen.glance.view
                return app.run_list.cursor > start and view is not None and view.facts.run_id == run_id

            behind = await frames.after(last, lambda: not app.jobs.is_busy and is_there())
            await settle(pilot)
            rate = f"{200 / (last - began):,.0f} a second" if pause_s else "all at once"
            told = f"; the cursor follows each in {spread(lag)}" if lag else ""
            print(f"\n200 x {name}, {rate}: the glance stands {behind * 1e3:.0f} ms after the last{told}")
            await press(pilot, "g")


# ten million samples
async def test_a_long_run_plots_and_zooms(tmp_path):
    """First plot from the key that opens it; a zoom from its key to the frame that shows it as fine as it gets."""
    library = library_of(tmp_path, 12)
    run_id = long_run(library, tmp_path, SAMPLES)
    async with opened(library) as (app, pilot, frames):
        app.screen.filter_input.put(f"run:{run_id}")
        await settle(pilot)
        first: list[float] = []
        fine: list[float] = []
        zooms: list[float] = []
        for _ in range(3):
            at = key(app, "enter")

            def is_drawn() -> bool:
                screen = app.screen
                return isinstance(screen, RunScreen) and bool(screen.query("#cursor-line").first(LinesView).lines)

            first.append(await frames.after(at, is_drawn))
            fine.append(await frames.after(at, lambda: not app.jobs.is_busy))
            await settle(pilot)
            for _ in range(12):
                at = key(app, "right")
                await settle(pilot)
            for name in ("plus",) * 10 + ("minus",) * 10:
                span = app.screen.model.span_s
                at = key(app, name)
                zooms.append(
                    await frames.after(at, lambda s=span: app.screen.model.span_s != s and not app.jobs.is_busy)
                )
                await settle(pilot)
            await press(pilot, "escape")
    print(f"\n{SAMPLES:,} samples, first plot: {spread(first)}; as fine as it gets: {spread(fine)}")
    print(f"zoom to its final picture, {len(zooms)} keys: {spread(zooms)}")
