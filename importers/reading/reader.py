"""A file and its plan -> runs: pieces of text are parsed and pushed to a sink in bounded memory.

Composes `parsing` and `runs`. Decides nothing about columns: that is `decide`'s.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from importers.decide.plan import Plan
from importers.problems import ImportRefused
from importers.reading.runs import Runs
from importers.schema import Facts, ImportedRun, ImportSink, LineAccount
from importers.text.bytesview import Piece
from importers.text.parsing import Known, Parsed, ParsedText, Parser
from importers.text.rowset import Rows, Tally, name_of
from importers.vocabulary.words import Vocabulary

__all__ = ["Outcome", "parse_text", "read_parsed", "read_runs"]

_HOLD = 512 << 20
"""Text of a file with its last sample first [bytes] that is kept in memory."""


@dataclass(slots=True)
class Outcome:
    """What reading found."""

    runs: list[ImportedRun]
    tally: Tally
    samples: int

    def account(self, plan: Plan) -> LineAccount:
        """Account for every line; a line that gives a sample to each of several ports counts once."""
        per_line = len(plan.runs)
        tally = self.tally
        return LineAccount(
            tally.lines,
            self.samples // max(per_line, 1),
            tally.header,
            tally.preamble,
            tally.blank,
            tally.totals,
            tally.problems,
            tally.continued,
        )


class _Intake:
    """Hands rows to the runs in order of time: those of a file with its last sample first, from its end."""

    def __init__(self, plan: Plan, runs: Runs, file: str) -> None:
        self.plan, self.runs, self.file = plan, runs, file
        self.held: list[Parsed] = []
        self.held_bytes = 0

    def take(self, parsed: Parsed) -> None:
        """Take the next rows of the file."""
        if not self.plan.clock.is_descending:
            self.runs.take(parsed)
            return
        self.held_bytes += parsed.size
        if self.held_bytes > _HOLD:
            raise ImportRefused.because(
                "descending-large",
                f"{self.file} holds its last sample first and is larger than {_HOLD >> 20} MB. Sort it by time first.",
                file=self.file,
            )
        wanted = set(self.plan.date_clock.columns if self.plan.date_clock else ())
        wanted |= {part.index for part in self.plan.parts}
        back = _reversed(parsed)
        kept = back.rows.cells.select(name_of(i) for i in sorted(wanted))
        self.held.append(replace(back, rows=replace(back.rows, cells=kept)))

    def finish(self) -> None:
        """Hand on what was held."""
        for parsed in reversed(self.held):
            self.runs.take(parsed)
        self.held.clear()
        self.runs.finish()


def _reversed(parsed: Parsed) -> Parsed:
    rows, n = parsed.rows, len(parsed.raw)
    lines = (
        pl.Series("line", np.arange(rows.lines + n - 1, rows.lines - 1, -1, dtype=np.int64)).cast(pl.UInt32)
        if isinstance(rows.lines, int)
        else rows.lines.reverse()
    )
    back = Rows(rows.cells.reverse(), lines, tuple(n - r for r in rows.restarts))
    return replace(
        parsed, rows=back, raw=parsed.raw[::-1].copy(), channels={i: s.reverse() for i, s in parsed.channels.items()}
    )


def read_runs(
    pieces: Iterable[Piece],
    plan: Plan,
    words: Vocabulary,
    sink: ImportSink,
    facts: Facts,
    answers: Mapping[str, str],
    file: str,
    progress: Callable[[int], None] | None = None,
) -> Outcome:
    """Read all pieces by the plan.

    Raises:
        ImportRefused: what comes up while reading can't be settled.
    """
    parser = Parser(plan, words, file)
    tally = Tally()
    runs = Runs(plan, sink, facts, answers, file, tally)
    intake = _Intake(plan, runs, file)
    with contextlib.closing(_parsed_ahead(pieces, parser)) as parsed_pieces:
        for size, found, parsed in parsed_pieces:
            tally.add(found)
            if parsed is not None:
                intake.take(parsed)
            if progress is not None:
                progress(size)
    parser.refuse_bad_columns()
    intake.finish()
    return Outcome(runs.closed, tally, runs.samples)


def _parsed_ahead(pieces: Iterable[Piece], parser: Parser) -> Generator[tuple[int, Tally, Parsed | None]]:
    """Each piece's size [bytes], its lines that are no samples, and its rows.

    Of several pieces the next is read and parsed by a thread of its own while one is worked on.
    """
    coming = iter(pieces)

    def parse() -> tuple[bool, tuple[int, Tally, Parsed | None]]:
        piece = next(coming)
        parser.tally = Tally()
        parsed = parser.parse(piece)
        return piece.is_last, (len(piece.text), parser.tally, parsed)

    is_last, found = parse()
    if is_last:
        yield found
        return
    with ThreadPoolExecutor(1, thread_name_prefix="parse") as beside:
        while not is_last:
            following = beside.submit(parse)
            yield found
            is_last, found = following.result()
        yield found


def parse_text(piece: Piece, known: Known, plan: Plan, words: Vocabulary, file: str) -> ParsedText:
    """Parse a whole text of one piece, from rows that were read of it before.

    Raises:
        ImportRefused: a column is misread.
    """
    parser = Parser(plan, words, file)
    parsed = parser.parse(piece, known)
    parser.refuse_bad_columns()
    return ParsedText((parsed,) if parsed is not None else (), parser.tally)


def read_parsed(
    text: ParsedText, plan: Plan, sink: ImportSink, facts: Facts, answers: Mapping[str, str], file: str
) -> Outcome:
    """Read a text that was parsed by this plan before: what follows parsing, anew.

    Raises:
        ImportRefused: what comes up while reading can't be settled.
    """
    tally = text.own_tally()
    runs = Runs(plan, sink, facts, answers, file, tally)
    intake = _Intake(plan, runs, file)
    for parsed in text.pieces:
        intake.take(parsed)
    intake.finish()
    return Outcome(runs.closed, tally, runs.samples)
