"""What places share that can write a report: the folder asked for, the reason where one is wanted, the work apart.

Knows Textual and the library's reports.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from store.publish.package import slug
from store.publish.reports import ReasonWanted
from tui.render.pages import publish
from tui.render.plain import plain
from tui.screens.base import BaseScreen
from tui.screens.prompt import PromptScreen

__all__ = ["PublishingScreen"]


class PublishingScreen(BaseScreen):
    """A place whose devices can be published."""

    def ask_folder(self, devices: Sequence[str]) -> None:
        """Ask for a folder and write the report on these devices there."""

        def take(folder: str | None) -> None:
            if folder:
                self._publish(devices, Path(folder).expanduser(), "")

        title = f"write the report on {plain(', '.join(devices))} into the folder"
        proposed = "-".join(["report", *(slug(device) for device in devices)])
        self.app.push_screen(PromptScreen(title, proposed, paths=self.joulebook.jobs), take)

    def _publish(self, devices: Sequence[str], folder: Path, reason: str) -> None:
        library = self.joulebook.library
        self.tell("writing the report", is_problem=False)

        def write() -> str:
            return publish(library, list(devices), folder, reason=reason).words()

        def refuse(error: Exception) -> None:
            if isinstance(error, ReasonWanted):
                self._ask_reason(devices, folder, error)
            else:
                self.tell_failure(error)

        self.ask_library("publish", write, lambda told: self.tell(told, is_problem=False), failed=refuse, must_run=True)

    def _ask_reason(self, devices: Sequence[str], folder: Path, wanted: ReasonWanted) -> None:
        def take(reason: str | None) -> None:
            if reason and reason.strip():
                self._publish(devices, folder, reason)
            else:
                self.tell("not issued: a new version needs its reason", is_problem=False)

        changed = f"{len(wanted.changes)} things changed" if len(wanted.changes) > 1 else plain(wanted.changes[0])
        self.app.push_screen(PromptScreen(f"{changed} since it was issued; why?"), take)
