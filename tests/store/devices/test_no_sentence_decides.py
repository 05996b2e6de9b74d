"""Code decides by values, flags and the account: with every sentence of the demo replaced by `x` nothing moves."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

from store import Library
from store.devices.page import device_page
from store.judge.comparison import compare_devices
from store.judge.derived.ratios import pair_runs
from store.judge.derived.sustained import sustained_power
from store.judge.evidence import read_evidence
from tui.state.glance import beside
from tui.state.look import Look


def decided(library: Library) -> dict[str, Any]:
    """Everything that is decided about the library's devices, without the words that say so."""
    verdicts = [
        (v.device, v.position, v.verdict, v.measured, v.uncertainty, v.lower, v.upper, v.run_ids)
        for v in library.verdicts.all()
    ]
    evidence = read_evidence(library)
    pairs = {
        name: [(pair.discharge.run_id, pair.recharge.run_id) for pair in pair_runs(evidence.of(name))]
        for name in evidence.sheets
    }
    power = {
        name: [(s.power_w, s.run_ids, s.failed_ids) for way in ("out", "in") if (s := sustained_power(runs, way))]
        for name, runs in evidence.runs.items()
    }
    by_kind: dict[str, list[str]] = {}
    for name, sheet in sorted(evidence.sheets.items()):
        by_kind.setdefault(sheet.kind, []).append(name)
    compared = {}
    for kind, names in by_kind.items():
        page = compare_devices(library, names)
        compared[kind] = [
            (row.name, [(f.value, f.uncertainty, f.run_ids) for f in row.figures], row.best, row.worst, row.ranks)
            for row in page.rows
        ]
    limits = {n: [(x.measure, x.mode, x.verdict) for x in device_page(library, n).limits] for n in evidence.sheets}
    return {"verdicts": verdicts, "pairs": pairs, "power": power, "compared": compared, "limits": limits}


def roles(library: Library, run_ids: list[int]) -> list[set[str]]:
    """Colours' roles of runs' glances."""
    look = Look()
    return [
        {role for line in beside(library.runs.get(n), look, width=70, height=40) for _, role in line} for n in run_ids
    ]


def without_sentences(library: Library) -> int:
    """Replace every note, reason and told word by `x`; how many results had one."""
    touched = 0
    with library.catalogue.writer() as cursor:
        cursor.execute("SELECT rowid, warnings, reason, account FROM catalogue.result")
        for rowid, warnings, reason, account in cursor.fetchall():
            fields = json.loads(account)
            told = dict.fromkeys(fields.get("told", {}), "x")
            notes = ["x" for _ in json.loads(warnings)]
            if not (told or notes or reason):
                continue
            touched += 1
            values = [json.dumps(notes), "x" if reason else "", json.dumps({**fields, "told": told}), rowid]
            cursor.execute("UPDATE catalogue.result SET warnings = ?, reason = ?, account = ? WHERE rowid = ?", values)
        cursor.execute("UPDATE catalogue.event SET detail = 'x' WHERE detail <> ''")
        cursor.execute("UPDATE catalogue.run SET note = 'x' WHERE note <> ''")
    return touched


def test_every_note_replaced_moves_nothing(demo_library: Path, tmp_path: Path) -> None:
    """No verdict, comparison, pairing, sustained power, limit or colour."""
    shutil.copytree(demo_library, tmp_path / "demo")
    library = Library.open(tmp_path / "demo")
    every = library.runs.frame().sort("run_id")["run_id"].to_list()[::9]
    before, colours = decided(library), roles(library, every)
    assert len(before["verdicts"]) > 50
    assert any(before["pairs"].values())
    assert without_sentences(library) > 300
    changed = Library.open(tmp_path / "demo")
    after = decided(changed)
    for name, expected in before.items():
        assert after[name] == expected, name
    assert roles(changed, every) == colours
