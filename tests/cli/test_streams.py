"""Streams of any encoding take every sign, as words where the sign is missing."""

from __future__ import annotations

import io
import sys

import pytest

from tui.cli.streams import can_show_unicode, prepare_streams, signs_for, wants_colour


def stream_of(encoding: str) -> io.TextIOWrapper:
    """A stream like standard output, in an encoding."""
    return io.TextIOWrapper(io.BytesIO(), encoding=encoding, write_through=True)


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1", "cp437", "utf-8", "utf-16"])
def test_no_encoding_fails_on_a_sign(encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ohm, plus-minus, degree and braille are written whatever the encoding lacks."""
    stream = stream_of(encoding)
    monkeypatch.setattr(sys, "stdout", stream)
    prepare_streams()
    stream.write("3 Ω ± 0.1 °C ⣿ 電 …\n")
    text = stream.buffer.getvalue().decode(encoding)  # type: ignore[attr-defined]
    assert text.startswith("3 ")


def test_ascii_gets_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """What ASCII lacks is spelt: Ohm, +-, degC; what has no word becomes a question mark."""
    stream = stream_of("ascii")
    monkeypatch.setattr(sys, "stdout", stream)
    prepare_streams()
    stream.write("3 Ω ± 0.1 °C µ ⣿")
    assert stream.buffer.getvalue() == b"3 Ohm +- 0.1 degC u ?"  # type: ignore[attr-defined]


def test_signs_follow_the_encoding() -> None:
    """ASCII signs for a legacy code page, all signs for UTF-8."""
    assert signs_for(stream_of("cp1252")).is_ascii
    assert not signs_for(stream_of("utf-8")).is_ascii
    assert can_show_unicode(stream_of("UTF8"))


def test_an_empty_no_color_is_taken_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """The NO_COLOR convention counts only a value that is not empty. Source: no-color.org, "when present and not an
    empty string"."""
    monkeypatch.setenv("NO_COLOR", "")
    prepare_streams()
    assert "NO_COLOR" not in __import__("os").environ


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("name", "value", "colour"),
    [("NO_COLOR", "1", False), ("JOULEBOOK_NO_COLOR", "1", False), ("TERM", "dumb", False), ("TERM", "xterm", True)],
)
def test_colour_is_off_where_somebody_said_so(
    name: str, value: str, colour: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """NO_COLOR, JOULEBOOK_NO_COLOR and a dumb terminal each turn colour off."""
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv(name, value)
    assert wants_colour(_Terminal()) is colour


def test_no_colour_in_a_pipe_even_when_forced(monkeypatch: pytest.MonkeyPatch) -> None:
    """FORCE_COLOR draws no bar and no colour into a file."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert not wants_colour(io.StringIO())
