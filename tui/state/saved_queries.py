"""Saved queries: those that ship, and those that a tester keeps in the library's `queries` folder.

Knows files of SQL text; no Textual, runs nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from store.files.layout import Layout

__all__ = ["SavedQuery", "save_query", "saved_queries", "shipped_queries"]

FOLDER = "queries"


@dataclass(frozen=True, slots=True)
class SavedQuery:
    """A query with a name."""

    name: str
    sql: str
    is_shipped: bool


def _named(text: str, fallback: str, *, is_shipped: bool) -> SavedQuery:
    """The first line, a comment, is the name; the rest is the query."""
    first, _, rest = text.partition("\n")
    if first.startswith("--"):
        return SavedQuery(first[2:].strip() or fallback, rest.strip(), is_shipped)
    return SavedQuery(fallback, text.strip(), is_shipped)


def shipped_queries() -> list[SavedQuery]:
    """Queries that come with the program, in the order of their files."""
    folder = resources.files("tui").joinpath(FOLDER)
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)
    return [_named(f.read_text(encoding="utf-8"), f.name, is_shipped=True) for f in files]


def saved_queries(library: Path) -> list[SavedQuery]:
    """Queries saved in a library, by name; files that can't be read are passed over."""
    found = []
    try:
        files = Layout(library).saved_queries()
    except OSError:
        return []
    for file in files:
        try:
            found.append(_named(file.read_text(encoding="utf-8"), file.stem, is_shipped=False))
        except (OSError, UnicodeDecodeError):
            continue
    return found


def save_query(library: Path, name: str, sql: str) -> Path:
    """Save a query under a name; one of the same name is replaced.

    Raises:
        OSError: The file can't be written.
    """
    folder = library / FOLDER
    folder.mkdir(exist_ok=True)
    stem = re.sub(r"[^\w -]+", "-", name).strip(" .-")[:80] or "query"
    path = folder / f"{stem}.sql"
    half = path.with_suffix(".half")
    half.write_text(f"-- {' '.join(name.split())}\n{sql.strip()}\n", encoding="utf-8")
    half.replace(path)
    return path
