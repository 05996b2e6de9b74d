"""Picks become words of the filter line, and words become picks."""

from __future__ import annotations

import pytest

from store.runs.filters import parse_filter
from tui.state.filter_words import completion, picked_values, with_picked


def test_picks_replace_the_word_where_it_stood():
    assert with_picked("port:C1 wh>5", "port", ["A1", "C2"]) == "port:A1,C2 wh>5"
    assert with_picked("wh>5", "mode", ["fixed 20 V"]) == 'wh>5 mode:"fixed 20 V"'
    assert with_picked("port:C1 wh>5", "port", []) == "wh>5"


def test_what_is_picked_is_found_again_and_understood():
    text = with_picked("", "mode", ["fixed 20 V", "fixed 9 V"])
    assert picked_values(text, "mode") == ["fixed 20 V", "fixed 9 V"]
    assert parse_filter(text).words[0].field == "mode"


@pytest.mark.parametrize(
    ("typed", "whole"),
    [
        ("po", "port:"),
        ("wh>5 ki", "wh>5 kind:"),
        ("device:pb", "device:PB-03"),
        ("-ki", "-kind:"),
        ("x ", None),
        ("", None),
    ],
)
def test_words_and_values_are_completed(typed, whole):
    assert completion(typed, {"device": ["PB-03"]}) == whole
