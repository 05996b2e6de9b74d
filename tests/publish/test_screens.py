"""Publishing and choosing from the interface."""

import pytest

from store.choose.rating import shipped_scheme
from tests.publish.test_report import small_library
from tests.tui.harness import app_on, press, screen_text, settle
from tui.screens.choose import ChooseScreen
from tui.screens.device import DeviceScreen
from tui.screens.prompt import PromptScreen


@pytest.fixture
def library(tmp_path):
    return small_library(tmp_path / "library")


def put(app, text):
    app.screen.query_one("#prompt-field").value = text


async def test_a_devices_report_is_written_and_a_change_asks_why(library, tmp_path):
    """`p` asks for the folder; a second time with other facts it asks for the reason."""
    app = app_on(library)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        app.push_screen(DeviceScreen("PB-01", ["PB-01"]))
        await settle(pilot)
        await press(pilot, "p")
        assert isinstance(app.screen, PromptScreen)
        put(app, str(tmp_path / "one"))
        await press(pilot, "enter")
        assert "responsible tester" in screen_text(app)
        put(app, "A. Tester")
        await press(pilot, "enter")
        assert "A. Tester" in (tmp_path / "one" / "report.html").read_text("utf-8")
        assert (tmp_path / "one" / "report.html").exists()
        assert "version 1" in screen_text(app)
        library.runs.edit([1], {"quality": "suspect"}, reason="odd")
        await press(pilot, "p")
        put(app, str(tmp_path / "two"))
        await press(pilot, "enter")
        assert isinstance(app.screen, PromptScreen)
        assert not (tmp_path / "two").exists()
        put(app, "one run is suspect")
        await press(pilot, "enter")
        assert "version 2" in screen_text(app)
    assert library.sql.run("SELECT reason FROM reports WHERE version = 2").table.to_pylist() == [
        {"reason": "one run is suspect"}
    ]


async def test_a_folder_in_use_is_told_and_left_alone(library, tmp_path):
    """The sentence is on screen; nothing is written."""
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("x")
    app = app_on(library)
    async with app.run_test(size=(160, 30)) as pilot:
        await settle(pilot)
        app.push_screen(DeviceScreen("PB-01", ["PB-01"]))
        await settle(pilot)
        await press(pilot, "p")
        put(app, str(tmp_path / "full"))
        await press(pilot, "enter")
        await press(pilot, "enter")
        assert "already" in screen_text(app)
    assert [p.name for p in (tmp_path / "full").iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("size", [(80, 24), (160, 45)])
async def test_a_need_is_answered_on_screen(library, tmp_path, size):
    """From the devices, `n`: the answer, who was shut out and why; a mistake is told with its line."""
    need = tmp_path / "need.toml"
    need.write_text('title = "light [b]day[/b]"\nmass_g = 100\n')
    app = app_on(library)
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        await press(pilot, "f3", "n")
        assert isinstance(app.screen, PromptScreen)
        put(app, str(need))
        await press(pilot, "enter")
        assert isinstance(app.screen, ChooseScreen)
        text = screen_text(app)
        assert "light [b]day[/b]" in text
        assert "No tested device meets the requirements." in text
        assert "at most 100 g" in text
        need.write_text("mass = 100\n")
        await press(pilot, "n", "enter")
        assert "mass_g" in screen_text(app)
        await press(pilot, "escape")
        assert not isinstance(app.screen, ChooseScreen)


async def test_a_scheme_of_ones_own_weighs_on_screen(library, tmp_path):
    """`s` names the scheme's file; what is wrong with it is told, and the answer stays."""
    need, scheme = tmp_path / "need.toml", tmp_path / "mine.toml"
    need.write_text('title = "a day out"\n')
    scheme.write_text(shipped_scheme().text.replace('"everyday"', '"field"'))
    app = app_on(library)
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await press(pilot, "f3", "n")
        put(app, str(need))
        await press(pilot, "enter")
        assert "by everyday, version 1" in screen_text(app)
        await press(pilot, "s")
        put(app, str(scheme))
        await press(pilot, "enter")
        assert "by field, version 1" in screen_text(app)
        scheme.write_text("nonsense = 1\n")
        await press(pilot, "s", "enter")
        assert "nonsense" in screen_text(app)
        assert "by field, version 1" in screen_text(app)
