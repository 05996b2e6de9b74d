"""What the app does about the library: opens it late, follows its commits, keeps its first page for the next start.

Knows Textual, jobs and the places on screen; the app adds which places there are.
"""

from __future__ import annotations

import importlib
import logging
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, cast

from textual.timer import Timer

from store.errors import StoreError
from tui.jobs import Jobs
from tui.screens.base import BaseScreen
from tui.settings import pages_folder
from tui.state.kept_page import keep_page
from tui.state.late_library import LateLibrary
from tui.state.run_list import RunList
from tui.widgets.key_order import KeyOrder

if TYPE_CHECKING:
    from store import Library

__all__ = ["LibraryApp"]

_log = logging.getLogger(__name__)

WATCH_S = 0.5
"""How often the library's generation is looked at, so that new runs show within a second."""
WARM_UP_S = 0.2
"""How long after the first list the page of a run is loaded: the list is drawn by then."""
KEEP_S = 3.0
"""How long after a commit the first page is kept for the next start: longer than any file system's clock ticks."""


class LibraryApp(KeyOrder):
    """An app on one library, which may be opened late."""

    settings_path: Path | None
    run_list: RunList

    def __init__(self, library: Library | LateLibrary) -> None:
        super().__init__(watch_css=False)
        self.library = cast("Library", library)
        """The library; until it is open, what stands in for it."""
        self.jobs = Jobs(self._deliver)
        self._generation: int | None = None
        self._is_warm = False
        self._keep_timer: Timer | None = None
        self._kept_for: tuple[object, ...] = ()
        """State of the library, order and columns of which the first page was kept last."""

    def on_mount(self) -> None:
        """Follow what other processes do."""
        self.set_interval(WATCH_S, self._watch)

    @property
    def is_late(self) -> bool:
        """Whether the library is still to be opened."""
        return isinstance(self.library, LateLibrary)

    def on_ready(self) -> None:
        """The first frame is on screen: now the engine may be loaded and the list read anew."""
        if self.is_late:
            self.facts_changed()

    def list_was_read(self) -> None:
        """Load the page of a run while a person looks at the list, and keep the list's first page a little later."""
        if not self._is_warm:
            self._is_warm = True
            self.set_timer(WARM_UP_S, lambda: self.jobs.ask("warm", _load_run_page, done=_nothing, failed=_nothing))
        if self._keep_timer is not None:
            self._keep_timer.stop()
        self._keep_timer = self.set_timer(KEEP_S, self._keep_first_page)

    def _keep_first_page(self) -> None:
        """Keep the first page for the next start, once for each state of the library."""
        folder = pages_folder(self.settings_path)
        library, sort, columns = self.library, self.run_list.sort, self.run_list.columns
        if folder is None:
            return

        def call() -> tuple[object, ...]:
            state = (library.generation(), sort, columns)
            if state == self._kept_for or keep_page(folder, library, sort=sort, columns=columns):
                return state
            return ()

        def done(state: tuple[object, ...]) -> None:
            self._kept_for = state

        self.jobs.ask("keep", call, done=done, failed=_nothing)

    def _deliver(self, answer: Callable[[], None]) -> None:
        self.call_later(self._take_answer, answer)

    def _take_answer(self, answer: Callable[[], None]) -> None:
        """Take an answer on the event loop; not while the app is being torn down, whose places lack their parts."""
        if self.is_running:
            answer()

    def when_open(self, then: Callable[[], object]) -> None:
        """Do something as soon as the library is open, which it nearly always is."""
        late = self.library
        if not isinstance(late, LateLibrary):
            then()
            return

        def done(library: Library) -> None:
            self.library = library
            if library.notices and isinstance(self.screen, BaseScreen):
                self.screen.tell(" ".join(library.notices))
            then()

        def failed(error: Exception) -> None:
            if isinstance(self.screen, BaseScreen):
                self.screen.tell_failure(error)

        self.jobs.ask("library", late.opened, done=done, failed=failed)

    def _watch(self) -> None:
        if not self.jobs.is_waiting("generation"):
            self.jobs.ask("generation", self.library.generation, done=self._saw, failed=self._saw_nothing)

    def _saw(self, generation: int) -> None:
        before, self._generation = self._generation, generation
        if before is not None and before != generation:
            self.facts_changed()

    def _saw_nothing(self, error: Exception) -> None:
        _log.debug("the library's generation could not be read: %s", error)

    def facts_changed(self) -> None:
        """Something was committed, from here or elsewhere: every place shows it at once."""
        for screen in self.screen_stack:
            if isinstance(screen, BaseScreen):
                screen.library_changed()

    def is_expected(self, error: Exception) -> bool:
        """Whether a person can cause it, so that its text is the whole sentence."""
        from importers.problems import ImportProblem  # noqa: PLC0415 (loads what imports)
        from tui.state.actions.model import Unfit  # noqa: PLC0415 (loads what the list does without)

        return isinstance(error, (StoreError, ImportProblem, Unfit, OSError))

    def sentence_of(self, error: Exception, *, is_expected: bool) -> str:
        """A failure in one sentence; unexpected ones go to the log whole."""
        if is_expected:
            return str(error)
        _log.error("unexpected failure", exc_info=error)
        return f"This should not have happened: {type(error).__name__}: {error}. The log has more."


def _load_run_page() -> None:
    importlib.import_module("tui.screens.run")


def _nothing(_answer: object) -> None:
    """Whatever came of it: the page is loaded when it is opened otherwise."""
