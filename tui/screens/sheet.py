"""Sheet: a device's sheet as it is written while unboxing, or corrected; the library's reader says what is wrong.

Knows Textual, the draft and the library's calls. What was typed stays while the program runs, saved or not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult

from store.devices.sheet_reader import SheetRefused
from store.errors import NotFound
from store.model.sheet import DeviceSheet
from tui.keys import bindings
from tui.render.plain import plain
from tui.screens.base import BaseScreen
from tui.screens.fields import FieldsScreen
from tui.state.lines import Line, line
from tui.state.sheet_draft import FieldPath, SheetDraft, fields_of
from tui.state.sheet_page import SheetRow, sheet_rows
from tui.widgets.lines_view import LinesView, RuleLine
from tui.widgets.paged_list import PagedList

if TYPE_CHECKING:
    from store import Library

__all__ = ["SheetScreen"]

_TITLES = {
    "": "the device", "rated": "as marked on the case", "mass_g": "mass", "size_mm": "size", "price": "price",
    "port": "a port", "mark": "a mark on the case", "claim": "a claim of the maker",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _SheetUndo:
    """Puts a device's sheet back as it was; that is a correction of its own."""

    before: DeviceSheet

    @property
    def words(self) -> str:
        """What was done."""
        return f"the sheet of {self.before.device}"

    def take_back(self, library: Library) -> None:
        """Save the sheet from before."""
        library.devices.save(self.before, reason="undone")


