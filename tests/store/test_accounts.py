"""The SQL that `why` prints gets the stored number again from the Parquet file, with DuckDB and nothing of ours."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from store import Library, NotFound

REDONE = ("energy_wh", "charge_ah", "energy_out_wh", "voltage_min_v", "current_max_a")


@pytest.mark.parametrize("name", REDONE)
def test_the_printed_sql_gets_the_stored_number(name: str, demo_library: Path) -> None:
    """For runs without gaps and warnings, to 1e-9: the sums differ only in their order."""
    library = Library.open(demo_library)
    done = 0
    for run_id in library.runs.page("kind:discharge", limit=12).table["run_id"].to_pylist():
        account = library.results.why(run_id, name)
        if account.value is None or account.warnings or account.account.numbers.get("gaps"):
            continue
        found = duckdb.connect().execute(library.results.redo_sql(run_id, name)).fetchall()
        assert found[0][0] == pytest.approx(account.value, rel=1e-9), run_id
        done += 1
    assert done >= 6


def test_an_unknown_result_names_the_nearest(demo_library: Path) -> None:
    """A mistyped name is answered with the right one, a missing run as such."""
    library = Library.open(demo_library)
    with pytest.raises(NotFound, match="energy_wh"):
        library.results.why(1, "enrgy_wh")
    with pytest.raises(NotFound, match="run 999999"):
        library.results.why(999999, "energy_wh")
