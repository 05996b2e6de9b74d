"""What places share that write pages and pictures: the file asked for, the reason where one is wanted, the work apart.

Knows Textual and the library's reports; what draws is loaded when it is first needed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tui.render.plain import plain
from tui.screens.base import BaseScreen
from tui.screens.prompt import PromptScreen

if TYPE_CHECKING:
    from store.choose.decide import Ranking
    from store.publish.pictures import Picture
    from store.publish.reports import ReasonWanted

__all__ = ["PublishingScreen"]


class PublishingScreen(BaseScreen):
    """A place whose devices can be published."""

    def ask_folder(self, devices: Sequence[str]) -> None:
        """Ask for a folder and write the report on these devices there."""

        def take(folder: str | None) -> None:
            if folder:
                self._with_tester(lambda: self._publish(devices, Path(folder).expanduser(), ""))

        from store.publish.package import slug

        title = f"write the report on {plain(', '.join(devices))} into the folder"
        proposed = "-".join(["report", *(slug(device) for device in devices)])
        self.app.push_screen(PromptScreen(title, proposed, paths=self.joulebook.jobs), take)

    def _with_tester(self, go_on: Callable[[], None]) -> None:
        """Ask once for the name that answers for this library's pages, then go on."""
        from store.publish.signature import keep_signature, kept_signature

        library = self.joulebook.library

        def take(name: str | None) -> None:
            said = {"tester": name or ""}
            self.ask_library("tester", lambda: keep_signature(library, said), lambda _: go_on(), must_run=True)

        def found(kept: dict[str, str]) -> None:
            if "tester" in kept:
                go_on()
            else:
                title = "responsible tester, as printed on this library's pages; empty: not stated"
                self.app.push_screen(PromptScreen(title, ""), take)

        self.ask_library("tester", lambda: kept_signature(library), found, must_run=True)

    def _publish(self, devices: Sequence[str], folder: Path, reason: str) -> None:
        library = self.joulebook.library
        self.tell("writing the report", is_problem=False)

        from store.publish.reports import ReasonWanted

        def write() -> str:
            from tui.render.pages import publish

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

    def ask_choice_folder(self, choice: Ranking) -> None:
        """Ask for a folder and write the answer to a need there as a page."""
        library = self.joulebook.library

        def take(folder: str | None) -> None:
            if folder:
                path = Path(folder).expanduser()
                self.tell("writing the page", is_problem=False)
                self.ask_library(
                    "publish", lambda: write(path), lambda told: self.tell(told, is_problem=False), must_run=True
                )

        def write(path: Path) -> str:
            from tui.render.pages.issuing import write_choice

            return str(write_choice(library, choice, path)[0])

        self.app.push_screen(
            PromptScreen("write this answer into the folder", "choice", paths=self.joulebook.jobs), take
        )

    def picture_runs(self, run_ids: Sequence[int], channels: Sequence[str]) -> None:
        """Ask for a file and draw runs over each other."""
        from store.publish.pictures import picture_of_runs

        library, runs = self.joulebook.library, list(run_ids)
        what = f"run{'s' if len(runs) > 1 else ''} {', '.join(map(str, runs))}"
        self.ask_picture(what, lambda: picture_of_runs(library, runs, channels))

    def picture_devices(self, devices: Sequence[str], by: str | None = None) -> None:
        """Ask for a file and draw one device's energy over the load, or several by one quantity."""
        from store.publish.pictures import picture_of_comparison, picture_of_device

        library, names = self.joulebook.library, list(devices)

        def make() -> Picture:
            return picture_of_comparison(library, names, by) if len(names) > 1 else picture_of_device(library, names[0])

        self.ask_picture(", ".join(names), make)

    def ask_picture(self, what: str, make: Callable[[], Picture]) -> None:
        """Ask for a file and draw a picture into it.

        Args:
            what: What it shows, for the question and the name that is proposed.
            make: Reads what is drawn.
        """

        def take(typed: str | None) -> None:
            if typed:
                self._draw(Path(typed).expanduser(), make, may_replace=False)

        from store.publish.package import slug

        title = f"draw {plain(what)} into NAME.png or NAME.svg; without an ending wide, square, light and dark"
        proposed = f"picture-{slug(what)}.png"
        self.app.push_screen(PromptScreen(title, proposed, paths=self.joulebook.jobs), take)

    def _draw(self, file: Path, make: Callable[[], Picture], *, may_replace: bool) -> None:
        self.tell("drawing", is_problem=False)

        def write() -> str:
            from tui.render.pages import write_picture

            made = make()
            files = write_picture(made, file, replace=may_replace)
            more = f" and {len(files) - 1} more" if len(files) > 1 else ""
            return f"{files[0]}{more}: {made.plot.title}"

        def refuse(error: Exception) -> None:
            from tui.render.pages.writing import FileThere

            if isinstance(error, FileThere):
                self._ask_again(file, make)
            else:
                self.tell_failure(error)

        self.ask_library("picture", write, lambda told: self.tell(told, is_problem=False), failed=refuse, must_run=True)

    def _ask_again(self, file: Path, make: Callable[[], Picture]) -> None:
        def take(word: str | None) -> None:
            if (word or "").strip().casefold() in ("y", "yes"):
                self._draw(file, make, may_replace=True)
            else:
                self.tell("not drawn: the file is there already", is_problem=False)

        self.app.push_screen(PromptScreen(f"{plain(str(file))} exists; overwrite it? yes or no", "no"), take)
