"""What tests of the screens share: an app on a small invented library, and waiting on a condition, never on time."""

from __future__ import annotations

import asyncio
from typing import Any

from textual.pilot import Pilot

from store import Library
from tui.app import JoulebookApp, build_app


def app_on(library: Library, **settings: Any) -> JoulebookApp:
    """The interface, keeping nothing."""
    return build_app(library, **settings)


async def settle(pilot: Pilot[None]) -> None:
    """Wait until no call of the library waits, runs or is undelivered and all messages are handled."""
    app = pilot.app
    assert isinstance(app, JoulebookApp)
    for _ in range(2000):
        await pilot.pause()
        if not app.jobs.is_busy:
            break
        await asyncio.sleep(0.005)
    await pilot.pause()


async def press(pilot: Pilot[None], *keys: str) -> None:
    """Press keys one after the other, each until its effect is on screen."""
    for key in keys:
        await pilot.press(key)
        await settle(pilot)


def screen_text(app: JoulebookApp) -> str:
    """Everything that is on screen, as text."""
    return "\n".join("".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips())
