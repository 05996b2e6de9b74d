"""The same fact told differently by two libraries: listed with who and when, never guessed.

Knows rows of facts; opens nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

__all__ = ["RUN_FACTS", "Conflict", "Prefer", "Told", "settle", "told_differently"]

RUN_FACTS: tuple[str, ...] = (
    "device", "port", "mode", "kind", "load_set", "ambient_c", "started_at", "meter", "quality", "note", "measured_at",
    "cable_mohm",
)  # fmt: skip
"""Facts of a run that a person states, and that two libraries can tell differently."""


class Prefer(StrEnum):
    """Whose word counts where two differ."""

    ASK = "ask"
    MINE = "mine"
    THEIRS = "theirs"
    NEWER = "newer"


@dataclass(frozen=True, slots=True)
class Told:
    """What one library says of a fact, by whom and when it was last changed there; neither where it never was."""

    value: str | None
    who: str = ""
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Conflict:
    """One fact of which two libraries say different things."""

    table: str
    """`run`, `device`, `meter` or `setting`."""
    key: str
    """Our number of the run, or the name."""
    field: str
    mine: Told
    theirs: Told
    takes: str = ""
    """`mine` or `theirs` where it was settled; empty while it is open."""


def told_differently(
    table: str,
    key: str,
    mine: Mapping[str, str | None],
    theirs: Mapping[str, str | None],
    *,
    my_changes: Mapping[str, tuple[str, datetime]],
    their_changes: Mapping[str, tuple[str, datetime]],
) -> list[Conflict]:
    """Fields of one thing that differ.

    Args:
        table: Of what kind it is.
        key: Its name here.
        mine: Field to value here.
        theirs: The same there.
        my_changes: Field to who changed it last here, and when [UTC].
        their_changes: The same there.
    """
    found = []
    for field in dict.fromkeys([*mine, *theirs]):
        if mine.get(field) == theirs.get(field):
            continue
        found.append(
            Conflict(
                table,
                key,
                field,
                Told(mine.get(field), *my_changes.get(field, ())),
                Told(theirs.get(field), *their_changes.get(field, ())),
            )
        )
    return found


def settle(conflict: Conflict, prefer: Prefer) -> str:
    """`mine`, `theirs`, or nothing where it stays open.

    The newer one is the one that a person changed last; where only one side was ever changed, that one; where neither
    was, or both at the same moment, it stays open.
    """
    if prefer in {Prefer.MINE, Prefer.THEIRS}:
        return prefer.value
    if prefer is Prefer.NEWER:
        mine, theirs = conflict.mine.at, conflict.theirs.at
        if theirs is not None and (mine is None or theirs > mine):
            return "theirs"
        if mine is not None and (theirs is None or mine > theirs):
            return "mine"
    return ""


def open_ones(conflicts: Iterable[Conflict]) -> tuple[Conflict, ...]:
    """Those that wait for an answer."""
    return tuple(conflict for conflict in conflicts if not conflict.takes)
