"""Data that leaves the library: whole, described, checked against its hash, and the same bytes every time."""

import hashlib
import json

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from importers.schema import Facts
from store import Library, TraceDamaged
from store.imports.importer import Order, import_file
from store.model.sheet import DeviceSheet
from store.publish import FolderInUse, NotPublished, export_bdf, export_runs
from tests.builders import add_run, make_run, write_export


def import_one(library, name, frame, facts):
    return add_run(library, write_export(library.path.parent, name), frame, facts=facts).run_ids[0]


@pytest.fixture
def library(tmp_path):
    library = Library.create(tmp_path / "library", zone="UTC", who="tester")
    library.devices.save(DeviceSheet("PB-01", "power bank"))
    library.devices.save(DeviceSheet("AD-01", "adapter"))
    facts = Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", ambient_c=21.5)
    import_one(library, "out.csv", make_run(600, seed=1), facts)
    import_one(library, "in.csv", make_run(300, seed=2, volts=9, amps=2), Facts(device="PB-01", kind="recharge"))
    import_one(library, "adapter.csv", make_run(300, seed=3), Facts(device="AD-01", kind="discharge"))
    return library


def tree(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def read(path):
    readers = {".csv": pl.read_csv, ".parquet": pl.read_parquet, ".arrow": pl.read_ipc}
    return readers[path.suffix](path)


@pytest.mark.parametrize("form", ["csv", "parquet", "arrow"])
def test_samples_come_back_to_the_last_bit(library, tmp_path, form):
    """Every value of the trace, in every form."""
    export_runs(library, [1], tmp_path / "out", form)
    there = pl.from_arrow(library.samples.read(1))
    back = read(tmp_path / "out" / f"run-000001.{form}")
    assert back.columns == there.columns
    for name in there.columns:
        assert (back[name].cast(pl.Float64) == there[name]).all()


@pytest.mark.parametrize("form", ["csv", "parquet", "arrow"])
def test_the_package_describes_every_file(library, tmp_path, form):
    """Names, hashes, sizes, fields with UCUM units, source and licence (Data Package 2, frictionlessdata.io)."""
    export_runs(library, [1, 2], tmp_path / "out", form, licence="CC-BY-4.0")
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text("utf-8"))
    assert package["licenses"] == [{"name": "CC-BY-4.0"}]
    files = {r["path"]: r for r in package["resources"]}
    assert set(files) | {"datapackage.json"} == set(tree(tmp_path / "out"))
    for path, described in files.items():
        content = (tmp_path / "out" / path).read_bytes()
        assert described["hash"] == "sha256:" + hashlib.sha256(content).hexdigest()
        assert described["bytes"] == len(content)
        assert [f["name"] for f in described["schema"]["fields"]] == read(tmp_path / "out" / path).columns
    units = {f["name"]: f.get("unit") for f in files[f"run-000001.{form}"]["schema"]["fields"]}
    assert units == {"t_s": "s", "voltage_v": "V", "current_a": "A", "power_w": "W", "temperature_c": "Cel"}
    source = library.runs.get(1).provenance
    assert files[f"run-000001.{form}"]["sources"][0]["hash"] == f"sha256:{source.source_sha256}"


def test_without_a_licence_the_package_says_so(library, tmp_path):
    """Nobody may reuse what has no licence, so a reader is told."""
    export_runs(library, [1], tmp_path / "out")
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text("utf-8"))
    assert "licenses" not in package
    assert "No licence" in package["rights"]


@pytest.mark.parametrize("form", ["csv", "parquet", "arrow"])
def test_two_exports_are_equal_to_the_byte(library, tmp_path, form):
    """The same library gives the same bytes in two folders."""
    export_runs(library, [1, 2], tmp_path / "a", form)
    export_runs(Library.open(library.path), [2, 1], tmp_path / "b", form)
    assert tree(tmp_path / "a") == tree(tmp_path / "b")


def test_a_folder_that_holds_something_is_left_alone(library, tmp_path):
    """Refused by name; with `replace` only files of the same names are written over."""
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "mine.txt").write_text("keep")
    with pytest.raises(FolderInUse, match=r"mine\.txt"):
        export_runs(library, [1], folder)
    assert tree(folder) == {"mine.txt": b"keep"}
    export_runs(library, [1], folder, replace=True)
    assert tree(folder)["mine.txt"] == b"keep"
    assert "datapackage.json" in tree(folder)


