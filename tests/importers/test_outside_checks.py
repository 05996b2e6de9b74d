"""The importer against things outside the project: RFC 4180, ISO 8601, RFC 3339, UCUM, SI factors, DuckDB's reader."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from importers import ImportRefused, inspect, load_vocabulary, read
from importers.schema import Facts
from importers.text.bytesview import PIECE, pieces
from tests.exports.generator import make
from tests.exports.judge import Kept


def _read(text: str | bytes, folder: Path, answers: dict[str, str] | None = None, **facts: str):
    path = folder / "export.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    sink = Kept()
    outcome = read(path, inspect(path, answers=answers), sink, facts=Facts(**facts))
    return outcome, list(sink.frames().values())


# SI Brochure, 9th edition, table 8 and UCUM section 4: factors to the channel's unit; 1 W h = 3600 J, 1 A h = 3600 C.
FACTORS = {
    "V": ("V", 1.0), "mV": ("mV", 1e-3), "A": ("A", 1.0), "mA": ("mA", 1e-3), "µA": ("uA", 1e-6), "W": ("W", 1.0),
    "mW": ("mW", 1e-3), "kW": ("kW", 1e3), "Wh": ("W.h", 1.0), "mWh": ("mW.h", 1e-3), "kWh": ("kW.h", 1e3),
    "J": ("J", 1 / 3600), "Ah": ("A.h", 1.0), "mAh": ("mA.h", 1e-3), "C": ("C", 1 / 3600), "s": ("s", 1.0),
    "ms": ("ms", 1e-3), "min": ("min", 60.0), "h": ("h", 3600.0), "mΩ": ("mOhm", 1e-3),
}  # fmt: skip


@pytest.mark.parametrize("symbol", FACTORS)
def test_unit_has_its_ucum_code_and_si_factor(symbol, tmp_path):
    unit, is_exact = load_vocabulary(tmp_path).unit(symbol)
    ucum, factor = FACTORS[symbol]
    assert is_exact
    assert (unit.ucum, unit.factor) == (ucum, pytest.approx(factor, rel=1e-15))


@pytest.mark.parametrize(("unit", "value", "celsius"), [("°F", 32.0, 0.0), ("°F", 212.0, 100.0), ("K", 273.15, 0.0)])
def test_temperature_scales(unit, value, celsius, tmp_path):
    """Defining points of the scales: NIST SP 811, B.9 (from memory)."""
    found, _ = load_vocabulary(tmp_path).unit(unit)
    assert value * found.factor + found.offset == pytest.approx(celsius, abs=1e-9)


def test_quoted_cells_as_rfc_4180_has_them(tmp_path):
    """RFC 4180, 2.5 to 2.7: quoted cells, separators inside, doubled quotes."""
    rows = [[str(i), "5.0", "1.0", 'a "quoted", cell'] for i in range(12)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n", quoting=csv.QUOTE_ALL)
    writer.writerow(["Time (s)", "Voltage (V)", "Current (A)", "Note, free"])
    writer.writerows(rows)
    outcome, (frame,) = _read(out.getvalue(), tmp_path)
    assert outcome.account.samples == 12
    assert frame["voltage_v"].to_list() == [5.0] * 12


def test_line_breaks_in_quoted_cells_as_rfc_4180_has_them(tmp_path):
    """RFC 4180, 2.6: a quoted cell may hold line breaks; Python's csv module is the second opinion on the rows."""
    rows = [[str(i), "5.0", "1.0", f"line one\r\nline {i}, two" if i % 3 else "plain"] for i in range(60)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["Time (s)", "Voltage\r\n(V)", "Current (A)", "Note"])
    writer.writerows(rows)
    theirs = list(csv.reader(io.StringIO(out.getvalue(), newline="")))
    outcome, (frame,) = _read(out.getvalue(), tmp_path)
    account = outcome.account
    assert account.samples == len(theirs) - 1 == 60
    assert (account.lines, account.continued, account.problems) == (102, 40, 0)
    assert frame["t_s"].to_list() == [float(row[0]) for row in theirs[1:]]


def test_a_lost_quote_costs_one_line_and_no_more(tmp_path):
    lines = [f'{i},5.0,1.0,"note {i}"' for i in range(60)]
    lines[20] = '20,5.0,1.0,"note 20'
    lines[25] = '25,5.0,1.0,note 25"'
    text = "Time (s),Voltage (V),Current (A),Note\n" + "\n".join(lines) + "\n"
    outcome, (frame,) = _read(text, tmp_path)
    assert outcome.account.continued == 0
    assert frame.height >= 58
    assert frame["voltage_v"].to_list() == [5.0] * frame.height


