"""The guide is true: generated pages are current, examples run, commands and keys that it names exist."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from store import Library
from store.model.document import Sql
from store.runs.filters import parse_filter
from tests.docs.command_words import commands
from tests.docs.refresh_guide import GUIDE, made
from tui.cli.man_page import man_page
from tui.keys import KEYS
from tui.render.terminal import document_text
from tui.state.guide import _FOR_PLACE, guide_document, guide_pages, page_for

TEXTS = {page.name: page.text for page in guide_pages()}


def blocks(language: str) -> list[str]:
    return [
        b for text in TEXTS.values() for b in re.findall(rf"^```{language}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    ]


def test_generated_pages_are_current(demo_library: Path) -> None:
    """They come from the code: `python tests/docs/refresh_guide.py` writes them."""
    for file, text in made(Library.open(demo_library)).items():
        assert (GUIDE / file).read_text("utf-8") == text, file


def test_every_command_and_option_that_is_named_exists() -> None:
    known = {name: {o for p in command.params for o in p.opts} for name, command in commands()}
    named = [
        line.partition("  #")[0]
        for text in TEXTS.values()
        for line in re.findall(r"joulebook [^`\n]+", text)
        if not line.startswith("joulebook.")
    ]
    assert len(named) > 60
    for line in named:
        words = line.split()
        name = next((n for n in (" ".join(words[:3]), " ".join(words[:2])) if n in known), None)
        groups = {n.rpartition(" ")[0] for n in known}
        assert name or " ".join(words[:2]) in groups, line
        options = {word for word in words if word.startswith("--") and len(word) > 2}
        assert not name or options <= known[name] | {"--help"}, line


def test_sql_examples_answer_on_the_demo(demo_library: Path) -> None:
    library = Library.open(demo_library)
    assert blocks("sql")
    for sql in blocks("sql"):
        assert library.sql.run(sql).table.num_rows > 0


@pytest.mark.parametrize("example", re.findall(r"\| `([^`]+)` \|$", TEXTS["filters"], re.MULTILINE))
def test_filter_examples_are_read(example: str) -> None:
    parse_filter(example)


def test_keys_that_are_named_exist() -> None:
    shown = {part for key in KEYS for part in key.shown.split()} | {"Enter", "Esc", "Space"}
    named = set(re.findall(r"`(F\d|\^[a-z]|Enter|Esc|Space)`", "".join(TEXTS.values())))
    assert named
    assert named <= shown


def test_every_page_fits_a_narrow_terminal_and_has_a_place() -> None:
    for page in guide_pages():
        document = guide_document(page)
        assert len(document.blocks) > 1
        prose = replace(document, blocks=tuple(block for block in document.blocks if not isinstance(block, Sql)))
        assert max(map(len, document_text(prose, width=60))) <= 60, page.name
    assert {guide_pages()[page_for(place)].name for place in _FOR_PLACE} == set(_FOR_PLACE.values())


def test_the_man_page_names_every_command() -> None:
    text = man_page()
    for name, _ in commands():
        assert ".SS " + name.removeprefix("joulebook ").replace("-", "\\-") in text
    if shutil.which("groff"):
        told = subprocess.run(
            ["groff", "-man", "-ww", "-Tutf8", "-z"], input=text, text=True, capture_output=True, check=True
        )
        assert told.stderr == ""
