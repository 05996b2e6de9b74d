"""An SVG made fit to stand in a page: no ids or styles that touch anything else, colours that follow the page.

Knows SVG text as tui.render.pages.figures writes it.
"""

from __future__ import annotations

import re

from tui.render.pages.axes import LIGHT

__all__ = ["inlined"]

_COLOURS = {colour: f"var(--line{number})" for number, colour in enumerate(LIGHT.lines, start=1)} | {
    LIGHT.ink: "var(--ink)",
    LIGHT.grid: "var(--grid)",
    LIGHT.band: "var(--band)",
    LIGHT.paper: "var(--paper)",
}
_REFERENCE = re.compile(r'url\(#([^)]+)\)|href="#([^"]+)"')


def inlined(svg: str, name: str) -> str:
    """The `<svg>` element alone.

    Args:
        svg: A whole file.
        name: Prefix of its ids: the figure's own.
    """
    text = svg[svg.index("<svg") :]
    text = re.sub(r"<style\b.*?</style>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    used = {first or second for first, second in _REFERENCE.findall(text)}
    prefix = re.sub(r"[^A-Za-z0-9-]", "-", name)

    def own(match: re.Match[str]) -> str:
        return f' id="{prefix}-{match[1]}"' if match[1] in used else ""

    text = re.sub(r'\sid="([^"]+)"', own, text)
    text = text.replace("url(#", f"url(#{prefix}-").replace('href="#', f'href="#{prefix}-')
    text = re.sub(r'(<svg\b[^>]*?)\swidth="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg\b[^>]*?)\sheight="[^"]*"', r"\1", text, count=1)
    for colour, variable in _COLOURS.items():
        text = text.replace(colour, variable)
    return text.strip()