def test_a_temperature_whose_words_are_not_known_is_asked(tmp_path):
    """The room's temperature read as the case's would give no rise; which one it is changes every thermal result."""
    text = "Time (s),Voltage (V),Current (A),Zorblat temperature (°C)\n"
    text += "".join(f"{i},5.0,1.0,{22 + i / 60:.1f}\n" for i in range(60))
    with pytest.raises(ImportRefused, match=r"zorblat.*column\.4"):
        _read(text, tmp_path)
    _, (frame,) = _read(text, tmp_path, {"column.4": "temperature_plug_c"})
    assert frame["temperature_plug_c"][0] == 22.0


@pytest.mark.parametrize(
    ("stamps", "start"),
    [
        # RFC 3339, 5.8
        (["1985-04-12T23:20:50.52Z", "1985-04-12T23:20:51.52Z"], datetime(1985, 4, 12, 23, 20, 50, 520000, UTC)),
        (["1996-12-19T16:39:57-08:00", "1996-12-19T16:39:58-08:00"], datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        # ISO 8601-1, 5.4.2.1, basic format
        (["19850412T232050Z", "19850412T232051Z"], datetime(1985, 4, 12, 23, 20, 50, 0, UTC)),
    ],
)
def test_stamps_of_the_standards(stamps, start, tmp_path):
    rows = "".join(f"{s},5.0,1.0\n" for s in stamps)
    outcome, (frame,) = _read(f"Timestamp,Voltage (V),Current (A)\n{rows}", tmp_path)
    assert outcome.runs[0].started_at == start
    assert frame["t_s"].to_list() == [0.0, 1.0]


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(4000, 21000), st.integers(0, 5000), st.integers(-100, 900)), min_size=10, max_size=60
    )
)
def test_decimal_comma_and_point_give_the_same_trace(tmp_path_factory, cells):
    folder = tmp_path_factory.mktemp("dialects")
    plain = "Time (s),Voltage (V),Current (A),Temperature (°C)\n" + "".join(
        f"{i},{v / 1000:.3f},{a / 1000:.4f},{c / 10:.1f}\n" for i, (v, a, c) in enumerate(cells)
    )
    other = "Zeit [s];Spannung [V];Strom [A];Temperatur [°C]\r\n" + "".join(
        f"{i};{v / 1000:.3f};{a / 1000:.4f};{c / 10:.1f}\r\n".replace(".", ",") for i, (v, a, c) in enumerate(cells)
    )
    _, (one,) = _read(plain, folder)
    _, (two,) = _read(other.encode("cp1252"), folder)
    assert one.equals(two)


def test_second_opinion_on_rows_and_bad_cells(tmp_path):
    """DuckDB reads the same cells, and rejects the same lines as this reader reports."""
    lines = [f"{i},{5 + i / 1000:.3f},{1 + i / 5000:.4f}" for i in range(300)]
    lines[40], lines[77], lines[200] = "40,5.040", "77,5.077,ERR", "200,x5.2,1.04"
    path = tmp_path / "export.csv"
    path.write_text("Time (s),Voltage (V),Current (A)\n" + "\n".join(lines) + "\n")
    sink = Kept()
    outcome = read(path, inspect(path), sink)
    with duckdb.connect() as db:
        db.execute(
            "create table t as from read_csv(?, header=true, delim=',', store_rejects=true, "
            "columns={'t': 'double', 'v': 'double', 'a': 'double'})",
            [str(path)],
        )
        theirs = db.execute("select t, v, a from t order by t").fetchall()
        rejected = {line for (line,) in db.execute("select distinct line from reject_errors").fetchall()}
    assert rejected == {p.line for p in outcome.problems if p.code in {"short-row", "not-a-number"}}
    (frame,) = sink.frames().values()
    whole = frame.drop_nulls(["voltage_v", "current_a"]).select("t_s", "voltage_v", "current_a")
    assert whole.rows() == theirs


@pytest.mark.parametrize("tier", ["varied", "hard"])
def test_the_size_of_pieces_changes_nothing(tier, tmp_path):
    """Cut anywhere, a file gives the same samples: read in pieces of 900 bytes and at once."""
    from importers.reading.reader import read_runs

    compared = 0
    for seed in range(16):
        export = make(seed, tier)
        path = tmp_path / f"e{export.suffix}"
        path.write_bytes(export.data)
        found = inspect(path)
        if not found.is_sure:
            continue
        kept = []
        for size in (900, PIECE):
            sink = Kept()
            read_runs(pieces(found.view, size), found.plan, found.words, sink, Facts(), {}, path.name)
            kept.append(sink.frames())
        assert kept[0].keys() == kept[1].keys(), seed
        for part, frame in kept[0].items():
            assert frame.equals(kept[1][part]), (seed, part)
        compared += 1
    assert compared > 10


