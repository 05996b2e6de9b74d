"""README's picture of the list of runs is what the program draws today.

Made anew by `JOULEBOOK_WRITE_PICTURE=1 pytest tests/tui/test_picture.py`; look at it before you commit it.
"""

from __future__ import annotations

import os
from importlib.metadata import version
from pathlib import Path

import pytest

from store import Library
from tests.tui.harness import app_on, press, settle
from tui.cli.demo_library import build_demo

PICTURE = Path(__file__).parent / "pictures" / "runs.svg"


@pytest.mark.skipif(not version("textual").startswith("8."), reason="another Textual draws other SVG")
async def test_the_picture_is_current(tmp_path):
    """The demo library at 120 x 32, on a discharge that was cut back."""
    build_demo(tmp_path / "survey store", lambda _done, _total: None)
    app = app_on(Library.open(tmp_path / "survey store"))
    async with app.run_test(size=(120, 32)) as pilot:
        await settle(pilot)
        app.screen.filter_input.put("kind:discharge mode:20V port:C1")
        await settle(pilot)
        await press(pilot, "j", "j")
        drawn = app.export_screenshot(title="joulebook")
    if os.environ.get("JOULEBOOK_WRITE_PICTURE"):
        PICTURE.parent.mkdir(exist_ok=True)
        PICTURE.write_text(drawn, encoding="utf-8")
    assert PICTURE.read_text(encoding="utf-8") == drawn
