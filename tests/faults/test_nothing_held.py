"""While the interface sits on any of its screens, another process can write the catalogue."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from store.model.sheet import DeviceSheet
from tests.builders import make_store
from tests.tui.harness import app_on, press, settle

WRITER = """
import sys, duckdb
for line in sys.stdin:
    try:
        catalogue = duckdb.connect(sys.argv[1])
        catalogue.execute("INSERT INTO meta VALUES ('written', '1')")
        catalogue.close()
        print("written", flush=True)
    except duckdb.Error as error:
        print(str(error).splitlines()[0], flush=True)
"""

WALK: dict[str, tuple[str, tuple[str, ...]]] = {
    "the list of runs": ("RunsScreen", ()),
    "the filter": ("RunsScreen", ("slash",)),
    "help": ("HelpScreen", ("escape", "question_mark")),
    "a list to pick from": ("PickScreen", ("escape", "m")),
    "the form of facts": ("EditScreen", ("escape", "e")),
    "a run": ("RunScreen", ("escape", "enter")),
    "a run zoomed": ("RunScreen", ("plus", "plus")),
    "why a result is": ("WhyScreen", ("0", "enter")),
    "two runs compared": ("CompareScreen", ("escape", "escape", "space", "j", "space", "c")),
    "the list of devices": ("DevicesScreen", ("escape", "f3")),
    "a device": ("DeviceScreen", ("enter",)),
    "a device's sheet": ("SheetScreen", ("e",)),
    "a question": ("QueryScreen", ("escape", "escape", "f4")),
    "an import": ("PromptScreen", ("escape", "f5")),
    "settings": ("PickScreen", ("escape", "f7")),
}
"""Every screen by its class, and the keys that lead to it from the one before."""


@pytest.fixture
def writer(tmp_path: Path):
    command = [sys.executable, "-c", WRITER, str(tmp_path / "store" / "catalogue.duckdb")]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def write() -> str:
        process.stdin.write("\n")
        process.stdin.flush()
        return process.stdout.readline().strip()

    yield write
    process.stdin.close()
    process.wait()


async def test_no_screen_holds_the_catalogue(tmp_path: Path, writer):
    library = make_store(tmp_path, 4, samples=60)
    library.devices.save(DeviceSheet("PB-01", "power bank", rated_energy_wh=61.6))
    app = app_on(library)
    seen = set()
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        for name, (screen, keys) in WALK.items():
            await press(pilot, *keys)
            for _ in range(100):
                if type(app.screen).__name__ == screen:
                    break
                await settle(pilot)
            assert type(app.screen).__name__ == screen, name
            seen.add(screen)
            assert writer() == "written", name
        await settle(pilot)
    assert len(seen) >= 10
