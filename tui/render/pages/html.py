"""A report as one HTML file: styles and figures inside it, no script, nothing loaded from elsewhere.

Made by a template with autoescape, so that text from files can bring no markup. Knows jinja2.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib import resources

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from store.model.document import (
    Bars,
    Block,
    Document,
    FactList,
    Heading,
    Manner,
    Matrix,
    Paragraph,
    Plot,
    Role,
    Sql,
    Table,
)
from store.publish.content import Section
from store.publish.reports import Issue
from store.version import __version__
from tui.render.pages.barpicture import bar_svg, top_of
from tui.render.pages.inline import inlined
from tui.render.pages.numbers import cell_text, heads_of, safe, safe_lines, units_of

__all__ = ["CSP", "SIGNS", "as_html", "document_as_html", "sections_of"]

CSP = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"

SIGNS: Mapping[Role, str] = {
    Role.MET: "+",
    Role.NOT_MET: "\u2212",
    Role.TOO_CLOSE: "~",
    Role.NOT_TESTED: "·",
    Role.NOT_CHECKABLE: "·",
    Role.NOT_AT_PORT: "·",
    Role.AS_MARKED: "·",
    Role.OVERDUE: "!",
    Role.BEST: "▲",
    Role.WORST: "▼",
    Role.DONE: "■",
    Role.REPEAT: "+",
    Role.SUSPECT: "~",
    Role.TO_DO: "□",
    Role.NOT_OFFERED: "·",
}
"""A sign after the word: colour comes third."""


def _moment(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M UTC")


def _role_class(role: Role) -> str:
    return role.value.replace(" ", "-") if role in SIGNS else ""


def _kind(block: Block) -> str:
    """Which macro sets a block."""
    match block:
        case Paragraph(manner=Manner.ITEM):
            return "item"
        case Paragraph():
            return "paragraph"
        case Bars():
            return "bars"
        case FactList():
            return "facts"
        case Table():
            return "table"
        case Matrix():
            return "matrix"
        case Plot():
            return "plot"
        case Sql():
            return "query"
        case Heading():
            return "heading"


def _groups(blocks: Sequence[Block]) -> list[tuple[str, list[Block]]]:
    """Blocks by kind; list items that follow one another stand in one list."""
    found: list[tuple[str, list[Block]]] = []
    for block in blocks:
        kind = _kind(block)
        if kind == "item" and found and found[-1][0] == "item":
            found[-1][1].append(block)
        else:
            found.append((kind, [block]))
    return found


def _bar(block: Bars, index: int) -> Markup:
    bar = block.bars[index]
    return Markup(bar_svg(bar, top_of(block, bar)) if block.is_comparable else "")  # noqa: S704 (numbers alone)


def _part(name: str) -> str:
    return resources.files("tui.render.pages").joinpath("templates", name).read_text(encoding="utf-8")


def as_html(issue: Issue, drawings: Mapping[str, str]) -> str:
    """The page.

    Args:
        issue: The report as issued.
        drawings: SVG of each plot, by its id.
    """
    figures = {key: Markup(inlined(svg, key)) for key, svg in drawings.items()}  # noqa: S704 (escaped by its writer)
    return _rendered("page.html", issue=issue, report=issue.content, figures=figures)


def document_as_html(document: Document, drawings: Mapping[str, str], *, above: str = "") -> str:
    """Any document as one HTML file.

    Args:
        document: The page.
        drawings: SVG of each plot, by its id.
        above: A line above the title.
    """
    figures = {key: Markup(inlined(svg, key)) for key, svg in drawings.items()}  # noqa: S704 (escaped by its writer)
    return _rendered(
        "document.html",
        document=document,
        sections=sections_of(document),
        figures=figures,
        above=above,
        program=__version__,
    )


def sections_of(document: Document) -> tuple[Section, ...]:
    """The document's blocks under its headings; what stands before the first has no title."""
    found: list[tuple[Heading | None, list[Block]]] = [(None, [])]
    for block in document.blocks:
        if isinstance(block, Heading):
            found.append((block, []))
        else:
            found[-1][1].append(block)
    return tuple(
        Section(head.id if head else "", head.text[:1].upper() + head.text[1:] if head else "", tuple(blocks))
        for head, blocks in found
        if head or blocks
    )


def _rendered(name: str, **values: object) -> str:
    environment = Environment(
        loader=DictLoader({part: _part(part) for part in ("page.html", "document.html", "blocks.html")}),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update({"safe_text": safe, "safe_lines": safe_lines, "moment": _moment})
    environment.globals.update(
        {
            "cell_text": cell_text,
            "role_class": _role_class,
            "groups": _groups,
            "units_of": units_of,
            "heads_of": heads_of,
            "bar_of": _bar,
            "signs": SIGNS,
            "csp": CSP,
            "style": Markup(_part("style.css")),  # noqa: S704 (our own file)
        }
    )
    text = environment.get_template(name).render(**values)
    return text if text.endswith("\n") else text + "\n"
