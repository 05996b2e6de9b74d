"""The program's own options may stand anywhere; excluding filter words survive the parser."""

from __future__ import annotations

import pytest

from tui.cli.listing import join_words
from tui.cli.words import EXCLUDE, arrange, as_typed


@pytest.mark.parametrize(
    ("typed", "arranged"),
    [
        (["runs", "--library", "D"], ["--library", "D", "runs"]),
        (["runs", "--library=D", "port:C1"], ["--library=D", "runs", "port:C1"]),
        (["show", "1", "--debug", "-q"], ["--debug", "-q", "show", "1"]),
        (["sql", "--", "--library"], ["sql", "--", "--library"]),
        (["runs", "--library"], ["runs", "--library"]),
        ([], []),
    ],
)
def test_own_options_come_first(typed: list[str], arranged: list[str]) -> None:
    """Wherever --library, --quiet, --plain, --debug stand, the parser finds them before the command."""
    assert arrange(typed) == arranged


@pytest.mark.parametrize("word", ["-kind:heat", "-h2o", "-quality:rejected", "-wh>50", "-C1"])
def test_an_excluding_word_is_no_option(word: str) -> None:
    """`runs -kind:heat` excludes; it must not be read as the options k, i, n ... or as -h."""
    arranged = arrange(["runs", word])
    assert arranged[1].startswith(EXCLUDE)
    assert as_typed(arranged[1:]) == [word]


@pytest.mark.parametrize("word", ["--json", "-h", "--limit", "-5"])
def test_options_and_numbers_stay_as_they_are(word: str) -> None:
    """Only words of a dash and two characters or more are shielded, never options or negative numbers."""
    assert arrange(["runs", word]) == ["runs", word]


def test_other_commands_keep_their_words() -> None:
    """A note that begins with a dash is the note's business."""
    assert arrange(["edit", "1", "--note", "-cold"]) == ["edit", "1", "--note", "-cold"]


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["port:C1", "kind:heat"], "port:C1 kind:heat"),
        (["mode:fixed 20 V"], 'mode:"fixed 20 V"'),
        (["cable came loose"], '"cable came loose"'),
        (['mode:"fixed 20 V"'], 'mode:"fixed 20 V"'),
        (["port:C1 kind:heat"], "port:C1 kind:heat"),
        ([], ""),
    ],
)
def test_words_that_the_shell_unquoted_are_quoted_again(words: list[str], line: str) -> None:
    """`runs "mode:fixed 20 V"` means one word; `runs "port:C1 kind:heat"` is a line of two."""
    assert join_words(words) == line
