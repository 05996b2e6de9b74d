"""Keys taken one after the other, however fast they come.

The framework hands a key to the focused widget and looks at the next one at once. Over a slow link keys come in
bursts: then `/port:C1` would press `p` in the list before the filter line has the focus, a form's next field would
be typed into this one, and Backspace would act after the letters behind it. Here a key is carried out before the next
key is looked at, and keys that come while a new screen is being built wait for it. Knows Textual only, and of it
private methods in this one place.
"""

from __future__ import annotations

import asyncio

from textual import events
from textual.app import App
from textual.message_pump import MessagePump
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Input

__all__ = ["KeyOrder"]

SETTLE_S = 0.01
"""How often a new screen is looked at for its focus."""
MOST_LOOKS = 100
"""A screen that takes no focus, or does not come, gets no more patience than this many looks: a second."""


class KeyOrder(App[None]):
    """An app whose keys act in the order in which they were pressed."""

    _held: list[events.Key | events.Paste] | None = None
    """Keys that wait for a new screen; None while none is being built."""

    async def on_event(self, event: events.Event) -> None:
        """Carry out a key before the next key."""
        if not isinstance(event, (events.Key, events.Paste)) or event.is_forwarded or self.screen.maximized is not None:
            await super().on_event(event)
        elif self._held is not None:
            self._held.append(event)
        else:
            await self._take(event)

    async def _take(self, event: events.Key | events.Paste) -> None:
        before, field = self.screen, self.focused
        if isinstance(event, events.Paste):
            await self._forward(event, field or before)
        elif field is not None and field.check_consume_key("a", "a"):
            await self._take_in_field(event, field)
        elif not await self._check_bindings(event.key, priority=True) and not await self._check_bindings(event.key):
            await self._forward(event, field or before)
        if self._running and self._held is None and self.screen is not before:
            self._held = []
            self._look_for_focus(None, MOST_LOOKS)

    async def _take_in_field(self, event: events.Key, field: Widget) -> None:
        """A key while text is typed: letters go to the field, other keys to whoever binds them, one after the other.

        An editor of several lines takes Enter and Tab itself, before any binding but those that go before all.
        """
        if await self._check_bindings(event.key, priority=True):
            await self._handled(field)
            return
        is_letter = event.is_printable or (not isinstance(field, Input) and event.key in {"enter", "tab"})
        if is_letter or not await self._check_bindings(event.key):
            await self._forward(event, field)
        else:
            await self._handled(field)

    async def _forward(self, event: events.Event, to: Widget | Screen[object]) -> None:
        to._forward_event(event)  # noqa: SLF001 (what the framework does with a key)
        await self._handled(to)

    async def _handled(self, by: Widget | Screen[object]) -> None:
        """Wait until a widget and those around it have done what they were sent, what that sent them included."""
        nodes = (by,) if by is self.screen else by.ancestors_with_self
        for node in nodes:
            if node is self or not isinstance(node, MessagePump) or not node.is_attached:
                return
            done = asyncio.Event()
            if not node.call_later(done.set):
                return
            for _ in range(MOST_LOOKS):
                try:
                    await asyncio.wait_for(done.wait(), SETTLE_S)
                except TimeoutError:
                    if not node.is_attached or not node.is_running:
                        return
                else:
                    break

    def hold_keys_for_screen(self) -> None:
        """Keep the next keys for the screen that opens once its data has been read."""
        if self._held is None:
            self._held = []
            self._look_for_focus(self.screen, MOST_LOOKS)

    def _look_for_focus(self, left: Screen[object] | None, looks: int) -> None:
        is_there = self.screen is not left and self.screen.focused is not None
        if is_there or looks <= 0:
            self.call_later(self._release)
        else:
            self.set_timer(SETTLE_S, lambda: self._look_for_focus(left, looks - 1))

    async def _release(self) -> None:
        held, self._held = self._held or [], None
        for at, event in enumerate(held):
            await self._take(event)
            if self._held is not None:
                self._held.extend(held[at + 1 :])
                return
