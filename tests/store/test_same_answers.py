"""A question reads only the columns that it needs: its answer is that of whole tables, with the optimiser off.

The peer is a bare DuckDB with the optimiser off that holds every column of every view (practice of SQLite's testing:
all tests twice, optimiser on and off, same output).
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import duckdb
import pytest

from store import Library
from store.devices.figure_store import FigureStore
from store.model.records import Calibration, Meter
from store.model.sheet import DeviceSheet
from store.sql.view_source import samples_sql
from store.sql.views import VIEWS
from tests.builders import make_store


@pytest.fixture(scope="module")
def library(tmp_path_factory) -> Library:
    library = make_store(tmp_path_factory.mktemp("same"), 5, samples=40)
    library.devices.save(DeviceSheet("PB-01", "power bank", rated_energy_wh=61.6, mass_g=352.0))
    library.meters.add(Meter("M1", voltage_spec="0.05% + 2d(0.001)"))
    library.meters.add_calibration(Calibration("M1", date(2026, 1, 1)))
    library.runs.edit([1, 2], {"note": "x"}, reason="r")
    library.runs.delete([5])
    return library


@pytest.fixture(scope="module")
def peer(library: Library) -> duckdb.DuckDBPyConnection:
    bare = duckdb.connect()
    bare.execute("PRAGMA disable_optimizer")
    bare.execute(f"ATTACH '{library.layout.catalogue}' AS catalogue (READ_ONLY)")
    for name, sql in VIEWS.items():
        bare.execute(f"CREATE TABLE {name} AS {sql}")
    bare.execute("DETACH catalogue")
    bare.register("of_devices", library.service(FigureStore).table())
    bare.execute("INSERT INTO results BY NAME FROM of_devices")
    bare.register("verdicts", library.verdicts.table())
    bare.execute(f"CREATE TABLE samples AS {samples_sql([Path(str(f['path'])) for f in library.maintenance.files()])}")
    return bare


QUESTIONS = [
    *[f"FROM {name}" for name in (*VIEWS, "samples", "verdicts")],
    *[f"SELECT count(*) FROM {name}" for name in (*VIEWS, "samples", "verdicts")],
    "SELECT name, avg(value), count(*) FROM results GROUP BY name ORDER BY name",
    "SELECT r FROM runs r ORDER BY r.run_id",
    "SELECT * EXCLUDE (note) FROM runs ORDER BY run_id",
    "SELECT COLUMNS('.*_wh') FROM runs ORDER BY run_id",
    "SELECT COLUMNS(lambda c: c LIKE '%_id') FROM runs ORDER BY ALL",
    "SELECT run_id FROM runs WHERE source_file LIKE '%1.csv'",
    "SELECT count(*) FROM runs WHERE note = 'x'",
    "SELECT RUN_ID, Device FROM RUNS ORDER BY 1",
    'SELECT "at", field, "by" FROM amendments, calibrations ORDER BY ALL',
    "SELECT device, rank() OVER (PARTITION BY device ORDER BY energy_wh DESC) AS r FROM runs QUALIFY r = 1 ORDER BY 1",
    "WITH r AS (FROM runs), d AS (SELECT device FROM devices) SELECT r.device, kind FROM r SEMI JOIN d USING (device)",
    "SELECT run_id FROM runs NATURAL JOIN (SELECT run_id FROM results WHERE name = 'energy_wh') ORDER BY 1",
    "SELECT (SELECT max(note) FROM runs), (SELECT min(unit) FROM results)",
    "SELECT run_id FROM runs WHERE 1 = 0",
    "SELECT device FROM runs LIMIT 0",
    "FROM (PIVOT runs ON device IN ('PB-01', 'PB-02') USING sum(samples) GROUP BY kind) ORDER BY ALL",
    "SELECT * FROM runs POSITIONAL JOIN devices ORDER BY run_id",
    "(SELECT run_id, note FROM runs) UNION BY NAME (SELECT run_id, name FROM results) ORDER BY ALL",
    "SELECT run_id, list(name ORDER BY name) FROM results GROUP BY run_id ORDER BY 1",
    "SELECT struct_pack(a := note, b := device) FROM runs ORDER BY run_id",
    "SELECT run_id, sum(voltage_v), any_value(port) FROM samples JOIN runs USING (run_id) GROUP BY 1 ORDER BY 1",
    "SELECT unnest(run_ids) FROM verdicts",
    "SELECT DISTINCT ON (device) device, port FROM runs ORDER BY device, port",
    "SELECT EXISTS (SELECT 1 FROM events WHERE detail <> ''), 3 IN (SELECT run_id FROM runs)",
    "FROM query('SELECT note, port FROM runs ORDER BY run_id')",
    "SELECT column_name, column_type FROM (DESCRIBE runs)",
    "SELECT column_name, min, max FROM (SUMMARIZE results)",
]


@pytest.mark.parametrize("question", QUESTIONS)
def test_an_answer_is_that_of_whole_tables_without_an_optimiser(library: Library, peer, question: str):
    assert library.sql.run(question, limit=None).table.to_pylist() == peer.sql(question).to_arrow_table().to_pylist()


def test_what_was_read_for_one_question_serves_the_next_only_if_it_holds_enough(library: Library):
    fresh = Library.open(library.path)
    assert fresh.sql.run("SELECT note FROM runs WHERE run_id = 1").table.to_pylist() == [{"note": "x"}]
    assert fresh.sql.run("SELECT device FROM runs WHERE run_id = 1").table.to_pylist() == [{"device": "PB-01"}]
    fresh.runs.edit([1], {"device": "PB-02"})
    assert fresh.sql.run("SELECT device, note FROM runs WHERE run_id = 1").table.to_pylist() == [
        {"device": "PB-02", "note": "x"}
    ]
    library.runs.edit([1], {"device": "PB-01"})
