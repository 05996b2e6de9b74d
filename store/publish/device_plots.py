"""The plots of a device's report and of a comparison. Knows pages and the library's views; draws nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from store.devices.records import ComparisonPage, ConditionRow, DevicePage, TestTable
from store.documents.figures import figure_cell
from store.documents.glance import at_room, decisive_load
from store.methods.adapter import SHARES, efficiency_name
from store.methods.discharge import ENERGY_OUT_WH, FIRST_CUTBACK_S
from store.methods.recharge import ENERGY_IN_WH
from store.model.document import Band, Panel, Plot, Series
from store.publish.over_time import ask_rows, time_plot
from store.publish.package import slug
from store.publish.shown import run_list
from store.words.facts import parse_load, parse_mode, window_of

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["comparison_plots", "decisive_plot", "device_plots"]

MOST_LINES = 4
"""Lines that one panel of a report shows."""


def _table(page: DevicePage, kind: str) -> TestTable | None:
    return next((table for table in page.tables if table.kind == kind), None)


def _condition(row: ConditionRow, *, device: str = "") -> str:
    ambient = f"{row.ambient_c:.0f} °C" if row.ambient_c is not None and not at_room(row) else ""
    return ", ".join(part for part in (device, row.port, row.mode, row.load, ambient) if part)


def device_plots(library: Store, page: DevicePage) -> tuple[Plot, ...]:
    """Every plot that a device's runs allow."""
    name = page.sheet.device
    found = [
        _discharge_plot(library, page),
        _energy_plot(page),
        _regulation_plot(library, page),
        _recharge_plot(library, page),
        _efficiency_plot(page),
        _heat_plot(library, page),
    ]
    prefix = name.lower()
    return tuple(_named(plot, prefix) for plot in found if plot is not None)


def decisive_plot(library: Store, page: DevicePage) -> Plot | None:
    """The run that tells the story: power and case temperature at the largest load that was tested, cutback marked."""
    found = decisive_load(page)
    if found is None:
        return None
    run_id = found.row.run_ids[0]
    name = page.sheet.device
    end = "until empty" if found.is_held else f"for {figure_cell(found.held).shown()}, then cuts back"
    channels = {"power_w": "power / W", "temperature_c": "case temperature / °C"}
    title = f"{name} holds {found.load_w:g} W {end}"
    drawn = time_plot(library, "decisive", title, {run_id: _condition(found.row)}, channels, anchor=ENERGY_OUT_WH.name)
    if drawn is None:
        return None
    at = next((row["value"] for row in ask_rows(library, _cutback_sql(run_id)) if row["value"] is not None), None)
    marks = ((round(float(at) / 60, 4), "cutback"),) if at is not None else ()
    bands = (Band("set load", found.load_w, found.load_w),)
    panels = tuple(
        replace(panel, marks=marks, bands=bands if panel.y_label.startswith("power") else ()) for panel in drawn.panels
    )
    told = f" Cutback after {figure_cell(found.held).shown()}." if marks else ""
    return _named(replace(drawn, panels=panels, alt=f"{drawn.alt}{told}"), name.lower())


def _cutback_sql(run_id: int) -> str:
    return f"SELECT value FROM results WHERE run_id = {run_id} AND name = '{FIRST_CUTBACK_S.name}' AND \"current\""


def _named(plot: Plot, prefix: str) -> Plot:
    return replace(plot, id=f"{slug(prefix)}-{plot.id}")


def _discharge_plot(library: Store, page: DevicePage) -> Plot | None:
    table = _table(page, "discharge")
    if table is None:
        return None
    rows = [row for row in table.rows if not row.is_shared and at_room(row)]
    rows.sort(key=lambda row: (-_load_w(row), row.port, row.mode))
    labels = {row.run_ids[0]: _condition(row) for row in rows[:MOST_LINES]}
    if not labels:
        return None
    title = f"{page.sheet.device}: power and case temperature while discharged at room temperature"
    channels = {"power_w": "power / W", "temperature_c": "case temperature / °C"}
    return time_plot(library, "discharge", title, labels, channels, anchor=ENERGY_OUT_WH.name)


def _load_w(row: ConditionRow) -> float:
    load = parse_load(row.load)
    return load.value if load is not None and load.unit == "W" else 0.0


