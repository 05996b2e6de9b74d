"""Flags and typed accounts from the sentences that earlier programs stored: once, in the migration to schema 3.

The only place that reads them. Never changed later: what it reads was written before it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from store.catalogue.connection import rows
from store.files import durable

__all__ = ["account_of", "derive", "flags_of"]

PORTION = 100_000
"""Rows rewritten at a time."""

_BEGINNINGS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("a lower bound", ("at least",)),
    ("a lower bound: nothing is known of", ("gap open",)),
    ("a lower bound: a gap of", ("gap open",)),
    ("a lower bound: the log stops", ("log stopped",)),
    ("a lower bound: the log ends", ("log stopped",)),
    ("the log starts", ("starts late",)),
    ("projected by the heating fit", ("projected",)),
)
"""How a stored note began, and what it says."""

_OF_ENERGY = ("usable share", "cell equivalent")

_WORDS: Mapping[str, tuple[str, Mapping[str, str]]] = {
    "power": ("power", {"V x I": "V x I", "logged power": "logged power"}),
    "power of the meter": ("power", {"V x I": "V x I", "as logged": "logged power"}),
    "counted": (
        "counted",
        {
            "both directions, net": "both directions, net",
            "along the run's direction": "along the run's direction",
            "against the run's direction": "against the run's direction",
        },
    ),
    "over": (
        "ambient",
        {"logged ambient": "logged ambient", "stated ambient": "stated ambient", "first sample": "first sample"},
    ),
    "rule": (
        "rule",
        {
            "slope": "slope",
            "quotient: the current hardly changed": "quotient: the current hardly changed",
            "measured at this current": "measured at this current",
            "resistance x current": "resistance x current",
        },
    ),
    "rule of resistance": (
        "base_rule",
        {"slope": "slope", "quotient: the current hardly changed": "quotient: the current hardly changed"},
    ),
    "energy by": ("rule", {"the meter's counter": "energy by the meter's counter"}),
    "energy flows": ("direction", {"in": "in", "out": "out"}),
}
"""Inputs in words: the field that they become, and its values."""

_SPANS = (
    "levels: from s, to s, A, ± A",
    "pauses: from s, to s",
    "dropouts: from s, to s",
    "changes: at s, from V, to V",
)

_NUMBERS: Mapping[str, str] = {
    "samples in the log": "samples_logged",
    "samples without power": "samples_without_power",
    "samples near the plateau": "samples_near_plateau",
    "samples used": "samples_used",
    "samples per point": "samples_per_point",
    "left out": "left_out",
    "last power under load (W)": "last_power_w",
    "rated_energy_wh (maker's)": "rated_energy_wh",
    "cell_voltage_v (maker's)": "cell_voltage_v",
    "rated_current_a (maker's)": "rated_current_a",
    "change at the end (K)": "end_change_k",
    "largest change (K)": "largest_change_k",
    "looks back (s)": "looks_back_s",
    "load begins at (s)": "load_begins_s",
    "load ends at (s)": "load_ends_s",
    "covers (time constants)": "covers",
    "standard errors widened by": "widened_by",
    "fitted to (s)": "fitted_to_s",
    "at current_a": "at_current_a",
    "switch-offs": "switch_offs",
    "from the meter's counter (Wh)": "from_counter_wh",
    "from the meter's counter (Ah)": "from_counter_ah",
    "display's reading": "display_reading",
    "meter's reading": "meter_reading",
    "added back (mΩ)": "added_mohm",
}
"""Inputs that had names for people."""

_TOLD: Mapping[str, str] = {
    "level from": "level_from",
    "nominal from": "nominal_from",
    "heating ends": "heating_ends",
    "constants changed in this library": "constants_changed",
    "paired with": "paired_with",
}


def flags_of(
    warnings: Iterable[str],
    reason: str,
    inputs: Mapping[str, Any],
    text: str | None,
    *,
    is_absent: bool,
    method: str = "",
) -> list[str]:
    """What a result's stored notes, reason and words say, as flags, sorted."""
    found = {flag for note in warnings for begin, flags in _BEGINNINGS if note.startswith(begin) for flag in flags}
    if any(key.startswith("from the meter's counter") for key in inputs):
        found.add("gap filled")
    if method in _OF_ENERGY and "unknown_s" in inputs:  # these did not repeat the energy's own notes
        found |= {"at least", "gap open"}
    if text == "log stopped under load":
        found.add("log stopped")
    if is_absent and (reason.startswith(("not reached", "full was not reached")) or "not reached:" in reason):
        found.add("not reached")
    return sorted(found)


def account_of(inputs: Mapping[str, Any]) -> dict[str, Any]:
    """A result's stored inputs as the fields of a typed account."""
    account: dict[str, Any] = {}
    numbers: dict[str, float] = {}
    told: dict[str, str] = {}
    constants: dict[str, float] = {}
    corrections: dict[str, dict[str, Any]] = {}
    for key, value in inputs.items():
        field, words = _WORDS.get(key, ("", {}))
        kind, of, channel = key.partition(" of ")
        if field and value in words:
            account[field] = words[value]
        elif key == "probe":
            account["probe"] = value
        elif key in _SPANS:
            account["spans"] = _spans(str(value))
        elif key.startswith("constant "):
            constants[key.removeprefix("constant ")] = float(value)
        elif of and kind in ("gain", "offset", "correction"):
            item = corrections.setdefault(channel, {"channel": channel, "gain": 1.0, "offset": 0.0, "source": ""})
            item["source" if kind == "correction" else kind] = value
        elif isinstance(value, int | float):
            numbers[_NUMBERS.get(key, key)] = value
        else:
            told[_TOLD.get(key, key)] = str(value)
    account |= {
        "numbers": numbers,
        "constants": constants,
        "corrections": list(corrections.values()),
        "told": told,
    }
    return {name: value for name, value in account.items() if value}


def _spans(text: str) -> list[list[float]]:
    if text in ("", "none"):
        return []
    return [[float(value) for value in span.split(", ")] for span in text.split("; ")]


def derive(cursor: duckdb.DuckDBPyConnection) -> None:
    """Give every stored result its flags and its typed account, in the migration's own transaction."""
    found: list[Any] = rows(
        cursor,
        "SELECT rowid, warnings, reason, account, text, method, value IS NULL AND text IS NULL FROM catalogue.result "
        "ORDER BY rowid",
    )
    for start in range(0, len(found), PORTION):
        durable.step("migrate", Path("flags"))
        derived = []
        for rowid, warnings, reason, inputs, text, method, is_absent in found[start : start + PORTION]:
            old = json.loads(inputs)
            flags = flags_of(json.loads(warnings), reason, old, text, is_absent=is_absent, method=method)
            derived.append({"row": rowid, "flags": flags, "account": json.dumps(account_of(old), ensure_ascii=False)})
        schema = pa.schema([("row", pa.int64()), ("flags", pa.list_(pa.string())), ("account", pa.string())])
        cursor.register("derived", pa.Table.from_pylist(derived, schema=schema))
        try:
            cursor.execute(
                "UPDATE catalogue.result SET flags = derived.flags, account = derived.account FROM derived "
                "WHERE result.rowid = derived.row"
            )
        finally:
            cursor.unregister("derived")
