"""The views that people query: their columns, and the SQL that makes each from the catalogue's tables.

Stable across versions, the same in `joulebook sql` and on screen. Knows SQL text only.
"""

from __future__ import annotations

from importers.schema import CHANNEL_NAMES

__all__ = [
    "COMPUTED_VIEWS",
    "DEVICE_ROWS",
    "MAIN_RESULTS",
    "MAIN_TEXTS",
    "MAIN_UNCERTAINTIES",
    "RUNS_SOURCE",
    "RUN_COLUMNS",
    "VIEWS",
    "VIEW_ORDER",
    "run_term",
    "view_columns",
]

MAIN_RESULTS: tuple[str, ...] = (
    "energy_wh",
    "charge_ah",
    "energy_out_wh",
    "energy_in_wh",
    "charge_out_ah",
    "charge_in_ah",
    "power_mean_w",
    "power_max_w",
    "power_plateau_w",
    "voltage_mean_v",
    "voltage_min_v",
    "voltage_max_v",
    "current_mean_a",
    "current_max_a",
    "temperature_max_c",
    "rise_k",
    "runtime_s",
    "held_s",
    "gap_s",
    "time_to_full_s",
    "trip_current_a",
    "trip_power_w",
    "source_resistance_mohm",
    "resistance_mohm",
    "efficiency",
)
"""Results that the `runs` view has as columns: those whose spec says `runs_column`, as the migrations made them."""

MAIN_UNCERTAINTIES: dict[str, str] = {"energy_uncertainty_wh": "energy_wh", "charge_uncertainty_ah": "charge_ah"}
"""Standard uncertainties that the `runs` view has as columns, and the result each belongs to."""

MAIN_TEXTS: dict[str, str] = {"ended": "end"}
"""Results in words that the `runs` view has as columns."""

RUN_COLUMNS: tuple[str, ...] = (
    "run_id", "device", "port", "mode", "kind", "direction", "load_set", "ambient_c", "started_at", "duration_s",
    "samples", "interval_s", "meter", "group_id", "source_file", "source_sha256", "profile", "quality", "note",
    *MAIN_RESULTS, *MAIN_UNCERTAINTIES, *MAIN_TEXTS,
    "quality_reason", "warning_count", "amendment_count", "part", "imported_at", "imported_by", "uid",
    "group_offset_s", "measured_at", "cable_mohm", "meter_overdue",
)  # fmt: skip

RUNS_SOURCE = (
    "catalogue.run LEFT JOIN (SELECT meter AS calibrated, max(due_on) AS due_on FROM catalogue.calibration "
    "GROUP BY meter) ON calibrated = run.meter"
)
"""What the `runs` view is made from."""

_DERIVED = {
    "meter_overdue": "coalesce(due_on < CAST(coalesce(run.started_at, run.imported_at) AS DATE), false)",
}


def run_term(column: str) -> str:
    """What a column of the `runs` view is in a SELECT from `RUNS_SOURCE`."""
    return _DERIVED.get(column, column)


def _plain(names: str, **terms: str) -> dict[str, str]:
    """Columns by name, each with what it is in the table: its own name unless said otherwise."""
    return {name: terms.get(name, name) for name in names.split()}


