"""A report as one HTML file: styles and figures inside it, no script, nothing loaded from elsewhere.

Made by a template with autoescape, so that text from files can bring no markup. Knows jinja2.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from importlib import resources

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from store.publish.content import Cell, Column
from store.publish.reports import Issue
from tui.render.pages.inline import inlined
from tui.render.pages.numbers import cell_text, head_text, safe

__all__ = ["CSP", "SIGNS", "as_html"]

CSP = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"

SIGNS: Mapping[str, str] = {
    "met": "+",
    "not met": "\u2212",
    "too close to call": "~",
    "not tested": "·",
    "not checkable": "·",
    "overdue": "!",
    "best": "▲",
    "worst": "▼",
}
"""A sign after the word: colour comes third."""


def _moment(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M UTC")


def _mark_class(cell: Cell) -> str:
    return cell.mark.replace(" ", "-") if cell.mark in SIGNS else ""


def _cell(cell: Cell, column: Column) -> str:
    return cell_text(cell, column)


def _part(name: str) -> str:
    return resources.files("tui.render.pages").joinpath("templates", name).read_text(encoding="utf-8")


def as_html(issue: Issue, drawings: Mapping[str, str]) -> str:
    """The page.

    Args:
        issue: The report as issued.
        drawings: SVG of each plot, by its id.
    """
    environment = Environment(
        loader=DictLoader({name: _part(name) for name in ("page.html", "blocks.html")}),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update({"safe_text": safe, "moment": _moment, "head": head_text})
    environment.globals.update(
        {"cell_text": _cell, "mark_class": _mark_class, "signs": SIGNS, "csp": CSP, "style": Markup(_part("style.css"))}  # noqa: S704 (our own file)
    )
    figures = {key: Markup(inlined(svg, key)) for key, svg in drawings.items()}  # noqa: S704 (escaped by its writer)
    text = environment.get_template("page.html").render(issue=issue, report=issue.content, figures=figures)
    return text if text.endswith("\n") else text + "\n"
