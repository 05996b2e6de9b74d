"""A device: claims with verdicts, course of tests, figures.

Knows Textual and the library's page of a device; holds no arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from tui.keys import bindings
from tui.screens.document import DocumentScreen
from tui.screens.pick import PickScreen
from tui.screens.sheet import SheetScreen
from tui.screens.side_by_side import SideBySideScreen
from tui.screens.why import WhyScreen
from tui.state.device_page import DevicePageData, page_document, read_page, runs_of_claim
from tui.state.pick_list import PickEntry, PickList

__all__ = ["DeviceScreen"]


class DeviceScreen(DocumentScreen):
    """The page of one device."""

    PLACE: ClassVar[str] = "device"
    NAME: ClassVar[str] = "Device"
    BINDINGS = bindings("device")

    def __init__(self, device: str, neighbours: Sequence[str]) -> None:
        super().__init__()
        self._device = device
        self._neighbours = list(neighbours)
        self._data: DevicePageData | None = None

    def library_changed(self) -> None:
        """Read the page anew."""
        library, device = self.joulebook.library, self._device
        self.top_line.tell(place=device)
        self.ask_library("page", lambda: read_page(library, device), self._take)

    def _take(self, data: DevicePageData) -> None:
        if data.device == self._device:
            self._data = data
            self.top_line.tell(place=data.device, middle=data.middle)
            self.show_document(page_document(data))

    def action_neighbour(self, step: int) -> None:
        """Next or previous device."""
        if self._device in self._neighbours:
            index = (self._neighbours.index(self._device) + step) % len(self._neighbours)
            self._device = self._neighbours[index]
            self.library_changed()

    def action_publish(self) -> None:
        """Ask for a folder and write the device's report there."""
        self.ask_folder([self._device])

    def action_picture(self) -> None:
        """Ask for a file and draw its energy over the load."""
        self.picture_devices([self._device])

    def chosen(self) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """This device."""
        return (), (self._device,)

    def action_compare(self) -> None:
        """Set it beside its peers."""
        self.app.push_screen(SideBySideScreen([self._device]))

    def action_why(self) -> None:
        """Choose a figure of the device and show how it came about."""
        page = self._data.page if self._data is not None else None
        figures = page.figures if page is not None else ()
        found = {f.name: f.label for f in figures if f.value is not None and not f.name.startswith("model_")}
        if not found:
            self.tell("there is no figure of this device yet", is_problem=False)
            return
        choices = [PickEntry(name, label) for name, label in found.items()]
        model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)

        def take(values: tuple[str, ...] | None) -> None:
            if values:
                self.app.push_screen(WhyScreen(self._device, values[0]))

        self.app.push_screen(PickScreen("explain", model), take)

    def action_claim(self, position: int) -> None:
        """List the runs that a claim's verdict rests on."""
        runs = runs_of_claim(self._data, position) if self._data is not None else None
        if runs:
            self.joulebook.show_runs_where("run", [str(run) for run in runs])
        elif runs is None:
            self.tell(f"there is no claim {position}", is_problem=False)
        else:
            self.tell(f"no run belongs to claim {position}", is_problem=False)

    def action_sheet(self) -> None:
        """Correct its sheet."""
        self.app.push_screen(SheetScreen(self._device))

    def action_bench(self) -> None:
        """Set up its next test."""
        from tui.screens.bench import BenchScreen  # noqa: PLC0415 (loaded when first gone to)

        self.app.push_screen(BenchScreen(self._device))

    def action_runs(self) -> None:
        """List its runs."""
        self.joulebook.show_runs_where("device", [self._device])
