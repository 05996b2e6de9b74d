"""Colours: one accent for where one is and what is chosen, one for what wants attention, grey for the rest.

Sky against orange stay apart for every common colour vision; never green against red. Hues after Okabe and Ito (2008,
"Color Universal Design"), darkened for the light theme until text has a contrast of 4.5 (WCAG 2.2, 1.4.3).
"""

from __future__ import annotations

from textual.theme import Theme

__all__ = ["DARK", "LIGHT", "LINE_COLOURS", "THEMES"]

DARK = Theme(
    name="joulebook-dark",
    primary="#56B4E9",
    secondary="#9AA0A6",
    accent="#56B4E9",
    warning="#E69F00",
    error="#E69F00",
    success="#56B4E9",
    foreground="#DADADA",
    background="#121212",
    surface="#121212",
    panel="#1E2226",
    dark=True,
    variables={
        "sky": "#56B4E9",
        "attention": "#E69F00",
        "quiet": "#9AA0A6",
        "rule": "#4A4F55",
        "chosen": "#1B3445",
        "block-cursor-background": "#56B4E9",
        "block-cursor-foreground": "#121212",
        "input-cursor-background": "#56B4E9",
        "input-selection-background": "#56B4E9 35%",
    },
)

LIGHT = Theme(
    name="joulebook-light",
    primary="#005F99",
    secondary="#5A6068",
    accent="#005F99",
    warning="#8F5600",
    error="#8F5600",
    success="#005F99",
    foreground="#1A1A1A",
    background="#FFFFFF",
    surface="#FFFFFF",
    panel="#EEF2F5",
    dark=False,
    variables={
        "sky": "#005F99",
        "attention": "#8F5600",
        "quiet": "#5A6068",
        "rule": "#B8BEC4",
        "chosen": "#D6EAF7",
        "block-cursor-background": "#005F99",
        "block-cursor-foreground": "#FFFFFF",
        "input-cursor-background": "#005F99",
        "input-selection-background": "#005F99 30%",
    },
)

THEMES = (DARK, LIGHT)

LINE_COLOURS: dict[str, tuple[str, ...]] = {
    "joulebook-dark": ("#56B4E9", "#E69F00", "#DADADA", "#CC79A7", "#F0E442", "#9AA0A6"),
    "joulebook-light": ("#005F99", "#8F5600", "#1A1A1A", "#A0417A", "#6E6600", "#5A6068"),
}
"""Lines of a plot in order; each also differs by its label and, compared, by its pattern."""
