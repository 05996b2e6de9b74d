"""Files on their way into the library: what was made of each, what is asked, what became of it.

Knows inspections and outcomes; no Textual, reads no file.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from importers import Inspection
from importers.schema import Facts
from store.imports.guesses import LogLook
from store.imports.importer import FileOutcome
from store.runs.proposals import Proposal
from tui.render import format as fmt
from tui.render.plain import fit, plain, width_of
from tui.state.import_facts import COLUMNS, ROOMY, FactCell, FactTable, facts_of
from tui.state.lines import Line, line, pad_to
from tui.state.look import Look

__all__ = ["ImportEntry", "ImportList", "Pace"]

TOLD_AFTER_S = 1.0
"""Time left is told once so much has passed: before, it jumps."""
_MOST = {0: 24, 1: 22, 2: 8, 3: 8, 4: 6}
"""Cells that a column of the table of columns may take; the last takes what is left."""
GUTTER = 2
"""Cells before a row for the cursor's sign."""
_BECAUSE = 5
_LEAST_BECAUSE = 24
"""A reason stands beside its column where so many cells are left for it, else under it."""


@dataclass(slots=True)
class ImportEntry:
    """One file."""

    path: Path
    inspection: Inspection | None = None
    answers: dict[str, str] = field(default_factory=dict)
    refused: str = ""
    outcome: FileOutcome | None = None
    is_reading: bool = False
    is_watched: bool = False
    """Imported by itself once it is sure: it comes from a folder that is watched."""
    share: float = 0.0
    left_s: float | None = None
    """Until all files that are being imported are in [s]."""
    look: LogLook | None = None
    """What its log suggests; None until it was read."""
    facts: dict[str, str] = field(default_factory=dict)
    """Facts stated for this file alone."""
    is_new_run: bool = False
    """A longer version of an imported log becomes a run of its own."""
    run_ids: tuple[int, ...] = ()
    """Its runs as they are now: joining gives them another number."""

    @property
    def is_sure(self) -> bool:
        """Whether it can be imported as it is."""
        is_open = self.outcome is None and not self.refused and not self.is_reading
        return is_open and self.inspection is not None and self.inspection.is_sure

    @property
    def questions(self) -> list[Any]:
        """Questions that are still open."""
        if self.inspection is None or self.outcome is not None:
            return []
        return [q for q in self.inspection.questions if q.id not in self.answers] or list(
            () if self.inspection.is_sure else self.inspection.questions
        )


@dataclass(slots=True)
class Pace:
    """How long an import has left, by the bytes of its files that were read."""

    begun_s: float
    """On any clock that only advances."""
    sizes: Mapping[Path, int]

    def left_s(self, entries: Iterable[ImportEntry], now_s: float) -> float | None:
        """Whole seconds left [s]; None before enough was read to tell."""
        total = sum(self.sizes.values())
        read = sum(
            self.sizes[e.path] * (e.share if e.is_reading else 1.0)
            for e in entries
            if e.path in self.sizes and (e.is_reading or e.outcome is not None or e.refused)
        )
        elapsed = now_s - self.begun_s
        if elapsed < TOLD_AFTER_S or read <= 0 or not total:
            return None
        return float(max(1, round(elapsed * (total - read) / read)))


