"""Answers and pages go into other libraries as they are, by the Arrow PyCapsule interface."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pytest

from store import Library, NotALibrary


def test_an_answer_is_taken_by_every_engine(demo_library: Path) -> None:
    """The same rows in Polars, Arrow and DuckDB, from an answer and from a page of the list."""
    library = Library.open(demo_library)
    answer = library.sql.run("SELECT run_id, energy_wh FROM runs ORDER BY run_id", limit=None)
    page = library.runs.page("kind:discharge", limit=5)
    for rows in (answer, page):
        expected = pa.table(rows)
        assert expected.num_rows == rows.table.num_rows > 0
        assert pl.DataFrame(rows).height == expected.num_rows
        assert duckdb.sql("SELECT count(*) FROM rows").fetchall() == [(expected.num_rows,)]
    assert pl.DataFrame(answer)["energy_wh"].to_list() == answer.table.column("energy_wh").to_pylist()


def test_a_short_description(demo_library: Path) -> None:
    """A page of forty columns is named in one line."""
    library = Library.open(demo_library)
    assert repr(library.sql.run("SELECT 1 AS one")) == "<Answer: 1 rows of one>"
    assert len(repr(library.runs.page("", limit=3))) < 200


def test_a_bucket_is_no_library() -> None:
    """One sentence says what to do with a bucket."""
    with pytest.raises(NotALibrary, match="joulebook share"):
        Library.open("s3://lab/joulebook")
