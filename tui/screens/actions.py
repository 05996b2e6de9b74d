"""The list of actions, and how one is carried out: what it asks, what it would do, what came of it.

Knows Textual, the actions and the table of keys.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen

from tui.keys import KEYS, dialog_bindings
from tui.screens.base import BaseScreen
from tui.state.action_list import ActionEntry, ActionList
from tui.state.actions.model import Action, ActionWork, Done, Report, Subject
from tui.state.actions.table import ACTIONS, action_named
from tui.state.lines import line
from tui.theme import THEMES
from tui.widgets.lines_view import KeyLine, LinesView
from tui.widgets.paged_list import PagedList

if TYPE_CHECKING:
    from tui.app import JoulebookApp

__all__ = ["ActionsScreen", "action_entries", "carry_out"]

_NO_ACTION = frozenset({"actions", "down", "up", "page_down", "page_up", "first", "last", "back"})
"""Keys that one would not look for by words."""


def action_entries(place: str) -> list[ActionEntry]:
    """What can be done at a place: its keys, the actions on the library, the keys of everywhere, the themes."""

    def keys(of: str) -> list[ActionEntry]:
        return [
            ActionEntry(f"key:{key.id}", key.label, key.tooltip, key.shown)
            for key in KEYS
            if key.place == of and key.in_palette and key.action.partition("(")[0] not in _NO_ACTION
        ]

    listed = [ActionEntry(f"do:{of.id}", of.label, of.tooltip, "", of.words) for of in ACTIONS if of.is_listed]
    themes = [
        ActionEntry(f"theme:{theme.name}", f"theme {theme.name.removeprefix('joulebook-')}", "Change the colours")
        for theme in THEMES
    ]
    return [*(keys(place) if place != "everywhere" else []), *listed, *keys("everywhere"), *themes]


class ActionsScreen(ModalScreen[str | None]):
    """Choose an action by its words; gives its value, or None where it was left."""

    PLACE: ClassVar[str] = "actions"
    CSS_PATH = "actions.tcss"
    BINDINGS = dialog_bindings("actions")

    def __init__(self, model: ActionList) -> None:
        super().__init__()
        self.model = model

    def compose(self) -> ComposeResult:
        """What was typed, the actions, the keys."""
        with Vertical(id="actions"):
            yield LinesView(id="actions-title")
            yield PagedList(self.model.row_line, None, sign=self.model.signs.cursor, id="actions-list")
            yield LinesView(id="actions-detail")
            yield KeyLine("actions")

    def on_mount(self) -> None:
        """Show them all."""
        self._paint()
        self._list.focus()

    @property
    def _list(self) -> PagedList:
        return self.query_one("#actions-list", PagedList)

    def _paint(self) -> None:
        typed, found = self.model.needle, len(self.model.visible)
        if typed:
            hint = (typed, "accent") if found else (f"{typed}  nothing is called so", "warn")
        else:
            hint = ("type what you want to do: delete, meter, export, theme", "dim")
        self.query_one("#actions-title", LinesView).show([line(("actions  ", "place"), hint)])
        self._list.count = found
        self._list.move_to(self.model.cursor)
        self._list.repaint()
        self._paint_detail()

    def _paint_detail(self) -> None:
        """The whole sentence on the line under the cursor, which may be cut there."""
        here = self.model.here
        self.query_one("#actions-detail", LinesView).show([line((here.detail if here else "", "dim"))])

    def on_paged_list_cursor_moved(self, message: PagedList.CursorMoved) -> None:
        """Keep the model where the cursor is."""
        message.stop()
        self.model.move_to(message.index)
        self._paint_detail()

    def on_paged_list_row_chosen(self, message: PagedList.RowChosen) -> None:
        """A second click takes the line."""
        message.stop()
        self.action_take()

    def on_key(self, event: events.Key) -> None:
        """Typing narrows the list; a space parts words."""
        if event.is_printable and event.character:
            self.model.type(event.character)
            event.stop()
            event.prevent_default()
            self._paint()

    def action_rub_out(self) -> None:
        """Delete the last typed letter."""
        self.model.rub_out()
        self._paint()

    def action_take(self) -> None:
        """Give the action under the cursor; where there is none, go on typing."""
        here = self.model.here
        if here is not None:
            self.dismiss(here.value)

    def action_down(self) -> None:
        """Next line."""
        self._list.move(1)

    def action_up(self) -> None:
        """Previous line."""
        self._list.move(-1)


def open_actions(app: JoulebookApp) -> None:
    """Show the list over the place on top and do what is chosen there."""
    place = app.screen
    if not isinstance(place, BaseScreen):
        return
    subject = place.subject()
    model = ActionList([], is_many=False, signs=app.look.signs, entries=action_entries(place.PLACE))

    def take(value: str | None) -> None:
        if value is None:
            return
        sort, _, name = value.partition(":")
        if sort == "do":
            carry_out(app, action_named(name), subject)
        elif sort == "theme":
            app.theme = name
        else:
            key = next(key for key in KEYS if key.id == name)
            target = app if key.place == "everywhere" else place
            app.call_later(app.run_action, key.action, target)

    app.push_screen(ActionsScreen(model), take)


# carrying out
def carry_out(app: JoulebookApp, action: Action, subject: Subject) -> None:
    """Begin an action: its list, its form, its preview, or at once."""
    app.when_open(lambda: _begin(app, action, subject))


def _begin(app: JoulebookApp, action: Action, subject: Subject) -> None:
    from tui.screens.action_form import ActionFormScreen  # noqa: PLC0415 (loaded when first asked for)

    place, library, form = app.screen, app.library, action.form
    if not isinstance(place, BaseScreen):
        return
    if action.listing is not None:
        from tui.screens.listing import ListingScreen  # noqa: PLC0415 (loaded when first asked for)

        app.push_screen(ListingScreen(action))
    elif form is None:
        if action.runs and not subject.runs and not subject.key:
            place.tell("no run is marked or under the cursor; go to the runs (F2) first")
            return
        _work(app, action, subject, {}, report=place_report(place), refuse=place.tell_failure, leave=lambda: None)
    else:
        app.hold_keys_for_screen()

        def ask(texts: dict[str, str], report: Report, refuse: Callable[[Exception], None]) -> None:
            _work(
                app,
                action,
                subject,
                texts,
                report=report,
                refuse=refuse,
                leave=lambda: _leave(app, ActionFormScreen),
            )

        place.ask_library(
            "form", lambda: form(library, subject), lambda found: app.push_screen(ActionFormScreen(found, ask))
        )


def _leave(app: JoulebookApp, sort: type[ModalScreen[None]]) -> None:
    if isinstance(app.screen, sort):
        app.screen.dismiss(None)


def place_report(place: BaseScreen) -> Report:
    """Progress in a place's status line; called from the thread that works."""

    def paint(done: int, total: int) -> None:
        if place.is_attached:
            place.tell(f"{min(done / total, 1):.0%}", is_problem=False)

    def report(done: int, total: int) -> None:
        if total:
            place.app.call_later(paint, done, total)

    return report


