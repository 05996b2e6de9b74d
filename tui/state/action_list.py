"""The list of actions as one types in it: every typed word has to occur, however the words are ordered.

Knows text; no Textual.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from tui.render.plain import cut, fit, plain, width_of
from tui.state.lines import Line, line
from tui.state.pick_list import PickEntry, PickList

__all__ = ["ActionEntry", "ActionList"]


class ActionEntry(NamedTuple):
    """A line of the list."""

    value: str
    label: str
    tooltip: str
    key: str = ""
    """The key that does the same."""
    words: str = ""
    """Other words under which people look for it."""


SHORTEST_STEM = 4


def _is_stem(part: str, word: str) -> bool:
    """Whether a typed word goes on from one that is there: `traces` from `trace`."""
    return len(part) >= SHORTEST_STEM and word.startswith(part)


@dataclass(slots=True)
class ActionList(PickList):
    """Actions that can be chosen, narrowed by words."""

    entries: list[ActionEntry] = field(default_factory=list)

    def _rank(self, entry: ActionEntry, typed: list[str]) -> int | None:
        """How well an entry fits: 0 best; None where a typed word is nowhere in it."""
        label = entry.label.casefold().split()
        others = f"{entry.words} {entry.tooltip}".casefold()
        rank = 0
        for word in typed:
            if label and label[0].startswith(word):
                continue
            if any(part.startswith(word) for part in label):
                rank += 1
            elif any(part.startswith(word) for part in entry.words.casefold().split()):
                rank += 2
            elif word in " ".join(label) or word in others or any(_is_stem(part, word) for part in label):
                rank += 3
            else:
                return None
        return rank

    @property
    def found(self) -> list[ActionEntry]:
        """The entries that hold every typed word, the best first, else in the order of the list."""
        typed = self.needle.casefold().split()
        ranked = [(rank, at, of) for at, of in enumerate(self.entries) if (rank := self._rank(of, typed)) is not None]
        return [of for _, _, of in sorted(ranked, key=lambda item: item[:2])]

    @property
    def visible(self) -> list[PickEntry]:
        """The same as lines to pick from."""
        return [PickEntry(of.value, of.label, of.tooltip) for of in self.found]

    def row_line(self, index: int, width: int) -> Line | None:
        """An action: what it is called, its key, what it does."""
        found = self.found
        if not 0 <= index < len(found):
            return None
        of, is_ascii = found[index], self.signs.is_ascii
        names = min(max((width_of(entry.label) for entry in self.entries), default=0), 26)
        keys = max((width_of(plain(entry.key, ascii_only=is_ascii)) for entry in found), default=0)
        label = fit(plain(of.label, ascii_only=is_ascii), names)
        key = fit(plain(of.key, ascii_only=is_ascii), keys)
        room = max(width - names - keys - 6, 0)
        return line(" ", label, "  ", (key, "key"), "  ", (cut(plain(of.tooltip, ascii_only=is_ascii), room), "dim"))
