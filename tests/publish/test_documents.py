"""Every renderer over every document: a page that is added gets HTML, Markdown and JSON by itself."""

import inspect
import json
import pkgutil
from importlib import import_module

import html5lib
import pytest

import store.documents
from store import Library
from store.choose.rating import answer_text
from store.documents.choice import choice_document
from store.documents.comparison import comparison_document
from store.documents.device import device_document
from store.documents.run import run_document
from store.documents.saved import block_of, plain_of
from store.documents.why import why_document
from store.model.document import (
    Bar,
    Bars,
    Cell,
    Document,
    FactList,
    Heading,
    Manner,
    Matrix,
    MatrixRow,
    Panel,
    Paragraph,
    Plot,
    Series,
    Sql,
    Table,
    TableColumn,
    cells_of,
    plots_of,
)
from tests.publish.pages import Page
from tui.render.pages import write_document
from tui.render.pages.figures import draw_svg
from tui.render.pages.html import document_as_html
from tui.render.pages.markdown import document_as_markdown
from tui.render.pages.writing import document_as_json
from tui.render.terminal import document_text

NEED = 'title = "a day out"\nusable_wh = 40\nhold_w = 30\nmass_g = 450\nclaims = "note"\n'


def makers():
    """Every function of `store.documents` that returns a document."""
    modules = [import_module(f"store.documents.{m.name}") for m in pkgutil.iter_modules(store.documents.__path__)]
    functions = [pair for module in modules for pair in inspect.getmembers(module, inspect.isfunction)]
    return {name: made for name, made in functions if made.__annotations__.get("return") == "Document"}


@pytest.fixture(scope="module")
def library(demo_library):
    return Library.open(demo_library)


@pytest.fixture(scope="module")
def documents(library):
    """One of each, by its maker's name."""
    return {
        "device_document": device_document(library.devices.page("PB-03")),
        "comparison_document": comparison_document(library.devices.compare(["PB-02", "PB-03", "PB-07"])),
        "run_document": run_document(library.runs.get(32)),
        "why_document": why_document(
            library.results.why(47, "energy_out_wh"), 47, library.results.redo_sql(47, "energy_out_wh")
        ),
        "choice_document": choice_document(answer_text(library, NEED)),
    }


def hostile():
    """Every kind of block with text that would be markup."""
    text = "<script>alert(1)</script><img src=x onerror=y> & \"'` | *b* [a](http://x) \x1b[31m \u202e"
    cell = Cell(text, note=text)
    series = (Series(text, (0.0, 1.0), (0.0, 1.0)),)
    return Document(
        text,
        (
            Paragraph(text, Manner.LEAD),
            *(Paragraph(text, manner, head=text) for manner in Manner),
            Heading(text, id="a"),
            FactList(((text, cell),), text),
            Table((TableColumn(text), TableColumn(text, is_number=True)), ((cell, cell),), text, text),
            Matrix(((text, text),), (MatrixRow(text, (cell,)),), text),
            Bars((Bar(text, cell, 1.0, 2.0, cell, text),), text, note=text),
            Bars((Bar(text, cell, promised=text),), text, has_one_scale=True, note=text),
            Plot("p", text, text, (Panel(text, series, x_label=text, title=text),), note=text),
            Sql(text, f"SELECT '{text}'", note=text),
        ),
    )


def test_every_maker_is_tried_here(documents):
    """A new function that makes a document fails this until it is among those above."""
    assert set(documents) == set(makers())


def pages(documents):
    return {**documents, "hostile": hostile()}


def html_of(document):
    return document_as_html(document, {plot.id: draw_svg(plot) for plot in plots_of(document)})


def test_html_is_valid_and_loads_nothing(documents):
    """By html5lib's strict parser, which knows the standard's parse errors; tags close; no script, no request."""
    for name, document in pages(documents).items():
        text = html_of(document)
        html5lib.HTMLParser(strict=True).parse(text)
        page = Page(text)
        assert page.wrong == [], name
        assert page.loads() == [], name
        assert not page.all("script"), name
        ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
        assert len(ids) == len(set(ids)), name
        assert len(page.all("h1")) == 1
        assert any("default-src 'none'" in attrs.get("content", "") for attrs in page.all("meta"))


def test_every_number_stands_in_every_form(documents):
    """A figure reads alike on the terminal, in HTML and in Markdown; in JSON it is a number with its unit."""
    for name, document in documents.items():
        html = Page(html_of(document)).text.replace("\u00a0", " ")
        markdown = document_as_markdown(document).replace("\u00a0", " ").replace("\\", "")
        terminal = "\n".join(document_text(document))
        looked_at = 0
        for cell in cells_of(document):
            if cell.quantity is not None:
                shown = cell.quantity.text(with_unit=False)
                assert shown in html, (name, shown)
                assert shown in markdown, (name, shown)
                assert shown in terminal, (name, shown)
                looked_at += 1
        assert looked_at > 0, name


def test_json_holds_all_of_it(documents):
    """Read back, the blocks are those of the document."""
    for document in pages(documents).values():
        data = json.loads(document_as_json(document))
        assert data["title"] == document.title
        assert block_of(data["blocks"]) == document.blocks == block_of(plain_of(document.blocks))


def test_markup_in_names_stays_text():
    """No element of a hostile text comes to be, in HTML or, by its escapes, in Markdown."""
    page = Page(html_of(hostile()))
    assert not page.all("script")
    assert not page.all("img")
    assert "<script>alert(1)</script>" in page.text
    markdown = document_as_markdown(hostile())
    outside = "\n".join(line for line in markdown.splitlines() if not line.startswith("SELECT"))
    assert "<script" not in outside
    assert "](http" not in outside
    assert "\x1b" not in markdown


@pytest.mark.parametrize(("form", "name"), [("html", "choice.html"), ("md", "choice.md"), ("json", "choice.json")])
def test_a_document_is_written_whole(documents, tmp_path, form, name):
    """The page in a folder of its own; twice the same bytes."""
    first = write_document(documents["choice_document"], tmp_path / "a", "choice", form)
    second = write_document(documents["choice_document"], tmp_path / "b", "choice", form)
    assert first[-1].name == name or tmp_path / "a" / name in first
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]
