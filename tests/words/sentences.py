"""Every sentence that a person can read, in one list: `python -m tests.words.sentences [FOLDER...]`.

Read it from top to bottom now and then, as a new user would. Told apart by how a string is used, not by what it says:
docstrings, SQL, style sheets, patterns and the words of the vocabulary are left out.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["ROOT", "Sentence", "pages", "sentences"]

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("importers", "store", "tui")

_QUERY = re.compile(
    r"\b(SELECT|INSERT INTO|UPDATE \w+ SET|DELETE FROM|CREATE (TABLE|VIEW|TEMP|SCHEMA|OR)|ALTER TABLE)\b"
)
_STYLE = re.compile(r"[{;]\s*[\w-]+:\s*[^;]+;|</?[a-z]+[ >/]|\bviewBox\b")
_PATTERN = re.compile(r"\\[bdswS]|\(\?[:P<=!]|\[\^|\.\*\?")
_WORDS = re.compile(r"[A-Za-zµΩ]{2,}")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One string of the code; what is put in at run time stands as `…`."""

    file: str
    line: int
    text: str


def _docstrings(tree: ast.AST) -> set[int]:
    found = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if not isinstance(body, list):
            continue
        for child in body:
            if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                found.add(id(child.value))
    return found


def _text(node: ast.AST) -> str | None:
    """The text of a string or of an f-string, None for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(
            part.value if isinstance(part, ast.Constant) and isinstance(part.value, str) else "…"
            for part in node.values
        )
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        left, right = _text(node.left), _text(node.right)
        return None if left is None and right is None else (left or "…") + (right or "…")
    return None


def _strings(tree: ast.AST) -> Iterator[tuple[int, str]]:
    skipped = _docstrings(tree)

    def walk(node: ast.AST) -> Iterator[tuple[int, str]]:
        if id(node) in skipped:
            return
        text = _text(node)
        if text is not None:
            yield getattr(node, "lineno", 0), text
            if isinstance(node, ast.JoinedStr):  # what is put in may hold sentences of its own
                for part in node.values:
                    if isinstance(part, ast.FormattedValue):
                        yield from walk(part.value)
            return
        for child in ast.iter_child_nodes(node):
            yield from walk(child)

    yield from walk(tree)


def _is_for_people(text: str) -> bool:
    if _QUERY.search(text) or _STYLE.search(text) or _PATTERN.search(text):
        return False
    return " " in text.strip() and len(_WORDS.findall(text)) > 1


def sentences(*folders: str) -> list[Sentence]:
    """Every string of the code that people read.

    Args:
        folders: Parts of the project, or folders below them; all three unless given.
    """
    found = []
    for folder in folders or PARTS:
        for path in sorted((ROOT / folder).rglob("*.py")):
            file = path.relative_to(ROOT).as_posix()
            tree = ast.parse(path.read_text("utf-8"))
            found += [Sentence(file, line, text) for line, text in _strings(tree) if _is_for_people(text)]
    return found


def pages() -> list[Path]:
    """Every page of text that comes with the project, pictures of the screen among them."""
    kinds = ("*.md", "*.txt", "*.sql", "*.toml")
    found = [path for part in (*PARTS, "demo_parquet") for kind in kinds for path in (ROOT / part).rglob(kind)]
    found = [path for path in found if "migrations" not in path.parts]  # what they look for was said then
    return sorted([*found, *ROOT.glob("*.md"), *(ROOT / "tests" / "tui" / "pictures").glob("*.txt")])


if __name__ == "__main__":
    last = ""
    for one in sentences(*sys.argv[1:]):
        if one.file != last:
            sys.stdout.write(f"\n{one.file}\n")
            last = one.file
        flat = re.sub(r"\s+", " ", one.text).strip()
        sys.stdout.write(f"{one.line:>5}  {flat}\n")
