"""How results, events and facts are called on screen: plain words of the trade for names in the library.

Knows words only: no Textual.
"""

from __future__ import annotations

import re

from store.model.records import EventRow
from tui.render import format as fmt
from tui.render.plain import plain

__all__ = ["FACTS", "channel_words", "event_words", "result_words"]

RESULTS: dict[str, str] = {
    "energy_wh": "energy",
    "charge_ah": "charge",
    "energy_out_wh": "delivered",
    "charge_out_ah": "charge out",
    "energy_in_wh": "taken in",
    "charge_in_ah": "charge in",
    "runtime_s": "runtime",
    "held_s": "held",
    "power_plateau_w": "plateau",
    "power_mean_w": "mean power",
    "voltage_mean_v": "mean voltage",
    "current_mean_a": "mean current",
    "temperature_max_c": "hottest",
    "temperature_final_c": "at the end",
    "temperature_start_c": "at the start",
    "temperature_projected_c": "projected end",
    "temperature_ambient_max_c": "warmest ambient",
    "cell_equivalent_mah": "at cell voltage",
    "drop_3a_v": "drop at 3 A",
    "drop_5a_v": "drop at 5 A",
    "end_slope_k_per_h": "slope at the end",
    "gap_s": "gaps",
    "no_load_w": "at no load",
    "over_rating_s": "over its rating",
    "power_peak_w": "peak power",
    "stayed_on_a": "stayed on at",
    "switched_off_a": "switched off at",
    "switch_off_after_s": "switched off after",
    "taper_start_s": "taper begins",
    "time_to_80_s": "time to 80 %",
    "voltage_error_worst_percent": "worst voltage error",
    "window_margin_worst_v": "worst margin",
}
"""Names that read better than what the rule below makes of them."""

_UNITS = re.compile(r"_(v|a|w|wh|ah|c|k|s|h|mv|ma|mw|mah|mohm|ohm|percent|wh_per_kg|k_per_h)$")

FACTS: dict[str, str] = {
    "device": "device",
    "port": "port",
    "mode": "mode",
    "kind": "kind",
    "direction": "direction",
    "load_set": "load",
    "ambient_c": "room °C",
    "started_at": "started",
    "meter": "meter",
    "quality": "quality",
    "quality_reason": "because",
    "note": "note",
    "measured_at": "measured at",
    "cable_mohm": "cable mΩ",
}
"""Facts of a run, in the order of its page, and how they are called."""


_FIRST = {"min": "minimum", "max": "maximum", "mean": "mean", "sd": "scatter of"}
_LAST = {"start": "at the start", "final": "at the end"}
_LEVEL = re.compile(r"level_0*(?P<number>\d+)_(?P<what>\w+)")
_STATISTIC = re.compile(r"(?P<of>.+)_(?P<which>min|max|mean|sd|start|final)")


def result_words(name: str) -> str:
    """A result's name in words: `temperature_max_c` is `hottest`, `voltage_min_v` is `minimum voltage`."""
    if name in RESULTS:
        return RESULTS[name]
    bare = _UNITS.sub("", name)
    if bare.startswith("counter_"):
        return f"meter's own {bare.removeprefix('counter_').replace('_', ' ')}"
    if level := _LEVEL.fullmatch(bare):
        return f"level {level['number']} {level['what'].replace('_', ' ')}"
    found = _STATISTIC.fullmatch(bare)
    if found is None:
        return bare.replace("_", " ")
    of, which = _quantity_words(found["of"]), found["which"]
    return f"{_FIRST[which]} {of}" if which in _FIRST else f"{of} {_LAST[which]}"


def _quantity_words(name: str) -> str:
    """`temperature_ambient` is the ambient temperature."""
    first, _, role = name.partition("_")
    if first == "temperature" and role:
        return f"{'second' if role == '2' else role} temperature"
    return name.replace("_", " ")


def channel_words(name: str) -> str:
    """A channel's name in words."""
    return _UNITS.sub("", name).replace("_", " ")


def event_words(event: EventRow, signs: fmt.Signs = fmt.UNICODE_SIGNS) -> str:
    """An event with its time, length and value: `thermal cutback at 0:31:12 (to 30 W)`."""
    kind = plain(event.kind.replace("_", " ").replace("-", " ") if event.kind != "cut-off" else event.kind)
    words = f"{kind} at {fmt.clock_time(event.from_s)}"
    if event.to_s > event.from_s:
        words += f" for {fmt.span_words(event.to_s - event.from_s)}"
    if event.detail:
        return f"{words}: {plain(event.detail, ascii_only=signs.is_ascii)}"
    if event.value is not None and event.unit:
        words += f", {fmt.significant(event.value, 3)} {signs.unit(event.unit)}"
    return words
