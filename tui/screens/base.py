"""What every place shares: the lines at top and bottom, the way to the library, and what happens where room is short.

Knows Textual, the app's library and jobs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar, TypeVar, cast

from textual import events
from textual.app import ComposeResult
from textual.screen import Screen
from textual.widgets import Static

from store.errors import LibraryBusy
from tui.render.plain import plain
from tui.widgets.lines_view import KeyLine, StatusLine, TopLine

if TYPE_CHECKING:
    from tui.app import JoulebookApp
    from tui.state.actions.model import Subject

__all__ = ["BaseScreen"]

T = TypeVar("T")

SMALLEST = (60, 15)
"""Below this nothing useful fits; one line says so."""
FIRST_WAIT_S = 0.5
"""How long after a busy library was given up it is asked again."""
LONGEST_WAIT_S = 8.0


class BaseScreen(Screen[None]):
    """A place of the interface: top line, body, status, keys."""

    PLACE: ClassVar[str] = ""
    """Name in the table of keys."""
    NAME: ClassVar[str] = ""
    """Name at the top."""
    AUTO_FOCUS: ClassVar[str | None] = None
    HORIZONTAL_BREAKPOINTS: list[tuple[int, str]] | None = [(0, "-narrow"), (120, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS: list[tuple[int, str]] | None = [(0, "-short"), (32, "-tall")]  # noqa: RUF012

    @property
    def joulebook(self) -> JoulebookApp:
        """The app, by its own type."""
        return cast("JoulebookApp", self.app)

    def compose(self) -> ComposeResult:
        """Top line, the place's own parts, status, keys."""
        yield TopLine(self.NAME, plain(self.joulebook.library.name, ascii_only=self.joulebook.look.is_ascii))
        yield from self.body()
        yield StatusLine()
        yield KeyLine(self.PLACE)
        yield Static("", id="too-small", markup=False)

    def body(self) -> ComposeResult:
        """What is this place's own."""
        raise NotImplementedError

    # lines
    @property
    def top_line(self) -> TopLine:
        """The line at the top."""
        return self.query_one(TopLine)

    def tell(self, text: str, *, is_problem: bool = True) -> None:
        """Say something in the status line; an empty text clears it."""
        shown = plain(text.replace("\n", " "), ascii_only=self.joulebook.look.is_ascii)
        self.query_one(StatusLine).tell(shown, is_problem=is_problem)

    def on_resize(self, event: events.Resize) -> None:
        """Say so where the terminal is too small."""
        is_small = event.size.width < SMALLEST[0] or event.size.height < SMALLEST[1]
        self.set_class(is_small, "-too-small")
        if is_small:
            notice = f"too small: needs {SMALLEST[0]}x{SMALLEST[1]}, has {event.size.width}x{event.size.height}"
            self.query_one("#too-small", Static).update(notice)
        self.call_after_refresh(self.resized)

    def resized(self) -> None:
        """The window has another size, and its parts theirs: places that lay out lines by the width do so anew."""

    # the library
    def ask_library(
        self,
        lane: str,
        call: Callable[[], T],
        done: Callable[[T], object],
        *,
        failed: Callable[[Exception], object] | None = None,
        interrupt: Callable[[], None] | None = None,
        must_run: bool = False,
        keeps_trying: bool = False,
    ) -> None:
        """Run a call of the library off the event loop; `done` runs here unless the place was left meanwhile.

        Args:
            lane: A newer request of the same lane takes this one's place.
            call: What to run; must not touch the screen.
            done: Takes the answer.
            failed: Takes what `call` raised; told in the status line where None.
            interrupt: Ends `call` early.
            must_run: For changes: never dropped, never void.
            keeps_trying: For what is shown: where the library is busy, ask again after a wait that grows.
        """
        jobs, name = self.joulebook.jobs, f"{self.PLACE}.{lane}"

        def ask(wait_s: float) -> None:
            def take(answer: T) -> None:
                if self.is_attached:
                    done(answer)

            def refuse(error: Exception) -> None:
                if not self.is_attached:
                    return
                (failed or self.tell_failure)(error)
                if keeps_trying and isinstance(error, LibraryBusy):
                    self.set_timer(
                        wait_s, lambda: ask(min(2 * wait_s, LONGEST_WAIT_S)) if jobs.is_newest(name, number) else None
                    )

            number = jobs.ask(name, call, done=take, failed=refuse, interrupt=interrupt, must_run=must_run)

        ask(FIRST_WAIT_S)

    def tell_failure(self, error: Exception) -> None:
        """Show what went wrong; what no person can cause is logged as well."""
        self.tell(self.joulebook.sentence_of(error, is_expected=self.joulebook.is_expected(error)))

    # what the app calls
    def subject(self) -> Subject:
        """What is marked here, or under the cursor: what an action from the list of actions is about."""
        from tui.state.actions.model import Subject  # noqa: PLC0415 (loads what the list of runs does without)

        return Subject(*self.chosen())

    def chosen(self) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """Runs and devices that are marked here, or under the cursor."""
        return (), ()

    def back(self) -> None:
        """Go back one level; here out of the place."""
        self.joulebook.leave_place()

    def action_undo(self) -> None:
        """Undo the last correction."""
        if not self.joulebook.undo_steps:
            self.tell("nothing to undo since the program started", is_problem=False)
            return
        step = self.joulebook.undo_steps.pop()
        library = self.joulebook.library

        def done(_: object) -> None:
            self.tell(f"undone: {step.words}", is_problem=False)
            self.library_changed()

        self.ask_library("change", lambda: step.take_back(library), done, must_run=True)

    def library_changed(self) -> None:
        """Some process committed something; show what is true now."""
