"""Settings: the theme, and characters used for plots and symbols. Two pick lists, no page.

Knows Textual and the app's settings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tui.screens.pick import PickScreen
from tui.state.pick_list import PickEntry, PickList
from tui.theme import THEMES

if TYPE_CHECKING:
    from tui.app import JoulebookApp

__all__ = ["choose_setting"]

STRIPS = {
    "auto": "by the terminal's encoding",
    "braille": "finest",
    "blocks": "where the font draws dots badly",
    "ascii": "letters and signs of ASCII only, everywhere",
}
_WORDS = {"theme": "colours on dark or light", "strips": "characters used for plots and symbols"}


def choose_setting(app: JoulebookApp) -> None:
    """Choose a setting, then its value."""
    now = {"theme": app.theme.removeprefix("joulebook-"), "strips": app.settings.strips}
    choices = [PickEntry(name, f"{name}: {now[name]}", _WORDS[name]) for name in _WORDS]

    def take(values: tuple[str, ...] | None) -> None:
        if values == ("theme",):
            _choose_theme(app)
        elif values == ("strips",):
            _choose_strips(app)

    app.push_screen(PickScreen("settings", PickList(choices, is_many=False, signs=app.look.signs)), take)


def _choose_theme(app: JoulebookApp) -> None:
    choices = [PickEntry(theme.name, theme.name.removeprefix("joulebook-")) for theme in THEMES]
    model = PickList(choices, [app.theme], is_many=False, signs=app.look.signs)

    def take(values: tuple[str, ...] | None) -> None:
        if values:
            app.theme = values[0]

    app.push_screen(PickScreen("theme", model), take)


def _choose_strips(app: JoulebookApp) -> None:
    choices = [PickEntry(name, name, words) for name, words in STRIPS.items()]
    model = PickList(choices, [app.settings.strips], is_many=False, signs=app.look.signs)

    def take(values: tuple[str, ...] | None) -> None:
        if values:
            app.draw_with(values[0])

    app.push_screen(PickScreen("strips", model), take)
