"""What a preamble states: device, port, mode, load, start, interval: as facts and as evidence for the clock.

Knows `key: value` lines and the vocabulary. Knows no column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime

import polars as pl

from importers.clock.forms import ClockForm, read_clock_text, to_clock, utc_microseconds
from importers.schema import Facts
from importers.text.lines import key_values
from importers.text.shape import TableLayout
from importers.vocabulary.labels import read_label
from importers.vocabulary.words import Vocabulary, normalise, tokens

__all__ = ["Preamble", "quantity_of", "read_preamble"]

_AMOUNT = re.compile(r"^[~<>=≈]*\s*([+\-]?\d+(?:[.,]\d+)?(?:[eE][+\-]?\d+)?)\s*((?:[^\W\d_]|[°%/·⋅*])+)?")


@dataclass(frozen=True, slots=True)
class Preamble:
    """Facts and evidence from the lines above a table."""

    facts: Facts = field(default_factory=Facts)
    interval_s: float | None = None
    duration_s: float | None = None
    samples: int | None = None
    load: tuple[float, str] | None = None
    """Amount and quantity: (30.0, `power`)."""
    reason: str = ""
    started_note: str = ""
    """What was assumed about the start, or why it was not used."""
    direction: str | None = None
    day_us: int | None = None
    """Day stated without a time: local midnight, microseconds of 1970."""


def quantity_of(text: str, words: Vocabulary, *, unit_hint: str = "") -> tuple[float, str] | None:
    """Read an amount with its unit: (value in channel units, quantity); seconds for times."""
    match = _AMOUNT.match(text.strip())
    if not match:
        return None
    value = float(match.group(1).replace(",", "."))
    found = words.unit(match.group(2) or unit_hint)
    if found is None and match.group(2):
        found = words.unit(match.group(2).split("/")[0])
    if found is None:
        return None
    return value * found[0].factor + found[0].offset, found[0].quantity


def read_preamble(layout: TableLayout, words: Vocabulary, zone: str, *, day_first: str) -> Preamble:
    """Read the lines above the table."""
    said: dict[str, tuple[str, str]] = {}
    starts: list[tuple[str, str]] = []
    for _, key, value in key_values(layout.preamble, layout.delimiter):
        bare = re.sub(r"[(\[].*?[)\]]", "", key)
        meaning = words.preamble.get(tokens(bare)) or words.preamble.get(
            tokens(re.sub(r"_(s|ms|hz)$", "", bare.lower()))
        )
        if meaning == "started":
            starts.append((key, value))
        elif meaning and meaning not in said:
            said[meaning] = (key, value)
    interval = _seconds(said.get("interval"), words)
    if interval is None and "rate" in said:
        interval = _step_of_rate(said["rate"], words)
    ambient = quantity_of(said["ambient"][1], words, unit_hint="°C") if "ambient" in said else None
    load = quantity_of(said["load"][1], words) if "load" in said else None
    starts, day_us = _joined(starts, day_first)
    started, note = _started(starts[0] if starts else None, zone, day_first)
    samples = said["samples"][1].replace(",", "").replace(".", "") if "samples" in said else ""
    kind = words.kinds.get(normalise(said["kind"][1])) if "kind" in said else None
    facts = Facts(
        device=_text(said, "device"),
        port=_text(said, "port"),
        mode=_text(said, "mode"),
        kind=kind,
        load=_text(said, "load") if load is not None else None,
        ambient_c=round(ambient[0], 6) if ambient is not None and ambient[1] == "temperature" else None,
        meter=_text(said, "meter"),
        started=started,
        note=_text(said, "note"),
    )
    return Preamble(
        facts,
        interval,
        _seconds(said.get("duration"), words),
        int(samples) if samples.isdigit() else None,
        load,
        f"`{said['interval'][0]}: {said['interval'][1]}`"
        if "interval" in said
        else (f"`{said['rate'][0]}: {said['rate'][1]}`" if "rate" in said else ""),
        note,
        {"discharge": "out", "recharge": "in"}.get(kind or ""),
        day_us,
    )


_PER = {"": 1.0, "s": 1.0, "sec": 1.0, "second": 1.0, "sek": 1.0, "min": 60.0, "minute": 60.0, "h": 3600.0}
_RATE = re.compile(
    r"(?i)^\s*(\d+(?:[.,]\d+)?)\s*(?:(k?)(?:hz|гц)|(?:sps)|(?:1|s|sa|samples?|readings?|points?|x)?\s*(?:/|per|pro|par|por)\s*([^\W\d_]+))?\s*$"
)


def _step_of_rate(pair: tuple[str, str], words: Vocabulary) -> float | None:
    """Time between samples [s]: `10 Hz`, `2 /s`, `60 per minute`; `2 s` under the name of a rate is a step."""
    found = _RATE.match(pair[1])
    if found is None:
        return _seconds(pair, words)
    rate = float(found.group(1).replace(",", ".")) * (1000.0 if found.group(2) else 1.0)
    per = _PER.get((found.group(3) or "").casefold().rstrip("."))
    label = read_label(pair[0], "", words)
    if found.group(0).strip() == found.group(1) and label.unit is not None and label.unit.quantity == "time":
        return rate * label.unit.factor or None  # `Sample rate (s): 2`
    return per / rate if rate > 0 and per is not None else None


def _text(said: dict[str, tuple[str, str]], meaning: str) -> str | None:
    return said[meaning][1] if meaning in said else None


def _seconds(pair: tuple[str, str] | None, words: Vocabulary) -> float | None:
    """Read a duration: `1 s`, `500 ms`, `00:00:01`, or a bare number with the unit in the key."""
    if pair is None:
        return None
    key, value = pair
    label = read_label(key, "", words)
    hint = label.unit.symbol if label.unit is not None and label.unit.quantity == "time" else ""
    amount = quantity_of(value, words, unit_hint=hint)
    if amount is not None and amount[1] == "time" and amount[0] > 0:
        return amount[0]
    if ":" in value:
        seconds = to_clock(ClockForm("elapsed", (0,), format="h:m:s"), [pl.Series([value])], ".")[0]
        return float(seconds) if seconds else None
    return None


def _joined(starts: list[tuple[str, str]], day_first: str) -> tuple[list[tuple[str, str]], int | None]:
    """Put a day and a time of day that stand in two lines together; give the day alone where there is no time."""
    kinds = [read_clock_text([value.strip()], day_first=day_first) for _, value in starts]
    whole = [pair for pair, kind in zip(starts, kinds, strict=True) if kind.kind == "datetime"]
    if whole:
        return whole, None
    days = [(pair, kind) for pair, kind in zip(starts, kinds, strict=True) if kind.kind == "date"]
    times = [pair for pair, kind in zip(starts, kinds, strict=True) if kind.kind == "time"]
    if not days:
        return [], None
    (key, day), kind = days[0]
    if times and (":" in times[0][1]):
        return [(f"{key}, {times[0][0]}", f"{day.strip()} {times[0][1].strip()}")], None
    if len(kind.formats) > 1:
        return [], None
    stamp = to_clock(
        ClockForm("wall clock", (0,), format=f"{kind.dialect}{kind.formats[0]} %H:%M"),
        [pl.Series([f"{day.strip()} 00:00"])],
        ".",
    )
    return [], None if stamp[0] is None else int(stamp[0])


def _started(pair: tuple[str, str] | None, zone: str, day_first: str) -> tuple[datetime | None, str]:
    if pair is None:
        return None, ""
    key, value = pair
    text = value.strip()
    found = read_clock_text([text], day_first=day_first)
    if found.kind != "datetime":
        return None, ""
    if len(found.formats) > 1:
        return None, f"`{key}: {text}` could be two different days and is not used; state the start with --started."
    stamp = to_clock(ClockForm("wall clock", (0,), format=found.dialect + found.formats[0]), [pl.Series([text])], ".")[
        0
    ]
    if stamp is None:
        return None, ""
    if found.has_zone:
        return _utc(int(stamp)), ""
    placed = utc_microseconds(int(stamp), zone)
    if placed is None:
        return None, f"`{key}: {text}` does not exist in zone {zone} and is not used."
    return _utc(placed), f"`{key}: {text}` is read as local time in {zone}."


def _utc(microseconds: int) -> datetime:
    return datetime.fromtimestamp(0, UTC) + (datetime.fromtimestamp(1, UTC) - datetime.fromtimestamp(0, UTC)) * (
        microseconds / 1e6
    )
