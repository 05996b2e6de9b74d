"""A growing export, read on as its meter's software writes: every line is parsed once, however long the file gets.

Composes `inspecting` and `reader`. Stores nothing: what was followed is imported from the file once it is whole.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

import polars as pl

from importers.problems import ImportRefused
from importers.profiles.profile import Profile
from importers.reading.inspecting import inspect
from importers.reading.inspection import Inspection
from importers.reading.runs import Runs
from importers.schema import Facts, RunSink, RunStart
from importers.text.growing import FileChange, GrowingText
from importers.text.parsing import Parser
from importers.text.rowset import Tally

__all__ = ["FollowStep", "Followed", "Following"]


class FollowStep(Enum):
    """What a look at a growing export found."""

    WAITING = "waiting"
    """No file yet, or no table in it yet."""
    ASKS = "asks"
    """It can be read in more than one way: see the inspection's questions."""
    REFUSED = "refused"
    """It can't be read: see the problem."""
    GROWN = "grown"
    STILL = "still"
    ANEW = "anew"
    """It was written anew: all that was followed before is void, and what is there now was read."""
    WHOLE = "whole"
    """Its form can't be read on (a workbook, an archive): it was read whole once more, as far as it is."""


@dataclass(slots=True)
class Followed:
    """One run within the file, as far as it was read."""

    start: RunStart
    pieces: list[pl.DataFrame] = field(default_factory=list)
    """`t_s` and channels, in order of time; whoever takes them may put them together."""

    def write(self, samples: pl.DataFrame) -> None:
        """Take the next samples."""
        self.pieces.append(samples)


class _Sink:
    def __init__(self) -> None:
        self.runs: list[Followed] = []

    def open_run(self, start: RunStart) -> RunSink:
        found = Followed(start)
        self.runs.append(found)
        return found


class Following:
    """Follows one file.

    Args:
        path: the export; it may not be there yet, and may go away for a while.
        facts: what the tester states.
        profiles: a person's own profiles.
        zone: IANA name by which local times are read.
    """

    def __init__(
        self,
        path: Path,
        *,
        facts: Facts | None = None,
        profiles: Iterable[Profile] = (),
        zone: str = "UTC",
    ) -> None:
        self.path = path
        self.facts = facts or Facts()
        self.inspection: Inspection | None = None
        self.problem: ImportRefused | None = None
        self._profiles = tuple(profiles)
        self._zone = zone
        self._sink = _Sink()
        self._text: GrowingText | None = None
        self._parser: Parser | None = None
        self._reader: Runs | None = None
        self._seen: tuple[int, int] | None = None
        """Size and time of change at the last inspection."""

    @property
    def runs(self) -> list[Followed]:
        """Runs of the file, one for each port, and one more after each restart of its clock."""
        return self._sink.runs

    def look(self) -> FollowStep:
        """Read what was written since the last look.

        Raises:
            OSError: the file can't be read just now; the next look goes on.
        """
        if self._text is None:
            return self._begin()
        match self._text.look():
            case FileChange.GONE:
                return FollowStep.STILL
            case FileChange.SAME:
                return FollowStep.STILL
            case FileChange.ANEW:
                self._forget()
                found = self._begin()
                return FollowStep.ANEW if found is FollowStep.GROWN else found
            case FileChange.GROWN:
                return self._read_on()

    def _forget(self) -> None:
        self._sink = _Sink()
        self._text = self._parser = self._reader = self._seen = None

    def _begin(self) -> FollowStep:
        try:
            facts = self.path.stat()
        except FileNotFoundError:
            return FollowStep.WAITING
        mark = (facts.st_size, facts.st_mtime_ns)
        if mark == self._seen:
            return self._standing()
        self._seen, self.problem = mark, None
        try:
            self.inspection = inspect(self.path, profiles=self._profiles, zone=self._zone)
        except ImportRefused as refused:
            self.inspection, self.problem = None, refused
            return FollowStep.WAITING
        plan = self.inspection.plan
        if plan is None or not self.inspection.is_sure:
            return FollowStep.ASKS
        self._sink = _Sink()
        view = self.inspection.view
        if view.packing is not None or view.recast is not None or plan.clock.is_descending:
            return self._whole()
        self._text = GrowingText(view)
        self._parser = Parser(plan, self.inspection.words, self.path.name)
        self._reader = Runs(plan, self._sink, self.facts, {}, self.path.name, Tally())
        return self._read_on()

    def _standing(self) -> FollowStep:
        if self.problem is not None:
            return FollowStep.WAITING
        if self.inspection is not None and not self.inspection.is_sure:
            return FollowStep.ASKS
        return FollowStep.STILL

    def _whole(self) -> FollowStep:
        from importers.reading.importing import read  # noqa: PLC0415 - a form that is seldom followed

        if self.inspection is None:
            return FollowStep.WAITING
        try:
            read(self.path, self.inspection, self._sink, facts=self.facts)
        except ImportRefused as refused:
            self.problem = refused
            return FollowStep.REFUSED
        return FollowStep.WHOLE

    def _read_on(self) -> FollowStep:
        if self._text is None or self._parser is None or self._reader is None:
            return FollowStep.WAITING
        grown = False
        try:
            for piece in self._text.more():
                self._parser.tally = Tally()
                parsed = self._parser.parse(piece)
                if parsed is not None:
                    self._reader.take(parsed)
                    grown = True
        except ImportRefused as refused:
            self.problem = refused
            return FollowStep.REFUSED
        return FollowStep.GROWN if grown else FollowStep.STILL