def test_small_currents_without_a_unit_are_asked(tmp_path):
    """2 mA read as 2 A would be published as a thousand times the standby loss."""
    text = "Time (s),Voltage (V),Current\n" + "".join(f"{i},5.0,{2 + i % 3 / 10}\n" for i in range(30))
    with pytest.raises(ImportRefused, match=r"unit\.3"):
        _read(text, tmp_path)
    _, (frame,) = _read(text, tmp_path, {"unit.3": "mA"})
    assert frame["current_a"][0] == pytest.approx(0.002)


def test_a_column_of_bad_cells_is_refused(tmp_path):
    text = "Time (s),Voltage (V),Current (A)\n" + "".join(f"{i},5.0,{'1.0' if i < 110 else 'x'}\n" for i in range(300))
    with pytest.raises(ImportRefused, match=r"Current \(A\)"):
        _read(text, tmp_path)


def test_last_sample_first_in_a_file_of_several_pieces(tmp_path):
    n = 400_000
    t = np.arange(n)[::-1]
    text = "Time (s),Voltage (V),Current (A)\n" + "\n".join(f"{x},{5 + x / n:.6f},1.0" for x in t) + "\n"
    assert len(text) > PIECE
    outcome, (frame,) = _read(text, tmp_path)
    assert outcome.account.samples == n
    assert (frame["t_s"].to_numpy() == np.arange(n)).all()
    assert frame["voltage_v"].is_sorted()


@pytest.mark.parametrize("kind", ["discharge", None])
def test_energy_both_ways_is_positive_in_the_main_direction(kind, tmp_path):
    text = "Time (s),Voltage (V),Current (A)\n" + "".join(
        f"{i},5.0,{'0.500' if 20 <= i < 30 else '-1.000'}\n" for i in range(100)
    )
    outcome, (frame,) = _read(text, tmp_path, **({"kind": kind} if kind else {}))
    assert outcome.runs[0].start.direction == "out"
    assert frame["current_a"].sum() == pytest.approx(90 - 5)
    assert frame["current_a"].min() == -0.5


def test_day_above_and_time_of_day_below_date_a_log(tmp_path):
    text = "Date: 2026-02-26\nclock,Voltage (V),Current (A)\n" + "".join(f"23:31:{i:02d},5.0,1.0\n" for i in range(30))
    outcome, _ = _read(text, tmp_path)
    assert outcome.runs[0].started_at == datetime(2026, 2, 26, 23, 31, tzinfo=UTC)


def test_a_file_without_a_header_is_read_once_its_columns_are_named(tmp_path):
    text = "".join(f"{i * 2},{9 + i % 7 / 100:.3f},{1500 + i % 5}\n" for i in range(60))
    with pytest.raises(ImportRefused):
        _read(text, tmp_path)
    answers = {"column.1": "t_s", "time-unit": "s", "column.2": "voltage_v", "column.3": "current_a", "unit.3": "mA"}
    _, (frame,) = _read(text, tmp_path, answers)
    assert frame["t_s"].to_list() == [i * 2.0 for i in range(60)]
    assert frame["current_a"][3] == pytest.approx(1.503)


def test_an_elapsed_clock_that_starts_again_after_half_a_day_is_no_midnight(tmp_path):
    """59,100 s and then 0 is a second log; 23:59:59 and then 0:00:00 is the next day."""
    two = "Time (s),Voltage (V),Current (A),Charge (Ah)\n"
    two += "".join(f"{i * 300},5.0,1.0,{i / 12:.5f}\n" for n in (198, 100) for i in range(n))
    outcome, _ = _read(two, tmp_path)
    assert [run.samples for run in outcome.runs] == [198, 100]
    one = "Time,Voltage (V),Current (A)\n"
    for second in range(86_390, 86_420):
        of_day = second % 86_400
        one += f"{of_day // 3600}:{of_day // 60 % 60:02d}:{of_day % 60:02d},5.0,1.0\n"
    outcome, (frame,) = _read(one, tmp_path)
    assert frame["t_s"].to_list() == [float(i) for i in range(30)]


def test_a_column_called_volt_may_be_in_millivolts(tmp_path):
    text = "Time (s),volt,Current (A)\n" + "".join(f"{i},{14990 + i % 7},1.0\n" for i in range(40))
    _, (frame,) = _read(text, tmp_path)
    assert frame["voltage_v"][0] == pytest.approx(14.99)


def test_a_last_line_of_blanks_without_an_end_is_counted(tmp_path):
    text = "Time (s)  Voltage (V)  Current (A)\n" + "".join(f"{i}  5.0  1.{i % 7}\n" for i in range(40)) + "   "
    account = _read(text, tmp_path)[0].account
    assert (account.lines, account.samples, account.header, account.blank) == (42, 40, 1, 1)
