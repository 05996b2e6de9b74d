"""The glance at the run under the cursor: strips, events, main results, claims held against it.

Knows Textual, the glance's model and how its place asks the library; the model and the arrays that it draws are loaded
with the first run, off the event loop, so that the list is up sooner.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, cast

from tui.state.run_list import PAGE
from tui.widgets.lines_view import LinesView

if TYPE_CHECKING:
    from store.model.records import RunView
    from store.uncertainty.decision import Verdict
    from tui.screens.base import BaseScreen

__all__ = ["GlancePane"]


class GlancePane(LinesView):
    """What is known of one run at a glance; runs that were looked at are not read again."""

    def __init__(self) -> None:
        super().__init__(id="glance")
        self.view: RunView | None = None
        """The run that is shown."""
        self._wanted: int | None = None
        self._seen: dict[int, RunView] = {}
        self._verdicts: dict[int, list[Verdict]] = {}
        self._has_verdicts = False

    @property
    def _place(self) -> BaseScreen:
        return cast("BaseScreen", self.screen)

    def forget(self) -> None:
        """The library changed: what was read may hold no longer."""
        self._seen.clear()
        self._has_verdicts = False

    def known(self, run_id: int) -> RunView | None:
        """A run as it was read since the last change; None where it wasn't."""
        return self._seen.get(run_id)

    def look_at(self, run_id: int | None) -> None:
        """Show a run as soon as it is read; None shows nothing."""
        self._wanted = run_id
        if run_id is None:
            self._paint(None)
        elif run_id in self._seen:
            self._paint(self._seen[run_id])
        else:
            self._read(run_id)

    def _read(self, run_id: int) -> None:
        library = self._place.joulebook.library

        def call() -> RunView:
            view = library.runs.get(run_id)
            import_module("tui.state.glance")
            import_module("store.methods.specs").specs()  # the words of results
            return view

        def done(view: RunView) -> None:
            if len(self._seen) >= PAGE:
                self._seen.clear()
            self._seen[run_id] = view
            if self._wanted == run_id:
                self._paint(view)

        self._place.ask_library("glance", call, done, keeps_trying=True)

    def paint(self) -> None:
        """Lay the run out in the room there is now."""
        self._paint(self.view)

    def _paint(self, view: RunView | None) -> None:
        self.view = view
        width, height = self.size.width, self.size.height
        if view is None or width < 1 or height < 1:
            self.show([])
            return
        from tui.state import glance  # noqa: PLC0415 (loaded with the first run that is read)

        look = self._place.joulebook.look
        if self._place.has_class("-wide"):
            self._read_verdicts()
            held = self._verdicts.get(view.facts.run_id, ())
            self.show(glance.beside(view, look, width=width, height=height, verdicts=held))
        else:
            self.show(glance.below(view, look, width=width, height=height))

    def _read_verdicts(self) -> None:
        """Ask once which claims rest on which runs, where there is room to show it."""
        if self._has_verdicts:
            return
        self._has_verdicts = True

        def done(verdicts: tuple[Verdict, ...]) -> None:
            held: dict[int, list[Verdict]] = {}
            for verdict in verdicts:
                for run_id in verdict.run_ids:
                    held.setdefault(run_id, []).append(verdict)
            self._verdicts = held
            if held:
                self.paint()

        library = self._place.joulebook.library
        self._place.ask_library("verdicts", lambda: library.verdicts.all(), done)  # noqa: PLW0108 (a service loads off the event loop)
