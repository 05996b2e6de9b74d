"""A list to pick from: narrowed by typing, one or several picked, reordered where order matters.

Knows text; no Textual.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from tui.render import format as fmt
from tui.render.plain import cut, fit, plain, width_of
from tui.state.lines import Line, line

__all__ = ["PickEntry", "PickList"]


class PickEntry(NamedTuple):
    """One line of a pick list."""

    value: str
    label: str
    detail: str = ""
    """Set flush right, or after the label: a count, an explanation."""


@dataclass(slots=True)
class PickList:
    """What can be picked and what is."""

    choices: list[PickEntry]
    picked: list[str] = field(default_factory=list)
    """Values, in the order of the list where `is_ordered`, else of picking."""
    is_many: bool = True
    is_ordered: bool = False
    cursor: int = 0
    needle: str = ""
    signs: fmt.Signs = fmt.UNICODE_SIGNS

    @property
    def visible(self) -> list[PickEntry]:
        """Choices that hold the typed text, whatever its case; those that begin with it first."""
        needle = self.needle.casefold()
        if not needle:
            return list(self.choices)
        found = [c for c in self.choices if needle in c.label.casefold() or needle in c.detail.casefold()]
        return sorted(
            found, key=lambda c: (not c.label.strip().casefold().startswith(needle), needle not in c.label.casefold())
        )

    def type(self, text: str) -> None:
        """Narrow the list further."""
        self.needle += text
        self.cursor = 0

    def rub_out(self) -> None:
        """Take the last typed character back."""
        self.needle = self.needle[:-1]
        self.cursor = 0

    def move_to(self, index: int) -> None:
        """Put the cursor on a line."""
        self.cursor = min(max(index, 0), max(len(self.visible) - 1, 0))

    @property
    def here(self) -> PickEntry | None:
        """The choice under the cursor."""
        visible = self.visible
        return visible[self.cursor] if 0 <= self.cursor < len(visible) else None

    def toggle(self) -> None:
        """Pick or unpick the line under the cursor."""
        here = self.here
        if here is None:
            return
        if here.value in self.picked:
            self.picked.remove(here.value)
        elif self.is_many:
            self.picked.append(here.value)
        else:
            self.picked = [here.value]

    def shift(self, step: int) -> None:
        """Move the line under the cursor up or down, where order matters."""
        here = self.here
        if here is None or not self.is_ordered or self.needle:
            return
        target = self.cursor + step
        if 0 <= target < len(self.choices):
            self.choices.insert(target, self.choices.pop(self.cursor))
            self.cursor = target

    def taken(self) -> tuple[str, ...]:
        """What is chosen by Enter: everything picked, or the line under the cursor where nothing is."""
        if self.is_many and self.picked:
            if self.is_ordered:
                return tuple(c.value for c in self.choices if c.value in self.picked)
            return tuple(self.picked)
        here = self.here
        return () if here is None else (here.value,)

    def row_line(self, index: int, width: int) -> Line | None:
        """One line, without the cursor's sign."""
        visible = self.visible
        if not 0 <= index < len(visible):
            return None
        choice = visible[index]
        is_ascii = self.signs.is_ascii
        sign = ""
        if self.is_many:
            sign = (self.signs.picked if choice.value in self.picked else self.signs.unpicked) + " "
        label = plain(choice.label, ascii_only=is_ascii)
        detail = plain(choice.detail, ascii_only=is_ascii)
        room = width - width_of(sign) - 1
        names = min(max((width_of(plain(c.label)) for c in visible), default=0), room)
        detail = cut(detail, max(room - names - 2, 0))
        role = "accent" if choice.value in self.picked else ""
        return line(" ", (sign, role), (fit(label, names), role), "  ", (detail, "dim"))