def _recharge_plot(library: Store, page: DevicePage) -> Plot | None:
    table = _table(page, "recharge")
    if table is None:
        return None
    labels = {row.run_ids[0]: _ambient_words(row) for row in table.rows[:MOST_LINES]}
    title = f"{page.sheet.device}: recharge"
    channels = {"power_w": "charging power / W", "temperature_c": "case temperature / °C"}
    return time_plot(library, "recharge", title, labels, channels, anchor=ENERGY_IN_WH.name)


def _ambient_words(row: ConditionRow) -> str:
    ambient = f"{row.ambient_c:.0f} °C" if row.ambient_c is not None else ""
    return ", ".join(part for part in (row.port, row.mode, ambient) if part)


def _heat_plot(library: Store, page: DevicePage) -> Plot | None:
    if page.sheet.kind == "power bank":
        return None
    table = _table(page, "heat")
    if table is None:
        return None
    labels = {row.run_ids[0]: _condition(row) for row in table.rows[:MOST_LINES]}
    title = f"{page.sheet.device}: case temperature at steady load"
    return time_plot(library, "heat", title, labels, {"temperature_c": "case temperature / °C"})


def _energy_plot(page: DevicePage) -> Plot | None:
    """Share of the rated energy that is delivered, over the load."""
    table = _table(page, "discharge")
    rated = page.sheet.energy_wh
    if table is None or rated is None:
        return None
    places: dict[str, list[tuple[float, float, float | None, ConditionRow]]] = {}
    for row in table.rows:
        figure = row.figures[0]
        if figure.value is None or row.is_shared or not at_room(row) or not _load_w(row):
            continue
        place = ", ".join(part for part in (row.port, row.mode) if part)
        u = None if figure.expanded is None else 100.0 * figure.expanded / rated
        places.setdefault(place, []).append((_load_w(row), 100.0 * figure.value / rated, u, row))
    series, runs, told = [], [], []
    for style, (place, points) in enumerate(places.items()):
        points.sort(key=lambda point: point[0])
        series.append(
            Series(
                place,
                tuple(point[0] for point in points),
                tuple(round(point[1], 4) for point in points),
                tuple(None if point[2] is None else round(point[1] - point[2], 4) for point in points),
                tuple(None if point[2] is None else round(point[1] + point[2], 4) for point in points),
                style,
                "line and points" if len(points) > 1 else "points",
            )
        )
        runs += [run for point in points for run in point[3].run_ids]
        told.append(f"{place}: " + ", ".join(f"{point[1]:.1f} % at {point[0]:g} W" for point in points) + ".")
    if not series:
        return None
    title = f"{page.sheet.device}: share of the rated {rated:g} Wh that is delivered, over the load"
    sql = (
        "SELECT r.port, r.mode, r.load_set, avg(100 * r.energy_out_wh / d.rated_wh) AS percent, count(*) AS tests\n"
        f"FROM runs r JOIN devices d USING (device)\nWHERE r.run_id IN ({run_list(sorted(runs))})\n"
        "GROUP BY ALL ORDER BY ALL"
    )
    panel = Panel("yield / %", tuple(series), x_label="set load / W", x_from_zero=True)
    note = "Bars: ± U, k = 2; no bar where the meter's accuracy is unknown."
    return Plot("yield", title, f"{title}. {' '.join(told)}", (panel,), note=note, sql=sql, run_ids=tuple(sorted(runs)))


