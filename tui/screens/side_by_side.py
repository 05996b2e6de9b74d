"""Devices side by side: figures, best and worst where uncertainty allows, ranks, pairs and claims.

Knows Textual and the library's comparison; holds no arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from store.devices.records import ComparisonPage
from store.documents.comparison import comparison_document
from tui.keys import bindings
from tui.screens.document import DocumentScreen
from tui.screens.pick import PickScreen
from tui.state.pick_list import PickEntry, PickList

__all__ = ["SideBySideScreen"]


class SideBySideScreen(DocumentScreen):
    """A comparison of devices; of one alone with its peers."""

    PLACE: ClassVar[str] = "side"
    NAME: ClassVar[str] = "Side by side"
    BINDINGS = bindings("side")

    def __init__(self, devices: Sequence[str]) -> None:
        super().__init__()
        self._devices = list(devices)
        self._by: str | None = None
        self._page: ComparisonPage | None = None

    def chosen(self) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """The devices that are compared."""
        return (), tuple(self._devices)

    def library_changed(self) -> None:
        """Compare anew."""
        library, devices, by = self.joulebook.library, self._devices, self._by
        self.ask_library("compare", lambda: library.devices.compare(devices, by), self._take)

    def _take(self, page: ComparisonPage) -> None:
        self._page = page
        self.top_line.tell(middle=f"{len(page.devices)} devices")
        self.tell("")
        self.show_document(comparison_document(page))

    def action_order(self) -> None:
        """Choose the quantity that orders the devices and that pairs are made by."""
        if self._page is None:
            return
        choices = [PickEntry(name, label) for name, label in _orders_of(self._page)]
        model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)

        def take(values: tuple[str, ...] | None) -> None:
            if values:
                self._by = values[0]
                self.library_changed()

        self.app.push_screen(PickScreen("order by", model), take)

    def action_publish(self) -> None:
        """Ask for a folder and write the comparison there."""
        if self._page is not None:
            self.ask_folder([sheet.device for sheet in self._page.devices])

    def action_picture(self) -> None:
        """Ask for a file and draw the devices by one quantity."""
        if self._page is not None:
            self.picture_devices([sheet.device for sheet in self._page.devices], self._by)

    def action_runs(self) -> None:
        """List the runs of all of them."""
        if self._page is not None:
            self.joulebook.show_runs_where("device", [sheet.device for sheet in self._page.devices])


def _orders_of(page: ComparisonPage) -> list[tuple[str, str]]:
    """Quantities that can order the devices: name and label of each row with two values or more."""
    return [(row.name, row.label) for row in page.rows if sum(figure.value is not None for figure in row.figures) > 1]
