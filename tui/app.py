"""The application: places, theme, leaving at once. Wiring only.

`build_app` is the one way to make it: for the command line, for tests and for pictures.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from textual.app import ScreenStackError
from textual.screen import Screen

from tui.keys import bindings
from tui.library_app import LibraryApp
from tui.screens.base import BaseScreen
from tui.screens.runs import RunsScreen
from tui.settings import Settings, load_settings, save_settings
from tui.state.filter_words import with_picked
from tui.state.kept_page import KeptPage
from tui.state.late_library import LateLibrary
from tui.state.look import Look, look_for
from tui.state.run_list import RunList
from tui.theme import THEMES
from tui.widgets.ascii_only import draw_scrollbars

if TYPE_CHECKING:
    from store import Library
    from tui.state.actions.model import Action, Subject
    from tui.state.edits import UndoStep
    from tui.state.import_list import ImportList
    from tui.state.sheet_draft import SheetDraft

__all__ = ["JoulebookApp", "build_app"]


class JoulebookApp(LibraryApp):
    """The terminal interface on one library."""

    TITLE = "Joulebook"
    CSS_PATH = ["theme.tcss", "screens/runs.tcss"]  # noqa: RUF012 (Textual's way)
    """The first place's sheet is read with the colours: read later, all would be parsed twice."""
    BINDINGS = bindings("everywhere")
    ENABLE_COMMAND_PALETTE = False

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
        super().__init__(library)
        self._encoding = encoding
        self.settings = settings
        self.settings_path = settings_path
        self.look = look
        draw_scrollbars(is_ascii=look.is_ascii)
        self.zone = _zone_of(library.zone)
        self.run_list = RunList(signs=look.signs, zone=self.zone, sort=settings.sort)
        self.run_list.choose_columns(settings.columns)
        if kept is not None:
            self.run_list.replace(kept.page)
        self.undo_steps: list[UndoStep] = []
        self.query_text = ""
        self.import_list: ImportList | None = None
        """Files that were named for import and are not in yet, with their facts and answers."""
        self.drafts: dict[str, SheetDraft] = {}
        """Sheets that were begun and not saved, by the device's code as the library has it."""
        self.animation_level = "none"
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = settings.theme if settings.theme in self.available_themes else THEMES[0].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Our own colour names, for themes that don't define them."""
        return dict(THEMES[0].variables)

    # sheets
    def refresh_css(self, animate: bool = True) -> None:
        """Style everything anew; not before the first place is there, which is styled with these colours anyway."""
        try:
            self.screen  # noqa: B018 (asked whether there is one)
        except ScreenStackError:
            self.stylesheet.set_variables(self.get_css_variables())
        else:
            super().refresh_css(animate)

    def _load_screen_css(self, screen: Screen[Any]) -> None:
        """Read a place's sheet when it is first opened, without parsing those of all other places anew."""
        for path in screen.css_path:
            if not self.stylesheet.has_source(str(path)):
                self.stylesheet.read(path)

    # start and end
    def get_default_screen(self) -> RunsScreen:
        """The list of runs is the first place: no empty screen is laid out before it."""
        return RunsScreen()

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

    # places
    def action_go(self, place: str) -> None:
        """Go to a place; those above the list of runs are left first."""
        if place == "runs":
            self._unwind()
            return
        if self._is_in_dialog() or getattr(self.screen, "PLACE", "") == place:
            return
        self._unwind()
        if self.is_late:
            self.hold_keys_for_screen()
        self.when_open(lambda: self.push_screen(_make_screen(place)))

    def show_runs_where(self, field: str, values: Sequence[str]) -> None:
        """List the runs whose field has one of the values."""
        self._unwind()
        if isinstance(self.screen, RunsScreen):
            self.screen.filter_input.put(with_picked("", field, values))

    def _is_in_dialog(self) -> bool:
        return not isinstance(self.screen, BaseScreen)

    def _unwind(self) -> None:
        while len(self.screen_stack) > 1 and isinstance(self.screen, BaseScreen):
            self.pop_screen()

    def leave_place(self) -> None:
        """Back to the place before; the first one stays."""
        if len(self.screen_stack) > 1:
            self.pop_screen()

    async def action_back(self) -> None:
        """Go back one level in the place on top."""
        leave = getattr(self.screen, "back", None)  # places and forms ask before something typed is lost
        if leave is not None:
            leave()
        elif len(self.screen_stack) > 1:
            self.screen.dismiss(None)

    def action_help(self) -> None:
        """Show the keys of the place on top."""
        from tui.screens.help import HelpScreen  # noqa: PLC0415 (loaded when first asked for)

        if isinstance(self.screen, HelpScreen):
            self.screen.dismiss(None)
        else:
            self.push_screen(HelpScreen(getattr(self.screen, "PLACE", "everywhere")))

    def action_guide(self) -> None:
        """Open the guide at the page about the place on top."""
        from tui.screens.guide import GuideScreen  # noqa: PLC0415 (loaded when first asked for)

        if not self._is_in_dialog() and not isinstance(self.screen, GuideScreen):
            self.push_screen(GuideScreen(getattr(self.screen, "PLACE", "")))

    def action_actions(self) -> None:
        """Find an action by its words and do it."""
        from tui.screens.actions import open_actions  # noqa: PLC0415 (loaded when first asked for)

        open_actions(self)

    def carry_out(self, action: Action, subject: Subject) -> None:
        """Begin an action on what is marked or under the cursor."""
        from tui.screens.actions import carry_out  # noqa: PLC0415 (loaded when first asked for)

        carry_out(self, action, subject)

    def action_flip_theme(self) -> None:
        """Change between dark and light."""
        names = [theme.name for theme in THEMES]
        self.theme = names[1] if self.theme == names[0] else names[0]

    def action_settings(self) -> None:
        """Choose the theme and the characters for plots and symbols."""
        from tui.screens.settings import choose_setting  # noqa: PLC0415 (loaded when first asked for)

        if not self._is_in_dialog():
            choose_setting(self)

    def draw_with(self, strips: str) -> None:
        """Draw strips and signs otherwise from now on; the list of runs is drawn again for it."""
        self.settings.strips = strips
        self.look = _look(self._encoding, strips)
        draw_scrollbars(is_ascii=self.look.is_ascii)
        self.run_list.signs = self.look.signs
        self.run_list.choose_columns(self.run_list.columns)
        self._unwind()
        if isinstance(self.screen, RunsScreen):
            self.call_later(self.screen.draw_anew)


def _look(encoding: str | None, wanted: str) -> Look:
    return look_for(encoding, wanted if wanted in {"braille", "blocks", "ascii"} else "auto")  # type: ignore[arg-type]


def _zone_of(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def _make_screen(name: str) -> BaseScreen:
    """A place by its name; each is loaded when it is first gone to, so that the list is up sooner."""
    if name == "devices":
        from tui.screens.devices import DevicesScreen  # noqa: PLC0415 (see above)

        return DevicesScreen()
    if name == "query":
        from tui.screens.query import QueryScreen  # noqa: PLC0415 (see above)

        return QueryScreen()
    if name == "bench":
        from tui.screens.bench import BenchScreen  # noqa: PLC0415 (see above)

        return BenchScreen()
    from tui.screens.imports import ImportScreen  # noqa: PLC0415 (see above)

    return ImportScreen()


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
