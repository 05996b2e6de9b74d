"""Devices: the list, and the way to a page each.

Knows Textual, the list's model and the library's calls.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.app import ComposeResult

from store.model.records import DeviceRow
from store.uncertainty.decision import Verdict
from tui.keys import bindings
from tui.screens.base import BaseScreen
from tui.screens.choose import ChooseScreen
from tui.screens.device import DeviceScreen
from tui.screens.sheet import SheetScreen
from tui.screens.side_by_side import SideBySideScreen
from tui.state.device_list import DeviceList
from tui.widgets.lines_view import RuleLine
from tui.widgets.paged_list import PagedList

__all__ = ["DevicesScreen"]


class DevicesScreen(BaseScreen):
    """The list of devices."""

    PLACE: ClassVar[str] = "devices"
    NAME: ClassVar[str] = "Devices"
    BINDINGS = bindings("devices")

    def body(self) -> ComposeResult:
        """The list."""
        signs = self.joulebook.look.signs
        self.model = DeviceList(signs)
        yield RuleLine(signs.rule)
        yield PagedList(self.model.row_line, self.model.head_line, sign=signs.cursor, id="devices")

    def on_mount(self) -> None:
        """Read the devices."""
        self.paged_list.focus()
        self.library_changed()

    @property
    def paged_list(self) -> PagedList:
        """The list on screen."""
        return self.query_one("#devices", PagedList)

    def library_changed(self) -> None:
        """Read the devices anew, then how their claims stand: that takes longer."""
        library = self.joulebook.library
        self.ask_library("list", lambda: list(library.devices.all()), self._take)
        self.ask_library("claims", lambda: library.verdicts.all(), self._judged)  # noqa: PLW0108 (a service loads off the event loop)

    def _judged(self, verdicts: Iterable[Verdict]) -> None:
        self.model.judged(verdicts)
        self.paged_list.repaint()

    def _take(self, rows: list[DeviceRow]) -> None:
        here = self._here()
        self.model.rows = rows
        self.paged_list.count = len(rows)
        names = [row.device for row in rows]
        self.paged_list.move_to(names.index(here) if here in names else self.paged_list.cursor)
        self.paged_list.repaint()
        self.top_line.tell(middle=f"{len(rows)} devices")
        if not rows:
            self.tell("no devices yet: a adds one; `joulebook device load FILE` loads a sheet", is_problem=False)

    def _here(self) -> str | None:
        rows = self.model.rows
        return rows[self.paged_list.cursor].device if self.paged_list.cursor < len(rows) else None

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A click on the device under the cursor opens it."""
        message.stop()
        self.action_open()

    def action_open(self) -> None:
        """Open the device's page."""
        if here := self._here():
            self.app.push_screen(DeviceScreen(here, [row.device for row in self.model.rows]))

    def action_sheet(self) -> None:
        """Correct its sheet."""
        if here := self._here():
            self.app.push_screen(SheetScreen(here))

    def action_bench(self) -> None:
        """Set up its next test."""
        from tui.screens.bench import BenchScreen  # noqa: PLC0415 (loaded when first gone to)

        if here := self._here():
            self.app.push_screen(BenchScreen(here))

    def action_new(self) -> None:
        """Add a device."""
        self.app.push_screen(SheetScreen())

    def action_runs(self) -> None:
        """List its runs."""
        if here := self._here():
            self.joulebook.show_runs_where("device", [here])

    def action_mark(self) -> None:
        """Mark the device under the cursor, or take its mark away, and go on to the next."""
        if here := self._here():
            self.model.toggle_mark(here)
            self.paged_list.move(1)
            self.paged_list.repaint()

    def chosen(self) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """The marked devices, or the one under the cursor."""
        here = self._here()
        return (), tuple(sorted(self.model.marked)) or ((here,) if here else ())

    def action_compare(self) -> None:
        """Set the marked devices side by side, or the one under the cursor with its peers."""
        here = self._here()
        devices = [row.device for row in self.model.rows if row.device in self.model.marked] or ([here] if here else [])
        if devices:
            self.app.push_screen(SideBySideScreen(devices))

    def action_choose(self) -> None:
        """Answer a need."""
        self.app.push_screen(ChooseScreen())

    def action_down(self) -> None:
        """Next device."""
        self.paged_list.move(1)

    def action_up(self) -> None:
        """Device before."""
        self.paged_list.move(-1)

    def action_first(self) -> None:
        """First device."""
        self.paged_list.move_to(0)

    def action_last(self) -> None:
        """Last device."""
        self.paged_list.move_to(len(self.model.rows) - 1)
