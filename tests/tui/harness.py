"""What tests of the screens share: an app on a small invented library, and waiting on a condition, never on time.

The framework's pilot waits after each key until the process has idled for a fiftieth of a second, four times over. Here
one looks whether anything is left to do: messages, calls of the library, workers, widgets that are to be drawn.
"""

from __future__ import annotations

import asyncio
import time
import unicodedata
from typing import Any

from textual import events
from textual.keys import REPLACED_KEYS, _character_to_key, _get_unicode_name_from_key
from textual.message_pump import MessagePump
from textual.pilot import Pilot

from store import Library
from tui.app import JoulebookApp, build_app

LONGEST_S = 60.0
"""An app that is still at work after this will not come to rest."""
WORKERS_S = 2.0
"""So long the framework's own workers are waited for: some never end by themselves."""


def app_on(library: Library, **settings: Any) -> JoulebookApp:
    """The interface, keeping nothing."""
    return build_app(library, **settings)


def _pumps(app: JoulebookApp) -> list[MessagePump]:
    return [app, *app.screen.walk_children(with_self=True)]


def _is_at_work(app: JoulebookApp) -> bool:
    """Whether anything is queued, unmounted or to be drawn."""
    screen = app.screen
    if app.jobs.is_busy or app._held is not None or app._animator._animations or app._animator._scheduled:
        return True
    if screen._layout_required or screen._scroll_required or screen._dirty_widgets or screen._callbacks:
        return True
    return any(
        not pump._closed
        and (not pump._is_mounted or pump._next_callbacks or (pump._message_queue and not pump._message_queue.empty()))
        for pump in _pumps(app)
    )


async def settle(pilot: Pilot[None]) -> None:
    """Wait until no call of the library waits, runs or is undelivered, all messages are handled and all is drawn."""
    app = pilot.app
    assert isinstance(app, JoulebookApp)
    began, quiet = time.monotonic(), 0
    while quiet < 2 and app.is_running:
        await pilot._wait_for_screen()
        app.screen._on_timer_update()
        waited = time.monotonic() - began
        assert waited < LONGEST_S, "the app does not come to rest"
        has_workers = waited < WORKERS_S and any(worker.is_running for worker in app.workers)
        quiet = 0 if has_workers or _is_at_work(app) else quiet + 1
        await asyncio.sleep(0 if quiet else 0.002)


async def strike(pilot: Pilot[None], key: str) -> None:
    """Press a key and let every widget handle what it has; what that brings about may still be under way."""
    if len(key) == 1 and not key.isalnum():
        key = _character_to_key(key)
    try:
        character = unicodedata.lookup(_get_unicode_name_from_key(REPLACED_KEYS.get(key, key)))
    except KeyError:
        character = key if len(key) == 1 else None
    event = events.Key(key, character)
    event.set_sender(pilot.app)
    pilot.app._driver.send_message(event)
    await pilot._wait_for_screen()


async def press(pilot: Pilot[None], *keys: str) -> None:
    """Press keys one after the other, each until its effect is on screen."""
    for key in keys:
        await strike(pilot, key)
        await settle(pilot)


def screen_text(app: JoulebookApp) -> str:
    """Everything that is on screen, as text."""
    return "\n".join("".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips())