def test_a_damaged_trace_is_refused_and_named(library, tmp_path):
    """One flipped bit: nothing is written, the file and its run are named."""
    file = library.runs.get(1).provenance.trace_file
    path = library.path / file
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.chmod(0o644)
    path.write_bytes(content)
    for export in (export_runs, export_bdf):
        with pytest.raises(TraceDamaged, match="1 can't be published"):
            export(library, [1], tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert [p for p in tmp_path.iterdir() if p.name.startswith(".out")] == []
    export_runs(library, [2], tmp_path / "out")


def test_nothing_to_write_is_said(library, tmp_path):
    """No run, or no such format."""
    with pytest.raises(NotPublished, match="nothing to write"):
        export_runs(library, [], tmp_path / "out")
    with pytest.raises(NotPublished, match="csv, parquet, arrow"):
        export_runs(library, [1], tmp_path / "out", "xlsx")


def test_the_battery_data_format_has_its_columns_and_sign(library, tmp_path):
    """Preferred labels in CSV, positive current charges the bank (BDF 1.3.0, LF Energy Battery Data Alliance)."""
    export_bdf(library, [1, 2], tmp_path / "out", institution="Survey Store")
    out, taken = sorted((tmp_path / "out").glob("*.csv"), key=lambda p: p.name[-11:])
    assert out.name == "Survey-Store__PB-01__20260211_001.bdf.csv"
    discharge, recharge = pl.read_csv(out), pl.read_csv(taken)
    assert discharge.columns == [
        "Test Time / s",
        "Voltage / V",
        "Current / A",
        "Unix Time / s",
        "Ambient Temperature / degC",
        "Power / W",
        "Surface Temperature / degC",
    ]
    assert discharge["Current / A"].mean() < -1
    assert discharge["Power / W"].mean() < -20
    assert recharge["Current / A"].mean() > 1
    assert discharge["Unix Time / s"][0] == library.runs.get(1).facts.started_at.timestamp()
    sidecar = json.loads((tmp_path / "out" / "Survey-Store__PB-01__20260211_001.bdf.json").read_text("utf-8"))
    assert sidecar["version"] == "1.3.0"
    assert "port" in sidecar["pointOfMeasurement"]
    assert sidecar["run"]["source_sha256"] == library.runs.get(1).provenance.source_sha256


def test_the_battery_data_format_in_parquet_has_machine_names(library, tmp_path):
    """The text allows both forms; the sidecar says which."""
    export_bdf(library, [1], tmp_path / "out", "parquet")
    (file,) = (tmp_path / "out").glob("*.parquet")
    assert pq.read_schema(file).names[:3] == ["test_time_second", "voltage_volt", "current_ampere"]
    assert pq.read_schema(file).field("current_ampere").type == pa.float64()


@pytest.mark.parametrize("run_id", [1, 2])
def test_imported_again_it_gives_the_same_energy(library, tmp_path, run_id):
    """Out and in again through the importer: energy equal to 1e-12, the sign turned back."""
    export_bdf(library, [run_id], tmp_path / "out")
    (file,) = (tmp_path / "out").glob("*.csv")
    other = Library.create(tmp_path / "other")
    facts = library.runs.get(run_id).facts
    told = Facts(device="PB-01", port=facts.port, mode=facts.mode, kind=facts.kind, load=facts.load_set)
    outcome = import_file(other, file, Order(told))
    assert outcome.status == "imported", outcome.reason

    def value(lib, number, name):
        return next(r.value for r in lib.results.of(number) if r.name == name)

    for name in ("energy_wh", "charge_ah"):
        assert value(other, 1, name) == pytest.approx(value(library, run_id, name), rel=1e-12)
    assert other.runs.get(1).facts.direction == library.runs.get(run_id).facts.direction


def test_what_does_not_fit_the_battery_data_format_is_refused(library, tmp_path):
    """An adapter is no battery; a sentence says so, and nothing is written."""
    with pytest.raises(NotPublished, match="Run 3 is of adapter"):
        export_bdf(library, [1, 3], tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_counter_that_falls_is_left_out(library, tmp_path):
    """Capacities of the format never reset; a counter that restarted is not published as one that did not."""
    frame = make_run(400, seed=5).with_columns(
        pl.Series("energy_wh", [5.0 + 0.01 * (k % 300) for k in range(400)]),
        pl.Series("charge_ah", [2.0 + 0.001 * k for k in range(400)]),
    )
    run_id = import_one(library, "wrapped.csv", frame, Facts(device="PB-01", port="C1", kind="discharge"))
    export_bdf(library, [run_id], tmp_path / "out")
    (file,) = (tmp_path / "out").glob("*.csv")
    columns = pl.read_csv(file)
    assert "Discharging Energy / Wh" not in columns.columns
    assert columns["Discharging Capacity / Ah"][0] == 0
    assert columns["Discharging Capacity / Ah"][-1] == pytest.approx(0.399)
