"""Other forms of file: places of errors, bounds, and what a file is that can't be read; nothing hangs."""

from __future__ import annotations

import gzip
import io
import json
import os
import zipfile

import pytest

from importers import ImportRefused, inspect, read
from store import Library
from store.imports.importer import Order, find_files, import_file
from tests.exports.judge import Kept
from tests.exports.sheets import ods, xls, xlsx

HEAD = ["Time (s)", "Voltage (V)", "Current (A)"]
ROWS = [[float(i), 5.0 + 0.01 * i, 2.0 - 0.01 * i] for i in range(30)]


def _put(folder, name, data):
    path = folder / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def _refusal(path):
    with pytest.raises(ImportRefused) as caught:
        read(path, inspect(path), Kept())
    return str(caught.value)


@pytest.mark.parametrize(("write", "ending"), [(xlsx, ".xlsx"), (ods, ".ods"), (xls, ".xls"), (xlsx, ".xls")])
def test_an_error_names_the_sheet_and_its_row(tmp_path, write, ending):
    """Row 12 of the sheet holds a word for a number: the sentence says so, after a sheet of notes and a title."""
    rows = [list(r) for r in ROWS]
    rows[8][1] = "broken"
    path = _put(
        tmp_path, f"log{ending}", write([("Info", [["Note", "ok"]]), ("Log", [["Bench log"], [], HEAD, *rows])])
    )
    found = inspect(path)
    said = [p for p in found.problems if p.code == "not-a-number"]
    assert [p.line for p in said] == [12]
    assert said[0].message.startswith("Sheet `Log`, row 12, column `Voltage (V)`: `broken`")


def test_an_error_names_the_line_of_key_value_and_of_json(tmp_path):
    lines = [f"t={i}s V={5 + i / 100:.2f}V I=2.0A" for i in range(20)]
    lines[4] = "t=4s V=oddV I=2.0A"
    said = inspect(_put(tmp_path, "a.log", "# log\n\n" + "\n".join(lines) + "\n")).problems
    assert [(p.code, p.line) for p in said] == [("not-a-number", 7)]
    records = [{"t_s": i, "voltage_V": 5.0 + i / 100, "current_A": 2.0} for i in range(20)]
    text = [json.dumps(r) for r in records]
    text[6] = '{"t_s": 6, "voltage_V":'
    said = inspect(_put(tmp_path, "a.jsonl", "\n".join(text) + "\n")).problems
    assert [(p.code, p.line) for p in said] == [("short-row", 7)]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("V=5.01 I=2.00\nV=5.02 I=2.01\nV=5.00 I=2.02\n", "key=value with no time"),
        ('{"device": "unit 7", "voltage": 5.0}', "no list of records"),
        ('[{"t_s": 1, "V": 5.0}, {"t_s": 2', "JSON that is damaged"),
        ("<html><body><p>Log of 12 May</p></body></html>", "web page without a table"),
        ("5.01\n5.02\n5.00\n5.03\n", "one value a line"),
        ("Time,Voltage,Current\n", "hold no number"),
        ("These are notes.\nNothing was logged.\n", "hold no number"),
        ("Notes of 12 May\nThe unit was at 5 V all day\n", "neither cells, key=value nor JSON"),
    ],
)
def test_what_is_not_read_is_said_by_what_it_is(tmp_path, text, what):
    said = _refusal(_put(tmp_path, "a.txt", text))
    assert what in said
    assert "same number" not in said


def test_a_workbook_that_asks_for_hundreds_of_gigabytes_is_refused(tmp_path):
    """One cell at the far corner, XFD1048576: the reader would ask for 16,384 x 1,048,576 cells."""
    data = xlsx([("Log", [["a"], [1.0]])])
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for info in source.infolist():
            text = source.read(info)
            if info.filename.endswith("s0.xml"):
                text = text.replace(b'<row r="2"><c r="A2">', b'<row r="1048576"><c r="XFD1048576">')
            target.writestr(info.filename, text)
    assert "more memory or time" in _refusal(_put(tmp_path, "bomb.xlsx", out.getvalue()))


def test_a_workbook_that_inflates_is_refused_before_it_is_read(tmp_path):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        target.writestr("xl/workbook.xml", b"<workbook/>")
        with target.open("xl/worksheets/sheet1.xml", "w") as member:
            for _ in range(450):
                member.write(bytes(1 << 20))
    assert len(out.getvalue()) < 1 << 20
    assert "more memory or time" in _refusal(_put(tmp_path, "bomb.xlsx", out.getvalue()))


