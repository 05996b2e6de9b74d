"""Values of a run's facts as a person types them: checked, and written one way. Knows words and units only."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import UTC, datetime
from typing import Any

from importers.schema import DIRECTIONS, KINDS, Facts
from store.errors import WrongFact, suggest
from store.runs.filters import QUALITIES
from store.usb.offers import read_mode
from store.words.facts import parse_load

__all__ = ["CHOICES", "NUMBERS", "TEXTS", "checked_fact", "checked_facts", "tidy_mode"]

TEXTS = ("device", "port", "mode", "load_set", "meter", "note", "quality_reason", "measured_at")
NUMBERS = ("ambient_c", "cable_mohm")
CHOICES: Mapping[str, tuple[str, ...]] = {"kind": KINDS, "direction": DIRECTIONS, "quality": QUALITIES}
"""Facts that are one of a few words."""

NO_LOAD = ("no load", "none", "open")
USB_DEFAULT_V = 5.0
"""The voltage that a port gives without negotiation, so that `5 V` alone does not say which it was."""


def checked_fact(name: str, value: object) -> Any:
    """A value as the catalogue keeps it.

    Raises:
        WrongFact: A value that this fact can't have.
    """
    if name in CHOICES:
        return _choice(name, value)
    if name == "started_at":
        if value is not None and not isinstance(value, datetime):
            raise WrongFact("started_at takes a date and time.")
        return value.astimezone(UTC) if value is not None and value.tzinfo else value
    if name in NUMBERS:
        return _number(name, value)
    if name in {"note", "quality_reason"}:
        return "" if value is None else str(value)
    text = None if value is None else str(value).strip() or None
    if name == "mode":
        return tidy_mode(text)
    if name == "load_set":
        return _load(text)
    return text


def checked_facts(facts: Facts) -> Facts:
    """Facts stated for an import, each as the catalogue keeps it.

    Raises:
        WrongFact: A value that a fact can't have; nothing is imported then.
    """
    given = {name: value for name, value in asdict(facts).items() if value is not None and name in _STATED}
    return replace(facts, **{name: checked_fact(_STATED[name], value) for name, value in given.items()})


_STATED = {"load": "load_set", **{name: name for name in (*TEXTS, *NUMBERS, "kind")}}


def tidy_mode(text: str | None) -> str | None:
    """A mode written one way: `20V` is `fixed 20 V`, `pps 9v` is `PPS 9 V`; other words stay as typed.

    5 V alone stays 5 V: it may be negotiated or not.
    """
    mode = read_mode(text) if text else None
    if mode is None or "/" in (text or ""):
        return text
    if mode.nominal_v is None:
        return f"{mode.supply} {mode.lowest_v:g}-{mode.highest_v:g} V".strip()
    supply = mode.supply or ("" if mode.nominal_v == USB_DEFAULT_V else "fixed")
    return f"{supply} {mode.nominal_v:g} V".strip()


def _choice(name: str, value: object) -> str | None:
    choices = CHOICES[name]
    if value is None and name != "quality":
        return None
    if value not in choices:
        hint = suggest(str(value), choices)
        raise WrongFact(
            f"{name} is one of {', '.join(choices)}, not {value}.{f' Did you mean {hint}?' if hint else ''}"
        )
    return str(value)


def _number(name: str, value: object) -> float | None:
    if value is None:
        return None
    try:
        number = float(str(value).replace(",", "."))
    except ValueError as error:
        raise WrongFact(f"{name} takes a number, not {value}.") from error
    if not math.isfinite(number) or (name == "ambient_c" and not -60 <= number <= 150):
        raise WrongFact(f"{name} can't be {value}.")
    return number


def _load(text: str | None) -> str | None:
    if text is None or parse_load(text) is not None or text.casefold() in NO_LOAD:
        return text
    try:
        float(text.replace(",", "."))
    except ValueError:
        raise WrongFact(
            f"A load is written 30 W, 2 A, 5 ohm, 0 to 3 A or no load; {text} is not read as one."
        ) from None
    raise WrongFact(f"Load {text}: of what? Write {text} W, {text} A or {text} ohm.")
