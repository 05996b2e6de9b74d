"""A method by name and version, the results it makes, and what reduces a kind of run. Knows no trace."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from store.model.results import Account, Contribution, Event, Flag, Result
from store.uncertainty.freedom import effective_dof

if TYPE_CHECKING:
    from store.signal.prepared import Prepared

__all__ = ["EVERY", "Bound", "Found", "Method", "Reducer"]

EVERY = ("*",)
"""Kinds of a reducer that every run gets, stated kind or not."""

NOTHING = Account()
"""The account of what rests on the samples alone."""

UNEVALUATED = "the method states no uncertainty for this quantity"


@dataclass(frozen=True, slots=True)
class Found:
    """What one reducer found."""

    results: tuple[Result, ...] = ()
    events: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class Bound:
    """What the log leaves out of a figure: notes for people, and flags."""

    notes: tuple[str, ...] = ()
    flags: frozenset[Flag] = frozenset()


@dataclass(frozen=True, slots=True)
class Method:
    """How a number is made. Its version rises whenever it may give another number for the same trace."""

    name: str
    version: int
    formula: str
    """In words."""
    source: str = ""

    def found(
        self,
        name: str,
        value: float,
        unit: str,
        *,
        uncertainty: float | None = None,
        span: tuple[float | None, float | None] = (None, None),
        warnings: Sequence[str] = (),
        budget: Sequence[Contribution] = (),
        account: Account = NOTHING,
        flags: Iterable[Flag] = (),
        reason: str = "",
    ) -> Result:
        """A result with a value; `reason` says why its uncertainty is unknown. Never NaN."""
        if not math.isfinite(value):
            return self.absent(name, unit, reason or "the trace does not determine it")
        if budget and uncertainty is None:
            uncertainty = math.sqrt(sum(c.standard_uncertainty**2 for c in budget))
        dof = effective_dof((c.standard_uncertainty, math.inf if c.dof is None else c.dof) for c in budget)
        why = "" if uncertainty is not None else (reason or UNEVALUATED)
        return Result(
            name=name,
            value=float(value),
            unit=unit,
            uncertainty=uncertainty,
            method=self.name,
            method_version=self.version,
            from_s=span[0],
            to_s=span[1],
            reason=why,
            warnings=tuple(warnings),
            budget=tuple(budget),
            account=account,
            formula=self.formula,
            flags=frozenset(flags),
            dof=dof if math.isfinite(dof) else None,
        )

    def words(
        self,
        name: str,
        text: str,
        *,
        span: tuple[float | None, float | None] = (None, None),
        warnings: Sequence[str] = (),
        account: Account = NOTHING,
        flags: Iterable[Flag] = (),
    ) -> Result:
        """A result that is words."""
        return Result(
            name=name,
            value=None,
            unit="",
            uncertainty=None,
            method=self.name,
            method_version=self.version,
            from_s=span[0],
            to_s=span[1],
            text=text,
            warnings=tuple(warnings),
            account=account,
            formula=self.formula,
            flags=frozenset(flags),
        )

    def absent(
        self, name: str, unit: str, reason: str, *, account: Account = NOTHING, flags: Iterable[Flag] = ()
    ) -> Result:
        """A result that can't be had from this trace, with the reason."""
        return Result(
            name=name,
            value=None,
            unit=unit,
            uncertainty=None,
            method=self.name,
            method_version=self.version,
            reason=reason,
            account=account,
            formula=self.formula,
            flags=frozenset(flags),
        )


@dataclass(frozen=True, slots=True)
class Reducer:
    """One family of results and the kinds of runs that get it."""

    name: str
    kinds: tuple[str, ...]
    """`EVERY` for all runs."""
    reduce: Callable[[Prepared], Found]
    methods: tuple[Method, ...]
    place: int = 20
    """Order in which reducers run and results are listed: what every run gets first, heat after the kind's own."""

    def fits(self, kind: str | None) -> bool:
        """Whether runs of this kind get these results."""
        return self.kinds == EVERY or kind in self.kinds
