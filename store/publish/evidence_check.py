"""A published folder checked by anyone: hashes, every figure and every result got again by a bare DuckDB.

Knows files and SQL; needs no library.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from store.model.spec import Shown
from store.publish.refusals import NotPublished
from store.words.numbers import COVERAGE, figure_text

__all__ = ["PageCheck", "check_page", "figures_that_differ"]

_KEPT = re.compile(r"^-- run (?P<run>\d+), (?P<name>\S+): (?P<value>\S+)$", re.MULTILINE)
_NAMED = re.compile(r"'((?:traces/)?[A-Za-z0-9_*-]+\.(?:csv|parquet))'")
REL = 1e-6
"""How far a result may be off: a sum in another order, a fit taken up at seven digits."""


@dataclass(frozen=True, slots=True)
class PageCheck:
    """What was looked at, and what differs."""

    files: int
    figures: int
    results: int
    wrong: tuple[str, ...]
    """A sentence each."""


def check_page(folder: Path) -> PageCheck:
    """Check a page's evidence.

    Args:
        folder: The page's folder, or its `data` folder.

    Raises:
        NotPublished: There is no evidence of a page in it.
    """
    data = folder / "data" if (folder / "data").is_dir() else folder
    for name in ("checksums.sha256", "figures.sql", "results.sql"):
        if not (data / name).is_file():
            raise NotPublished(f"{folder} holds no evidence of a page: data/{name} is missing.")
    wrong = list(_hashes(data))
    files = len((data / "checksums.sha256").read_text("utf-8").splitlines())
    head, statements = _split(data / "figures.sql")
    rows = _rows(data, head, statements)
    for statement, row in zip(statements, rows, strict=True):
        if isinstance(row, str):
            wrong.append(f"figure not reproduced: {statement.splitlines()[0][:80]}: {row}")
        elif _again(row) != row["printed"]:
            wrong.append(f"{row['figure']}: printed {row['printed']}, the files give {_again(row)}")
    count, off = _results(data)
    return PageCheck(files, len(statements), count, (*wrong, *off))


def _hashes(data: Path) -> Iterator[str]:
    named = set()
    for line in (data / "checksums.sha256").read_text("utf-8").splitlines():
        digest, _, name = line.partition("  ")
        named.add(name)
        path = data / name
        if ".." in Path(name).parts or Path(name).is_absolute():
            yield f"{name}: a path that leads out of the folder"
        elif not path.is_file():
            yield f"{name} is missing"
        elif hashlib.sha256(path.read_bytes()).hexdigest() != digest:
            yield f"{name} is not what was published: its hash differs"
    for path in sorted(data.rglob("*")):
        name = path.relative_to(data).as_posix()
        if path.is_file() and name not in named and name != "checksums.sha256":
            yield f"{name} is not part of what was published"


def _split(file: Path) -> tuple[str, list[str]]:
    """The views, and the statements after them."""
    found = [part.query.strip() for part in duckdb.connect(":memory:").extract_statements(file.read_text("utf-8"))]
    views = [text for text in found if "CREATE OR REPLACE TEMP VIEW" in text]
    return "\n".join(f"{text.rstrip(';')};" for text in views), [text for text in found if text not in views]


def _connect(data: Path, head: str) -> duckdb.DuckDBPyConnection:
    """A DuckDB that reads files of this folder alone and writes none."""
    found = duckdb.connect(":memory:")
    found.execute(f"SET allowed_directories = ['{_quoted(data)}/']")
    found.execute("SET enable_external_access = false")
    found.execute("SET lock_configuration = true")
    for view in found.extract_statements(_placed(head, data)) if head else ():
        with suppress(duckdb.Error):  # its file is missing or broken: the statements over it say so
            found.execute(view)
    return found


def _quoted(data: Path) -> str:
    return str(data.resolve()).replace("'", "''")


def _placed(sql: str, data: Path) -> str:
    """A statement with the files that it names put in their folder, as if DuckDB had been started there."""
    where = _quoted(data)
    return _NAMED.sub(lambda found: f"'{where}/{found[1]}'", sql)


def _rows(data: Path, head: str, statements: Sequence[str]) -> list[dict[str, Any] | str]:
    """Each statement's one row, or why there is none."""
    connection = _connect(data, head)
    return [_row(connection, _placed(text, data)) for text in statements]


def _row(connection: duckdb.DuckDBPyConnection, text: str) -> dict[str, Any] | str:
    try:
        kinds = [str(part.type) for part in connection.extract_statements(text)]
        if kinds != ["StatementType.SELECT"]:
            return "it is not a single SELECT"
        cursor = connection.execute(text)
        names = [column[0] for column in cursor.description or ()]
        rows = cursor.fetchall()
    except duckdb.Error as error:
        return str(error).splitlines()[0]
    return dict(zip(names, rows[0], strict=True)) if len(rows) == 1 else f"{len(rows)} rows instead of one"


def _again(row: dict[str, Any]) -> str:
    value, u = row["again"], row["uncertainty"]
    if value is None or not math.isfinite(value):
        return "nothing"
    known = None if u is None else float(u)
    coverage = float(row.get("k", COVERAGE))  # pages of older versions have none: twice
    return figure_text(float(value), known, row["unit"], Shown(row["shown"]), coverage=coverage)


def figures_that_differ(data: Path, head: str, statements: Sequence[str]) -> set[int]:
    """Positions of statements that fail or give another figure than is printed, over the files of a folder."""
    rows = _rows(data, head, statements)
    return {index for index, row in enumerate(rows) if isinstance(row, str) or _again(row) != row["printed"]}


def _results(data: Path) -> tuple[int, list[str]]:
    """How many results were got again from the traces, and which of them differ."""
    text = (data / "results.sql").read_text("utf-8")
    kept = list(_KEPT.finditer(text))
    connection = _connect(data, "")
    wrong = []
    for index, found in enumerate(kept):
        end = kept[index + 1].start() if index + 1 < len(kept) else len(text)
        name = f"run {found['run']}, {found['name']}"
        row = _row(connection, _placed(text[found.end() : end], data))
        if isinstance(row, str):
            wrong.append(f"{name}: not reproduced: {row}")
            continue
        value = next(iter(row.values()))
        if value is None or not math.isclose(float(value), float(found["value"]), rel_tol=REL, abs_tol=1e-9):
            wrong.append(f"{name}: {found['value']} was published, the trace gives {value}")
    return len(kept), wrong
