"""The views that people query: their columns, and the SQL that makes each from the catalogue's tables.

Stable across versions, the same in `joulebook sql` and on screen. Knows SQL text only.
"""

from __future__ import annotations

from importers.schema import CHANNEL_NAMES

__all__ = ["COMPUTED_VIEWS", "MAIN_RESULTS", "RUNS_SOURCE", "RUN_COLUMNS", "VIEWS", "run_term", "view_sql"]

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
"""Results that the `runs` view has as columns."""

MAIN_UNCERTAINTIES: dict[str, str] = {"energy_uncertainty_wh": "energy_wh", "charge_uncertainty_ah": "charge_ah"}
"""Standard uncertainties that the `runs` view has as columns, and the result each belongs to."""

RUN_COLUMNS: tuple[str, ...] = (
    "run_id", "device", "port", "mode", "kind", "direction", "load_set", "ambient_c", "started_at", "duration_s",
    "samples", "interval_s", "meter", "group_id", "source_file", "source_sha256", "profile", "quality", "note",
    *MAIN_RESULTS, *MAIN_UNCERTAINTIES, "ended",
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


VIEWS: dict[str, str] = {
    "devices": "SELECT device, kind, maker, model, rated_wh, rated_mah, cell_v, mass_g, volume_cm3, price, currency, "
    "note, serial, rated_output_w FROM catalogue.device ORDER BY device",
    "ports": "SELECT device, port, connector, direction, offers FROM catalogue.port ORDER BY device, port",
    "claims": "SELECT device, quantity, value, unit, bound, port, mode, condition, printed_on, claim, value_text, "
    "tolerance_percent, load, kind, ambient_c FROM catalogue.claim ORDER BY device, position",
    "meters": "SELECT meter, concat_ws('; ', nullif('voltage ' || voltage_spec, 'voltage '), "
    "nullif('current ' || current_spec, 'current '), "
    "nullif('temperature ' || temperature_spec, 'temperature '), "
    "(SELECT 'power ' || value FROM catalogue.meta WHERE key = 'power_spec:' || meter.meter)) AS spec, "
    "(SELECT max(calibrated_on) FROM catalogue.calibration c WHERE c.meter = meter.meter) AS calibrated_on, "
    "(SELECT arg_max(due_on, calibrated_on) FROM catalogue.calibration c WHERE c.meter = meter.meter) AS due_on, "
    "voltage_spec, current_spec, temperature_spec, note FROM catalogue.meter ORDER BY meter",
    "runs": f"SELECT {', '.join(f'{run_term(c)} AS {c}' for c in RUN_COLUMNS)} FROM {RUNS_SOURCE}",
    "results": "SELECT run_id, device, name, value, unit, uncertainty, method, method_version, from_s, to_s, "
    'is_current AS "current", text, reason, warnings, computed_at, program_version FROM catalogue.result',
    "events": "SELECT run_id, kind, from_s, to_s, value, unit, detail FROM catalogue.event",
    "amendments": 'SELECT changed_at AS "at", who, program_version, table_name, key, field, old_value, new_value, '
    "reason, chain "
    "FROM catalogue.amendment ORDER BY seq",
    "calibrations": 'SELECT meter, calibrated_on, done_by AS "by", document, due_on, found, adjusted '
    "FROM catalogue.calibration ORDER BY meter, calibrated_on",
    "originals": "SELECT sha256, file_name, bytes, stored_as, imported_at, imported_by, program_version, profile, "
    "account FROM catalogue.original",
    "reports": "SELECT report, version, title, devices, issued_at, issued_by, "
    "program_version, replaces, reason, changes, run_ids, content_sha256, chain "
    "FROM catalogue.report ORDER BY report, version",
    "schemes": "SELECT scheme, version, saved_at, saved_by, program_version, reason, sha256, text "
    "FROM catalogue.rating_scheme ORDER BY scheme, version",
    "deleted": "SELECT run_id, device, kind, source_file, source_sha256, samples, deleted_at, who, reason "
    "FROM catalogue.tombstone ORDER BY deleted_at",
}
"""SQL of every view that the catalogue's tables make."""

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
"""Views that are made otherwise: from the traces, and by judging claims."""


def view_sql(name: str) -> str:
    """SELECT of a view over the attached catalogue."""
    return VIEWS[name]
