"""One table of keys: unique, all wired to actions, all in the help."""

from __future__ import annotations

from collections import Counter

import pytest

from tui.app import JoulebookApp
from tui.keys import KEYS, PLACES, as_markdown, keys_of
from tui.screens.action_page import ActionPageScreen
from tui.screens.actions import ActionsScreen
from tui.screens.bench import BenchScreen
from tui.screens.choose import ChooseScreen
from tui.screens.compare import CompareScreen
from tui.screens.device import DeviceScreen
from tui.screens.devices import DevicesScreen
from tui.screens.edit import EditScreen
from tui.screens.guide import GuideScreen
from tui.screens.help import help_lines
from tui.screens.imports import ImportScreen
from tui.screens.listing import ListingScreen
from tui.screens.pick import PickScreen
from tui.screens.query import QueryScreen
from tui.screens.run import RunScreen
from tui.screens.runs import RunsScreen
from tui.screens.sheet import SheetScreen
from tui.screens.side_by_side import SideBySideScreen
from tui.screens.why import WhyScreen

OWNERS = {
    "everywhere": JoulebookApp,
    "runs": RunsScreen,
    "run": RunScreen,
    "compare": CompareScreen,
    "devices": DevicesScreen,
    "device": DeviceScreen,
    "side": SideBySideScreen,
    "sheet": SheetScreen,
    "choose": ChooseScreen,
    "query": QueryScreen,
    "import": ImportScreen,
    "why": WhyScreen,
    "bench": BenchScreen,
    "guide": GuideScreen,
    "listing": ListingScreen,
    "page": ActionPageScreen,
    "actions": ActionsScreen,
    "pick": PickScreen,
    "edit": EditScreen,
}


def test_ids_are_unique():
    assert [i for i, n in Counter(key.id for key in KEYS).items() if n > 1] == []


@pytest.mark.parametrize("place", PLACES)
def test_no_key_means_two_things_in_one_place(place):
    names = [name for key in keys_of(place) for name in key.key.split(",")]
    assert [n for n, times in Counter(names).items() if times > 1] == []


@pytest.mark.parametrize("key", KEYS, ids=lambda key: key.id)
def test_every_key_has_an_action(key):
    assert hasattr(OWNERS[key.place], f"action_{key.action.partition('(')[0]}")


def test_help_and_readme_name_every_key():
    table = as_markdown()
    for key in KEYS:
        assert key.tooltip in table
    text = "\n".join("".join(piece for piece, _ in line) for line in help_lines("runs"))
    assert all(key.tooltip in text for key in (*keys_of("runs"), *keys_of("everywhere")))