def test_damaged_and_foreign_archives_are_refused_in_a_sentence(tmp_path):
    whole = xlsx([("Log", [HEAD, *ROWS])])
    for name, data in {
        "cut.xlsx": whole[: len(whole) // 2],
        "cut.xls": xls([("Log", [HEAD, *ROWS])])[:900],
        "picture.zip": _zip({"a.png": b"\x89PNG"}),
        "two.zip": _zip({"a.csv": _csv(), "b.csv": _csv([*HEAD[:2], "Power (W)"])}),
    }.items():
        assert name in _refusal(_put(tmp_path, name, data))


def _csv(head=HEAD, rows=ROWS) -> bytes:
    return "\n".join([",".join(head), *(",".join(f"{v:.5f}" for v in r) for r in rows), ""]).encode()


def _zip(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in members.items():
            file.writestr(name, data)
    return out.getvalue()


def test_logs_of_an_archive_are_runs_of_their_own_whatever_their_counters_say(tmp_path):
    """The second log's clock begins again, its energy counter goes on: two logs, and the error names its member."""
    head = [*HEAD, "Energy (Wh)"]
    one = [[*r, 10.0 * i / 3600.0] for i, r in enumerate(ROWS)]
    two = [[*r, 0.09 + 10.0 * i / 3600.0] for i, r in enumerate(ROWS)]
    data = _csv(head, two).replace(b"5.05000", b"oops")
    path = _put(tmp_path, "logs.zip", _zip({"a.csv": _csv(head, one), "b.csv": data, "picture.png": b"\x89"}))
    found = inspect(path)
    outcome = read(path, found, Kept())
    assert [run.samples for run in outcome.runs] == [30, 30]
    assert any(p.message.startswith("`b.csv`, line 7") for p in outcome.problems), outcome.problems
    dated = [[f"2026-05-14 10:00:{i:02d}", "5.00", "2.00"] for i in range(30)]
    text = "\n".join(["Time,Voltage (V),Current (A)", *map(",".join, dated), ""]).encode()
    said = _refusal(_put(tmp_path, "days.zip", _zip({"a.csv": text, "b.csv": text.replace(b"05-14", b"05-15")})))
    assert "Unpack it and import the folder" in said


def test_different_tables_on_two_sheets_are_never_half_read(tmp_path):
    second = [["Time (s)", "Case temperature (°C)"], *[[float(i), 22.0 + i / 10] for i in range(30)]]
    said = _refusal(_put(tmp_path, "a.xlsx", xlsx([("Log", [HEAD, *ROWS]), ("Heat", second)])))
    assert "`Log`" in said
    assert "`Heat`" in said


def test_a_summary_sheet_that_is_not_read_is_named(tmp_path):
    book = xlsx([("Log", [HEAD, *ROWS]), ("Summary", [["Quantity", "Mean"], ["Voltage", 5.1], ["Current", 1.9]])])
    path = _put(tmp_path, "a.xlsx", book)
    outcome = read(path, inspect(path), Kept())
    assert any(p.code == "left-out" and "`Summary`" in p.message for p in outcome.problems)


def test_pipes_devices_and_links_to_them_are_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "zero.csv").symlink_to("/dev/zero")
    library = Library.create(tmp_path / "library")
    for name in ("pipe.csv", "zero.csv"):
        assert "not a regular file" in _refusal(tmp_path / name)
        outcome = import_file(library, tmp_path / name, Order())
        assert outcome.status == "refused"
        assert "not a regular file" in outcome.reason


def test_a_file_named_twice_through_a_link_is_read_once(tmp_path):
    path = _put(tmp_path, "a.csv", _csv())
    (tmp_path / "b.csv").symlink_to(path)
    assert find_files([path, tmp_path / "b.csv", path]).files == (path,)


def test_a_log_of_json_in_gzip_is_read(tmp_path):
    text = "\n".join(json.dumps({"t_s": i, "voltage_V": 5.0 + i / 100, "current_A": 2.0}) for i in range(40))
    path = _put(tmp_path, "a.jsonl.gz", gzip.compress(text.encode()))
    sink = Kept()
    outcome = read(path, inspect(path), sink)
    assert outcome.account.samples == 40
    assert outcome.account.problems == 0


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("bracketed.log", "".join(f"[2026-05-14 10:00:{i:02d}] voltage=5.{i:02d}V current=2.00A\n" for i in range(30))),
        ("named.csv", "Date,V,A\n" + "".join(f"14-Mai-26 10:00:{i:02d},5.{i:02d},2.00\n" for i in range(30))),
        (
            "columns.json",
            json.dumps(
                {
                    "channels": [
                        {"name": "timestamp", "data": [f"2026-05-14T10:00:{i:02d}" for i in range(30)]},
                        {"name": "voltage", "unit": "V", "data": [5 + i / 100 for i in range(30)]},
                        {"name": "current", "unit": "A", "data": [2.0] * 30},
                    ]
                }
            ),
        ),
        (
            "ports.csv",
            "Date,Hour,Min,Sec,Voltage (V),Current (A)\n"
            + "".join(f"14.05.2026,10,0,{i},5.{i:02d},2.00\n" for i in range(30)),
        ),
    ],
)
def test_forms_that_the_generator_does_not_write(tmp_path, name, text):
    """Seen in files that were typed by hand: 30 s from 10:00 of 14 May 2026, 5.00 V to 5.29 V, 2 A."""
    path = _put(tmp_path, name, text)
    found = inspect(path)
    assert found.is_sure, (found.questions, found.problems)
    sink = Kept()
    outcome = read(path, found, sink)
    frame = sink.frames()["1"]
    assert outcome.runs[0].started_at.isoformat() == "2026-05-14T10:00:00+00:00"
    assert frame["t_s"].to_list() == [float(i) for i in range(30)]
    assert (frame["voltage_v"][-1], frame["current_a"][-1]) == (pytest.approx(5.29), 2.0)
