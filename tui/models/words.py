"""How results, events and facts are called on screen: plain words of the trade for names in the library.

Knows words only: no Textual.
"""

from __future__ import annotations

import re

from store.model import EventRow
from tui import format as fmt
from tui.plain import plain

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


def result_words(name: str) -> str:
    """A result's name in words: `temperature_max_c` is `hottest`, others lose their unit."""
    return RESULTS.get(name) or _UNITS.sub("", name).replace("_", " ")


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
