"""Escape and the key after it are two keys, in whatever pieces their bytes come; all other sequences are one."""

from __future__ import annotations

import os
import random

import pytest
from textual import events
from textual._xterm_parser import XTermParser

from tui.widgets.lone_escape import LoneEscapeParser

SEQUENCES = ["\x1b[A", "\x1b[B", "\x1bOP", "\x1b[15~", "\x1b[1;2D", "\x1b[<0;5;6M", "\x1b[<0;5;6m", "\x1b[I"]
"""Arrows, function keys and the mouse as xterm's control sequences list them."""
LETTERS = [*"abfjkpq/:.-+ 1é漢", "\r", "\t", "\x7f", "\x15"]


def parsed(parser: XTermParser, pieces: list[str]) -> list[str]:
    found = [message for piece in pieces for message in parser.feed(piece)]
    parser._timeout_time = 0.0 if parser._timeout_time is not None else None
    found += list(parser.tick())
    return [of.key if isinstance(of, events.Key) else type(of).__name__ for of in found]


@pytest.mark.parametrize("letter", LETTERS)
@pytest.mark.parametrize("is_one_piece", [True, False])
def test_escape_and_a_letter_are_two_keys(letter, is_one_piece):
    alone = parsed(XTermParser(), [letter])
    pieces = ["\x1b" + letter] if is_one_piece else ["\x1b", letter]
    assert parsed(LoneEscapeParser(), pieces) == ["escape", *alone]


def test_a_whole_filter_after_escape_comes_whole():
    keys = parsed(LoneEscapeParser(), ["\x1b/device:PB-03 port:C1 kind:discharge load:30\r"])
    assert keys[:2] == ["escape", "slash"]
    assert len(keys) == len("?/device:PB-03 port:C1 kind:discharge load:30\r")


def test_any_mixture_is_read_as_its_parts_are():
    """The framework's own parser, each part fed alone, is the reference; cuts fall anywhere but within a sequence."""
    seed = int(os.environ.get("JOULEBOOK_SEED") or random.SystemRandom().randrange(10**9))
    print(f"JOULEBOOK_SEED={seed}")
    rng = random.Random(seed)
    for _ in range(300):
        parts = [rng.choice([*SEQUENCES, *LETTERS, *LETTERS, "\x1b"]) for _ in range(rng.randint(1, 8))]
        for at, part in enumerate(parts[:-1]):  # Escape before a sequence that Escape begins is told by the next byte
            if part == "\x1b" and parts[at + 1] in "[OP]_^X\\":
                parts[at] = "x"
        wanted = [key for part in parts for key in parsed(XTermParser(), [part])]
        pieces: list[str] = []
        for part in parts:
            if pieces and rng.random() < 0.5:
                pieces[-1] += part
            else:
                pieces.append(part)
        assert parsed(LoneEscapeParser(), pieces) == wanted, (seed, parts, pieces)


def test_pasted_text_is_one_paste():
    parser = LoneEscapeParser()
    found = list(parser.feed("\x1b[200~two words\x1b[201~")) + list(parser.feed("x"))
    assert [of.text for of in found if isinstance(of, events.Paste)] == ["two words"]
