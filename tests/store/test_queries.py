"""SQL that people type only reads, ends when told, and says where it is wrong."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from store import Library, QueryFailed, QueryRefused
from tests.builders import make_store


@pytest.fixture(scope="module")
def library(tmp_path_factory) -> Library:
    return make_store(tmp_path_factory.mktemp("asked"), 3, samples=60)


HOSTILE = [
    "COPY runs TO '{root}/x.parquet'",
    "COPY (SELECT 1) TO '{root}/traces/runs/x.parquet'",
    "EXPLAIN ANALYZE COPY runs TO '{root}/traces/runs/x.parquet'",
    "EXPLAIN COPY runs TO '{root}/traces/runs/x.parquet'",
    "EXPORT DATABASE '{root}/out'",
    "IMPORT DATABASE '{root}/out'",
    "ATTACH '{root}/catalogue.duckdb' AS c",
    "ATTACH ':memory:' AS c",
    "DETACH memory",
    "USE memory",
    "CREATE TABLE x AS SELECT 1",
    "CREATE TEMP TABLE x AS SELECT 1",
    "CREATE VIEW x AS SELECT 1",
    "CREATE MACRO f(a) AS a",
    "CREATE SECRET s (TYPE s3)",
    "DROP VIEW runs",
    "ALTER TABLE runs RENAME TO r",
    "INSERT INTO runs SELECT * FROM runs",
    "UPDATE runs SET note = 'x'",
    "DELETE FROM runs",
    "TRUNCATE runs",
    "SET enable_external_access = true",
    "RESET lock_configuration",
    "PRAGMA enable_profiling",
    "PRAGMA database_list",
    "INSTALL httpfs",
    "LOAD httpfs",
    "CALL pragma_version()",
    "CHECKPOINT",
    "VACUUM",
    "BEGIN",
    "COMMIT",
    "PREPARE p AS SELECT 1",
    "SELECT 1; DROP VIEW runs",
    "SELECT 1; SELECT 2",
    "/* a */ ; ; SELECT 1; COPY runs TO '{root}/x.csv'",
    "",
    "   -- nothing",
    "SELECT * FROM '/etc/passwd'",
    "SELECT * FROM read_csv('{outside}')",
    "SELECT * FROM read_text('{outside}')",
    "SELECT * FROM read_blob('{outside}')",
    "SELECT * FROM read_parquet('{root}/../exports/*.parquet')",
    "SELECT * FROM read_text('{root}/traces/../../exports/log0000.csv')",
    "SELECT * FROM read_csv_auto('{outside}')",
    "SELECT * FROM sniff_csv('{outside}')",
    "SELECT * FROM read_json('{outside}')",
    "SELECT * FROM glob('{outside}')",
    "WITH a AS (SELECT * FROM read_text('{outside}')) SELECT * FROM a",
    "SELECT (SELECT content FROM read_text('{outside}'))",
    "FROM query('SELECT * FROM read_text(''{outside}'')')",
    "SELECT * FROM read_duckdb('{root}/catalogue.duckdb')",
    "SELECT * FROM parquet_metadata('{outside}')",
    "SELECT * FROM HOSTILE",
    "SELECT getenv('HOME')",
    "SET VARIABLE x = 1",
    "MERGE INTO runs USING runs r ON false WHEN NOT MATCHED THEN INSERT BY NAME",
    "ANALYZE",
    "COMMENT ON VIEW runs IS 'x'",
    "EXECUTE p",
    "DEALLOCATE p",
    "LOAD '{root}/x.duckdb_extension'",
    "FORCE INSTALL httpfs FROM 'http://localhost'",
    "UPDATE EXTENSIONS",
    "WITH x AS (INSERT INTO runs SELECT * FROM runs RETURNING run_id) SELECT * FROM x",
    "WITH x AS (DELETE FROM runs RETURNING 1) FROM x",
    "WITH x AS (SELECT 1) COPY x TO '{root}/x.csv'",
    "SELECT 1 /* ; */; /* hidden */ COPY runs TO '{root}/traces/x.csv' --",
    "SELECT 1 -- \n; COPY runs TO '{root}/x.csv'",
    "EXPLAIN ANALYZE SELECT 1",
    "EXPLAIN (FORMAT json) COPY runs TO '{root}/traces/x.csv'",
    "CALL dbgen(sf = 1)",
    "CALL start_ui()",
    "CALL enable_logging()",
    "COPY runs FROM '{outside}'",
    "COPY FROM DATABASE memory TO x",
    "SUMMARIZE '{outside}'",
    "DESCRIBE '{outside}'",
    "SELECT * FROM read_text(['{outside}'])",
    "SELECT * FROM read_ndjson_objects('{outside}')",
    "SELECT * FROM query_table('{outside}')",
    "SELECT * FROM parquet_schema('{root}/../exports/log0000.csv')",
    "SELECT * FROM parquet_kv_metadata('/etc/passwd')",
    "SELECT * FROM sqlite_scan('{outside}', 't')",
    "SELECT * FROM 'http://localhost/x.parquet'",
    "SELECT * FROM read_csv('{root}/catalogue.duckdb')",
    "SELECT * FROM read_blob('{root}/originals/*')",
    "SELECT * FROM read_text('{root}/profiles/*')",
    "SELECT nextval('s')",
    "SELECT * FROM duckdb_secrets() s, read_text('{outside}') t",
]


@pytest.mark.parametrize("form", HOSTILE)
def test_sql_that_does_more_than_read_the_views_is_refused(library: Library, form: str):
    """Nothing is written, read elsewhere, set or attached."""
    outside = library.path.parent / "exports" / "log0000.csv"
    before = {path: path.stat().st_mtime_ns for path in library.path.rglob("*") if path.is_file()}
    with pytest.raises((QueryRefused, QueryFailed)) as caught:
        library.sql.run(form.replace("{root}", str(library.path)).replace("{outside}", str(outside)))
    assert "invented export" not in str(caught.value)
    assert {path: path.stat().st_mtime_ns for path in library.path.rglob("*") if path.is_file()} == before
    assert library.sql.run("SELECT count(*) AS n FROM runs").table["n"][0].as_py() == 3


@pytest.mark.parametrize(
    "form",
    [
        "SELECT 1",
        "FROM runs",
        "VALUES (1)",
        "WITH r AS (FROM runs) SELECT count(*) FROM r;",
        "SHOW TABLES",
        "DESCRIBE runs",
        "SUMMARIZE samples",
        'SELECT "at", "by" FROM amendments, calibrations',
        "SELECT * FROM samples LIMIT 3",
    ],
)
def test_reading_forms_are_taken(library: Library, form: str):
    assert library.sql.run(form).table.num_columns >= 1


def test_every_view_has_the_columns_that_it_says(library: Library):
    for view, columns in library.sql.views().items():
        assert library.sql.run(f"SELECT * FROM {view} LIMIT 0").table.column_names == [name for name, _ in columns], (
            view
        )


def test_the_row_limit_is_told(library: Library):
    assert library.sql.run("FROM samples", limit=180).is_cut is False
    answer = library.sql.run("FROM samples", limit=179)
    assert answer.is_cut
    assert answer.table.num_rows == 179


def test_a_wrong_column_is_told_with_its_place(library: Library):
    with pytest.raises(QueryFailed) as caught:
        library.sql.run("SELECT devise FROM runs")
    assert caught.value.position == 7
    assert "device" in str(caught.value)


ENDLESS = "SELECT count(*) FROM range(1000000000) a, range(1000000) b WHERE a.range % 7 = b.range % 11"


def test_a_question_ends_at_its_time_limit(library: Library):
    with pytest.raises(QueryFailed, match="time limit") as caught:
        library.sql.run(ENDLESS, timeout_s=0.2)
    assert caught.value.was_interrupted


def test_a_question_is_interrupted_from_another_thread(library: Library):
    question = library.sql.query(ENDLESS)
    timer = threading.Timer(0.2, question.interrupt)
    timer.start()
    with pytest.raises(QueryFailed, match="Interrupted"):
        question.run()
    timer.join()
    early = library.sql.query("SELECT 1")
    early.interrupt()
    with pytest.raises(QueryFailed, match="Interrupted"):
        early.run()


def test_a_running_question_keeps_nobody_from_writing(library: Library, tmp_path: Path):
    question = library.sql.query(f"SELECT * FROM runs, ({ENDLESS})")
    ended: list[str] = []

    def ask() -> None:
        try:
            question.run()
        except QueryFailed as error:
            ended.append(str(error))

    asking = threading.Thread(target=ask)
    asking.start()
    library.runs.edit([1], {"note": "meanwhile"})
    assert asking.is_alive()
    question.interrupt()
    asking.join(20)
    assert ended == ["Interrupted."]


def test_sums_of_counts_are_plain_integers(library: Library):
    assert library.sql.run("SELECT sum(samples) AS n FROM runs").table.to_pylist() == [{"n": 180}]
