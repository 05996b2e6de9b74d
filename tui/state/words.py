"""How channels, events and facts are called on screen: plain words of the trade for names in the library.

Knows words only: no Textual.
"""

from __future__ import annotations

import re

from store.model.records import EventRow
from tui.render import format as fmt
from tui.render.plain import plain

__all__ = ["FACTS", "channel_words", "event_words"]

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
