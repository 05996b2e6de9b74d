"""An answer as CSV, JSON, Parquet, Arrow: the same values, safe for spreadsheets, whole or not at all."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tui.render import answers


@pytest.fixture
def answer() -> pa.Table:
    """Numbers, NULL, NaN, a moment, a list, and text that a spreadsheet would run."""
    return pa.table(
        {
            "n": pa.array([1, None], pa.int64()),
            "wh": pa.array([0.1, float("nan")], pa.float64()),
            "at": pa.array([datetime(2026, 2, 11, tzinfo=UTC), None], pa.timestamp("us", tz="UTC")),
            "text": ['=HYPERLINK("x")', 'a "quoted", [mA]\nline'],
            "runs": [[1, 2], []],
        }
    )


def written(answer: pa.Table, form: str, *, raw: bool = False) -> bytes:
    """What `write` puts into a stream."""
    stream = io.BytesIO()
    answers.write(answer, form, stream, raw=raw)
    return stream.getvalue()


def test_csv_reads_back_by_the_standard_librarys_reader(answer: pa.Table) -> None:
    """Quotes, commas and line ends inside cells survive. Source: RFC 4180, 2.6 and 2.7; Python's csv module."""
    raw = written(answer, "csv", raw=True)
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8"), newline="")))
    assert rows[1]["text"] == 'a "quoted", [mA]\nline'
    assert rows[0]["wh"] == "0.1"
    assert rows[1]["n"] == ""
    assert raw.count(b"\r\n") == 3  # RFC 4180, 2.1: every record ends with CRLF


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_csv_disarms_text_that_a_spreadsheet_would_run(start: str) -> None:
    """Text gets an apostrophe; a negative number stays a number."""
    table = pa.table({"text": [start + "1+1"], "current_a": [-1.5]})
    (row,) = csv.DictReader(io.StringIO(written(table, "csv").decode("utf-8"), newline=""))
    assert row["text"] == "'" + start + "1+1"
    assert row["current_a"] == "-1.5"


def test_json_is_strict(answer: pa.Table) -> None:
    """NaN is null; no value of ours is outside RFC 8259, 6."""
    rows = json.loads(written(answer, "json"), parse_constant=pytest.fail)
    assert rows[1]["wh"] is None
    assert rows[0]["at"] == "2026-02-11T00:00:00+00:00"
    assert rows[0]["runs"] == [1, 2]


def test_parquet_and_arrow_hold_the_answer_exactly(answer: pa.Table) -> None:
    """Types and values come back as they were."""
    assert pq.read_table(io.BytesIO(written(answer, "parquet"))).drop_columns("wh").equals(answer.drop_columns("wh"))
    assert pa.ipc.open_file(written(answer, "arrow")).read_all().schema == answer.schema


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When writing fails half-way, the file that was there stays and nothing else is left behind."""
    place = tmp_path / "x.csv"
    place.write_text("before")

    def fail_halfway(_table: pa.Table, _form: str, stream: io.BytesIO, *, raw: bool) -> None:
        stream.write(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(answers, "write", fail_halfway)
    with pytest.raises(OSError, match="No space"):
        answers.save(pa.table({"a": [1]}), "csv", place)
    assert place.read_text() == "before"
    assert [entry.name for entry in tmp_path.iterdir()] == ["x.csv"]
