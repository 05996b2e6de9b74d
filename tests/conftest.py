"""What every test gets: a home folder of its own, so that no test touches a person's library."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

KEPT_OUT = ("JOULEBOOK_LIBRARY", "JOULEBOOK_NO_COLOR", "NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES")


@pytest.fixture(autouse=True)
def _own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Point every place where the program keeps things at an empty folder."""
    home = tmp_path_factory.mktemp("home")
    for name in KEPT_OUT:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("JOULEBOOK_LIBRARY", str(home / "library"))
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(home / name.lower()))
    if os.name == "nt":
        for name in ("LOCALAPPDATA", "APPDATA"):
            monkeypatch.setenv(name, str(home / name.lower()))


@pytest.fixture
def empty_folder(tmp_path: Path) -> Path:
    """A new folder with nothing in it."""
    folder = tmp_path / "empty"
    folder.mkdir()
    return folder


@pytest.fixture(scope="session")
def demo_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo library, made once for all tests that only read it."""
    from tui.cli.demo_library import build_demo

    path = tmp_path_factory.mktemp("demo") / "survey-store"
    build_demo(path, lambda _done, _total: None)
    return path