class SheetScreen(BaseScreen):
    """The sheet of one device.

    Args:
        device: Its code; empty for a new one.
    """

    PLACE: ClassVar[str] = "sheet"
    NAME: ClassVar[str] = "Sheet"
    CSS_PATH = "sheet.tcss"
    BINDINGS = bindings("sheet")

    def __init__(self, device: str = "") -> None:
        super().__init__()
        self._device = device
        self._draft = SheetDraft()
        self._earlier: list[SheetDraft] = []
        self._rows: list[SheetRow] = []

    def body(self) -> ComposeResult:
        """What it is, then one row per fact."""
        signs = self.joulebook.look.signs
        yield RuleLine(signs.rule)
        yield LinesView(id="sheet-note")
        yield PagedList(self._row, None, sign=signs.cursor, id="sheet-rows")

    def on_mount(self) -> None:
        """Go on with what was begun, or read the library's sheet."""
        self.paged_list.focus()
        begun = self.joulebook.drafts.get(self._device)
        if begun is not None:
            self._take(begun)
            self.tell("begun earlier and not saved yet", is_problem=False)
            return
        library, device = self.joulebook.library, self._device

        def call() -> DeviceSheet | None:
            try:
                return library.devices.get(device) if device else None
            except NotFound:
                return None

        self.ask_library("sheet", call, lambda sheet: self._take(SheetDraft.of(sheet, device)))

    @property
    def paged_list(self) -> PagedList:
        """The rows on screen."""
        return self.query_one("#sheet-rows", PagedList)

    def _take(self, draft: SheetDraft) -> None:
        self._draft = draft
        if draft.is_changed:
            self.joulebook.drafts[self._device] = draft
        else:
            self.joulebook.drafts.pop(self._device, None)
        self._paint()

    def _paint(self) -> None:
        draft, look = self._draft, self.joulebook.look
        self._rows = sheet_rows(draft, look, max(self.size.width - 4, 40))
        self.paged_list.count = len(self._rows)
        self.paged_list.repaint()
        name = plain(draft.text(("device",)) or "a new device", ascii_only=look.is_ascii)
        state = "not saved" if draft.is_changed else "as the library has it" if draft.before else "nothing written yet"
        self.top_line.tell(place=f"Sheet of {name}", middle=state)
        hint = "as printed and as weighed; only code and kind are required"
        self.query_one("#sheet-note", LinesView).show([line((f" {hint}", "dim"))])

    def resized(self) -> None:
        """Lay the rows out anew."""
        self._paint()

    def _row(self, index: int, width: int) -> Line | None:
        del width
        return line(" ", *self._rows[index].text) if index < len(self._rows) else None

    def _here(self) -> SheetRow | None:
        return self._rows[self.paged_list.cursor] if self.paged_list.cursor < len(self._rows) else None

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A click on the row under the cursor writes it."""
        message.stop()
        self.action_write()

    # keys
    def action_write(self) -> None:
        """Write the fact, port, mark or claim under the cursor; another one where the row offers it."""
        row = self._here()
        if row is not None and row.adds:
            self.action_add(row.adds)
        elif row is not None and row.place:
            self._write(self._draft.copy(), row.place, row.key)

    def action_add(self, name: str) -> None:
        """Add a port, mark or claim."""
        draft = self._draft.copy()
        place = draft.add(name)
        self._write(draft, place, fields_of(place)[0].key)

    def _write(self, draft: SheetDraft, place: FieldPath, key: str) -> None:
        fields = fields_of(place)

        def check(texts: dict[str, str]) -> dict[str, str]:
            tried = draft.copy()
            tried.put(place, texts)
            wrong = tried.complaints()
            inside = {of.key: (of.key,) if place == ("",) else (*place, of.key) for of in fields}
            return {key: wrong[at] for key, at in inside.items() if at in wrong}

        def take(texts: dict[str, str] | None) -> None:
            if texts is not None and texts != self._draft.group(place):
                draft.put(place, texts)
                self._earlier.append(self._draft)
                self.tell("")
                self._take(draft)

        title = _TITLES[str(place[0])]
        self.app.push_screen(FieldsScreen(title, fields, draft.group(place), key, check), take)

    def action_drop(self) -> None:
        """Remove the port, marking or claim under the cursor."""
        row = self._here()
        if row is None or len(row.place) != 2:
            self.tell("a port, a mark or a claim can be taken away; a fact is emptied instead", is_problem=False)
            return
        draft = self._draft.copy()
        draft.remove(row.place)
        self._earlier.append(self._draft)
        self._take(draft)
        self.tell("removed; u undoes it", is_problem=False)

    def action_undo(self) -> None:
        """Take the last change of this sheet back; saved ones too."""
        if self._earlier:
            self._take(self._earlier.pop())
            self.tell("undone", is_problem=False)
        else:
            super().action_undo()

    def action_save(self) -> None:
        """Save the sheet; what is wrong is shown where it is wrong, and all of it stays."""
        draft = self._draft
        if not draft.is_changed:
            self.tell("nothing was changed", is_problem=False)
            return
        try:
            reading = draft.read()
        except SheetRefused as refused:
            wrong = len(refused.problems)
            self.tell(f"not saved: {wrong} error{'s' if wrong > 1 else ''}, marked ! below")
            self._paint()
            return
        library, before = self.joulebook.library, draft.before
        self.tell("saving", is_problem=False)

        def done(changed: int) -> None:
            self.joulebook.drafts.pop(self._device, None)
            if before is not None and before.device == reading.sheet.device:
                self.joulebook.undo_steps.append(_SheetUndo(before))
            self._device, self._earlier = reading.sheet.device, []
            self._take(SheetDraft.of(reading.sheet))
            doubts = f"; {len(reading.questions)} to look at again, marked !" if reading.questions else ""
            is_old = before is not None and before.device == reading.sheet.device
            what = f"{changed} field{'s' if changed != 1 else ''} changed" if is_old else "a new device"
            self.tell(f"saved: {what}{doubts}", is_problem=False)
            self.joulebook.facts_changed()

        self.ask_library("save", lambda: library.devices.save(reading.sheet), done, must_run=True)

    def library_changed(self) -> None:
        """Show what the library says now, where nothing is being written."""
        if self._device and not self._draft.is_changed:
            library, device = self.joulebook.library, self._device
            self.ask_library("sheet", lambda: library.devices.sheets().get(device), self._reread)

    def _reread(self, sheet: DeviceSheet | None) -> None:
        if sheet is not None and not self._draft.is_changed:
            self._take(SheetDraft.of(sheet))

    def action_down(self) -> None:
        """Next row."""
        self.paged_list.move(1)

    def action_up(self) -> None:
        """Row before."""
        self.paged_list.move(-1)

    def action_first(self) -> None:
        """First row."""
        self.paged_list.move_to(0)

    def action_last(self) -> None:
        """Last row."""
        self.paged_list.move_to(len(self._rows) - 1)
