"""What is chosen from lists over the list of runs: values to filter by, the order, the columns.

Knows Textual, the list's model and the library's counts; loaded when the first of them is opened.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tui.screens.pick import PickScreen
from tui.state.filter_words import picked_values, with_picked
from tui.state.pick_list import PickEntry, PickList
from tui.state.run_columns import COLUMNS, column_named

if TYPE_CHECKING:
    from store.model.records import FacetCount
    from tui.screens.runs import RunsScreen

__all__ = ["choose_columns", "choose_order", "pick_values"]

_WORDS = {"kind": "test"}
"""What a pick list is called where it isn't called as the field."""


def pick_values(place: RunsScreen, field: str) -> None:
    """Pick among the values that occur with the current filter."""
    app, runs = place.joulebook, place.list
    library, text = app.library, runs.filter_text

    def take(values: tuple[str, ...] | None) -> None:
        if values is not None:
            place.filter_input.put(with_picked(runs.filter_text, field, values))
            app.settings.remember_filter(place.filter_input.value)

    def done(found: list[FacetCount]) -> None:
        named = {value.casefold() for value in picked_values(text, field)}
        choices = [PickEntry(f.value, f.value, f"{f.count:,}") for f in found]
        picked = [choice.value for choice in choices if choice.value.casefold() in named]
        app.push_screen(PickScreen(_WORDS.get(field, field), PickList(choices, picked, signs=app.look.signs)), take)

    app.hold_keys_for_screen()
    place.ask_library("facets", lambda: list(library.runs.facets(field, text)), done, failed=place.list_refused)


def choose_order(place: RunsScreen) -> None:
    """Choose the column of the order; the one it has turns the order round."""
    app, runs = place.joulebook, place.list
    choices = [PickEntry(column.name, column.head, column.words) for column in COLUMNS]
    model = PickList(choices, [runs.sort.lstrip("-")], is_many=False, signs=app.look.signs)

    def take(values: tuple[str, ...] | None) -> None:
        if values:
            runs.order_by(values[0])
            place.read_list(stays=False)

    app.push_screen(PickScreen("order by", model), take)


def choose_columns(place: RunsScreen) -> None:
    """Choose columns and their order."""
    app, runs = place.joulebook, place.list
    chosen = [column for name in runs.columns if (column := column_named(name)) is not None]
    rest = [column for column in COLUMNS if column not in chosen]
    choices = [PickEntry(column.name, column.head, column.words) for column in (*chosen, *rest)]
    model = PickList(choices, list(runs.columns), is_ordered=True, signs=app.look.signs)

    def take(values: tuple[str, ...] | None) -> None:
        if values is not None:
            runs.choose_columns(values)
            place.read_list(stays=True)

    app.push_screen(PickScreen("columns", model), take)