def _regulation_plot(library: Store, page: DevicePage) -> Plot | None:
    table = _table(page, "regulation")
    if table is None:
        return None
    runs = [(row, row.run_ids[0]) for row in table.rows][:6]
    sql = _levels_sql([run for _, run in runs])
    by_run: dict[int, list[dict[str, Any]]] = {}
    for row in ask_rows(library, sql):
        by_run.setdefault(row["run_id"], []).append(row)
    panels, told = [], []
    for condition, run_id in runs:
        levels = by_run.get(run_id, [])
        if not levels:
            continue
        mode = parse_mode(condition.mode)
        window = window_of(mode) if mode is not None else None
        bands = (Band(f"window {window.lower:g} to {window.upper:g} V", window.lower, window.upper),) if window else ()
        expanded = [None if row["u_v"] is None else 2 * row["u_v"] for row in levels]
        volts = [row["voltage_v"] for row in levels]
        series = Series(
            "settled voltage",
            tuple(round(row["current_a"], 4) for row in levels),
            tuple(round(value, 5) for value in volts),
            tuple(None if u is None else round(v - u, 5) for v, u in zip(volts, expanded, strict=True)),
            tuple(None if u is None else round(v + u, 5) for v, u in zip(volts, expanded, strict=True)),
            0,
            "points",
        )
        place = ", ".join(part for part in (condition.port, condition.mode) if part)
        panels.append(Panel("voltage / V", (series,), bands, place, "current / A"))
        inside = f", window {window.lower:g} to {window.upper:g} V" if window else ""
        told.append(
            f"{place}: {min(volts):.3f} to {max(volts):.3f} V from {series.x[0]:g} to {max(series.x):g} A{inside}."
        )
    if not panels:
        return None
    title = f"{page.sheet.device}: regulation against its window"
    note = (
        "Settled part of each load level, up and down again. Shaded: the allowed window. U (k = 2) is within the marks."
    )
    return Plot(
        "regulation",
        title,
        f"{title}. {' '.join(told)}",
        tuple(panels),
        across=2 if len(panels) > 1 else 1,
        note=note,
        sql=sql,
        run_ids=tuple(run for _, run in runs),
    )


def _levels_sql(run_ids: Sequence[int]) -> str:
    return (
        "SELECT v.run_id, v.name[7:8] AS level, a.value AS current_a, v.value AS voltage_v, v.uncertainty AS u_v\n"
        'FROM results v JOIN results a ON a.run_id = v.run_id AND a."current" '
        "AND a.name = v.name[1:9] || 'current_a'\n"
        f'WHERE v."current" AND v.run_id IN ({run_list(run_ids)})\n'
        "  AND v.name LIKE 'level\\___\\_voltage\\_v' ESCAPE '\\'\nORDER BY v.run_id, level"
    )


_EFFICIENCY_LOADS = {efficiency_name(share): 100.0 * share for share in SHARES}


def _efficiency_plot(page: DevicePage) -> Plot | None:
    """An adapter's efficiency over its load."""
    table = _table(page, "efficiency")
    if table is None:
        return None
    series: list[Series] = []
    told: list[str] = []
    runs: list[int] = []
    for style, row in enumerate(table.rows[:MOST_LINES]):
        points = [
            (x, f) for f in row.figures if (x := _EFFICIENCY_LOADS.get(f.name)) is not None and f.value is not None
        ]
        if not points:
            continue
        values = [100.0 * (f.value or 0.0) for _, f in points]
        bars = [None if f.expanded is None else 100.0 * f.expanded for _, f in points]
        place = ", ".join(part for part in (row.port, row.mode) if part)
        series.append(
            Series(
                place,
                tuple(x for x, _ in points),
                tuple(round(v, 4) for v in values),
                tuple(None if b is None else round(v - b, 4) for v, b in zip(values, bars, strict=True)),
                tuple(None if b is None else round(v + b, 4) for v, b in zip(values, bars, strict=True)),
                style,
                "line and points",
            )
        )
        runs += row.run_ids
        told.append(
            f"{place}: " + ", ".join(f"{v:.1f} % at {x:g} %" for v, (x, _) in zip(values, points, strict=True)) + "."
        )
    if not series:
        return None
    title = f"{page.sheet.device}: efficiency over the load"
    panel = Panel("efficiency / %", tuple(series), x_label="load / % of rated current", x_from_zero=True)
    note = "Bars: ± U, k = 2."
    return Plot("efficiency", title, f"{title}. {' '.join(told)}", (panel,), note=note, run_ids=tuple(runs))


def comparison_plots(library: Store, page: ComparisonPage) -> tuple[Plot, ...]:
    """One discharge of each device over time, over one another."""
    drawn = _overlay(library, page)
    return (drawn,) if drawn is not None else ()


def _overlay(library: Store, page: ComparisonPage) -> Plot | None:
    row = next((r for r in page.rows if r.name == ENERGY_OUT_WH.name), None)
    if row is None:
        return None
    labels = {
        figure.run_ids[0]: f"{sheet.device}, {figure.condition.partition(';')[0]}"
        for sheet, figure in zip(page.devices, row.figures, strict=True)
        if figure.run_ids
    }
    if not labels:
        return None
    title = "Power and case temperature of one discharge each"
    channels = {"power_w": "power / W", "temperature_c": "case temperature / °C"}
    return time_plot(library, "discharges", title, labels, channels, anchor=ENERGY_OUT_WH.name)
