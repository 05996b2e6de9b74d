"""Bench: one test from the plan to the filed run, with the curve of the export while the meter's software writes it.

Knows Textual, the bench's models and the library's calls; reads no file on the event loop.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import polars as pl
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.timer import Timer

from importers.reading.following import Following, FollowStep
from importers.schema import Facts
from store.imports.following import follow, newest_export
from store.imports.importer import FileOutcome, Order, import_file
from store.judge.course import CourseTest
from store.judge.course_grid import CourseCell
from store.methods.temperatures import TEMPERATURE_MAX_C
from store.model.sheet import ClaimSheet
from store.words.numbers import clock_time
from tui.keys import bindings
from tui.render.plain import plain
from tui.screens.base import BaseScreen
from tui.screens.facts import FactsScreen
from tui.screens.pick import PickScreen
from tui.screens.prompt import PromptScreen
from tui.state.bench_log import GrowingTrace, Limit
from tui.state.bench_page import bench_lines, said_lines
from tui.state.bench_plan import BenchPlan, keep_plan, kept_plan, plan_for, words_of_step
from tui.state.pick_list import PickEntry, PickList
from tui.widgets.lines_view import LinesView, RuleLine

__all__ = ["BenchScreen"]

LOOK_EVERY_S = 1.0
"""How often the export is looked at: as often as meters write."""
CASE_LIMIT_C = 60.0
"""The course of tests stops there. Common practice, no source."""

Steps = tuple[tuple[CourseTest, CourseCell], ...]


@dataclass(frozen=True, slots=True)
class _Look:
    """What a look at the export found."""

    step: FollowStep
    path: Path | None
    pieces: tuple[pl.DataFrame, ...] = ()
    said: str = ""


class BenchScreen(BaseScreen):
    """The test that is set up; without one, first which."""

    PLACE: ClassVar[str] = "bench"
    NAME: ClassVar[str] = "Bench"
    CSS_PATH = "bench.tcss"
    BINDINGS = bindings("bench")

    def __init__(self, device: str = "") -> None:
        super().__init__()
        self._device = device
        self.plan: BenchPlan | None = None
        self.trace = GrowingTrace()
        self._following: Following | None = None
        self._taken = 0
        self._run = 0
        self._expected_s: float | None = None
        self._state = ""
        self._changed_at = 0.0
        self._is_filing = False
        self._rang: set[str] = set()
        self._said: tuple[str, ...] = ("enter or d chooses a device and its next test",)
        """What became of the test before, then what was found about its run."""
        self._timer: Timer | None = None
        self.filed: BenchPlan | None = None
        """The test that was filed last: the next one takes its meter, room and folder over."""

    def body(self) -> ComposeResult:
        """One block of lines."""
        yield RuleLine(self.joulebook.look.signs.rule)
        with VerticalScroll(id="bench"):
            yield LinesView(id="bench-lines")

    def on_mount(self) -> None:
        """Go on where the bench was left, or choose a test."""
        self.query_one("#bench").focus()
        self._timer = self.set_interval(LOOK_EVERY_S, self._look)
        kept = kept_plan(self.joulebook.settings_path, self.joulebook.library.path)
        if kept is not None and self._device in {"", kept.device}:
            self._begin(kept)
        elif self._device:
            self._choose_step(self._device, kept)
        else:
            self.action_choose()

    def library_changed(self) -> None:
        """Nothing here is read from the library while a test runs."""

    def resized(self) -> None:
        """Lay the lines out anew."""
        self._paint()

    # the plan
    def action_choose(self) -> None:
        """Choose the device, then the test of its course."""
        library = self.joulebook.library
        before = self.plan

        def done(found: list[tuple[str, str]]) -> None:
            if not found:
                self.tell("no device yet: F3, then a describes one", is_problem=False)
                return
            choices = [PickEntry(name, name, kind) for name, kind in found]
            model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)

            def take(values: tuple[str, ...] | None) -> None:
                if values:
                    self._choose_step(values[0], before)

            self.app.push_screen(PickScreen("device to test", model), take)

        def call() -> list[tuple[str, str]]:
            return [(row.device, row.kind) for row in library.devices.all() if row.kind]

        self.joulebook.hold_keys_for_screen()
        self.ask_library("devices", call, done)

    def _choose_step(self, device: str, before: BenchPlan | None) -> None:
        library = self.joulebook.library

        def done(steps: Steps) -> None:
            if not steps:
                self.tell(f"{device}: the course is done", is_problem=False)
                return
            choices = [PickEntry(str(i), words_of_step(*step), step[1].state) for i, step in enumerate(steps)]
            model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)

            def take(values: tuple[str, ...] | None) -> None:
                if values:
                    test, cell = steps[int(values[0])]
                    self._begin(plan_for(device, test, cell, before, time.time()))
                    self.action_facts()

            self.app.push_screen(PickScreen(f"next test of {device}", model), take)

        self.joulebook.hold_keys_for_screen()
        self.ask_library("course", lambda: library.devices.course(device).next_steps, done)

    def _begin(self, plan: BenchPlan) -> None:
        self.plan = plan
        self._start_over()
        self._keep()
        library, device = self.joulebook.library, plan.device

        def done(found: tuple[tuple[ClaimSheet, ...], float | None]) -> None:
            claims, self._expected_s = found
            self.trace.limits = (*_limits(claims, plan), *self.trace.limits)
            self._paint()

        def call() -> tuple[tuple[ClaimSheet, ...], float | None]:
            sheet = library.devices.sheets().get(device)
            return (sheet.claims if sheet is not None else ()), _like_run_s(
                library.runs.page(_like(plan), limit=1).table
            )

        self.ask_library("claims", call, done)
        self._paint()

    def _start_over(self) -> None:
        self.trace = GrowingTrace([Limit("temperature_c", CASE_LIMIT_C, f"stop over {CASE_LIMIT_C:g} °C", stops=True)])
        self._following, self._taken, self._run = None, 0, 0
        self._state = ""
        self._rang.clear()

    def _keep(self) -> None:
        path, library, plan = self.joulebook.settings_path, self.joulebook.library.path, self.plan
        self.ask_library("keep", lambda: keep_plan(path, library, plan), lambda _: None, must_run=True)

    def action_facts(self) -> None:
        """State the facts of this test."""
        plan = self.plan
        if plan is None:
            return
        library = self.joulebook.library

        def call() -> dict[str, list[str]]:
            offered = {name: [f.value for f in library.runs.facets(name)] for name in ("port", "mode", "load")}
            offered["device"] = [d.device for d in library.devices.all()]
            offered["meter"] = [m.name for m in library.meters.all()]
            return offered

        def take(stated: Mapping[str, str] | None) -> None:
            if stated is not None:
                plan.take(stated)
                self._keep()
            self._paint()
            if not plan.watched:
                self.action_watch()

        def show(offered: dict[str, list[str]]) -> None:
            form = FactsScreen(plan.stated(), offered, title="facts of this test", first="load")
            self.app.push_screen(form, take)

        self.joulebook.hold_keys_for_screen()
        self.ask_library("offered", call, show)

    def action_watch(self) -> None:
        """Name the export, or the folder that it will come into."""
        plan = self.plan
        if plan is None:
            return

        def take(typed: str | None) -> None:
            if typed is None:
                return
            plan.watched, plan.file = typed.strip(), ""
            self._start_over_following()

        title = "export, or the folder that it comes into (empty: none)"
        self.app.push_screen(PromptScreen(title, plan.watched, paths=self.joulebook.jobs), take)

    def _start_over_following(self) -> None:
        limits = self.trace.limits
        self._start_over()
        self.trace.limits = limits
        self._keep()
        self._look()
        self._paint()

    def action_tick(self) -> None:
        """Tick the next thing to have ready."""
        if self.plan is not None and self.plan.tick():
            self._keep()
            self._paint()

    def action_note(self) -> None:
        """Pin a note to this moment."""
        plan = self.plan
        if plan is None:
            return
        samples, elapsed = self.trace.samples, self.trace.figures().elapsed_s
        at = f"{clock_time(float(round(elapsed)))} " if samples else ""

        def take(typed: str | None) -> None:
            if typed and typed.strip():
                plan.notes.append(f"{at}{' '.join(typed.split())}")
                self._keep()
                self._paint()

        self.app.push_screen(PromptScreen(f"note at {at.strip() or 'the beginning'}"), take)

    # the export
    def _look(self) -> None:
        plan = self.plan
        if plan is None or not plan.watched or self._is_filing:
            return
        if self.joulebook.jobs.is_waiting(f"{self.PLACE}.look"):
            return  # a slow disk: one look at a time
        self.ask_library("look", lambda: self._look_at(plan), self._took, failed=self._missed)

    def _look_at(self, plan: BenchPlan) -> _Look:
        """Off the event loop: find the export and read on."""
        library = self.joulebook.library
        if self._following is None:
            wanted = Path(plan.file) if plan.file else newest_export(Path(plan.watched).expanduser(), plan.began)
            if wanted is None:
                return _Look(FollowStep.WAITING, None)
            self._following = follow(library, wanted, Facts(kind=plan.kind))
            self._taken = self._run = 0
        following = self._following
        step = following.look()
        if step in {FollowStep.ANEW, FollowStep.WHOLE}:
            self._taken = self._run = 0
        self._run, pieces = _fresh(following, plan.port, self._run, self._taken)
        self._taken += len(pieces)
        said = ""
        if following.problem is not None:
            said = str(following.problem)
        elif step is FollowStep.ASKS and following.inspection is not None:
            asked = following.inspection.questions
            said = asked[0].text if asked else "it can't be read yet"
        return _Look(step, following.path, tuple(pieces), said)

    def _took(self, look: _Look) -> None:
        plan = self.plan
        if plan is None or self._is_filing:
            return
        if look.step in {FollowStep.ANEW, FollowStep.WHOLE}:
            self.trace = GrowingTrace(self.trace.limits)
        for piece in look.pieces:
            self.trace.add(piece)
        if look.path is not None and look.step is not FollowStep.WAITING and str(look.path) != plan.file:
            plan.file = str(look.path)
            self._keep()
        if look.pieces:
            self._changed_at = time.monotonic()
        self._state = self._state_words(look, plan)
        for limit in self.trace.figures().passed:
            if limit.words not in self._rang:
                self._rang.add(limit.words)
                self.app.bell()
                self.tell(f"{limit.words}: passed")
        self._paint()

    def _state_words(self, look: _Look, plan: BenchPlan) -> str:
        name = plain(look.path.name) if look.path is not None else ""
        match look.step:
            case FollowStep.WAITING if look.path is None:
                return f"waiting for an export in {plain(plan.watched)}"
            case FollowStep.WAITING:
                return f"waiting for {name} to hold a table"
            case FollowStep.ASKS:
                return f"{name} asks: {look.said} F5 answers it"
            case FollowStep.REFUSED:
                return f"{name} can't be followed: {look.said}"
            case _:
                still = round(time.monotonic() - self._changed_at) if self._changed_at else 0
                quiet = f", unchanged for {still} s" if still > 3 else ""
                return f"following {name}, {self.trace.samples:,} samples{quiet}"

    def _missed(self, error: Exception) -> None:
        if isinstance(error, OSError):
            self._state = f"can't be read just now ({error.strerror or error}); tried again"
            self._paint()
        else:
            self.tell_failure(error)

    # the end
    def action_file(self) -> None:
        """File the run with all facts; then the next test."""
        plan = self.plan
        if plan is None:
            self.action_choose()
            return
        if self._is_filing:
            return
        if not plan.file:
            self.tell("no export is followed yet: w names it, or the folder it comes into", is_problem=False)
            return
        self._is_filing = True
        library, path, order = self.joulebook.library, Path(plan.file), Order(facts=plan.facts())

        def done(outcome: FileOutcome) -> None:
            self._is_filing = False
            if outcome.status == "refused":
                self.tell(outcome.reason)
                return
            numbers = ", ".join(str(run["run_id"]) for run in outcome.runs)
            word = "runs" if len(outcome.runs) > 1 else "run"
            filed = "filed as" if outcome.status == "imported" else "was filed before as"
            said = f"{plain(path.name)} {filed} {word} {numbers}. enter: the next test of {plan.device}"
            told = [text for run in outcome.runs for text in run.get("warnings", ())]
            self._after_filing(plan, said, told)

        def failed(error: Exception) -> None:
            self._is_filing = False
            self.tell_failure(error)

        self.tell(f"filing {plain(path.name)} ...", is_problem=False)
        self.ask_library("file", lambda: import_file(library, path, order), done, failed=failed, must_run=True)

    def _after_filing(self, plan: BenchPlan, said: str, told: Sequence[str]) -> None:
        self._device = plan.device
        path, place = self.joulebook.settings_path, self.joulebook.library.path
        self.filed = plan
        self.plan = None
        self.ask_library("keep", lambda: keep_plan(path, place, None), lambda _: None, must_run=True)
        self._start_over()
        self._said = (said, *told)
        self._paint()

    def action_next(self) -> None:
        """File the run; where that is done, choose the next test of the device."""
        if self.plan is None and self.filed is not None:
            self._choose_step(self.filed.device, self.filed)
        else:
            self.action_file()

    def action_stop(self) -> None:
        """Stop following; the plan stays."""
        plan = self.plan
        if plan is None:
            return
        plan.watched = plan.file = ""
        self._start_over_following()
        self.tell("not watching any more: w names the export again", is_problem=False)

    def action_import(self) -> None:
        """Look at the export in Import, with its questions."""
        from tui.screens.imports import ImportScreen  # noqa: PLC0415 (loaded when first gone to)

        plan = self.plan
        if plan is None or not plan.file:
            self.tell("no export is followed yet", is_problem=False)
            return
        place, path = ImportScreen(), Path(plan.file)
        self.app.push_screen(place)
        self.app.call_later(place.take_paths, [path])

    # painting
    def _paint(self) -> None:
        if not self.is_attached:
            return
        plan = self.plan
        view = self.query_one("#bench-lines", LinesView)
        if plan is None:
            self.top_line.tell(middle="no test set up")
            width = max(self.query_one("#bench").size.width - 2, 40)
            view.show(said_lines(self._said, self.joulebook.look, width))
            return
        self.top_line.tell(middle=plain(plan.words(), ascii_only=self.joulebook.look.is_ascii))
        room = self.query_one("#bench").size
        state = self._state or ("w names the export to follow" if not plan.watched else "looking")
        lines = bench_lines(
            plan,
            self.trace,
            self.joulebook.look,
            width=max(room.width - 2, 40),
            height=max(room.height, 8),
            state=state,
            expected_s=self._expected_s,
        )
        view.show(lines)


def _fresh(following: Following, port: str, run: int, taken: int) -> tuple[int, list[pl.DataFrame]]:
    """The run that is looked at, the one of the plan's port, else the first; and its pieces not taken yet."""
    runs = following.runs
    if not runs:
        return 0, []
    if taken == 0:
        named = [i for i, found in enumerate(runs) if port and (found.start.port or "").casefold() == port.casefold()]
        run = named[0] if named else 0
    return run, runs[run].pieces[taken:]


def _like(plan: BenchPlan) -> str:
    """Filter words for runs of the same test."""
    words = [
        ("device", plan.device),
        ("kind", plan.kind),
        ("port", plan.port),
        ("mode", plan.mode),
        ("load", plan.load),
    ]
    return " ".join(f'{name}:"{value}"' for name, value in words if value)


def _like_run_s(table: object) -> float | None:
    """How long the newest like run took."""
    rows = table.to_pylist()  # type: ignore[attr-defined]
    value = rows[0].get("duration_s") if rows else None
    return float(value) if value else None


def _limits(claims: tuple[ClaimSheet, ...], plan: BenchPlan) -> list[Limit]:
    """What the maker claims of a temperature at this port."""
    found = []
    for claim in claims:
        is_here = claim.port in {None, "", plan.port} and claim.kind in {None, "", plan.kind}
        is_of_case = claim.quantity == TEMPERATURE_MAX_C.name and claim.bound == "at most"
        if is_of_case and is_here and claim.value is not None:
            found.append(Limit("temperature_c", claim.value, f"claimed: at most {claim.value:g} °C"))
    return found