def _work(
    app: JoulebookApp,
    action: Action,
    subject: Subject,
    texts: dict[str, str],
    *,
    report: Report,
    refuse: Callable[[Exception], None],
    leave: Callable[[], None],
) -> None:
    """Show what would be done, where the action can; else do it."""
    work = ActionWork(app.library, subject, texts, report)
    preview, do = action.preview, action.do
    if do is None:
        return

    def previewed(found: Done) -> None:
        from tui.screens.action_page import ActionPageScreen  # noqa: PLC0415 (loaded when first asked for)

        leave()
        if found.document is not None:
            app.call_later(app.push_screen, ActionPageScreen(found.document, found.words, goes_on=go_on))

    def go_on() -> None:
        place = app.screen
        if isinstance(place, BaseScreen):
            work_here = ActionWork(app.library, subject, texts, place_report(place))
            app.jobs.ask(
                "change", lambda: do(work_here), done=lambda found: _tell(app, found, lambda: None),
                failed=place.tell_failure, must_run=True,
            )  # fmt: skip

    if preview is not None:
        app.jobs.ask("preview", lambda: preview(work), done=previewed, failed=refuse)
    else:
        app.jobs.ask(
            "change", lambda: do(work), done=lambda found: _tell(app, found, leave), failed=refuse, must_run=True
        )  # fmt: skip


def _tell(app: JoulebookApp, found: Done, leave: Callable[[], None]) -> None:
    """What came of it: in the status line, or as a page; every place is shown anew."""
    leave()
    if found.undo is not None:
        app.undo_steps.append(found.undo)
    app.facts_changed()
    app.call_later(_show, app, found)


def _show(app: JoulebookApp, found: Done) -> None:
    told = f"{found.words}; u takes it back" if found.undo is not None else found.words
    if found.document is not None:
        from tui.screens.action_page import ActionPageScreen  # noqa: PLC0415 (loaded when first asked for)

        app.push_screen(ActionPageScreen(found.document, told))
    elif isinstance(app.screen, BaseScreen):
        app.screen.tell(told, is_problem=found.is_problem)
