"""Keys per place on a small invented library, at the floor's size and wide."""

from __future__ import annotations

import time

import pytest

from importers.schema import Facts
from store import Library
from tests.builders import add_run, make_run, make_store, write_export
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.compare import CompareScreen
from tui.screens.devices import DevicesScreen
from tui.screens.edit import EditScreen
from tui.screens.help import HelpScreen
from tui.screens.pick import PickScreen
from tui.screens.query import QueryScreen
from tui.screens.run import RunScreen
from tui.screens.runs import RunsScreen

SIZES = [(80, 24), (160, 45), (60, 20)]


@pytest.fixture
def library(tmp_path) -> Library:
    return make_store(tmp_path, runs=6)


@pytest.mark.parametrize("size", SIZES)
async def test_the_list_shows_figures_and_a_glance(library, size):
    app = app_on(library)
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        text = screen_text(app)
        assert "6 of 6" in text
        assert "PB-03" in text
        assert "store" in text


async def test_the_list_follows_the_filter_and_a_wrong_word_leaves_it(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "slash", *"port", "colon", "C", "1")
        assert "2 of 6" in screen_text(app)
        await press(pilot, "escape", "escape")
        assert "6 of 6" in screen_text(app)
        app.screen.filter_input.put("prot:C")
        await settle(pilot)
        text = screen_text(app)
        assert "Did you mean port:C" in text
        assert "PB-03" in text


async def test_picks_become_filter_words(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "p")
        assert isinstance(app.screen, PickScreen)
        await press(pilot, "space", "down", "space", "enter")
        assert isinstance(app.screen, RunsScreen)
        assert app.run_list.filter_text.startswith("port:")
        assert "4 of 6" in screen_text(app)


async def test_a_run_opens_zooms_and_goes_on_to_its_neighbour(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "enter")
        screen = app.screen
        assert isinstance(screen, RunScreen)
        first = screen.model.view.facts.run_id
        await press(pilot, "right", "right", "plus", "v", "i", "t", "n", "tab", "tab", "0", "minus")
        assert screen.model.span_s == pytest.approx(screen.model.view.duration_s)
        await press(pilot, "right_square_bracket")
        assert screen.model.view.facts.run_id != first
        await press(pilot, "escape")
        assert isinstance(app.screen, RunsScreen)
        assert app.run_list.run_id() != first


async def test_marked_runs_are_compared(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "c")
        assert "mark two runs" in screen_text(app)
        await press(pilot, "space", "space", "c")
        assert isinstance(app.screen, CompareScreen)
        await press(pilot, "v", "l", "down")
        assert "from the clock" in screen_text(app)


async def test_a_question_is_answered_and_a_wrong_one_points_at_its_word(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "s")
        screen = app.screen
        assert isinstance(screen, QueryScreen)
        screen.area.text = "select count(*) as n from runs"
        await press(pilot, "ctrl+r")
        assert "1 row in" in screen_text(app)
        screen.area.text = "select nosuch from runs"
        await press(pilot, "ctrl+r")
        assert screen.area.selected_text == "nosuch"


async def test_leaving_interrupts_a_running_question(library):
    """Not a wall-clock promise: the query would run for hours, the app ends all the same."""
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "s")
        screen = app.screen
        assert isinstance(screen, QueryScreen)
        screen.area.text = "select sum(a.range * b.range) from range(10000000) a, range(10000000) b"
        await pilot.press("ctrl+r")
        await pilot.pause()
        assert screen.is_asking
        await pilot.press("ctrl+q")
    assert app.jobs.ask("any", time.monotonic, done=print, failed=print) == 0


async def test_a_wrong_port_is_corrected_and_the_correction_taken_back(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        run_id = app.run_list.run_id()
        before = library.runs.get(run_id).facts.port
        await press(pilot, "e")
        assert isinstance(app.screen, EditScreen)
        field = app.screen.query_one("#edit-port")
        field.value = "C9"
        await press(pilot, "ctrl+s")
        assert library.runs.get(run_id).facts.port == "C9"
        await press(pilot, "u")
        assert library.runs.get(run_id).facts.port == before


async def test_new_runs_show_without_losing_the_cursor(library, tmp_path):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "down", "down")
        here = app.run_list.run_id()
        app._watch()
        await settle(pilot)
        add_run(library, write_export(tmp_path, "late.csv"), make_run(seed=99))
        app._watch()
        await settle(pilot)
        assert "7 of 7" in screen_text(app)
        assert app.run_list.run_id() == here


async def test_help_names_the_keys_of_the_place(library):
    app = app_on(library)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "question_mark")
        assert isinstance(app.screen, HelpScreen)
        assert "Pick ports" in screen_text(app)
        await press(pilot, "escape", "D")
        assert isinstance(app.screen, DevicesScreen)


@pytest.mark.parametrize("hostile", ["I [mA]", "[/bad]", "a\x1b[2Jb", "[bold]x[/]", "$sky"])
async def test_text_from_files_is_shown_literally(tmp_path, hostile):
    library = Library.create(tmp_path / "store", zone="UTC")
    facts = Facts(device=hostile, port="C1", mode="fixed 20 V", kind="discharge", note=hostile)
    add_run(library, write_export(tmp_path, "x.csv"), make_run(), facts=facts)
    app = app_on(library)
    async with app.run_test(size=(160, 45)) as pilot:
        await settle(pilot)
        await press(pilot, "enter")
        text = screen_text(app)
        assert hostile.replace("\x1b", "␛") in text
        assert "\x1b" not in text


@pytest.mark.parametrize("runs", [0])
async def test_an_empty_library_says_what_to_do(tmp_path, runs):
    app = app_on(make_store(tmp_path, runs=runs))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert "no runs yet" in screen_text(app)
        await press(pilot, "enter", "p", "escape", "e", "c", "D", "enter", "escape")


async def test_a_tiny_terminal_says_so_and_comes_back(library):
    app = app_on(library)
    async with app.run_test(size=(40, 10)) as pilot:
        await settle(pilot)
        assert "too small" in screen_text(app)
        await pilot.resize_terminal(80, 24)
        await settle(pilot)
        assert "6 of 6" in screen_text(app)


async def test_ascii_terminals_get_ascii(library):
    app = app_on(library, encoding="ascii")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "enter")
        assert screen_text(app).isascii()
