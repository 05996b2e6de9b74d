"""An action: what it is called, what it asks, what it shows before it is done, and what it does.

Knows the library and text; no Textual. `tui/screens/actions.py` carries actions out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from store.model.document import Cell, Document, Paragraph, Table, words
from store.model.document import TableColumn as Head
from tui.state.sheet_draft import Field

if TYPE_CHECKING:
    from store import Library

__all__ = [
    "REASON",
    "Action",
    "ActionWork",
    "Done",
    "Form",
    "Listing",
    "ListingRow",
    "Report",
    "Subject",
    "UndoCall",
    "Unfit",
    "number_in",
    "page",
    "runs_in",
    "things",
    "yes",
]

Report = Callable[[int, int], None]
"""Called with (done, total) while work goes on."""
_SPAN = re.compile(r"(\d{1,9})(?:-(\d{1,9}))?", re.ASCII)
MOST_IN_SPAN = 100_000
REASON = Field("reason", "reason", hint="for the record")
"""The field that most forms end with."""


class Unfit(ValueError):  # noqa: N818 (named as what was typed is called)
    """Something typed that can't be: the field it stands in, and what it should be."""

    def __init__(self, at: str, message: str) -> None:
        super().__init__(message)
        self.field = at


@dataclass(frozen=True, slots=True)
class Subject:
    """What is marked, or under the cursor, where the action was asked for."""

    runs: tuple[int, ...] = ()
    devices: tuple[str, ...] = ()
    key: str = ""
    """A row of a listing."""

    @property
    def runs_text(self) -> str:
        """The runs as one types them: `12 14-18`."""
        parts: list[list[int]] = []
        for run in sorted(set(self.runs)):
            if parts and run == parts[-1][1] + 1:
                parts[-1][1] = run
            else:
                parts.append([run, run])
        return " ".join(f"{one}" if one == other else f"{one}-{other}" for one, other in parts)


@dataclass(frozen=True, slots=True)
class Form:
    """What an action asks, with what it proposes."""

    title: str
    fields: tuple[Field, ...]
    texts: Mapping[str, str] = field(default_factory=dict)
    first: str = ""
    """The field to begin with; the first that is empty unless named."""


@dataclass(frozen=True, slots=True)
class UndoCall:
    """Something done, and the call that takes it back."""

    words: str
    call: Callable[[Library], object]

    def take_back(self, library: Library) -> None:
        """Put back what was."""
        self.call(library)


@dataclass(frozen=True, slots=True)
class Done:
    """What came of an action."""

    words: str
    document: Document | None = None
    undo: UndoCall | None = None
    is_problem: bool = False
    """Whether something is left to see to."""


@dataclass(frozen=True, slots=True)
class ActionWork:
    """An action at work, in a thread."""

    library: Library
    subject: Subject
    texts: Mapping[str, str] = field(default_factory=dict)
    report: Report = lambda _done, _total: None

    def text(self, key: str) -> str:
        """What was typed in a field, without spaces around it."""
        return self.texts.get(key, "").strip()

    def needed(self, key: str, what: str) -> str:
        """What was typed in a field that can't be empty.

        Raises:
            Unfit: It is empty.
        """
        found = self.text(key)
        if not found:
            raise Unfit(key, what)
        return found

    @property
    def runs(self) -> list[int]:
        """The runs that were typed, or else those that are marked."""
        return runs_in(self.library, self.text("runs")) if "runs" in self.texts else list(self.subject.runs)


@dataclass(frozen=True, slots=True)
class ListingRow:
    """A row of a listing."""

    key: str
    cells: tuple[str, ...]
    detail: str = ""
    """A sentence or two about the row under the cursor."""
    opens: str = ""
    """The action that Enter begins; empty where there is none."""


@dataclass(frozen=True, slots=True)
class Listing:
    """A page of rows with a cursor: meters, constants, amendments."""

    title: str
    heads: tuple[Head, ...]
    rows: tuple[ListingRow, ...]
    nothing: str
    """Said where there are no rows."""
    adds: str = ""
    """The action that adds a row."""
    hint: str = ""
    """What Enter does."""


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do."""

    id: str
    label: str
    tooltip: str
    words: str = ""
    """Other words under which people look for it."""
    commands: tuple[str, ...] = ()
    """Commands of the command line that it does the work of."""
    runs: int = 0
    """So many runs, at least, that it is about; they are asked for in the form where fewer are marked."""
    form: Callable[[Library, Subject], Form] | None = None
    preview: Callable[[ActionWork], Done] | None = None
    """What would be done, shown before `do`."""
    do: Callable[[ActionWork], Done] | None = None
    listing: Callable[[Library], Listing] | None = None
    is_listed: bool = True
    """False for what is begun from a listing alone."""


def things(count: int, word: str) -> str:
    """A number with its word: `1 run`, `1,204 runs`."""
    return f"{count:,} {word}{'' if count == 1 else 's'}"


def yes(text: str) -> bool:
    """Whether a field that takes yes or no says yes."""
    return text.strip().casefold() in {"yes", "y", "true", "1", "x"}


def number_in(work: ActionWork, key: str, label: str) -> float | None:
    """A number that was typed, with a point or a comma; None where nothing was.

    Raises:
        Unfit: No number.
    """
    text = work.text(key)
    if not text:
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise Unfit(key, f"{label}: {text} is not a number.") from None


def runs_in(library: Library, text: str) -> list[int]:
    """Runs from numbers and spans such as `12 14-18`, or else those that fit filter words.

    Raises:
        Unfit: Nothing typed, no such span, or no run fits.
        FilterError: A word that means nothing.
    """
    typed = text.replace(",", " ").split()
    if not typed:
        raise Unfit("runs", "runs: type numbers such as 12 14-18, or filter words such as device:PB-03.")
    found = [_SPAN.fullmatch(word) for word in typed]
    if any(match is None for match in found):
        table = library.runs.page(text, sort="run_id", limit=None).table
        runs: list[int] = table.column("run_id").to_pylist()
        if not runs:
            raise Unfit("runs", f"runs: no run fits {text}.")
        return runs
    numbers: list[int] = []
    for match in found:
        if match is None:
            continue
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first or last - first >= MOST_IN_SPAN:
            raise Unfit("runs", f"runs: {match[0]} is no span of runs; the first number comes first.")
        numbers += range(first, last + 1)
    return list(dict.fromkeys(numbers))


def page(
    title: str,
    heads: Sequence[Head],
    rows: Sequence[Sequence[str]],
    *,
    lead: Sequence[str] = (),
    nothing: str = "",
    note: str = "",
) -> Document:
    """A page of sentences and one table."""
    blocks: list[Paragraph | Table] = [*words(*lead)]
    if rows:
        cells = tuple(tuple(Cell(text) for text in row) for row in rows)
        blocks.append(Table(tuple(heads), cells, note=note))
    elif nothing:
        blocks += words(nothing)
    return Document(title, tuple(blocks))


def with_texts(form: Form, texts: Mapping[str, str]) -> Form:
    """A form with what was typed already."""
    return replace(form, texts={**form.texts, **texts})
