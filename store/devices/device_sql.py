"""The statement that gives a figure of a device again, over the Parquet files of all its runs. Knows SQL text.

Each run's own result comes by the statement that `why` prints for it; sheet and set loads stand in it as numbers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from store.core import Store
from store.errors import NotFound
from store.judge.derived.ratios import ASSUMED_ADAPTER
from store.judge.derived.sustained import HELD_SHARE, load_of, sustained_power
from store.judge.efficiency_sql import average_sql
from store.judge.measured import RunEvidence
from store.judge.whole import DeviceResult
from store.methods.why import gets_it_again
from store.model.sheet import DeviceSheet
from store.runs.result_store import ResultStore
from store.runs.run_store import RunStore
from store.sql.session import SqlSession

__all__ = ["device_sql"]


class _NotInTraces(Exception):  # noqa: N818 - named for what happened
    """A number that no trace holds."""


class _Statement:
    """Statements of single runs, each once, and an expression over them."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._tables: dict[str, str] = {}
        self._files: dict[str, None] = {}
        self._clocks: dict[str, None] = {}

    def value(self, run_id: int, name: str) -> str:
        """The expression of one run's result."""
        table = f"run_{run_id}_{name}"
        if table not in self._tables:
            try:
                sql = self._store.service(ResultStore).redo_sql(run_id, name)
            except NotFound:
                raise _NotInTraces from None
            if not gets_it_again(sql):
                raise _NotInTraces
            self._tables[table] = sql.strip().rstrip(";")
        return f"(FROM {table})"

    def add(self, table: str, sql: str) -> None:
        """One more table of its own."""
        self._tables[table] = sql

    def add_sides(self, run_ids: Sequence[int]) -> None:
        """Samples and clocks of the runs of a group, as the views of those names hold them."""
        listed = ", ".join(map(str, run_ids))
        asked = f"SELECT run_id, group_offset_s, epoch(started_at) AS at_s FROM runs WHERE run_id IN ({listed})"
        for row in self._store.service(SqlSession).run(asked, limit=None).table.to_pylist():
            place = self._store.service(RunStore).get(row["run_id"]).provenance.trace_file
            file = str(self._store.layout.absolute(place).resolve()).replace("'", "''")
            offset, begun = (
                "NULL" if row[name] is None else f"{row[name]!r}::DOUBLE" for name in ("group_offset_s", "at_s")
            )
            self._files[f"'{file}'"] = None
            self._clocks[f"({row['run_id']}, {offset}, to_timestamp({begun}))"] = None
        self._tables["samples"] = f"SELECT * FROM read_parquet([{', '.join(self._files)}])"
        self._tables["runs"] = f"FROM (VALUES {', '.join(self._clocks)}) AS t(run_id, group_offset_s, started_at)"

    def whole(self, expression: str) -> str:
        """The statement."""
        if not self._tables:
            return f"SELECT {expression} AS value"
        tables = ",\n".join(f"{name} AS (\n{sql}\n)" for name, sql in self._tables.items())
        return f"WITH {tables}\nSELECT {expression} AS value"


def device_sql(store: Store, sheet: DeviceSheet, runs: Sequence[RunEvidence], found: DeviceResult) -> str:
    """One statement for a bare DuckDB; a comment with the reason where no trace holds the figure.

    Args:
        store: Gives the statements of single runs.
        sheet: The device's sheet.
        runs: Its runs, derived results among them.
        found: The figure.
    """
    if found.result.value is None:
        return f"-- absent: {found.result.reason}"
    statement = _Statement(store)
    by_id = {run.run_id: run for run in runs}
    tests = [by_id[number] for number in found.run_ids if number in by_id]
    try:
        return statement.whole(_expression(statement, sheet, runs, tests, found))
    except _NotInTraces:
        return "-- a detector's moments, or the sheet: no single statement over the traces gives it again"


