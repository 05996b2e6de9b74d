"""The mouse works where a person would try it, and is never needed."""

from __future__ import annotations

from textual.events import MouseScrollDown

from tests.builders import make_store
from tests.tui.harness import app_on, press, settle
from tui.screens.edit import EditScreen
from tui.screens.pick import PickScreen
from tui.screens.run import RunScreen
from tui.screens.runs import RunsScreen


async def test_a_click_chooses_a_run_and_a_second_one_opens_it(tmp_path):
    app = app_on(make_store(tmp_path, runs=6, samples=60))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.click("#runs", offset=(10, 3))
        await settle(pilot)
        assert app.run_list.cursor == 2
        await pilot.click("#runs", offset=(10, 3))
        await settle(pilot)
        assert isinstance(app.screen, RunScreen)


async def test_the_wheel_scrolls_a_long_list_and_leaves_the_cursor(tmp_path):
    app = app_on(make_store(tmp_path, runs=40, samples=60))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot._post_mouse_events([MouseScrollDown], "#runs", (5, 5))
        await settle(pilot)
        assert app.screen.paged_list.first_on_screen > 0
        assert app.run_list.cursor == 0
        await press(pilot, "j")
        assert app.run_list.cursor == 1
        assert app.screen.paged_list.first_on_screen <= 1


async def test_fields_and_lists_take_clicks(tmp_path):
    app = app_on(make_store(tmp_path, runs=3, samples=60))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await press(pilot, "e")
        assert isinstance(app.screen, EditScreen)
        await pilot.click("#edit-mode")
        assert app.focused.id == "edit-mode"
        await press(pilot, "escape", "p")
        assert isinstance(app.screen, PickScreen)
        await pilot.click("#pick-list", offset=(5, 1))
        await pilot.click("#pick-list", offset=(5, 1))
        await press(pilot, "enter")
        assert isinstance(app.screen, RunsScreen)
        assert app.run_list.filter_text.startswith("port:")
