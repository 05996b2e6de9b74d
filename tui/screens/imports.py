"""Import: a table of files and their facts, what was made of each and why, questions, progress, outcome.

Knows Textual, the model, `ingest` and the library's calls; reads no file on the event loop.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Container, VerticalScroll
from textual.timer import Timer

from importers import ImportRefused, Inspection
from store.errors import StoreError
from store.imports.guesses import LogLook, look_at_log
from store.imports.importer import FileOutcome, Order, find_files, import_file, inspect_file
from store.imports.watched_folder import SETTLED_S, FolderWatch
from tui.keys import bindings
from tui.render.plain import plain
from tui.screens.facts import FactsScreen
from tui.screens.import_cells import ImportCells
from tui.screens.pick import PickScreen
from tui.screens.prompt import PromptScreen
from tui.state.import_list import ImportEntry, ImportList, facts_words
from tui.state.lines import Line, line
from tui.state.pick_list import PickEntry, PickList
from tui.state.preview import parts_of, preview_lines
from tui.widgets.lines_view import LinesView, RuleLine
from tui.widgets.paged_list import PagedList

__all__ = ["ImportScreen"]


LOOK_EVERY_S = 2.0
"""How often a watched folder is looked at, as the command does."""


class ImportScreen(ImportCells):
    """Files on their way into the library."""

    PLACE: ClassVar[str] = "import"
    NAME: ClassVar[str] = "Import"
    CSS_PATH = "imports.tcss"
    BINDINGS = bindings("import")

    def body(self) -> ComposeResult:
        """Files, then what was made of the one under the cursor."""
        signs = self.joulebook.look.signs
        self.model = self.joulebook.import_list or ImportList(self.joulebook.look)
        self.model.look = self.joulebook.look
        self.model.forget_imported()
        self.joulebook.import_list = self.model
        self._stop = threading.Event()
        self._left_to_import: list[ImportEntry] = []
        self._is_importing = False
        self._watch: FolderWatch | None = None
        self._watch_timer: Timer | None = None
        yield LinesView(id="facts-line")
        yield RuleLine(signs.rule)
        with Container(id="files-and-detail"):
            yield PagedList(self._row, self.model.head_line, sign=signs.cursor, id="files")
            yield RuleLine(signs.rule, id="detail-rule")
            with VerticalScroll(id="detail", can_focus=False):
                yield LinesView(id="detail-lines")

    def on_mount(self) -> None:
        """Ask for a file at once where there is none."""
        self.paged_list.focus()
        self.paint()
        self.learn_devices()
        if not self.model.entries:
            self.call_after_refresh(self.action_path)

    def _row(self, index: int, width: int) -> Line | None:
        return self.model.row_line(index, width, is_here=index == self.paged_list.cursor)

    @property
    def paged_list(self) -> PagedList:
        """The files on screen."""
        return self.query_one("#files", PagedList)

    def here(self) -> ImportEntry | None:
        """The file under the cursor."""
        entries = self.model.entries
        return entries[self.paged_list.cursor] if self.paged_list.cursor < len(entries) else None

    def below(self) -> list[ImportEntry]:
        """The files below the cursor."""
        return self.model.entries[self.paged_list.cursor + 1 :]

    # painting
    def paint(self) -> None:
        """Show what is true now."""
        self.paged_list.count = len(self.model.entries)
        self.paged_list.repaint()
        self.top_line.tell(middle=self.model.summary())
        words = plain(facts_words(self.model.table.stated), ascii_only=self.joulebook.look.is_ascii)
        hint = words or "none stated: e states device, port, mode ... once for all files"
        watched = f"   watching {plain(self._watch.folder)}" if self._watch is not None else ""
        told = line((" facts   ", "dim"), (hint, "" if words else "dim"), (watched, "accent"))
        self.query_one("#facts-line", LinesView).show([told])
        self._paint_detail()

    def _paint_detail(self) -> None:
        entry = self.here()
        view = self.query_one("#detail-lines", LinesView)
        width = max(self.query_one("#detail").size.width - 2, 30)
        if entry is None:
            view.show([])
            return
        lines: list[Line] = self.model.detail_lines(entry, width)
        if entry.inspection is not None:
            for part, frame in parts_of(entry.inspection.preview).items():
                lines += [(), line((f"first rows, {plain(part)}" if part else "first rows", "head"))]
                lines += preview_lines(frame, self.joulebook.look, width, 6)
        view.show(lines)

    def on_paged_list_cursor_moved(self, message: PagedList.CursorMoved) -> None:
        """Show what was made of another file."""
        message.stop()
        self._paint_detail()

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A click on the file under the cursor answers its question."""
        message.stop()
        self.action_answer()

    # files
    def action_path(self) -> None:
        """Name a file or a folder."""
        if self.app.screen is not self:
            return  # asked already: a key can come before the screen's own question

        def take(typed: str | None) -> None:
            if typed:
                self.take_paths([Path(typed).expanduser()])

        self.app.push_screen(PromptScreen("file or folder", paths=self.joulebook.jobs), take)

    def take_paths(self, paths: list[Path]) -> None:
        """Look for files and inspect them."""

        def done(found: list[Path]) -> None:
            fresh = self.model.add(found)
            self.tell("" if fresh else "no export there, or it is in the list already", is_problem=False)
            for entry in fresh:
                self._inspect(entry)
            self.paint()

        self.ask_library("find", lambda: list(find_files(paths).files), done, must_run=True)

    def order(self, entry: ImportEntry) -> Order:
        """How a file is read, and what is stated of it."""
        return Order(facts=self.model.facts(entry), answers=dict(entry.answers), is_own=entry.is_new_run)

    def _inspect(self, entry: ImportEntry) -> None:
        library, order = self.joulebook.library, self.order(entry)

        def done(found: Inspection) -> None:
            entry.inspection, entry.refused = found, ""
            if found.is_sure:
                self._look_at_log(entry, found)
            self.paint()
            if entry.is_watched and not entry.is_sure:
                self.tell(f"{plain(entry.path.name)} asks: a answers it", is_problem=False)
            self._import_watched()

        def failed(error: Exception) -> None:
            if wrong := _answers_refused(error, entry):  # the question stays open
                for name in wrong:
                    del entry.answers[name]
                self.tell(self.joulebook.sentence_of(error, is_expected=True))
                self.paint()
                return
            entry.inspection = None
            is_expected = isinstance(error, StoreError | ImportRefused | OSError)
            entry.refused = self.joulebook.sentence_of(error, is_expected=is_expected)
            self.paint()

        self.ask_library(
            "inspect", lambda: inspect_file(entry.path, library, order), done, failed=failed, must_run=True
        )

    def _look_at_log(self, entry: ImportEntry, found: Inspection) -> None:
        """See what the log suggests; what can't be read so says so when it is imported."""
        library, sheets = self.joulebook.library, self.model.table.sheets

        def done(look: LogLook) -> None:
            entry.look = look
            self.paint()

        self.ask_library(
            "look-at-log",
            lambda: look_at_log(library, entry.path, found, sheets),
            done,
            failed=lambda _: None,
            must_run=True,
        )

    def action_answer(self) -> None:
        """Answer the first open question."""
        entry = self.here()
        if entry is None or not entry.questions:
            self.tell("no open question about this file", is_problem=False)
            return
        question = entry.questions[0]
        title = plain(question.text, ascii_only=self.joulebook.look.is_ascii)

        def take(answer: str | None) -> None:
            if answer:
                entry.answers[question.id] = answer
                self._inspect(entry)

        if not question.choices:
            self.app.push_screen(PromptScreen(title), take)
            return
        choices = [PickEntry(choice.value, choice.label) for choice in question.choices]
        model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)
        self.app.push_screen(PickScreen(title, model), lambda values: take(values[0] if values else None))

    def action_facts(self) -> None:
        """State facts for all files."""
        library = self.joulebook.library

        def call() -> dict[str, list[str]]:
            offered = {name: [f.value for f in library.runs.facets(name)] for name in ("port", "mode", "load")}
            offered["device"] = [d.device for d in library.devices.all()]
            offered["meter"] = [m.name for m in library.meters.all()]
            return offered

        def take(stated: dict[str, str] | None) -> None:
            if stated is None:
                return
            self.model.table.stated = stated
            self.paint()

        self.joulebook.hold_keys_for_screen()
        self.ask_library(
            "offered", call, lambda offered: self.app.push_screen(FactsScreen(self.model.table.stated, offered), take)
        )

    def action_drop(self) -> None:
        """Leave the file out."""
        entry = self.here()
        if entry is not None and not entry.is_reading:
            self.model.entries.remove(entry)
            self.paint()

    def action_go_ahead(self) -> None:
        """Import every file without open questions, one file after the other."""
        if self._is_importing:
            return
        self._left_to_import = self.model.sure()
        if not self._left_to_import:
            self.tell("no file is ready yet: answer the questions, or name files with /", is_problem=False)
            return
        self._begin_importing()

    def _begin_importing(self) -> None:
        self.model.begin(self._left_to_import, time.monotonic())
        self._stop.clear()
        self._is_importing = True
        self._import_next()

    def _import_watched(self) -> None:
        """Go on with what has no open question and comes from the watched folder."""
        if not self._is_importing and self._watch is not None:
            self._left_to_import = [entry for entry in self.model.sure() if entry.is_watched]
            if self._left_to_import:
                self._begin_importing()

    def _import_next(self) -> None:
        if not self._left_to_import or self._stop.is_set():
            self._left_to_import, self._is_importing = [], False
            self.tell(f"done: {self.model.summary()}", is_problem=False)
            self.paint()
            self.look_for_proposals()
            if not self._stop.is_set():
                self._import_watched()
            return
        entry = self._left_to_import.pop(0)
        entry.is_reading = True
        self.paint()
        library, order, app = self.joulebook.library, self.order(entry), self.joulebook

        def progress(done: int, total: int) -> None:
            app.call_later(self._show_share, entry, done / total if total else 0.0)

        def finished(outcome: FileOutcome) -> None:
            entry.is_reading, entry.outcome, entry.run_ids = False, outcome, outcome.run_ids
            if outcome.status == "imported":
                self.model.imported += outcome.run_ids
            self._import_next()

        def failed(error: Exception) -> None:
            entry.is_reading = False
            entry.refused = self.joulebook.sentence_of(error, is_expected=isinstance(error, StoreError))
            self._import_next()

        self.ask_library(
            "import", lambda: import_file(library, entry.path, order, progress), finished, failed=failed, must_run=True
        )

    def _show_share(self, entry: ImportEntry, share: float) -> None:
        self.model.show_share(entry, share, time.monotonic())
        if self.is_attached:
            self.paged_list.repaint()

    def action_stop_import(self) -> None:
        """Stop after the file that is being read."""
        self._stop.set()

    def action_undo(self) -> None:
        """Undo this import (asks first)."""
        if not self.model.imported or self._is_importing:
            self.tell("nothing to undo: nothing was imported here", is_problem=False)
            return
        library = self.joulebook.library
        runs = list(self.model.imported)
        choices = [PickEntry("no", "keep them"), PickEntry("yes", f"delete {len(runs)} imported runs")]

        def done(_: object) -> None:
            self.model.imported = []
            for entry in self.model.entries:
                if entry.outcome is not None and entry.outcome.status == "imported":
                    entry.outcome, entry.run_ids, entry.is_watched = None, (), False
            self.model.proposals = ()
            self.tell(f"{len(runs)} runs removed", is_problem=False)
            self.paint()

        def take(values: tuple[str, ...] | None) -> None:
            if values == ("yes",):
                self.ask_library(
                    "import", lambda: library.runs.delete(runs, reason="import undone"), done, must_run=True
                )

        self.app.push_screen(PickScreen("undo the import", PickList(choices, is_many=False)), take)

    def action_watch(self) -> None:
        """Watch a folder, or stop watching."""
        if self._watch is not None:
            self._end_watch()
            self.tell("no longer watching", is_problem=False)
            self.paint()
            return

        def take(typed: str | None) -> None:
            if typed:
                self._watch = FolderWatch(Path(typed).expanduser())
                self._watch_timer = self.set_interval(LOOK_EVERY_S, self._look)
                self.tell(f"a file there is imported once it has not changed for {SETTLED_S:g} s", is_problem=False)
                self.paint()
                self._look()

        self.app.push_screen(PromptScreen("folder to watch", paths=self.joulebook.jobs), take)

    def _look(self) -> None:
        watch = self._watch
        if watch is None:
            return

        def done(settled: list[Path]) -> None:
            if self._watch is watch and settled:
                for path in settled:
                    self._inspect(self.model.renew(path))
                self.paint()

        self.ask_library("watch", lambda: watch.settled(time.monotonic()), done, must_run=True)

    def _end_watch(self) -> None:
        self._watch = None
        if self._watch_timer is not None:
            self._watch_timer.stop()

    def on_unmount(self) -> None:
        """Leaving the place ends the watch."""
        self._end_watch()

    def resized(self) -> None:
        """Lay the lines out anew."""
        self.paint()

    def action_down(self) -> None:
        """Next file."""
        self.paged_list.move(1)

    def action_up(self) -> None:
        """File before."""
        self.paged_list.move(-1)


def _answers_refused(error: Exception, entry: ImportEntry) -> list[str]:
    """Ids of answers that mean nothing for the file, where that is why it was refused."""
    if not isinstance(error, ImportRefused) or entry.inspection is None:
        return []
    return [p.raw for p in error.problems if p.code == "bad-answer" and p.raw in entry.answers]
