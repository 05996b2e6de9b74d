"""One way of saying things: no retired phrase, and no second term for one thing, anywhere that a person reads."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from store.methods.specs import specs
from store.words.glossary import GLOSSARY
from tests.words.sentences import ROOT, pages, sentences
from tui.cli.main import main

RETIRED = tuple(
    line for line in (ROOT / "tests/words/retired.txt").read_text("utf-8").splitlines() if not line.startswith("#")
)
SECOND_TERMS = tuple(other for term in GLOSSARY for other in term.instead_of)

ALLOWED = {
    ("store/choose/need_reader.py", "shut out"),  # an older value, still read
    *(("store/words/glossary.py", other) for other in SECOND_TERMS),
}
"""Where a phrase is data, not speech."""


def found(text: str, phrases: tuple[str, ...] = (*RETIRED, *SECOND_TERMS)) -> list[str]:
    """The phrases that a text holds, whatever its capitals and line ends; whole words only."""
    flat = re.sub(r"\s+", " ", text)
    return [p for p in phrases if re.search(rf"(?<![\w-]){re.escape(p)}(?!\w)", flat, re.IGNORECASE)]


@pytest.mark.parametrize("phrase", RETIRED)
def test_the_finder_finds(phrase: str) -> None:
    """Each phrase, broken over lines and with other capitals; and not within a longer word."""
    assert phrase in found("Here it is: " + phrase.replace(" ", "\n   ").upper() + ".")
    assert phrase not in found(f"x{phrase}")


def test_sentences_are_found_where_they_stand() -> None:
    """The list holds what is known to be said: an error, a key's line, a label, the help of an option."""
    texts = " / ".join(one.text for one in sentences())
    for known in ("Go back one level; never quits", "delivered energy", "Print errors only.", "does not exist. Check"):
        assert known in texts, known
    assert len(sentences()) > 2500


def test_no_sentence_of_the_code_uses_a_retired_phrase() -> None:
    wrong = [
        f"{one.file}:{one.line}: `{phrase}` in {one.text[:80]!r}"
        for one in sentences()
        for phrase in found(one.text)
        if (one.file, phrase) not in ALLOWED and "migrations" not in one.file
    ]
    assert wrong == []


@pytest.mark.parametrize("page", pages(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_page_uses_a_retired_phrase(page: Path) -> None:
    """Guide, README, DEVELOPERS, what comes with the project, and what the screens show."""
    assert found(page.read_text("utf-8")) == []


def test_no_retired_phrase_on_a_published_page(demo_library: Path, tmp_path: Path) -> None:
    """The HTML of a report as a reader sees it: without styles, scripts and tags."""
    out = str(tmp_path / "page")
    assert main(["--library", str(demo_library), "report", "PB-03", "--draft", "-o", out]) == 0
    html = next((tmp_path / "page").glob("*.html")).read_text("utf-8")
    text = unescape(re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<(style|script)\b.*?</\1>", " ", html)))
    assert "delivered energy" in text
    assert found(text) == []


def test_a_term_stands_once_and_is_no_other_terms_second() -> None:
    words = [term.word for term in GLOSSARY]
    assert len(set(words)) == len(words)
    assert not {word.lower() for word in words} & {other.lower() for other in SECOND_TERMS}


def test_results_are_labelled_by_the_terms() -> None:
    named = {term.word for term in GLOSSARY if term.is_label}
    assert len(named) >= 3
    assert named <= {spec.label for spec in specs().values()}