def _expression(
    statement: _Statement,
    sheet: DeviceSheet,
    runs: Sequence[RunEvidence],
    tests: Sequence[RunEvidence],
    found: DeviceResult,
) -> str:
    name = found.result.name
    on_sheet = _on_sheet(name, sheet)
    if on_sheet:
        return on_sheet
    if name in ("sustained_power_w", "w_per_kg"):
        return _sustained(statement, name, sheet, runs)
    if name in _PER_SHEET:
        energy = _mean(statement.value(run.run_id, "energy_out_wh") for run in tests)
        return _PER_SHEET[name].format(energy=energy, **_numbers(sheet))
    if name in ("round_trip", "wall_to_load", "wasted_share"):
        through = _mean(_trip(statement, run, name) for run in tests if name in run.derived)
        return f"1 - {through}" if name == "wasted_share" else through
    if name == "efficiency_average":
        return _mean(_efficiency(statement, run) for run in tests if name in run.also)
    return _mean(statement.value(run.run_id, name) for run in tests)


_PER_SHEET = {
    "yield": "{energy} / {rated}",
    "wh_per_kg": "{energy} / {mass_kg}",
    "wh_per_l": "{energy} / {litres}",
    "price_per_usable_wh": "{price} / {energy}",
}


def _numbers(sheet: DeviceSheet) -> Mapping[str, str]:
    """The sheet's numbers as the engine's doubles."""
    values = {
        "rated": sheet.energy_wh,
        "mass_kg": (sheet.mass_g or 0.0) / 1000,
        "litres": (sheet.volume_cm3 or 0.0) / 1000,
        "price": sheet.price,
    }
    return {name: f"{value or 0.0!r}::DOUBLE" for name, value in values.items()}


def _on_sheet(name: str, sheet: DeviceSheet) -> str:
    """A figure that rests on the sheet alone."""
    texts = {
        "mass_g": f"{sheet.mass_g or 0.0!r}::DOUBLE",
        "rated_wh_per_kg": "{rated} / {mass_kg}",
        "rated_wh_per_l": "{rated} / {litres}",
    }
    return texts[name].format(**_numbers(sheet)) if name in texts else ""


def _mean(expressions: Iterable[str]) -> str:
    found = list(expressions)
    if not found:
        raise _NotInTraces
    return found[0] if len(found) == 1 else f"(({' + '.join(found)}) / {len(found)}.0)"


def _trip(statement: _Statement, run: RunEvidence, name: str) -> str:
    """Energy out over energy in, times the adapter's efficiency where asked for."""
    recharge, *others = run.also[name]
    trip = f"{statement.value(run.run_id, 'energy_out_wh')} / {statement.value(recharge, 'energy_in_wh')}"
    if name == "round_trip":
        return trip
    if not others:
        return f"({trip} * {ASSUMED_ADAPTER.value!r}::DOUBLE)"
    fed, wall = (others[0], others[1]) if len(others) > 1 else (recharge, others[0])
    return f"({trip} * ({statement.value(fed, 'energy_wh')} / {statement.value(wall, 'energy_wh')}))"


def _efficiency(statement: _Statement, run: RunEvidence) -> str:
    """The mean of four efficiencies, from the samples of both sides."""
    sql = average_sql(run)
    if not sql:
        raise _NotInTraces
    sides = (run.run_id, *run.also["efficiency_average"])
    statement.add_sides(sides)
    table = f"run_{run.run_id}_efficiency"
    statement.add(table, sql)
    return f"(FROM {table})"


def _sustained(statement: _Statement, name: str, sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> str:
    """The largest load that held: each test with its set load, how long it held and how long it ran."""
    by_id = {run.run_id: run for run in runs}
    rows = []
    for number in sustained_power(runs).tested_ids:
        run = by_id[number]
        load_w = load_of(run)
        if load_w is None:
            raise _NotInTraces
        is_held = "false"
        if run.value("first_cutback_s") is None:
            is_held = "true"
            if run.kind != "heat":
                held, ran = (statement.value(number, name) for name in ("held_s", "runtime_s"))
                is_held = f"{held} >= {HELD_SHARE!r}::DOUBLE * {ran}"
        rows.append(f"('{run.port}', '{run.mode}', {load_w!r}::DOUBLE, {is_held})".replace("'None'", "NULL"))
    listed = ",\n  ".join(rows)
    statement.add(
        "load",
        "SELECT watts, bool_and(is_held) AS is_held\n"
        f"FROM (VALUES\n  {listed}) AS test(port, mode, watts, is_held) GROUP BY port, mode, watts",
    )
    top = "(SELECT max(watts) FROM load WHERE is_held)"
    return f"{top} / {_numbers(sheet)['mass_kg']}" if name == "w_per_kg" else top
