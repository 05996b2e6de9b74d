"""A device: claims with verdicts, course of tests, figures.

Knows Textual and the library's page of a device; holds no arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import VerticalScroll

from tui.keys import bindings
from tui.screens.publishing import PublishingScreen
from tui.screens.sheet import SheetScreen
from tui.screens.side_by_side import SideBySideScreen
from tui.state.device_page import DevicePageData, page_lines, read_page, runs_of_claim
from tui.widgets.lines_view import LinesView, Rule

__all__ = ["DeviceScreen"]


class DeviceScreen(PublishingScreen):
    """The page of one device."""

    PLACE: ClassVar[str] = "device"
    NAME: ClassVar[str] = "Device"
    CSS_PATH = "device.tcss"
    BINDINGS = bindings("device")

    def __init__(self, device: str, neighbours: Sequence[str]) -> None:
        super().__init__()
        self._device = device
        self._neighbours = list(neighbours)
        self._data: DevicePageData | None = None

    def body(self) -> ComposeResult:
        """One block of lines that scrolls."""
        yield Rule(self.joulebook.look.signs.rule)
        with VerticalScroll(id="device"):
            yield LinesView(id="device-lines")

    def on_mount(self) -> None:
        """Read the page."""
        self.query_one("#device").focus()
        self.library_changed()

    def library_changed(self) -> None:
        """Read the page anew."""
        library, device = self.joulebook.library, self._device
        self.top_line.tell(place=device)
        self.ask_library("page", lambda: read_page(library, device), self._take)

    def _take(self, data: DevicePageData) -> None:
        if data.device == self._device:
            self._data = data
            self._paint()

    def _paint(self) -> None:
        if self._data is None:
            return
        width = max(self.query_one("#device").size.width - 3, 40)
        self.top_line.tell(place=self._device, middle=self._data.middle)
        self.query_one("#device-lines", LinesView).show(page_lines(self._data, self.joulebook.look, width))

    def resized(self) -> None:
        """Lay the lines out anew."""
        self._paint()

    def action_down(self) -> None:
        """Further down."""
        self.query_one("#device").scroll_down(animate=False)

    def action_up(self) -> None:
        """Further up."""
        self.query_one("#device").scroll_up(animate=False)

    def action_neighbour(self, step: int) -> None:
        """Next or previous device."""
        if self._device in self._neighbours:
            index = (self._neighbours.index(self._device) + step) % len(self._neighbours)
            self._device = self._neighbours[index]
            self.library_changed()

    def action_publish(self) -> None:
        """Ask for a folder and write the device's report there."""
        self.ask_folder([self._device])

    def action_compare(self) -> None:
        """Set it beside its peers."""
        self.app.push_screen(SideBySideScreen([self._device]))

    def action_claim(self, position: int) -> None:
        """List the runs that a claim's verdict rests on."""
        runs = runs_of_claim(self._data, position) if self._data is not None else None
        if runs:
            self.joulebook.show_runs_where("run", [str(run) for run in runs])
        elif runs is None:
            self.tell(f"there is no claim {position}", is_problem=False)
        else:
            self.tell(f"no run stands behind claim {position}", is_problem=False)

    def action_sheet(self) -> None:
        """Correct its sheet."""
        self.app.push_screen(SheetScreen(self._device))

    def action_runs(self) -> None:
        """List its runs."""
        self.joulebook.show_runs_where("device", [self._device])
