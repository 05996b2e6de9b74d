"""The terms of a choice: gates, criteria with fixed anchors, schemes, needs, candidates. Frozen records only.

Knows measured values and words; knows no TOML, no catalogue and no screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from store.judge.measured import Measured
from store.uncertainty.decision import Limits

__all__ = ["Candidate", "Criterion", "Gate", "Need", "Scheme", "Term"]


@dataclass(frozen=True, slots=True)
class Term:
    """What is looked at: a quantity, narrowed to the tests that count for it."""

    quantity: str
    port: str | None = None
    mode: str | None = None
    load: str | None = None
    kind: str | None = None
    ambient_c: float | None = None

    def condition(self) -> str:
        """`C1, fixed 20 V, 30 W`: what narrows it; empty where nothing does."""
        ambient = f"{self.ambient_c:g} °C" if self.ambient_c is not None else ""
        return ", ".join(part for part in (self.port, self.mode, self.load, self.kind, ambient) if part)


@dataclass(frozen=True, slots=True)
class Gate:
    """Something that a device must fulfil before anything is weighed."""

    words: str
    """As a person says it: `at least 40 Wh usable`."""
    term: Term
    limits: Limits = field(default_factory=Limits)
    unit: str = "1"
    """Of the limits: the quantity's own unit."""
    text: str = ""
    """For gates in words: the air travel class asked for, the currency of a price."""


@dataclass(frozen=True, slots=True)
class Criterion:
    """Something that is weighed: its value between two fixed anchors, and what it counts."""

    term: Term
    title: str
    unit: str
    worst: float
    """Anchor [unit] that scores 0; fixed and published, never taken from the devices that happen to be tested."""
    best: float
    """Anchor [unit] that scores 1."""
    weight: float
    """Share of the score; the weights of a scheme add up to 1."""
    words: str = ""
    """For whom it decides: `you carry it`. Empty: not named in the answer."""

    def score(self, value: float) -> float:
        """Value [unit] as a share between the anchors, 0 to 1; beyond an anchor counts as at it."""
        return min(max((value - self.worst) / (self.best - self.worst), 0.0), 1.0)

    @property
    def is_larger_better(self) -> bool:
        """Whether more is better."""
        return self.best > self.worst


@dataclass(frozen=True, slots=True)
class Scheme:
    """A tester's rating scheme: the same gates and criteria for all devices of a kind."""

    name: str
    title: str
    kind: str
    version: int
    criteria: tuple[Criterion, ...]
    gates: tuple[Gate, ...] = ()
    claims_are_gate: bool = True
    """Whether a `not met` verdict shuts a device out."""
    excused: tuple[str, ...] = ()
    """Quantities whose `not met` verdict does not."""
    text: str = ""
    """The TOML, word for word."""


@dataclass(frozen=True, slots=True)
class Need:
    """One reader's need: gates, then the criteria of a scheme with weights of the reader's own, if any."""

    title: str
    kind: str
    gates: tuple[Gate, ...]
    criteria: tuple[Criterion, ...]
    claims_are_gate: bool = True
    excused: tuple[str, ...] = ()
    keeps_unsure: bool = True
    """Whether a device too close to call at a gate stays in, marked."""
    scheme: str = ""
    """Name and version of the scheme that the criteria come from; empty where the need states its own."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A device with what is known of it."""

    device: str
    title: str = ""
    values: Mapping[Term, Measured] = field(default_factory=dict)
    """What was measured, weighed or marked, by term; absent terms have a reason instead."""
    reasons: Mapping[Term, str] = field(default_factory=dict)
    """Why a term has no value: the test that is missing."""
    words: Mapping[str, str] = field(default_factory=dict)
    """`flight`: the air travel class's name; `currency`: of its price."""
    failed_claims: tuple[tuple[str, str], ...] = ()
    """(quantity, claim in words) of every verdict `not met`."""
    safety: tuple[str, ...] = ()
    """Findings that shut a device out whatever else it offers, a sentence each."""
