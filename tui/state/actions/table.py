"""Every action, and which command of the command line is done where on screen.

Knows actions and keys by their names; no Textual.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from tui.state.actions import of_bench, of_library, of_meters, of_runs, of_sharing
from tui.state.actions.model import Action

__all__ = ["ACTIONS", "BY_KEY", "NOT_ON_SCREEN", "action_named", "commands_done"]

ACTIONS: tuple[Action, ...] = (
    *of_runs.ACTIONS,
    *of_meters.ACTIONS,
    *of_bench.ACTIONS,
    *of_library.ACTIONS,
    *of_sharing.ACTIONS,
)

BY_KEY: Mapping[str, tuple[str, ...]] = {
    "choose": ("devices.choose",),
    "compare": ("runs.compare", "devices.compare"),
    "device": ("devices.new", "devices.sheet", "device.sheet", "devices.open"),
    "edit": ("runs.edit", "run.edit"),
    "guide": ("everywhere.guide",),
    "help": ("everywhere.help",),
    "import": ("everywhere.import", "import.go"),
    "inspect": ("everywhere.import", "import.path"),
    "plot": ("device.picture", "side.picture"),
    "report": ("device.publish", "side.publish"),
    "runs": ("everywhere.runs", "runs.filter"),
    "show": ("runs.open",),
    "sql": ("everywhere.query", "query.named", "query.save"),
    "watch": ("import.watch",),
    "why": ("run.why",),
}
"""Commands whose work a key does: keys by their names in the table of keys."""

NOT_ON_SCREEN: Mapping[str, str] = {
    "demo": "makes another library; the screen shows the one that it was opened on",
}
"""Commands that have no way on screen, with the reason."""


@cache
def _by_id() -> Mapping[str, Action]:
    return {action.id: action for action in ACTIONS}


def action_named(id: str) -> Action:  # noqa: A002 (the action's own word)
    """An action by its id.

    Raises:
        KeyError: There is none.
    """
    return _by_id()[id]


def commands_done() -> set[str]:
    """Every command of which an action does the work."""
    return {command for action in ACTIONS for command in action.commands}
