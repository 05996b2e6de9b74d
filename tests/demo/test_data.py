"""The demo's data is whole, is what its model makes, and holds what the program must be able to show."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections import Counter
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

import demo_parquet
from demo_parquet.bench.expectations import expected_verdicts
from demo_parquet.bench.export_forms import charger_utf16
from demo_parquet.bench.exports import EXPORTS
from demo_parquet.bench.meter import METERS
from demo_parquet.bench.season import DEVICES, device_runs
from importers.schema import KINDS, TRACE_COLUMNS
from store.devices.sheet_reader import read_sheet
from store.uncertainty.accuracy import parse_spec

HOME = Path(str(demo_parquet.folder()))
MANIFEST = json.loads(demo_parquet.manifest().read_text("utf-8"))
PACKS = sorted((HOME / "traces").glob("*.parquet"))


def footers() -> list[tuple[Path, dict]]:
    return [(path, run) for path in PACKS for run in json.loads(pq.read_metadata(path).metadata[b"joulebook"])["runs"]]


RUNS = footers()


def test_every_file_is_as_the_manifest_has_it():
    for entry in MANIFEST["files"]:
        content = (HOME / entry["file"]).read_bytes()
        assert len(content) == entry["bytes"], entry["file"]
        assert hashlib.sha256(content).hexdigest() == entry["sha256"], entry["file"]
        if entry["file"].endswith(".parquet"):
            assert pq.ParquetFile(HOME / entry["file"]).metadata.num_rows == entry["rows"]


def test_no_data_file_is_missing_from_the_manifest():
    listed = {entry["file"] for entry in MANIFEST["files"]}
    for folder in ("traces", "devices", "exports"):
        for path in (HOME / folder).iterdir():
            assert f"{folder}/{path.name}" in listed


def test_there_is_enough_of_every_kind_in_little_room():
    """At least 150 runs over all kinds, a million samples, under 12 MB of Parquet."""
    kinds = Counter(run["kind"] for _, run in RUNS)
    assert len(RUNS) >= 150
    assert set(kinds) == set(KINDS)
    assert sum(run["rows"] for _, run in RUNS) >= 1_000_000
    assert sum(path.stat().st_size for path in PACKS) < 12_000_000


def test_packs_are_in_the_trace_format():
    """All columns, sorted by run and time, NULL and never NaN, whole runs in row groups, checksums and index."""
    for path in PACKS:
        file = pq.ParquetFile(path, page_checksum_verification=True)
        assert tuple(file.schema_arrow.names) == TRACE_COLUMNS
        table = file.read()
        run_id, t_s = table["run_id"].to_numpy(), table["t_s"].to_numpy()
        is_next = np.diff(run_id) == 0
        assert np.all(np.diff(run_id) >= 0)
        assert np.all(np.diff(t_s)[is_next] > 0)
        for name in TRACE_COLUMNS[1:]:
            values = table[name].drop_null().to_numpy()
            assert not np.isnan(values).any(), name
        group = file.metadata.row_group(0)
        assert group.num_rows <= 122_880
        assert group.column(1).compression == "ZSTD"
        assert group.column(1).has_offset_index


def test_runs_and_groups_make_sense():
    ids = [run["run_id"] for _, run in RUNS]
    assert sorted(ids) == list(range(1, len(ids) + 1))
    assert len({run["uid"] for _, run in RUNS}) == len(ids)
    assert {run["device"] for _, run in RUNS} == set(DEVICES)
    assert all(run["started_at"][:7] in {"2026-01", "2026-02"} for _, run in RUNS)
    groups = Counter(run["group_id"] for _, run in RUNS if run["group_id"] is not None)
    assert min(groups.values()) >= 2
    assert {run["quality"] for _, run in RUNS} == {"ok", "suspect", "rejected"}
    assert all(run["quality_reason"] for _, run in RUNS if run["quality"] != "ok")
    assert len({run["ambient_c"] for _, run in RUNS}) >= 4
    assert {run["meter"] for _, run in RUNS} <= set(METERS)


@pytest.mark.parametrize("device", ["PB-01", "AD-04", "CB-02"])
def test_the_model_makes_the_same_data_again(device):
    """Seeded: values equal; another machine's exp() may round one reading in a thousand to the next digit."""
    kept = {run["uid"]: (path, run) for path, run in RUNS if run["device"] == device}
    made = [run for run in device_runs(device) if run.facts["device"] == device]
    assert {run.uid for run in made} <= set(kept)
    for run in made:
        path, entry = kept[run.uid]
        table = pq.read_table(path, filters=[("run_id", "=", entry["run_id"])])
        assert table.num_rows == len(run.columns["t_s"])
        assert entry["started_at"][:19] == run.facts["started_at"][:19]
        for name, values in run.columns.items():
            stored = table[name].to_numpy(zero_copy_only=False)
            apart = np.abs(stored - values) > 1e-9
            assert apart.mean() <= 1e-3, (run.key, name)
            assert np.nanmax(np.abs(stored - values)) <= 0.1 + 1e-9, (run.key, name)


