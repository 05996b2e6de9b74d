"""What stands above and below the table: a beginning in the table's own marks, an end mark without a line break."""

from __future__ import annotations

import pytest

from importers import inspect, read
from importers.text.lines import key_values
from tests.exports.judge import Kept

ROWS = "".join(f"00:00:{s:02d};{20 - s / 1000:.3f};{1500 + s}\n".replace(".", ",") for s in range(0, 60, 2))
HEAD = "Werkbank;Raum 2\nGestartet;25.11.2026 09:12:00\n\nZeit hh:mm:ss;U [V];I [mA]\n"


@pytest.mark.parametrize(
    ("line", "mark", "pair"),
    [
        ("Gestartet;25.11.2026 09:12:00", ";", ("Gestartet", "25.11.2026 09:12:00")),
        ("started,2026-11-25 09:12", ",", ("started", "2026-11-25 09:12")),
        ("started: 2026-11-25 09:12", ",", ("started", "2026-11-25 09:12")),
        ("interval = 2 s", ";", ("interval", "2 s")),
    ],
)
def test_a_key_ends_at_the_first_mark(line, mark, pair):
    """A colon within the time of day is no end of a key."""
    assert key_values((line,), mark) == [(1, *pair)]


@pytest.mark.parametrize("end", ["Ende der Messung", "Ende der Messung\n", "Summe;30\n"])
def test_a_beginning_and_an_end_in_the_tables_own_marks(tmp_path, end):
    """The run knows when it began, and every line is accounted for: the end mark is none that was cut."""
    path = tmp_path / "log.csv"
    path.write_bytes((HEAD + ROWS + end).encode("cp1252"))
    found = inspect(path)
    outcome = read(path, found, Kept())
    run = outcome.runs[0]
    assert run.started_at is not None
    assert run.started_at.isoformat() == "2026-11-25T09:12:00+00:00"
    assert (run.samples, outcome.account.totals, outcome.account.problems) == (30, 1, 0)


def test_a_last_line_that_was_cut_is_still_said(tmp_path):
    """Half a row is no end mark."""
    path = tmp_path / "log.csv"
    path.write_text(HEAD + ROWS + "00:01:00;19,9")
    outcome = read(path, inspect(path), Kept())
    assert (outcome.runs[0].samples, outcome.account.totals, outcome.account.problems) == (30, 0, 1)
