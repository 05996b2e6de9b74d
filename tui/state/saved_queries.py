"""Named questions: those that ship, and those that a tester keeps in the library's `questions` folder.

Knows files of SQL text; no Textual, runs nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

__all__ = ["NamedQuestion", "keep_question", "kept_questions", "shipped_questions"]

FOLDER = "questions"


@dataclass(frozen=True, slots=True)
class NamedQuestion:
    """A question with a name."""

    name: str
    sql: str
    is_shipped: bool


def _named(text: str, fallback: str, *, is_shipped: bool) -> NamedQuestion:
    """The first line, a comment, is the name; the rest is the question."""
    first, _, rest = text.partition("\n")
    if first.startswith("--"):
        return NamedQuestion(first[2:].strip() or fallback, rest.strip(), is_shipped)
    return NamedQuestion(fallback, text.strip(), is_shipped)


def shipped_questions() -> list[NamedQuestion]:
    """Questions that come with the program, in the order of their files."""
    folder = resources.files("tui").joinpath(FOLDER)
    files = sorted((f for f in folder.iterdir() if f.name.endswith(".sql")), key=lambda f: f.name)
    return [_named(f.read_text(encoding="utf-8"), f.name, is_shipped=True) for f in files]


def kept_questions(library: Path) -> list[NamedQuestion]:
    """Questions kept in a library, by name; files that can't be read are passed over."""
    found = []
    try:
        files = sorted((library / FOLDER).glob("*.sql"))
    except OSError:
        return []
    for file in files:
        try:
            found.append(_named(file.read_text(encoding="utf-8"), file.stem, is_shipped=False))
        except (OSError, UnicodeDecodeError):
            continue
    return found


def keep_question(library: Path, name: str, sql: str) -> Path:
    """Keep a question under a name; one of the same name is replaced.

    Raises:
        OSError: The file can't be written.
    """
    folder = library / FOLDER
    folder.mkdir(exist_ok=True)
    stem = re.sub(r"[^\w -]+", "-", name).strip(" .-")[:80] or "question"
    path = folder / f"{stem}.sql"
    half = path.with_suffix(".half")
    half.write_text(f"-- {' '.join(name.split())}\n{sql.strip()}\n", encoding="utf-8")
    half.replace(path)
    return path
