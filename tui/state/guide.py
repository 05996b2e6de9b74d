"""The guide: Markdown files that ship with the program, as pages like all others.

Knows files and Markdown; no Textual, no library.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from markdown_it import MarkdownIt
from markdown_it.token import Token

from store.model.document import Block, Cell, Document, Heading, Manner, Paragraph, Sql, Table, TableColumn

__all__ = ["GuidePage", "guide_document", "guide_pages", "page_for"]

FIRST = "tour"

_FOR_PLACE = {
    "runs": "filters",
    "run": "results",
    "compare": "results",
    "why": "results",
    "query": "views",
    "import": "first-meter",
    "devices": "season",
    "device": "season",
    "sheet": "season",
    "side": "season",
    "choose": "season",
}
"""The page that is about a place of the interface."""


@dataclass(frozen=True, slots=True)
class GuidePage:
    """One page."""

    name: str
    """As typed: `joulebook guide filters`."""
    title: str
    text: str
    """Markdown, the title as its first line."""


@cache
def guide_pages() -> tuple[GuidePage, ...]:
    """Every page, in the order of reading."""
    folder = resources.files("tui").joinpath("guide")
    found = []
    for file in sorted((f for f in folder.iterdir() if f.name.endswith(".md")), key=lambda f: f.name):
        text = file.read_text(encoding="utf-8")
        name = file.name.removesuffix(".md").partition("_")[2]
        found.append(GuidePage(name, text.partition("\n")[0].removeprefix("# ").strip(), text))
    return tuple(found)


def page_for(place: str) -> int:
    """Index of the page about a place of the interface; the first page where none is."""
    names = [page.name for page in guide_pages()]
    return names.index(_FOR_PLACE.get(place, FIRST))


def guide_document(page: GuidePage) -> Document:
    """A page as every page of the program is."""
    tokens = MarkdownIt("commonmark").enable("table").parse(page.text)
    blocks: list[Block] = []
    for block in list(_blocks(tokens))[1:]:  # its first heading is the title
        is_list = isinstance(block, Paragraph) and block.manner is Manner.ITEM
        if blocks and not isinstance(blocks[-1], Heading) and not isinstance(block, Heading) and not is_list:
            blocks.append(Paragraph(""))
        blocks.append(block)
    return Document(page.title, tuple(blocks))


def _blocks(tokens: Sequence[Token]) -> Iterator[Block]:
    numbers: list[int] = []  # of the ordered lists that one is in; 0 for a plain list
    rows: list[list[str]] = []
    is_item, is_table = False, False
    level = 0
    for token in tokens:
        match token.type:
            case "heading_open":
                level = int(token.tag[1:])
            case "ordered_list_open" | "bullet_list_open":
                numbers.append(0 if token.type.startswith("bullet") else 1)
            case "ordered_list_close" | "bullet_list_close":
                numbers.pop()
            case "list_item_open":
                is_item = True
            case "list_item_close":
                if numbers[-1]:
                    numbers[-1] += 1
            case "table_open":
                rows, is_table = [], True
            case "tr_open":
                rows.append([])
            case "table_close":
                is_table = False
                yield _table(rows)
            case "fence" | "code_block":
                yield Sql("", token.content.rstrip())
            case "inline" if is_table:
                text = _text(token)
                is_code = [part.type for part in token.children or ()] == ["code_inline"]
                rows[-1].append(text.strip("`") if is_code else text)
            case "inline" if level:
                yield Heading(_text(token), level)
                level = 0
            case "inline":
                text = _text(token)
                if is_item and numbers[-1]:
                    text = f"{numbers[-1]}. {text}"
                yield Paragraph(text, Manner.ITEM if is_item else Manner.PLAIN)
                is_item = False
            case _:
                pass


def _text(token: Token) -> str:
    """Words as they are read: code in its marks, emphasis without."""
    found = []
    for part in token.children or ():
        if part.type == "code_inline":
            found.append(f"`{part.content}`")
        elif part.type in {"softbreak", "hardbreak"}:
            found.append(" ")
        else:
            found.append(part.content)
    return "".join(found)


def _table(rows: Sequence[Sequence[str]]) -> Table:
    columns = tuple(TableColumn(head, wraps=True) for head in rows[0])
    return Table(columns, tuple(tuple(Cell(text) for text in row) for row in rows[1:]))
