"""The application: places, theme, jobs, leaving at once. Wiring only.

`build_app` is the one way to make it: for the command line, for tests and for pictures.
"""

from __future__ import annotations

import importlib
import logging
from collections.abc import Awaitable, Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from textual.app import SystemCommand
from textual.screen import Screen
from textual.timer import Timer

from tui.jobs import Jobs
from tui.kept_page import KeptPage, keep_page
from tui.key_order import KeyOrder
from tui.keys import KEYS, bindings
from tui.late_library import LateLibrary
from tui.models.filter_words import with_picked
from tui.models.look import Look, look_for
from tui.models.run_list import RunList
from tui.screens.form import FormScreen
from tui.screens.help import HelpScreen
from tui.screens.place import Place
from tui.screens.runs import RunsScreen
from tui.screens.settings import choose_setting
from tui.settings import Settings, load_settings, pages_folder, save_settings
from tui.theme import THEMES
from tui.widgets.ascii_only import draw_scrollbars

if TYPE_CHECKING:
    from store import Library
    from tui.models.edits import UndoStep
    from tui.models.sheet_draft import SheetDraft

__all__ = ["JoulebookApp", "build_app"]

_log = logging.getLogger(__name__)

WATCH_S = 0.5
"""How often the library's generation is looked at, so that new runs show within a second."""
WARM_UP_S = 0.2
"""How long after the first list the page of a run is loaded: the list is drawn by then."""
KEEP_S = 3.0
"""How long after a commit the first page is kept for the next start: longer than any file system's clock ticks."""


class JoulebookApp(KeyOrder):
    """The terminal interface on one library."""

    TITLE = "Joulebook"
    CSS_PATH = "theme.tcss"
    BINDINGS = bindings("everywhere")
    ENABLE_COMMAND_PALETTE = True

    def __init__(
        self,
        library: Library | LateLibrary,
        *,
        settings: Settings,
        settings_path: Path | None,
        look: Look,
        encoding: str | None,
        kept: KeptPage | None = None,
    ) -> None:
        super().__init__(watch_css=False)
        self._encoding = encoding
        self.library = cast("Library", library)
        """The library; until it is open, what stands in for it."""
        self.settings = settings
        self.settings_path = settings_path
        self.look = look
        draw_scrollbars(is_ascii=look.is_ascii)
        self.jobs = Jobs(self.call_later)
        self.zone = _zone_of(library.zone)
        self.run_list = RunList(signs=look.signs, zone=self.zone, sort=settings.sort)
        self.run_list.choose_columns(settings.columns)
        if kept is not None:
            self.run_list.replace(kept.page)
        self.undo_steps: list[UndoStep] = []
        self.question_text = ""
        self.drafts: dict[str, SheetDraft] = {}
        """Sheets that were begun and not saved, by the device's code as the library has it."""
        self._generation: int | None = None
        self._is_warm = False
        self._keep_timer: Timer | None = None
        self._kept_for: tuple[object, ...] = ()
        """State of the library, order and columns of which the first page was kept last."""
        self.animation_level = "none"
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = settings.theme if settings.theme in self.available_themes else THEMES[0].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Our own colour names, for themes that don't define them."""
        return dict(THEMES[0].variables)

    # start and end
    def on_mount(self) -> None:
        """Open on the list of runs."""
        self.push_screen(RunsScreen())
        self.set_interval(WATCH_S, self._watch)

    def warm_up(self) -> None:
        """Load the page of a run while a person looks at the list, so that it opens at once."""
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

    def action_leave(self) -> None:
        """Interrupt what runs and leave at once."""
        self.jobs.stop()
        self.settings.theme = self.theme
        self.settings.sort = self.run_list.sort
        self.settings.columns = self.run_list.columns
        save_settings(self.settings_path, self.settings)
        self.exit()

    async def action_quit(self) -> None:
        """Leave, whoever asks for it (the palette does)."""
        self.action_leave()

    def on_unmount(self) -> None:
        """Leave nothing running behind, however the end came."""
        self.jobs.stop()

    # the library
    def when_open(self, then: Callable[[], object]) -> None:
        """Do something as soon as the library is open, which it nearly always is."""
        late = self.library
        if not isinstance(late, LateLibrary):
            then()
            return

        def done(library: Library) -> None:
            self.library = library
            if library.notices and isinstance(self.screen, Place):
                self.screen.tell(" ".join(library.notices))
            then()

        def failed(error: Exception) -> None:
            if isinstance(self.screen, Place):
                self.screen.tell_failure(error)

        self.jobs.ask("library", late.opened, done=done, failed=failed)

    def _watch(self) -> None:
        if not self.jobs.is_waiting("generation"):
            self.jobs.ask("generation", self.library.generation, done=self._saw, failed=self._saw_nothing)

    def _saw(self, generation: int) -> None:
        before, self._generation = self._generation, generation
        if before is not None and before != generation:
            for screen in self.screen_stack:
                if isinstance(screen, Place):
                    screen.library_changed()

    def _saw_nothing(self, error: Exception) -> None:
        _log.debug("the library's generation could not be read: %s", error)

    def facts_changed(self) -> None:
        """Something was corrected from here: every place shows it at once."""
        for screen in self.screen_stack:
            if isinstance(screen, Place):
                screen.library_changed()

    def sentence_of(self, error: Exception, *, is_expected: bool) -> str:
        """A failure in one sentence; unexpected ones go to the log whole."""
        if is_expected:
            return str(error)
        _log.error("unexpected failure", exc_info=error)
        return f"This should not have happened: {type(error).__name__}: {error}. The log has more."

    # places
    def action_go(self, place: str) -> None:
        """Go to a place; those above the list of runs are left first."""
        if place == "runs":
            self._unwind()
            return
        if self._is_in_dialog() or getattr(self.screen, "PLACE", "") == place:
            return
        self._unwind()
        if isinstance(self.library, LateLibrary):
            self.hold_keys_for_screen()
        self.when_open(lambda: self.push_screen(_make_place(place)))

    def show_runs_where(self, field: str, values: Sequence[str]) -> None:
        """List the runs whose field has one of the values."""
        self._unwind()
        if isinstance(self.screen, RunsScreen):
            self.screen.filter_input.put(with_picked("", field, values))

    def _is_in_dialog(self) -> bool:
        return not isinstance(self.screen, Place)

    def _unwind(self) -> None:
        while len(self.screen_stack) > 2 and isinstance(self.screen, Place):
            self.pop_screen()

    def leave_place(self) -> None:
        """Back to the place before; the first one stays."""
        if len(self.screen_stack) > 2:
            self.pop_screen()

    async def action_back(self) -> None:
        """Leave the innermost thing of the place on top."""
        if isinstance(self.screen, (Place, FormScreen)):
            self.screen.back()
        elif len(self.screen_stack) > 2:
            self.screen.dismiss(None)

    def action_help(self) -> None:
        """Show the keys of the place on top."""
        if isinstance(self.screen, HelpScreen):
            self.screen.dismiss(None)
        else:
            self.push_screen(HelpScreen(getattr(self.screen, "PLACE", "everywhere")))

    def action_flip_theme(self) -> None:
        """Change between dark and light."""
        names = [theme.name for theme in THEMES]
        self.theme = names[1] if self.theme == names[0] else names[0]

    def action_settings(self) -> None:
        """Choose the theme, strips and signs."""
        if not self._is_in_dialog():
            choose_setting(self)

    def draw_with(self, strips: str) -> None:
        """Draw strips and signs otherwise from now on; the list of runs is made anew for it."""
        self.settings.strips = strips
        self.look = _look(self._encoding, strips)
        draw_scrollbars(is_ascii=self.look.is_ascii)
        self.run_list.signs = self.look.signs
        self.run_list.choose_columns(self.run_list.columns)
        self._unwind()
        self.switch_screen(RunsScreen())

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """Every action of the place on top and of everywhere, by its words; then Textual's own."""
        place = getattr(screen, "PLACE", "")
        for key in KEYS:
            if key.in_palette and key.place in {place, "everywhere"} and key.action != "command_palette":
                yield SystemCommand(
                    f"{key.label} ({key.shown})", key.tooltip, _runner(self, screen, key.place, key.action)
                )
        for command in super().get_system_commands(screen):
            if command.title in {"Theme", "Screenshot"}:
                yield command


