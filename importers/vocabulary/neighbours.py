"""Labels read together: one letter means what the letters beside it make of it.

Knows labels. Knows no numbers.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from importers.vocabulary.labels import Label, read_label
from importers.vocabulary.words import Vocabulary, normalise, plain_signs

__all__ = ["read_labels"]

_AMPS = re.compile(r"[\s_]A$")
_LONE_PORT = re.compile(r"^[AC]\d{1,2}[\s_/]+[AV]$")
_LETTER = re.compile(r"^(.*?)[\s_,;:.\-/]*\b_?([ACFVW]|m[AVW]|m?[AW]h)$")


def read_labels(headings: Sequence[tuple[str, str]], words: Vocabulary) -> list[Label]:
    """Read every column's name and unit, then those again that only their neighbours explain.

    Args:
        headings: per column its name and the cell of a row of units.
        words: the vocabulary.
    """
    labels = [read_label(name, unit, words) for name, unit in headings]
    if not any(_is_open(label) for label in labels):
        return labels
    heads = Counter(head for name, _ in headings if (head := _head(name)) is not None)
    for at, (name, unit) in enumerate(headings):
        head = _head(name)
        if _is_open(labels[at]) and head and heads[head] > 1:
            labels[at] = read_label(name, unit, words, ends_in_unit=True)
    amps = [at for at, (name, _) in enumerate(headings) if _AMPS.search(plain_signs(name)) and _is_open(labels[at])]
    if len(amps) == 1 and not any(label.quantity == "current" and not label.unused for label in labels):
        labels[amps[0]] = read_label(*headings[amps[0]], words, ends_in_unit=True)  # `Bus A`, and no other amps
    return [_lone(label, labels, words) for label in labels]


def _is_open(label: Label) -> bool:
    """Tell a label that a neighbour may explain: a port without a quantity, or a letter alone."""
    name = plain_signs(label.name).strip()
    if _LONE_PORT.match(name) or (label.quantity == "voltage" and label.unit is None and _AMPS.search(name)):
        return True
    return label.quantity in {None, "part", "port", "text"} and (
        label.port is not None or normalise(name)[-1:] in {"a", "c"}
    )


def _head(name: str) -> str | None:
    """What stands before a unit at the end; None without one."""
    match = _LETTER.match(plain_signs(name).strip())
    return re.sub(r"\d+", "#", normalise(match.group(1)).strip()) if match else None  # `CH1 V` beside `CH2 A`


def _lone(label: Label, labels: Sequence[Label], words: Vocabulary) -> Label:
    """Read `C` alone: beside volts and amps, and no other temperature or charge, it is one."""
    if label.quantity is not None or plain_signs(label.name).strip() not in {"C", "c"}:
        return label
    said = {other.quantity for other in labels if other is not label}
    if not {"voltage", "current"} <= said or "temperature" in said:
        return label
    return replace(
        label,
        quantity="temperature",
        unit=words.units["°C"],
        unit_sure=True,
        terms=("neighbours",),
        unknown=(),
        reason="C beside volts and amps stands for °C",
    )
