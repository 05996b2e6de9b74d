"""Corrections of facts: what was typed becomes changes, and how to take a correction back.

Knows facts and text; no Textual. The library keeps old and new values of every correction.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, Any, Protocol

from store.model.records import RunFacts
from tui.render import format as fmt

if TYPE_CHECKING:
    from store import Library

__all__ = ["EDITABLE", "Undo", "UndoStep", "WrongEntryError", "changed", "common_text", "undo_of"]

EDITABLE: tuple[str, ...] = (
    "device",
    "port",
    "mode",
    "kind",
    "direction",
    "load_set",
    "ambient_c",
    "started_at",
    "meter",
    "quality",
    "note",
    "measured_at",
    "cable_mohm",
)
"""Facts of a run that a person may correct, in order."""

VARIOUS = "(various)"
"""Stands for several runs' differing values; left as it is, nothing changes."""


def _text(value: Any, zone: tzinfo | None) -> str:
    if value is None:
        return ""
    if hasattr(value, "isoformat"):
        return fmt.local_time(value, zone)
    return f"{value:g}" if isinstance(value, float) else str(value)


def common_text(facts: Sequence[RunFacts], field: str, zone: tzinfo | None = None) -> str:
    """A fact that all runs share, as text; `(various)` where they differ."""
    texts = {_text(getattr(of, field), zone) for of in facts}
    return texts.pop() if len(texts) == 1 else VARIOUS


class WrongEntryError(ValueError):
    """Something typed that the fact can't be; the text says what it can be."""


def changed(before: Mapping[str, str], after: Mapping[str, str], zone: tzinfo | None = None) -> dict[str, Any]:
    """What was typed anew, as values; an emptied field takes the fact away.

    Args:
        before: Texts as they stood, per fact.
        after: Texts as they stand now.
        zone: Zone of a date and time that is typed without one.

    Raises:
        WrongEntryError: A number or a date that is none.
    """
    typed = {name: after[name].strip() for name in before if after[name].strip() != before[name].strip()}
    return {name: _value(name, text, zone) for name, text in typed.items() if text != VARIOUS}


def _value(name: str, text: str, zone: tzinfo | None) -> Any:
    if not text:
        return None
    if name in {"ambient_c", "cable_mohm"}:
        try:
            return float(text.replace(",", "."))
        except ValueError:
            raise WrongEntryError(f"{name.partition('_')[0]}: {text} is not a number.") from None
    if name == "started_at":
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            raise WrongEntryError(f"started: {text} is not a date and time such as 2026-02-11 09:30.") from None
        return moment if moment.tzinfo else moment.replace(tzinfo=zone)
    return text


class UndoStep(Protocol):
    """Something done that can be taken back while the program runs."""

    @property
    def words(self) -> str:
        """What was done."""

    def take_back(self, library: Library) -> None:
        """Put back what was, as a correction of its own."""


@dataclass(frozen=True, slots=True)
class Undo:
    """One correction and what puts the old facts back."""

    words: str
    before: tuple[tuple[int, Mapping[str, Any]], ...]
    """Run and its old values."""

    def take_back(self, library: Library) -> None:
        """Put the old facts back; that is a correction of its own."""
        for run_id, values in self.before:
            library.runs.edit([run_id], dict(values), reason="undone")


def undo_of(facts: Sequence[RunFacts], changes: Mapping[str, Any]) -> Undo:
    """What takes a correction back."""
    names = ", ".join(name.replace("_", " ") for name in changes)
    runs = f"run {facts[0].run_id}" if len(facts) == 1 else f"{len(facts)} runs"
    before = tuple((of.run_id, {name: getattr(of, name) for name in changes}) for of in facts)
    return Undo(f"{names} of {runs}", before)
