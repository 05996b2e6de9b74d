"""A season's bench in one go through a real terminal: a test from plan to filed run while another process writes the
export, a folder of logs with their facts, parts joined, ports grouped, a slip corrected; every figure held against sums
of what was written."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from store import Library
from store.devices.sheet_reader import read_sheet
from tests.builders import ONE_CLAIM
from tests.tui.screens.test_import_table import NAMES, write_log
from tests.tui.terminal import Terminal

LONG_S = 120.0

WRITER = """
import sys, time
path, data = sys.argv[1], open(sys.argv[2], "rb").read()
with open(path, "wb", buffering=0) as out:
    begin = 0
    while begin < len(data):
        size = 37 + begin % 91  # never whole lines only
        out.write(data[begin : begin + size])
        begin += size
        time.sleep(0.01)
"""
"""The meter's software: appends bits of lines."""


def kept_plan(folder: Path) -> str:
    """The bench's plan as the program keeps it, with the export that is followed; empty where there is none."""
    return "".join(file.read_text(errors="replace") for file in folder.rglob("bench/*.json"))


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="there is no pseudo-terminal")
@pytest.mark.parametrize(
    ("columns", "rows", "colours"),
    [(80, 24, {}), (60, 20, {"NO_COLOR": "1"}), (160, 45, {"TERM": "xterm-16color", "COLORTERM": ""})],
)
def test_a_season_from_the_plan_to_grouped_runs(
    tmp_path: Path, columns: int, rows: int, colours: dict[str, str]
) -> None:
    library = Library.create(tmp_path / "store", zone="UTC", who="tester")
    for device in ("PB-01", "PB-02"):
        library.devices.save(read_sheet(ONE_CLAIM.format(device=device)).sheet)
    exports, logs = tmp_path / "out", tmp_path / "logs"
    exports.mkdir()
    logs.mkdir()
    amps = np.concatenate([np.full(390, 1.5), np.zeros(10)])
    write_log(tmp_path / "whole.csv", 20.0, amps)
    taper = np.concatenate([np.full(600, 2.0), 2.0 * np.exp(-np.arange(400) / 110)])
    write_log(logs / NAMES[0], 20.0, taper[:400], from_s=7200)
    before = float(np.sum(20.0 * taper[:400]) / 3600)
    write_log(logs / NAMES[1], 20.0, taper[400:], from_s=7601, before_wh=before)
    write_log(logs / NAMES[2], 20.0, np.full(300, 1.5), from_s=90_000)
    write_log(logs / NAMES[3], 9.0, np.full(300, 1.0), from_s=90_010)
    env = {
        "JOULEBOOK_LIBRARY": str(library.path),
        "XDG_STATE_HOME": str(tmp_path / "settings"),
        "HOME": str(tmp_path),
        **colours,
    }
    with Terminal(env, columns=columns, rows=rows) as at:
        at.until("filter")
        # bench
        at.press("b")
        at.until("device to test")
        at.press("\r")
        at.until("next test of PB-01")
        at.press("\r")
        at.until("facts of this test")
        at.press(*"30 W", "\x13")
        at.until("export, or the folder")
        at.press(str(exports), "\r")
        at.until(lambda: str(exports) in kept_plan(tmp_path))
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(exports / "PB-01.csv"), str(tmp_path / "whole.csv")]
        )
        try:
            at.until(lambda: "PB-01.csv" in kept_plan(tmp_path))
            writer.wait(LONG_S)
            if rows > 20:  # a small window shows the upper lines
                at.until("unchanged for")
        finally:
            writer.kill()
        at.press("\r")
        at.until(lambda: library.runs.page("").total == 1)
        bench_keys = at.keys
        filed = library.runs.get(1)
        assert (filed.facts.device, filed.facts.kind, filed.facts.load_set) == ("PB-01", "discharge", "30 W")
        assert filed.samples == 400
        found = {r.name: r.value for r in filed.results if r.is_current}
        assert found["energy_out_wh"] == pytest.approx(float(np.sum(20.0 * amps)) / 3600, rel=0.005)
        assert bench_keys <= 11  # ten, and the folder, which is named once a season
        # import
        at.until("filed as run 1")
        at.press("\x1b[15~")
        at.until("file or folder")
        at.press(str(logs), "\r")
        at.until("4 sure")
        at.until("PB-02_C2.csv")
        at.until("proposed")
        at.press("Y")
        at.until("facts taken")
        at.press("\r")
        at.until(lambda: library.runs.page("").total == 5)
        at.until("J joins, G groups")
        at.press("J")
        at.until(lambda: library.runs.page("").total == 4)
        at.press("G")
        at.until(lambda: sum(value is not None for value in library.runs.frame()["group_id"]) == 2)
        frame = library.runs.frame("kind:recharge")
        found = {r.name: r.value for r in library.runs.get(frame["run_id"][0]).results if r.is_current}
        assert found["energy_in_wh"] == pytest.approx(float(np.sum(20.0 * taper)) / 3600, rel=0.01)
        # a slip corrected, the program left
        at.press(*["\x1b[C"] * 6, " ")
        at.until("meter of")
        at.press("M3", "\r")
        at.until(lambda: library.runs.page("meter:M3").shown == 1)
        at.press("\x11")
        assert at.ended() == 0
    assert library.maintenance.verify() == []
