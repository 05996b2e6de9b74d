"""Files on their way into the library: what was made of each, what is asked, what became of it.

Knows inspections and outcomes; no Textual, reads no file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from importers import Inspection
from tui import format as fmt
from tui.ingest import FileOutcome
from tui.models.lines import Line, line, pad_to
from tui.models.look import Look
from tui.plain import fit, plain, width_of

__all__ = ["Entry", "ImportList"]


@dataclass(slots=True)
class Entry:
    """One file."""

    path: Path
    inspection: Inspection | None = None
    answers: dict[str, str] = field(default_factory=dict)
    refused: str = ""
    outcome: FileOutcome | None = None
    is_reading: bool = False
    share: float = 0.0

    @property
    def is_sure(self) -> bool:
        """Whether it can be imported as it is."""
        return self.outcome is None and not self.refused and self.inspection is not None and self.inspection.is_sure

    @property
    def questions(self) -> list[Any]:
        """Questions that are still open."""
        if self.inspection is None or self.outcome is not None:
            return []
        return [q for q in self.inspection.questions if q.id not in self.answers] or list(
            () if self.inspection.is_sure else self.inspection.questions
        )


@dataclass(slots=True)
class ImportList:
    """Files in the order in which they were named."""

    look: Look
    entries: list[Entry] = field(default_factory=list)

    def add(self, paths: list[Path]) -> list[Entry]:
        """Take files that are not in the list yet."""
        known = {e.path for e in self.entries}
        fresh = [Entry(path) for path in dict.fromkeys(paths) if path not in known]
        self.entries += fresh
        return fresh

    def sure(self) -> list[Entry]:
        """What can be imported as it is."""
        return [e for e in self.entries if e.is_sure]

    def state_words(self, entry: Entry) -> tuple[str, str]:
        """What is known of a file, in words, with a role."""
        ascii_only = self.look.is_ascii
        if entry.is_reading:
            return f"reading {entry.share:.0%}", "accent"
        if entry.outcome is not None:
            return self._outcome_words(entry.outcome)
        if entry.refused:
            return plain(entry.refused, ascii_only=ascii_only), "warn"
        if entry.inspection is None:
            return "looking", "dim"
        words = plain(entry.inspection.summary, ascii_only=ascii_only)
        asked = len(entry.questions)
        if not entry.is_sure:
            return f"{asked} question{'' if asked == 1 else 's'}: {words}", "warn"
        return words, ""

    def _outcome_words(self, outcome: FileOutcome) -> tuple[str, str]:
        runs = ", ".join(str(r) for r in outcome.run_ids)
        if outcome.status == "imported":
            return f"imported as run {runs}", "accent"
        if outcome.status == "already":
            return f"already here as run {runs}", "dim"
        return plain(outcome.reason or outcome.status, ascii_only=self.look.is_ascii), "warn"

    def row_line(self, index: int, width: int) -> Line | None:
        """One file, without the cursor's sign."""
        if index >= len(self.entries):
            return None
        entry = self.entries[index]
        names = min(max(width_of(plain(e.path.name)) for e in self.entries), max(width // 3, 12))
        words, role = self.state_words(entry)
        return line(" ", fit(plain(entry.path.name, ascii_only=self.look.is_ascii), names), "  ", (words, role))

    def summary(self) -> str:
        """How many of each."""
        done = [e.outcome for e in self.entries if e.outcome is not None]
        counts = {
            "imported": sum(o.status == "imported" for o in done),
            "already here": sum(o.status == "already" for o in done),
            "refused": sum(o.status == "refused" for o in done) + sum(bool(e.refused) for e in self.entries),
            "sure": len(self.sure()),
            "with questions": sum(bool(e.questions) and not e.is_sure for e in self.entries),
        }
        shown = [f"{fmt.count(n)} {name}" for name, n in counts.items() if n]
        return ", ".join(shown) or "no files yet: / names a file or a folder"

    def detail_lines(self, entry: Entry, width: int) -> list[Line]:
        """Questions first, then columns with what each was taken for and why."""
        ascii_only = self.look.is_ascii
        lines: list[Line] = []
        for question in entry.questions:
            lines.append(line(("? " + plain(question.text, ascii_only=ascii_only), "warn")))
            choices = "   ".join(
                plain(label, ascii_only=ascii_only) for label in (choice.label for choice in question.choices)
            )
            lines += [line("  ", (choices, "")), line(("  a answers it", "dim")), ()]
        if entry.inspection is None:
            return lines
        found = entry.inspection
        for problem in found.problems:
            if problem.severity != "question":
                lines.append(line(("! " + plain(problem.message, ascii_only=ascii_only), "warn")))
        shape = [f"{found.encoding}", f"delimiter {_sign_words(found.delimiter)}", f"decimal {found.decimal}"]
        if found.profile:
            shape.append(f"profile {found.profile}")
        lines += [line((plain("  ".join(shape), ascii_only=ascii_only), "dim")), ()]
        lines += self._column_lines(found, width)
        return [pad_to(of, width) for of in lines]

    def _column_lines(self, found: Inspection, width: int) -> list[Line]:
        ascii_only = self.look.is_ascii
        rows = [
            (
                plain(c.name, ascii_only=ascii_only),
                plain(c.channel or "not used", ascii_only=ascii_only),
                plain(self.look.signs.unit(c.unit or ""), ascii_only=ascii_only),
                "" if c.channel is None or c.factor in (None, 1) else f"{c.factor:g}",
                plain(c.port or "", ascii_only=ascii_only),
                plain(c.reason, ascii_only=ascii_only),
            )
            for c in found.columns
        ]
        heads = ("in the file", "taken for", "unit", "times", "port", "because")
        most = (24, 22, 8, 8, 6, max(width - 60, 12))
        wide = [
            min(max(width_of(h), *(width_of(r[i]) for r in rows)) if rows else width_of(h), most[i])
            for i, h in enumerate(heads)
        ]
        lines = [line(("  ".join(fit(h, w) for h, w in zip(heads, wide, strict=True)), "head"))]
        for row, column in zip(rows, found.columns, strict=True):
            role = "dim" if column.channel is None else ""
            lines.append(line(("  ".join(fit(c, w) for c, w in zip(row, wide, strict=True)), role)))
        return lines


def _sign_words(sign: str | None) -> str:
    return {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar", " ": "blank"}.get(sign or "", sign or "none")


def facts_words(facts: Mapping[str, Any]) -> str:
    """Facts that hold for all files, in one line."""
    stated = [f"{name.replace('_', ' ')} {value}" for name, value in facts.items() if value not in (None, "")]
    return "  ".join(stated)
