"""Views and columns that SQL can ask for, as the help of `joulebook sql` lists them.

Written down so that help needs no library; a test holds it against a real one.
"""

from __future__ import annotations

import textwrap

__all__ = ["VIEW_COLUMNS", "views_help"]

VIEW_COLUMNS: dict[str, str] = {
    "devices": (
        "device, kind, maker, model, rated_wh, rated_mah, cell_v, mass_g, volume_cm3, price, currency, note, "
        "serial, rated_output_w"
    ),
    "ports": "device, port, connector, direction, offers",
    "claims": (
        "device, quantity, value, unit, bound, port, mode, condition, printed_on, claim, value_text, "
        "tolerance_percent, load, kind, ambient_c"
    ),
    "meters": "meter, spec, calibrated_on, due_on, voltage_spec, current_spec, temperature_spec, note",
    "runs": (
        "run_id, device, port, mode, kind, direction, load_set, ambient_c, started_at, duration_s, samples, "
        "interval_s, meter, group_id, source_file, source_sha256, profile, quality, note, energy_wh, "
        "charge_ah, energy_out_wh, energy_in_wh, charge_out_ah, charge_in_ah, power_mean_w, power_max_w, "
        "power_plateau_w, voltage_mean_v, voltage_min_v, voltage_max_v, current_mean_a, current_max_a, "
        "temperature_max_c, rise_k, runtime_s, held_s, gap_s, time_to_full_s, trip_current_a, trip_power_w, "
        "source_resistance_mohm, resistance_mohm, efficiency, energy_uncertainty_wh, charge_uncertainty_ah, "
        "ended, quality_reason, warning_count, amendment_count, part, imported_at, imported_by, uid, "
        "group_offset_s, measured_at, cable_mohm, meter_overdue"
    ),
    "samples": (
        "run_id, t_s, voltage_v, current_a, power_w, charge_ah, energy_wh, temperature_c, temperature_cell_c, "
        "temperature_plug_c, temperature_meter_c, temperature_ambient_c, temperature_2_c, voltage_far_v, "
        "voltage_dp_v, voltage_dm_v, voltage_cc1_v, voltage_cc2_v, resistance_ohm, frequency_hz, "
        "power_factor, display_voltage_v, display_current_a, display_power_w, display_energy_wh, "
        "display_percent"
    ),
    "results": (
        "run_id, device, name, value, unit, uncertainty, method, method_version, from_s, to_s, current, text, "
        "reason, warnings, computed_at, program_version"
    ),
    "events": "run_id, kind, from_s, to_s, value, unit, detail",
    "verdicts": (
        "device, claim, measured, unit, uncertainty, verdict, reason, run_ids, position, probability, lower, "
        "upper, measured_text, printed_on"
    ),
    "amendments": "at, who, program_version, table_name, key, field, old_value, new_value, reason, chain",
    "calibrations": "meter, calibrated_on, by, document, due_on, found, adjusted",
    "originals": "sha256, file_name, bytes, stored_as, imported_at, imported_by, program_version, profile, account",
    "reports": (
        "report, version, title, devices, issued_at, issued_by, program_version, replaces, reason, changes, "
        "run_ids, content_sha256, chain"
    ),
    "schemes": "scheme, version, saved_at, saved_by, program_version, reason, sha256, text",
    "deleted": "run_id, device, kind, source_file, source_sha256, samples, deleted_at, who, reason",
}
"""Columns of each view, in order."""


def views_help() -> str:
    """The list as a block of help, lines as they stand."""
    lines = ["\b", "Views and their columns (units are in the names; samples has one column per channel):"]
    for view, columns in VIEW_COLUMNS.items():
        lines += textwrap.wrap(f"{view}: {columns}", 94, initial_indent="  ", subsequent_indent="      ")
    return "\n".join(lines)