def _load_run_page() -> None:
    importlib.import_module("tui.screens.run")


def _nothing(_answer: object) -> None:
    """Whatever came of it: the page is loaded when it is opened otherwise."""


def _look(encoding: str | None, wanted: str) -> Look:
    return look_for(encoding, wanted if wanted in {"braille", "blocks", "ascii"} else "auto")  # type: ignore[arg-type]


def _zone_of(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def _make_place(name: str) -> Place:
    """A place by its name; each is loaded when it is first gone to, so that the list is up sooner."""
    if name == "devices":
        from tui.screens.devices import DevicesScreen  # noqa: PLC0415 (see above)

        return DevicesScreen()
    if name == "ask":
        from tui.screens.ask import AskScreen  # noqa: PLC0415 (see above)

        return AskScreen()
    from tui.screens.imports import ImportScreen  # noqa: PLC0415 (see above)

    return ImportScreen()


def _runner(app: JoulebookApp, screen: Screen[object], place: str, action: str) -> Callable[[], Awaitable[object]]:
    async def run() -> object:
        return await app.run_action(action, app if place == "everywhere" else screen)

    return run


def build_app(
    library: Library | LateLibrary,
    *,
    settings_path: Path | None = None,
    encoding: str | None = "utf-8",
    strips: str | None = None,
    kept: KeptPage | None = None,
) -> JoulebookApp:
    """Make the terminal interface on a library.

    Args:
        library: The library to show; one that is opened late comes with its kept page.
        settings_path: File in which choices are kept for next time; None keeps nothing.
        encoding: The terminal's character encoding; without Unicode everything is drawn in ASCII.
        strips: `auto`, `braille`, `blocks` or `ascii`; None takes the kept setting.
        kept: The first page as it was kept; shown until the list has been read.
    """
    settings = load_settings(settings_path)
    look = _look(encoding, strips or settings.strips)
    return JoulebookApp(
        library, settings=settings, settings_path=settings_path, look=look, encoding=encoding, kept=kept
    )
