"""Keys that come in a burst, as over a slow link, act as they do one by one."""

from __future__ import annotations

import os
import random

import pytest
from textual import events
from textual.keys import _character_to_key
from textual.widgets import Input

from tests.builders import make_store
from tests.tui.harness import app_on, screen_text, settle
from tui.app import JoulebookApp
from tui.screens.facts import FactsScreen
from tui.screens.pick import PickScreen
from tui.screens.runs import RunsScreen


def burst(app: JoulebookApp, *keys: str) -> None:
    """Put keys into the app's queue at once; a word of several letters is typed."""
    for key in keys:
        if key in {"enter", "escape", "down", "up", "tab", "space", "ctrl+s"}:
            app.post_message(events.Key(key, None))
        else:
            for letter in key:
                app.post_message(events.Key(_character_to_key(letter), letter))


async def test_a_filter_typed_in_one_go_goes_into_the_filter_line(tmp_path):
    """`p` after `/` is a letter of the filter and no key of the list."""
    app = app_on(make_store(tmp_path, runs=6))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        burst(app, "/port:C1")
        await settle(pilot)
        assert isinstance(app.screen, RunsScreen)
        assert app.screen.filter_input.value == "port:C1"
        assert "2 of 6" in screen_text(app)


async def test_keys_pressed_while_a_list_opens_go_to_it(tmp_path):
    """`p` and what narrows its list may be typed without waiting."""
    app = app_on(make_store(tmp_path, runs=6))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        burst(app, "p", "C1")
        await settle(pilot)
        assert isinstance(app.screen, PickScreen)
        assert "with C1" in screen_text(app)


@pytest.mark.parametrize("onward", ["down", "tab", "enter"])
async def test_a_form_filled_in_one_go_has_every_text_in_its_field(tmp_path, onward):
    """What is typed after the key for the next field stands in the next field, and can be read on screen."""
    app = app_on(make_store(tmp_path, runs=1))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.push_screen(FactsScreen({}, {}))
        await settle(pilot)
        burst(app, "PB-07", onward, "C1", onward, "fixed 9 V", onward, "heat")
        await settle(pilot)
        found = {
            name: app.screen.query_one(f"#facts-{name}", Input).value for name in ("device", "port", "mode", "kind")
        }
        assert found == {"device": "PB-07", "port": "C1", "mode": "fixed 9 V", "kind": "heat"}
        text = screen_text(app)
        assert all(word in text for word in found.values())


def typed(keys: list[str]) -> str:
    """What a line editor holds after these keys: written for this test, with no part of the framework's."""
    text, at = "", 0
    for key in keys:
        if key == "backspace":
            text, at = text[: max(at - 1, 0)] + text[at:], max(at - 1, 0)
        elif key == "delete":
            text = text[:at] + text[at + 1 :]
        elif key == "ctrl+u":
            text, at = text[at:], 0
        elif key == "ctrl+k":
            text = text[:at]
        elif key in {"left", "right"}:
            at = min(max(at + (1 if key == "right" else -1), 0), len(text))
        elif key in {"home", "end"}:
            at = 0 if key == "home" else len(text)
        else:
            text, at = text[:at] + key + text[at:], at + 1
    return text


async def test_keys_that_edit_a_line_act_between_the_letters_around_them(tmp_path):
    """Backspace, ^U, arrows and the like among letters, in one burst; each field holds what a line editor holds."""
    seed = int(os.environ.get("JOULEBOOK_SEED") or random.SystemRandom().randrange(10**9))
    print(f"JOULEBOOK_SEED={seed}")
    rng = random.Random(seed)
    editing = ["backspace", "delete", "ctrl+u", "left", "right", "home", "end", "backspace", "left"]
    wanted: dict[str, str] = {}
    app = app_on(make_store(tmp_path, runs=1))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.push_screen(FactsScreen({}, {}))
        await settle(pilot)
        for name in ("device", "port", "mode", "load"):
            keys = [rng.choice(editing) if rng.random() < 0.35 else rng.choice("abcV 129") for _ in range(25)]
            wanted[name] = typed(keys)
            for key in [*keys, "tab", *(["tab"] if name == "mode" else [])]:
                app.post_message(
                    events.Key(_character_to_key(key) if len(key) == 1 else key, key if len(key) == 1 else None)
                )
        await settle(pilot)
        found = {name: app.screen.query_one(f"#facts-{name}", Input).value for name in wanted}
    assert found == wanted


async def test_enter_in_a_prompt_comes_before_the_keys_after_it(tmp_path):
    """What is typed behind Enter or Escape goes to the place below, never into the field that is being left."""
    app = app_on(make_store(tmp_path, runs=6))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        burst(app, "/port:C1", "enter", "j", "space", "/", "escape", "escape")
        await settle(pilot)
        assert isinstance(app.screen, RunsScreen)
        assert app.screen.filter_input.value == ""
        assert app.run_list.marks