@dataclass(slots=True)
class ImportList:
    """Files in the order in which they were named."""

    look: Look
    entries: list[ImportEntry] = field(default_factory=list)
    pace: Pace | None = None
    table: FactTable = field(default_factory=FactTable)
    proposals: tuple[Proposal, ...] = ()
    """What the imported runs look like together."""
    imported: list[int] = field(default_factory=list)
    """Runs that were imported here, as they are now."""

    def forget_imported(self) -> None:
        """Files that are in the library leave the list; the others stay with their answers and facts."""
        self.entries = [e for e in self.entries if e.outcome is None or e.outcome.status == "refused"]
        self.proposals, self.imported = (), []

    def begin(self, entries: Sequence[ImportEntry], now_s: float) -> None:
        """Tell that these are about to be imported."""
        self.pace = Pace(now_s, {e.path: e.inspection.view.size for e in entries if e.inspection is not None})

    def show_share(self, entry: ImportEntry, share: float, now_s: float) -> None:
        """Tell how much of a file was read."""
        entry.share = share
        entry.left_s = self.pace.left_s(self.entries, now_s) if self.pace else None

    def add(self, paths: list[Path]) -> list[ImportEntry]:
        """Take files that are not in the list yet."""
        known = {e.path for e in self.entries}
        fresh = [ImportEntry(path) for path in dict.fromkeys(paths) if path not in known]
        self.entries += fresh
        return fresh

    def renew(self, path: Path) -> ImportEntry:
        """A file that changed since: looked at anew, in its old place; a new one comes last."""
        fresh = ImportEntry(path, is_watched=True)
        for index, entry in enumerate(self.entries):
            if entry.path == path:
                self.entries[index] = fresh
                return fresh
        self.entries.append(fresh)
        return fresh

    def sure(self) -> list[ImportEntry]:
        """What can be imported as it is."""
        return [e for e in self.entries if e.is_sure]

    def state_words(self, entry: ImportEntry) -> tuple[str, str]:
        """What is known of a file, in words, with a role."""
        ascii_only = self.look.is_ascii
        if entry.is_reading and entry.share >= 1.0:
            return "read: its results are being worked out", "accent"
        if entry.is_reading:
            left = f", {_left_words(entry.left_s)} left" if entry.left_s is not None else ""
            in_all = " in all" if left and self.pace is not None and len(self.pace.sizes) > 1 else ""
            return f"reading {entry.share:.0%}{left}{in_all}", "accent"
        if entry.outcome is not None:
            return self._outcome_words(entry, entry.outcome)
        if entry.refused:
            return plain(entry.refused, ascii_only=ascii_only), "warn"
        if entry.inspection is None:
            return "looking", "dim"
        words = plain(entry.inspection.summary, ascii_only=ascii_only)
        asked = len(entry.questions)
        if not entry.is_sure:
            return f"{asked} question{'' if asked == 1 else 's'}: {words}", "warn"
        return words, ""

    def _outcome_words(self, entry: ImportEntry, outcome: FileOutcome) -> tuple[str, str]:
        runs = ", ".join(str(r) for r in entry.run_ids or outcome.run_ids)
        if outcome.status == "imported":
            replaced = ", ".join(str(run["grown_from"]) for run in outcome.runs if "grown_from" in run)
            more = f", replaces run {replaced} (longer version)" if replaced else ""
            warned = any(run.get("warnings") for run in outcome.runs)
            return f"imported as run {runs}{more}", "warn" if warned else "accent"
        if outcome.status == "already" and outcome.is_beginning:
            return f"beginning of run {runs}: nothing to add", "dim"
        if outcome.status == "already":
            return f"already here as run {runs}", "dim"
        return plain(outcome.reason or outcome.status, ascii_only=self.look.is_ascii), "warn"

    def cells(self, entry: ImportEntry) -> dict[str, FactCell]:
        """Facts of a file."""
        return self.table.cells(entry.facts, entry.look)

    def facts(self, entry: ImportEntry) -> Facts:
        """Facts that its import states: proposals only once they are taken."""
        texts = {**self.table.stated, **entry.facts}
        return facts_of(texts)

    def guessed(self, entry: ImportEntry) -> dict[str, str]:
        """Proposed facts that were not taken yet."""
        return {name: cell.text for name, cell in self.cells(entry).items() if cell.is_guess}

    def proposal_of(self, entry: ImportEntry, how: str) -> Proposal | None:
        """What is proposed for a file's runs; for any file where none is for this one."""
        fitting = [proposal for proposal in self.proposals if proposal.how == how]
        mine = [p for p in fitting if set(p.run_ids) & set(entry.run_ids)]
        return next(iter(mine or fitting), None)

    def joined(self, run_ids: Sequence[int], into: int) -> None:
        """Runs are one now."""
        for entry in self.entries:
            entry.run_ids = tuple(dict.fromkeys(into if i in run_ids else i for i in entry.run_ids))
        self.imported = list(dict.fromkeys(into if i in run_ids else i for i in self.imported))

    def _bracket(self, index: int) -> str:
        """The sign before a file whose run belongs with another's: of one log, or of one moment."""
        mine = set(self.entries[index].run_ids)
        for proposal in self.proposals:
            if not mine & set(proposal.run_ids):
                continue
            there = [i for i, e in enumerate(self.entries) if set(e.run_ids) & set(proposal.run_ids)]
            if proposal.how == "group":
                return "=" if self.look.is_ascii else "═"
            signs = "/|\\" if self.look.is_ascii else "┌│└"
            return signs[0] if index == there[0] else signs[2] if index == there[-1] else signs[1]
        return ""

    def _names(self, width: int) -> int:
        longest = max((width_of(plain(e.path.name)) for e in self.entries), default=4)
        return min(max(longest, 4), max(width // 5, 14))

    def head_line(self, width: int) -> Line:
        """Heads of the table, over rows that leave the cursor's sign its room."""
        width -= GUTTER
        return self.table.head_line(self._names(width), width)

    def row_line(self, index: int, width: int, *, is_here: bool = False) -> Line | None:
        """One file, without the cursor's sign."""
        if index >= len(self.entries):
            return None
        entry = self.entries[index]
        return self.table.row_line(
            (self._bracket(index), entry.path.name),
            self.cells(entry),
            self._short_state(entry, is_narrow=width < ROOMY),
            names=self._names(width),
            width=width,
            is_here=is_here,
            ascii_only=self.look.is_ascii,
        )

    def _short_state(self, entry: ImportEntry, *, is_narrow: bool) -> tuple[str, str]:
        """What became of a file in a word or two; in full it stands below the table."""
        words, role = self.state_words(entry)
        if entry.is_reading or entry.outcome is not None:
            short = words.removeprefix("imported as ").removeprefix("already here as ")
            return short if is_narrow else words, role
        if entry.refused:
            return "refused", role
        if entry.inspection is None:
            return words, role
        asked = len(entry.questions)
        if asked and not entry.is_sure:
            return f"{asked} question{'' if asked == 1 else 's'}", role
        if not entry.is_sure:
            return "not readable", "warn"
        longer = " longer" if entry.look is not None and entry.look.grown_from and not entry.is_new_run else ""
        return f"sure {100 * entry.inspection.confidence:.0f} %{longer}", ""

    def summary(self) -> str:
        """How many of each."""
        done = [e.outcome for e in self.entries if e.outcome is not None]
        counts = {
            "imported": sum(o.status == "imported" for o in done),
            "already here": sum(o.status == "already" for o in done),
            "refused": sum(o.status == "refused" for o in done) + sum(bool(e.refused) for e in self.entries),
            "being read": sum(e.is_reading for e in self.entries),
            "looked at": sum(e.inspection is None and not e.refused and e.outcome is None for e in self.entries),
            "sure": len(self.sure()),
            "with questions": sum(bool(e.questions) and not e.is_sure and not e.is_reading for e in self.entries),
        }
        shown = [f"{fmt.count(n)} {name}" for name, n in counts.items() if n]
        return ", ".join(shown) or "no files yet: / names a file or a folder"

    def detail_lines(self, entry: ImportEntry, width: int) -> list[Line]:
        """Questions first, then columns with what each was taken for and why."""
        ascii_only = self.look.is_ascii
        lines: list[Line] = self._about(entry, width)
        for question in entry.questions:
            lines += _wrapped("? ", question.text, width, "warn", ascii_only=ascii_only)
            for choice in question.choices:
                lines += _wrapped("  ", choice.label, width, "", ascii_only=ascii_only)
            lines += [line(("  a answers it", "dim")), ()]
        if entry.inspection is None:
            return lines
        found = entry.inspection
        for problem in found.problems:
            if problem.severity != "question":
                lines += _wrapped("! ", problem.message, width, "warn", ascii_only=ascii_only)
        shape = [f"{found.encoding}", f"delimiter {_sign_words(found.delimiter)}", f"decimal {found.decimal}"]
        if found.profile:
            shape.append(f"profile {found.profile}")
        lines += [line((plain("  ".join(shape), ascii_only=ascii_only), "dim")), ()]
        lines += self._column_lines(found, width)
        return [pad_to(of, width) for of in lines]

    def _about(self, entry: ImportEntry, width: int) -> list[Line]:
        """The file by its whole name, what became of it, reasons for what is proposed or contradicted."""
        ascii_only = self.look.is_ascii
        words, role = self.state_words(entry)
        lines = _wrapped("", f"{entry.path.name}: {words}", width, role, ascii_only=ascii_only)
        for name, cell in self.cells(entry).items():
            if cell.is_contradicted:
                told = f"{COLUMNS[name][0]} {cell.text}: {cell.reason}"
                lines += _wrapped("! ", told, width, "warn", ascii_only=ascii_only)
        guesses: dict[str, list[str]] = {}
        for cell in self.cells(entry).values():
            if cell.is_guess:
                guesses.setdefault(cell.reason, []).append(cell.text)
        if guesses:
            told = "; ".join(f"{', '.join(texts)} ({why})" for why, texts in guesses.items())
            told = f"proposed: {told}. y takes them"
            lines += _wrapped("? ", told, width, "dim", ascii_only=ascii_only)
        if entry.outcome is None and entry.look is not None and entry.look.grown_from:
            runs = ", ".join(map(str, entry.look.grown_from))
            told = f"It begins with all of run {runs}: imported, it "
            told += "becomes a run of its own" if entry.is_new_run else "takes that run's place with its facts"
            lines += _wrapped("? ", told + ". o changes that", width, "accent", ascii_only=ascii_only)
        for proposal in self.proposals:
            if set(proposal.run_ids) & set(entry.run_ids):
                runs = ", ".join(map(str, proposal.run_ids))
                what = "look like parts of one log" if proposal.how == "join" else "look simultaneous"
                key = "J joins them" if proposal.how == "join" else "G groups them"
                told = f"Runs {runs} {what}: {proposal.reason}. {key}"
                lines += _wrapped("? ", told, width, "accent", ascii_only=ascii_only)
        for run in entry.outcome.runs if entry.outcome is not None else ():
            for warning in run.get("warnings", ()):
                lines += _wrapped("! ", str(warning), width, "warn", ascii_only=ascii_only)
        return [*lines, ()]

    def _column_lines(self, found: Inspection, width: int) -> list[Line]:
        ascii_only = self.look.is_ascii
        rows = [
            (
                plain(c.name, ascii_only=ascii_only),
                plain(c.channel or "not used", ascii_only=ascii_only),
                plain(self.look.signs.unit(fmt.clock_form(c.unit or "")), ascii_only=ascii_only),
                "" if c.channel is None or c.factor in (None, 1) else f"{c.factor:g}",
                plain(c.port or "", ascii_only=ascii_only),
                plain(c.reason, ascii_only=ascii_only),
            )
            for c in found.columns
        ]
        heads = ("in the file", "taken for", "unit", "factor", "port", "reason")
        kept = [i for i, h in enumerate(heads) if i < 3 or any(row[i] for row in rows)]
        wide = {i: min(max([width_of(heads[i]), *(width_of(r[i]) for r in rows)]), _MOST.get(i, width)) for i in kept}
        room = width - sum(w + 2 for i, w in wide.items() if i != _BECAUSE)
        is_beside = room >= _LEAST_BECAUSE
        names = [i for i in kept if i != _BECAUSE or is_beside]
        lines = [line(("  ".join(heads[i] if i == _BECAUSE else fit(heads[i], wide[i]) for i in names), "head"))]
        for row, column in zip(rows, found.columns, strict=True):
            role = "dim" if column.channel is None else ""
            first = "  ".join(fit(row[i], wide[i]) for i in kept if i != _BECAUSE)
            why = textwrap.wrap(row[_BECAUSE], room if is_beside else max(width - 4, 8)) or [""]
            if is_beside:
                lines.append(line((f"{first}  {why[0]}", role)))
                lines += [line((" " * (width_of(first) + 2) + more, role)) for more in why[1:]]
            else:
                lines += [line((first, role)), *(line(("    " + more, "dim")) for more in why if more)]
        return lines


def _wrapped(sign: str, text: str, width: int, role: str, *, ascii_only: bool) -> list[Line]:
    """A sentence on as many lines as it needs, the later ones set in."""
    parts = textwrap.wrap(plain(text, ascii_only=ascii_only), max(width - 2, 8)) or [""]
    return [line((("  " if index else sign) + part, role)) for index, part in enumerate(parts)]


def _sign_words(sign: str | None) -> str:
    return {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar", " ": "blank"}.get(sign or "", sign or "none")


def facts_words(facts: Mapping[str, Any]) -> str:
    """Facts that hold for all files, in one line."""
    stated = [f"{name.replace('_', ' ')} {value}" for name, value in facts.items() if value not in (None, "")]
    return "  ".join(stated)


def _left_words(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 60.0 else fmt.span_words(seconds)