_COLUMNS: dict[str, tuple[dict[str, str], str]] = {
    "devices": (
        _plain(
            "device kind maker model rated_wh rated_mah cell_v mass_g volume_cm3 price currency note serial "
            "rated_output_w"
        ),
        "catalogue.device ORDER BY device",
    ),
    "ports": (_plain("device port connector direction offers"), "catalogue.port ORDER BY device, port"),
    "claims": (
        _plain(
            "device quantity value unit bound port mode condition printed_on claim value_text tolerance_percent load "
            "kind ambient_c"
        ),
        "catalogue.claim ORDER BY device, position",
    ),
    "meters": (
        _plain(
            "meter spec calibrated_on due_on voltage_spec current_spec temperature_spec note",
            spec="concat_ws('; ', nullif('voltage ' || voltage_spec, 'voltage '), "
            "nullif('current ' || current_spec, 'current '), "
            "nullif('temperature ' || temperature_spec, 'temperature '), "
            "(SELECT 'power ' || value FROM catalogue.meta WHERE key = 'power_spec:' || meter.meter), "
            "(SELECT 'clock ' || value FROM catalogue.meta WHERE key = 'clock_spec:' || meter.meter))",
            calibrated_on="(SELECT max(calibrated_on) FROM catalogue.calibration c WHERE c.meter = meter.meter)",
            due_on="(SELECT arg_max(due_on, calibrated_on) FROM catalogue.calibration c WHERE c.meter = meter.meter)",
        ),
        "catalogue.meter ORDER BY meter",
    ),
    "runs": ({name: run_term(name) for name in RUN_COLUMNS}, RUNS_SOURCE),
    "results": (
        _plain(
            "run_id device name value unit uncertainty dof expanded flags method method_version from_s to_s current "
            "text reason warnings computed_at program_version condition runs",
            current="is_current",
            condition="CAST(NULL AS VARCHAR)",
            runs="[run_id]",
        ),
        "catalogue.result",
    ),
    "events": (_plain("run_id kind from_s to_s value unit detail"), "catalogue.event"),
    "amendments": (
        _plain(
            "at who program_version table_name key field old_value new_value reason chain",
            at="changed_at",
        ),
        "catalogue.amendment ORDER BY seq",
    ),
    "calibrations": (
        _plain("meter calibrated_on by document due_on found adjusted", by="done_by"),
        "catalogue.calibration ORDER BY meter, calibrated_on",
    ),
    "originals": (
        _plain("sha256 file_name bytes stored_as imported_at imported_by program_version profile account"),
        "catalogue.original",
    ),
    "reports": (
        _plain(
            "report version title devices issued_at issued_by program_version replaces reason changes run_ids "
            "content_sha256 chain"
        ),
        "catalogue.report ORDER BY report, version",
    ),
    "schemes": (
        _plain("scheme version saved_at saved_by program_version reason sha256 text"),
        "catalogue.rating_scheme ORDER BY scheme, version",
    ),
    "deleted": (
        _plain("run_id device kind source_file source_sha256 samples deleted_at who reason"),
        "catalogue.tombstone ORDER BY deleted_at",
    ),
}
"""Of each view that the catalogue's tables make: its columns with their terms, and what they are selected from."""

VIEWS: dict[str, str] = {
    view: f"SELECT {', '.join(f'{term} AS {chr(34)}{name}{chr(34)}' for name, term in columns.items())} FROM {source}"
    for view, (columns, source) in _COLUMNS.items()
}
"""SQL of every view that the catalogue's tables make."""

VIEW_ORDER = ("devices", "ports", "claims", "meters", "runs", "samples", "results", "events", "verdicts")
"""Views in the order in which they are listed; the others follow."""

DEVICE_ROWS: dict[str, str] = {
    "device": "VARCHAR",
    "name": "VARCHAR",
    "value": "DOUBLE",
    "unit": "VARCHAR",
    "uncertainty": "DOUBLE",
    "dof": "DOUBLE",
    "expanded": "DOUBLE",
    "flags": "VARCHAR[]",
    "method": "VARCHAR",
    "method_version": "BIGINT",
    "current": "BOOLEAN",
    "reason": "VARCHAR",
    "warnings": "VARCHAR",
    "program_version": "VARCHAR",
    "condition": "VARCHAR",
    "runs": "BIGINT[]",
}
"""Columns that rows of the `results` view about a device as a whole have; the others are NULL there."""

COMPUTED_VIEWS: dict[str, tuple[tuple[str, str], ...]] = {
    "samples": (("run_id", "BIGINT"), ("t_s", "DOUBLE"), *((name, "DOUBLE") for name in CHANNEL_NAMES)),
    "verdicts": (
        ("device", "VARCHAR"),
        ("claim", "VARCHAR"),
        ("measured", "DOUBLE"),
        ("unit", "VARCHAR"),
        ("uncertainty", "DOUBLE"),
        ("verdict", "VARCHAR"),
        ("reason", "VARCHAR"),
        ("run_ids", "BIGINT[]"),
        ("position", "BIGINT"),
        ("probability", "DOUBLE"),
        ("lower", "DOUBLE"),
        ("upper", "DOUBLE"),
        ("measured_text", "VARCHAR"),
        ("printed_on", "VARCHAR"),
    ),
}
"""Views that no table holds: from the traces, and by judging claims."""


def view_columns() -> dict[str, tuple[str, ...]]:
    """Columns of each view, in order, for help that needs no library."""
    found = {name: tuple(columns) for name, (columns, _) in _COLUMNS.items()}
    found |= {name: tuple(column for column, _ in columns) for name, columns in COMPUTED_VIEWS.items()}
    return {name: found[name] for name in (*VIEW_ORDER, *[name for name in found if name not in VIEW_ORDER])}
