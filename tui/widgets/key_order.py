"""Keys taken one after the other, however fast they come.

The framework hands a key to the focused widget and looks at the next one at once. Over a slow link keys come in
bursts: then `/port:C1` would press `p` in the list before the filter line has the focus, and a form's next field would
be typed into this one. Here a key's binding is carried out before the next key is looked at, and keys that come while
a new screen is being built wait for it. Knows Textual only, and of it one private method, in this one place.
"""

from __future__ import annotations

from textual import events
from textual.app import App
from textual.screen import Screen

__all__ = ["KeyOrder"]

SETTLE_S = 0.01
"""How often a new screen is looked at for its focus."""
MOST_LOOKS = 100
"""A screen that takes no focus, or does not come, gets no more patience than this many looks: a second."""


class KeyOrder(App[None]):
    """An app whose keys act in the order in which they were pressed."""

    _held: list[events.Key] | None = None
    """Keys that wait for a new screen; None while none is being built."""

    async def on_event(self, event: events.Event) -> None:
        """Carry out a key's binding before the next key, unless it is text for the focused field."""
        if not isinstance(event, events.Key) or event.is_forwarded or self.screen.maximized is not None:
            await super().on_event(event)
        elif self._held is not None:
            self._held.append(event)
        else:
            await self._take(event)

    async def _take(self, event: events.Key) -> None:
        before = self.screen
        is_text = self.focused is not None and self.focused.check_consume_key("a", "a")
        was_priority = await self._check_bindings(event.key, priority=True)
        if not was_priority and (is_text or not await self._check_bindings(event.key)):
            (self.focused or self.screen)._forward_event(event)  # noqa: SLF001 (what the framework does with a key)
        if self._running and self._held is None and self.screen is not before:
            self._held = []
            self._look_for_focus(None, MOST_LOOKS)

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