def test_exports_are_made_the_same_again():
    export = next(item for item in EXPORTS if item.file == "c-charger-log.tsv")
    runs, content = export.made(export.began)
    assert content == charger_utf16(runs, export.began)
    kept = (HOME / "exports" / export.file).read_bytes()
    same = sum(a == b for a, b in zip(content.split(b"\n"), kept.split(b"\n"), strict=True))
    assert same >= 0.999 * len(kept.split(b"\n"))


def test_sheets_read_without_a_question():
    sheets = sorted((HOME / "devices").glob("*.toml"))
    assert [path.stem for path in sheets] == sorted(DEVICES)
    for path in sheets:
        reading = read_sheet(path.read_text("utf-8"), path.name)
        assert reading.questions == (), path.name
        assert reading.sheet.device == path.stem
        assert reading.sheet.claims
        assert not reading.sheet.maker


def test_meters_are_within_their_own_limits_and_say_what_is_unknown():
    """The hidden gain of each meter lies within its stated limit; M4 states none, T1 is overdue."""
    stated = {entry["name"]: entry for entry in tomllib.loads(demo_parquet.meters().read_text("utf-8"))["meter"]}
    assert set(stated) == set(METERS)
    for name in ("M1", "M2", "M3"):
        for quantity in ("voltage", "current"):
            limit = parse_spec(stated[name][quantity]).reading_share
            hidden = getattr(METERS[name], quantity)
            assert 0.0 < abs(hidden.gain - 1.0) <= limit
    assert "voltage" not in stated["M4"]
    assert str(stated["T1"]["calibration"][0]["due_on"]) < "2026-01-01"


def test_expected_verdicts_follow_from_the_models_own_figures():
    """Each claim's word agrees with the true mean against its bound, so that the table can't drift from the model."""
    truth = json.loads(demo_parquet.truth().read_text("utf-8"))
    scale = {"min": 60.0, "h": 3600.0, "mΩ": 1.0}
    seen = 0
    for row in truth["verdicts"]:
        sheet = tomllib.loads((HOME / "devices" / f"{row['device']}.toml").read_text("utf-8"))
        claim = sheet["claim"][row["position"] - 1]
        assert claim["quantity"] == row["quantity"]
        if row["mean"] is None:
            continue
        limit = claim["value"] * scale.get(claim.get("unit", ""), 1.0)
        is_in = row["mean"] >= limit if claim["bound"] == "at least" else row["mean"] <= limit
        if row["verdict"] == "too close to call":
            assert row["mean"] == pytest.approx(limit, rel=3e-3)
        else:
            assert is_in == (row["verdict"] == "met"), row
        seen += 1
    assert seen >= 45
    assert expected_verdicts([], HOME / "devices")[0].keys() == truth["verdicts"][0].keys()


def test_weak_devices_fail_for_their_own_reason_only():
    truth = json.loads(demo_parquet.truth().read_text("utf-8"))
    failing = {row["device"] for row in truth["verdicts"] if row["verdict"] == "not met"}
    assert failing == {"PB-03", "PB-04", "PB-07", "PB-08", "PB-09", "AD-02", "AD-04", "CB-02"}
    assert all(row["reason"] for row in truth["verdicts"] if row["verdict"] != "met")
