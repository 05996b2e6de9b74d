"""What the keys of the import table do: change a cell, fill down, take proposals, join, group, keep a profile.

Knows Textual, the table's model and the library's calls; the screen shows what comes of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from importers.schema import KINDS
from store.errors import StoreError, WrongFact
from store.imports.importer import Order, keep_profile
from store.runs.fact_values import checked_fact
from store.runs.proposals import Proposal
from store.words.clock import as_utc
from tui.render.plain import plain
from tui.screens.base import BaseScreen
from tui.screens.pick import PickScreen
from tui.screens.prompt import PromptScreen
from tui.state.import_facts import COLUMNS, checked_text, facts_of
from tui.state.import_list import ImportEntry, ImportList
from tui.state.pick_list import PickEntry, PickList

if TYPE_CHECKING:
    from store.model.sheet import DeviceSheet

__all__ = ["ImportCells"]

_TYPE = "\0type"
_CLEAR = "\0clear"
"""Choices of a pick list that are no values."""
_WORDS = ("kind", "device", "port", "mode", "load", "meter")
"""Facts that are picked; the others are typed."""


class ImportCells(BaseScreen):
    """The table's part of the import screen."""

    model: ImportList

    def here(self) -> ImportEntry | None:
        """The file under the cursor."""
        raise NotImplementedError

    def below(self) -> list[ImportEntry]:
        """The files below it."""
        raise NotImplementedError

    def order(self, entry: ImportEntry) -> Order:
        """How a file is read."""
        raise NotImplementedError

    def paint(self) -> None:
        """Show what is true now."""
        raise NotImplementedError

    def learn_devices(self) -> None:
        """Look up what facts can be picked from."""
        library = self.joulebook.library

        def call() -> tuple[dict[str, DeviceSheet], dict[str, list[str]]]:
            offered = {name: [f.value for f in library.runs.facets(name)] for name in ("port", "mode", "load")}
            offered["device"] = [d.device for d in library.devices.all()]
            offered["meter"] = [m.name for m in library.meters.all()]
            offered["kind"] = list(KINDS)
            return library.devices.sheets(), offered

        def done(found: tuple[dict[str, DeviceSheet], dict[str, list[str]]]) -> None:
            self.model.table.sheets, self.model.table.offered = found
            self.paint()

        self.ask_library("learn", call, done, keeps_trying=True)

    # cells
    def action_column(self, step: int) -> None:
        """Choose another column."""
        self.model.table.move(step)
        self.paint()

    def action_change(self) -> None:
        """Pick or type the fact under the cursor."""
        entry = self.here()
        if entry is None:
            return
        name = self.model.table.name
        cells = self.model.cells(entry)
        now = cells[name].text
        title = f"{COLUMNS[name][0]} of {plain(entry.path.name, ascii_only=self.joulebook.look.is_ascii)}"

        def ask_text() -> None:
            self.app.push_screen(PromptScreen(title, now), lambda typed: self._put([entry], name, typed or now))

        def take(values: tuple[str, ...] | None) -> None:
            if not values:
                return
            if values[0] == _TYPE:
                ask_text()
            else:
                self._put([entry], name, "" if values[0] == _CLEAR else values[0])

        offers = self.model.table.offers(name, cells) if name in _WORDS else []
        if not offers:
            ask_text()
            return
        choices = [PickEntry(value, value) for value in offers]
        choices += [PickEntry(_TYPE, "type another"), PickEntry(_CLEAR, "nothing")]
        picked = [now] if now in offers else []
        model = PickList(choices, is_many=False, picked=picked, signs=self.joulebook.look.signs)
        self.app.push_screen(PickScreen(title, model), take)

    def action_fill(self) -> None:
        """Give the chosen fact of this file to all below."""
        entry = self.here()
        if entry is None:
            return
        name = self.model.table.name
        text = self.model.cells(entry)[name].text
        self._put([entry, *self.below()], name, text)

    def action_take(self) -> None:
        """Take the proposed facts of this file."""
        entry = self.here()
        self._take([entry] if entry is not None else [])

    def action_take_all(self) -> None:
        """Take the proposed facts of all files."""
        self._take(self.model.entries)

    def _take(self, entries: list[ImportEntry]) -> None:
        taken = 0
        for entry in entries:
            for name, text in self.model.guessed(entry).items():
                self._put([entry], name, text, is_quiet=True)
                taken += 1
        self.tell(f"{taken} proposed facts taken" if taken else "nothing is proposed here", is_problem=False)

    def _put(self, entries: list[ImportEntry], name: str, text: str, *, is_quiet: bool = False) -> None:
        """State a fact of files; of those that are imported it is corrected."""
        try:
            value = checked_text(name, text)
        except WrongFact as wrong:
            self.tell(str(wrong))
            return
        for entry in entries:
            entry.facts[name] = value
        if name == "device":
            self.learn_devices()
        runs = [run for entry in entries for run in entry.run_ids if self._is_in(entry)]
        if runs:
            self._correct(runs, name, value)
        elif not is_quiet:
            self.tell("", is_problem=False)
        self.paint()

    def _is_in(self, entry: ImportEntry) -> bool:
        return entry.outcome is not None and entry.outcome.status == "imported"

    def _correct(self, runs: list[int], name: str, text: str) -> None:
        library = self.joulebook.library
        changes = _as_stored(name, text)

        def done(_: object) -> None:
            self.joulebook.facts_changed()
            self.tell(f"{COLUMNS[name][0]} of run {', '.join(map(str, runs))}: {text or 'nothing'}", is_problem=False)

        self.ask_library(
            "change", lambda: library.runs.edit(runs, changes, reason="stated at import"), done, must_run=True
        )

    # what belongs together
    def look_for_proposals(self) -> None:
        """Ask what the imported runs look like together."""
        library = self.joulebook.library
        runs = [run for entry in self.model.entries if self._is_in(entry) for run in entry.run_ids]
        if not runs:
            self.model.proposals = ()
            return

        def done(found: tuple[Proposal, ...]) -> None:
            self.model.proposals = found
            self.paint()
            if found:
                hows = {proposal.how for proposal in found}
                keys = [text for how, text in (("join", "J joins"), ("group", "G groups")) if how in hows]
                self.tell(f"runs that belong together: {', '.join(keys)} them", is_problem=False)

        self.ask_library("together", lambda: library.imports.proposals(runs), done)

    def action_join(self) -> None:
        """Join the runs that look like parts of one log."""
        self._accept("join", "no files here look like parts of one log")

    def action_group(self) -> None:
        """Group the runs that look simultaneous."""
        self._accept("group", "no files here look simultaneous")

    def _accept(self, how: str, nothing: str) -> None:
        entry = self.here()
        proposal = self.model.proposal_of(entry, how) if entry is not None else None
        if proposal is None:
            self.tell(nothing, is_problem=False)
            return
        library, chosen = self.joulebook.library, proposal

        def done(run_id: int) -> None:
            listed = ", ".join(map(str, chosen.run_ids))
            if how == "join":
                self.model.joined(chosen.run_ids, run_id)
                self.tell(f"runs {listed} are run {run_id} now; `joulebook part {run_id}` takes that back")
            else:
                self.tell(f"runs {listed} are one group now", is_problem=False)
            self.model.proposals = tuple(p for p in self.model.proposals if p != chosen)
            self.paint()
            self.look_for_proposals()

        self.ask_library("change", lambda: library.imports.accept(chosen), done, must_run=True)

    def action_new_run(self) -> None:
        """Import a longer version of a log as a run of its own, or not."""
        entry = self.here()
        if entry is None or entry.outcome is not None or entry.look is None or not entry.look.grown_from:
            self.tell("this file is no longer version of an imported one", is_problem=False)
            return
        entry.is_new_run = not entry.is_new_run
        self.paint()

    def action_profile(self) -> None:
        """Keep how this file is read as a profile."""
        entry = self.here()
        if entry is None or entry.inspection is None or not entry.inspection.is_sure:
            self.tell("a profile is kept from a file without open questions", is_problem=False)
            return
        library, order, path = self.joulebook.library, self.order(entry), entry.path

        def take(name: str | None) -> None:
            if name:
                self.ask_library(
                    "change",
                    lambda: keep_profile(library, path, name, order),
                    lambda place: self.tell(f"kept as profile {name}: {plain(place)}", is_problem=False),
                    failed=lambda error: self.tell(
                        self.joulebook.sentence_of(error, is_expected=isinstance(error, StoreError))
                    ),
                    must_run=True,
                )

        self.app.push_screen(PromptScreen("name of the profile"), take)


def _as_stored(name: str, text: str) -> dict[str, Any]:
    """A fact as `edit_runs` takes it."""
    if name == "started":
        started = facts_of({"started": text}).started
        return {"started_at": as_utc(started) if started is not None else None}
    stored = "load_set" if name == "load" else name
    return {stored: checked_fact(stored, text or None)}
