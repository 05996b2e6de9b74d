"""SQL over the public views by which a stranger gets a headline figure again. Knows SQL text and figures."""

from __future__ import annotations

from collections.abc import Sequence

from store.devices.records import Figure
from store.documents.figures import amount
from store.judge.derived.ratios import ASSUMED_ADAPTER, pair_runs
from store.judge.derived.sustained import HELD_SHARE, sustained_power
from store.judge.efficiency_sql import average_sql, points_sql
from store.judge.evidence import BenchEvidence
from store.methods.specs import label_of
from store.model.document import Sql
from store.publish.shown import run_list

__all__ = ["figure_sql", "headline_queries", "pairs_query", "quoted", "results_query"]


def quoted(text: str) -> str:
    """A text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def _mean(expression: str, device: str, name: str, runs: Sequence[int]) -> str:
    return (
        f"SELECT avg({expression}) AS value\nFROM results r JOIN devices d USING (device)\n"
        f'WHERE r."current" AND d.device = {quoted(device)} AND r.name = {quoted(name)} '
        f"AND r.run_id IN ({run_list(runs)})"
    )


DERIVED = ("round_trip", "wall_to_load", "wasted_share")
"""Figures that rest on several runs or on the sheet: no rows of `results`."""

_OF_ENERGY = {
    "energy_out_wh": "r.value",
    "yield": "r.value / d.rated_wh",
    "wh_per_kg": "r.value * 1000 / d.mass_g",
    "wh_per_l": "r.value * 1000 / d.volume_cm3",
}
_OF_SHEET = {
    "rated_wh_per_kg": "rated_wh * 1000 / mass_g",
    "rated_wh_per_l": "rated_wh * 1000 / volume_cm3",
    "mass_g": "mass_g",
    "volume_cm3": "volume_cm3",
    "rated_energy_wh": "rated_wh",
    "capacity_mah": "rated_mah",
}


def headline_queries(device: str, figures: Sequence[Figure], evidence: BenchEvidence) -> tuple[Sql, ...]:
    """A query for each headline figure of a device, with the number that it gives.

    Each is one query; a figure that needs what the catalogue does not hold is told as a sentence.
    """
    found = []
    for figure in figures:
        if figure.value is None:
            continue
        sql, note = _query(device, figure, evidence)
        gives = (
            amount(figure.name, figure.value, figure.unit, figure.uncertainty, figure.dof) if sql and not note else None
        )
        found.append(Sql(label_of(figure.name), sql, gives, note))
    return tuple(found)


def figure_sql(device: str, figure: Figure, evidence: BenchEvidence) -> str:
    """One query that gives a figure; empty where it needs what the catalogue does not hold."""
    return _query(device, figure, evidence)[0]


def _query(device: str, figure: Figure, evidence: BenchEvidence) -> tuple[str, str]:
    name, runs = figure.name, figure.run_ids
    if name in _OF_ENERGY:
        return _mean(_OF_ENERGY[name], device, "energy_out_wh", runs), ""
    if name == "price_per_usable_wh":
        return f"SELECT any_value(price) / any_value(value) AS value FROM (\n{_price(device, runs)}\n)", ""
    if name in _OF_SHEET:
        return f"SELECT {_OF_SHEET[name]} AS value FROM devices WHERE device = {quoted(device)}", ""
    if name == "round_trip":
        return _round_trip(device, runs, evidence), ""
    if name in ("wall_to_load", "wasted_share"):
        return _through_adapter(name, device, figure, evidence), ""
    if name == "efficiency_average":
        run = next((run for run in evidence.of(device) if run.run_id in runs and name in run.results), None)
        sql = average_sql(run) if run is not None else ""
        return (sql, "") if sql else ("", "Mean of the efficiencies at 25, 50, 75 and 100 % of rated current.")
    if name in ("sustained_power_w", "w_per_kg"):
        return _sustained(name, device, evidence), ""
    if name.startswith("efficiency_") and name.endswith("_percent"):
        return _efficiency_at(name, device, runs, evidence), ""
    if name == "runtime_h":
        return "", "The delivered energy over the load, between loads that were tested interpolated."
    if name.startswith("model_"):
        return _of_model(name.removeprefix("model_"), runs, evidence), ""
    return _mean("r.value", device, name, runs), ""


def _efficiency_at(name: str, device: str, runs: Sequence[int], evidence: BenchEvidence) -> str:
    """One load step of an adapter, from the samples of both sides."""
    run = next((run for run in evidence.of(device) if run.run_id in runs and name in run.results), None)
    inner = points_sql(run) if run is not None else ""
    share = int(name.split("_")[1]) / 100
    return f"SELECT efficiency AS value FROM (\n{inner}\n) WHERE share = {share}" if inner else ""


def _of_model(name: str, runs: Sequence[int], evidence: BenchEvidence) -> str:
    """The mean over samples of their own means: each sample counts once."""
    if name == "round_trip":
        pairs = [pair for device in evidence.sheets for pair in _pairs(device, evidence) if pair[0] in runs]
        return (
            "SELECT avg(mean) AS value FROM (\n  SELECT o.device, avg(o.value / i.value) AS mean\n"
            f"{_from_pairs(pairs)} GROUP BY o.device)"
        )
    return (
        "SELECT avg(mean) AS value FROM (\n  SELECT device, avg(value) AS mean FROM results\n"
        f'  WHERE "current" AND name = {quoted(name)} AND run_id IN ({run_list(runs)}) GROUP BY device)'
    )


def _price(device: str, runs: Sequence[int]) -> str:
    return (
        "  SELECT any_value(d.price) AS price, avg(r.value) AS value\n"
        "  FROM results r JOIN devices d USING (device)\n"
        f"  WHERE r.\"current\" AND d.device = {quoted(device)} AND r.name = 'energy_out_wh' "
        f"AND r.run_id IN ({run_list(runs)})"
    )


def _round_trip(device: str, runs: Sequence[int], evidence: BenchEvidence) -> str:
    pairs = [pair for pair in _pairs(device, evidence) if pair[0] in runs]
    return f"SELECT avg(o.value / i.value) AS value\n{_from_pairs(pairs)}"


def _through_adapter(name: str, device: str, figure: Figure, evidence: BenchEvidence) -> str:
    """Round trip times the adapter's efficiency: measured in a recharge's group, else the assumed number."""
    pairs = [pair for pair in _pairs(device, evidence) if pair[0] in figure.run_ids]
    within = {run_id for pair in pairs for run_id in pair}
    walls = [run_id for run_id in figure.run_ids if run_id not in within]
    adapter = f"{ASSUMED_ADAPTER.value!r}"
    if walls:
        adapter = (
            "(SELECT avg(t.value / w.value) FROM results t JOIN results w ON w.name = 'energy_wh' AND w.\"current\"\n"
            "    JOIN runs rt ON rt.run_id = t.run_id AND rt.kind = 'recharge'\n"
            "    JOIN runs rw ON rw.run_id = w.run_id AND rw.group_id = rt.group_id\n"
            f"  WHERE w.run_id IN ({run_list(walls)}) AND t.run_id <> w.run_id\n"
            "    AND t.name = 'energy_wh' AND t.\"current\")"
        )
    through = f"avg(o.value / i.value) * {adapter}"
    value = f"1 - {through}" if name == "wasted_share" else through
    return f"SELECT {value} AS value\n{_from_pairs(pairs)}"


def _sustained(name: str, device: str, evidence: BenchEvidence) -> str:
    """The largest load that every test at it held; of the tests that the figure looked at."""
    tests = run_list(sustained_power(evidence.of(device)).tested_ids)
    value = "max(load_w)"
    if name == "w_per_kg":
        value = f"1000 * max(load_w) / (SELECT mass_g FROM devices WHERE device = {quoted(device)})"
    return (
        "WITH test AS (\n"
        "  SELECT r.port, r.mode,\n"
        "    coalesce(TRY_CAST(regexp_extract(r.load_set, '^([0-9.]+) W$', 1) AS DOUBLE), p.value) AS load_w,\n"
        f"    c.value IS NULL AND (r.kind = 'heat' OR r.held_s >= {HELD_SHARE} * r.runtime_s) AS is_held\n"
        "  FROM runs r\n"
        "  LEFT JOIN results c ON c.run_id = r.run_id AND c.name = 'first_cutback_s' AND c.\"current\"\n"
        "  LEFT JOIN results p ON p.run_id = r.run_id AND p.name = 'power_plateau_w' AND p.\"current\"\n"
        f"  WHERE r.run_id IN ({tests}))\n"
        f"SELECT {value} AS value\n"
        "FROM (SELECT port, mode, load_w, bool_and(is_held) AS is_held FROM test GROUP BY ALL) WHERE is_held"
    )


def _pairs(device: str, evidence: BenchEvidence) -> list[tuple[int, int]]:
    """Each discharge with the recharge that goes with it."""
    return [(pair.discharge.run_id, pair.recharge.run_id) for pair in pair_runs(evidence.of(device))]


def _from_pairs(pairs: Sequence[tuple[int, int]]) -> str:
    listed = ", ".join(f"({out}, {into})" for out, into in pairs)
    return (
        f"FROM (VALUES {listed}) AS pair(out_run, in_run)\n"
        "JOIN results o ON o.run_id = out_run AND o.name = 'energy_out_wh' AND o.\"current\"\n"
        "JOIN results i ON i.run_id = in_run AND i.name = 'energy_in_wh' AND i.\"current\""
    )


def pairs_query(device: str, evidence: BenchEvidence) -> Sql | None:
    """Round trip and yield of every discharge and the recharge that goes with it; None where nothing pairs."""
    pairs = _pairs(device, evidence)
    if not pairs:
        return None
    sql = (
        "SELECT out_run, in_run, o.value / i.value AS round_trip, o.value / d.rated_wh AS yield\n"
        f"{_from_pairs(pairs)}\nJOIN devices d ON d.device = o.device\nORDER BY out_run"
    )
    return Sql(f"round trip and yield of each discharge of {device}", sql)


def results_query(kind: str, run_ids: Sequence[int], names: Sequence[str]) -> Sql:
    """Single results behind a table of one kind of test; means in the table are of these."""
    listed = ", ".join(quoted(name) for name in names if name not in DERIVED)
    sql = (
        "SELECT run_id, name, value, uncertainty, unit, method, method_version\nFROM results\n"
        f'WHERE "current" AND run_id IN ({run_list(run_ids)})\n  AND name IN ({listed})\nORDER BY run_id, name'
    )
    return Sql(f"results of {kind} runs", sql)
