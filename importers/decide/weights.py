"""How sure a reading is: every kind of evidence has a weight, and their sum is one number.

The table is all there is to it. Weights are natural logarithms of odds, chosen by us and held against invented
exports: of files called sure, the share that is right and complete is counted (tests/exports/table_outcomes.py).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

__all__ = ["SURE", "WEIGHTS", "of_clock", "probability", "together"]

SURE = 0.95
"""A file below this is asked about, never imported by itself."""

WEIGHTS: Mapping[str, tuple[float, str]] = {
    "answer": (12.0, "the tester says so"),
    "profile": (6.0, "a profile says so"),
    "word": (5.0, "its name is a known word"),
    "compound": (4.0, "a known word stands within its name"),
    "letter": (3.5, "its name is a letter symbol"),
    "unit": (5.0, "its unit belongs to one quantity"),
    "neighbours": (3.5, "the columns beside it leave one meaning of its letter"),
    "numbers": (4.5, "its relation to other columns identifies it"),
    "unit agrees": (2.5, "name and unit speak of one quantity"),
    "unit named": (2.5, "its unit stands in the name, in a row of units or beside the numbers"),
    "unit by law": (2.5, "its relation to other columns leaves one unit"),
    "unit by range": (1.5, "any other unit is impossible on a USB bench"),
    "law confirms": (3.0, "a relation to other columns holds with this unit"),
    "law denies": (-1.5, "readings that should be related are not"),
    "words unknown": (-1.5, "some words of its name are not known"),
    "unit unread": (-6.0, "the text in its unit's place is not a known unit"),
    "case differs": (-0.5, "its unit is written with other capitals"),
    "unit open": (-9.0, "several units are possible"),
    "contradiction": (-9.0, "name, unit or numbers contradict each other"),
}
"""Kinds of evidence: weight and what is meant."""


def probability(terms: Iterable[str]) -> float:
    """Probability that a column is read rightly, by the evidence for and against it."""
    return 1.0 / (1.0 + math.exp(-sum(WEIGHTS[term][0] for term in terms)))


def of_clock(confidence: float) -> float:
    """A clock's probability: it is told by its notation and, independently, by advancing; so doubts multiply."""
    doubt = 1.0 - confidence
    return 1.0 - doubt * doubt if confidence >= 0.9 else confidence


def together(every: Iterable[float]) -> float:
    """Probability that all columns and the clock are read rightly."""
    return math.prod(every)
