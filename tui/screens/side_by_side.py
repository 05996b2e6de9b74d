"""Devices side by side: figures, best and worst where uncertainty allows, ranks, pairs and claims.

Knows Textual and the library's comparison; holds no arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from store.devices.records import ComparisonPage
from tui.keys import bindings
from tui.screens.pick import PickScreen
from tui.screens.publishing import PublishingScreen
from tui.state.pick_list import PickEntry, PickList
from tui.state.side_by_side import orders_of, side_lines
from tui.widgets.lines_view import LinesView, Rule

__all__ = ["SideBySideScreen"]


class SideBySideScreen(PublishingScreen):
    """A comparison of devices; of one alone with its peers."""

    PLACE: ClassVar[str] = "side"
    NAME: ClassVar[str] = "Side by side"
    CSS_PATH = "side_by_side.tcss"
    BINDINGS = bindings("side")

    def __init__(self, devices: Sequence[str]) -> None:
        super().__init__()
        self._devices = list(devices)
        self._by: str | None = None
        self._page: ComparisonPage | None = None

    def body(self) -> ComposeResult:
        """One block of lines that scrolls."""
        yield Rule(self.joulebook.look.signs.rule)
        with VerticalScroll(id="side"):
            yield LinesView(id="side-lines")

    def on_mount(self) -> None:
        """Compare."""
        self.query_one("#side").focus()
        self.library_changed()

    def library_changed(self) -> None:
        """Compare anew."""
        library, devices, by = self.joulebook.library, self._devices, self._by
        self.ask_library("compare", lambda: library.compare_devices(devices, by), self._take)

    def _take(self, page: ComparisonPage) -> None:
        self._page = page
        self.top_line.tell(middle=f"{len(page.devices)} devices")
        self.tell("")
        self._paint()

    def _paint(self) -> None:
        if self._page is not None:
            width = max(self.query_one("#side").size.width - 3, 40)
            self.query_one("#side-lines", LinesView).show(side_lines(self._page, self.joulebook.look, width))

    def resized(self) -> None:
        """Lay the lines out anew."""
        self._paint()

    def action_order(self) -> None:
        """Choose the quantity that orders the devices and that pairs are made by."""
        if self._page is None:
            return
        choices = [PickEntry(name, label) for name, label in orders_of(self._page)]
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

    def action_runs(self) -> None:
        """List the runs of all of them."""
        if self._page is not None:
            self.joulebook.show_runs_where("device", [sheet.device for sheet in self._page.devices])

    def action_down(self) -> None:
        """Further down."""
        self.query_one("#side").scroll_down(animate=False)

    def action_up(self) -> None:
        """Further up."""
        self.query_one("#side").scroll_up(animate=False)
