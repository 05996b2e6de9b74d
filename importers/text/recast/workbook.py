"""A workbook (.xlsx, .xlsm, .xlsb, .xls, .ods) -> one table: its sheets that hold tables, the others' cells above it.

Knows the child process that reads workbooks, layouts and port words. What a file is, is told by its content.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from importers.problems import ImportRefused
from importers.text.recast import sheet_child
from importers.text.recast.recast import LARGEST, Recast, table_text
from importers.text.shape import TableLayout, find_layout
from importers.vocabulary.port_words import take_port
from importers.vocabulary.words import Vocabulary

__all__ = ["OLE", "is_workbook", "workbook_as_table"]

OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""First bytes of a compound file, the container of .xls."""
_PORT = re.compile(r"[ACac]\d{1,2}|AC|DC")
_MEMORY_MB = 1500
_INFLATED = 400 << 20
"""Most that the members of a workbook may unpack to [bytes]."""
_SECONDS = 150.0
_ABOVE = 60
"""Lines of sheets without a table that are kept as what stands above it."""


def is_workbook(path: Path, magic: bytes) -> bool:
    """Tell a workbook by its content.

    Raises:
        ImportRefused: it is a ZIP archive that can't be opened.
    """
    if magic[:8] == OLE:
        return True
    if magic[:4] != b"PK\x03\x04":
        return False
    try:
        with zipfile.ZipFile(path) as file:
            names = {info.filename for info in file.infolist()}
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise ImportRefused.because(
            "unreadable", f"{path.name} is a damaged ZIP archive or workbook: {error}. Copy it again.", file=path.name
        ) from error
    return any(n.startswith("xl/workbook") for n in names) or {"content.xml", "mimetype"} <= names


@dataclass(frozen=True, slots=True)
class _Sheet:
    name: str
    first: int
    rows: list[list[str]]
    layout: TableLayout | None


def workbook_as_table(path: Path, words: Vocabulary) -> tuple[Recast, tuple[str, ...]]:
    """Make the table, and say which sheets hold something that is not in it.

    Sheets with the same header follow each other, with a column for the port where their names are ports'.

    Raises:
        ImportRefused: the workbook is damaged, too large, empty, or its sheets hold tables of different kinds.
    """
    sheets = [s for s in (_sheet(raw, words) for raw in _read(path)) if any(any(r) for r in s.rows)]
    if not sheets:
        raise ImportRefused.because("empty", f"{path.name} holds no cell with a value.", file=path.name)
    tables = [s for s in sheets if s.layout is not None]
    if not tables:
        one = sheets[0]
        return Recast("a workbook", table_text(one.rows), places=((1, f"Sheet `{one.name}`, row", one.first),)), ()
    main = max(tables, key=lambda s: len(s.rows))
    alike = [s for s in tables if s.layout and main.layout and s.layout.names == main.layout.names]
    # a few rows under other names are a summary; another log of its own would be lost
    others = [s for s in tables if s not in alike]
    logs = [s for s in others if len(s.rows) > max(20, len(main.rows) // 20)]
    if logs:
        named = ", ".join(f"`{s.name}`" for s in [main, *logs])
        raise ImportRefused.because(
            "two-tables",
            f"{path.name} holds different tables on the sheets {named}. Save each sheet as a file and import these.",
            file=path.name,
        )
    first = sheets.index(alike[0])
    above = [line for s in sheets[:first] if s not in tables for line in s.rows if any(line)][:_ABOVE]
    passed = tuple(s.name for at, s in enumerate(sheets) if s in others or (s not in tables and at > first))
    return _joined(above, alike), passed


def _joined(above: list[list[str]], sheets: list[_Sheet]) -> Recast:
    ports = [s.name if _PORT.fullmatch(s.name) else take_port(s.name)[1] for s in sheets]
    is_parted = len(sheets) > 1 and all(ports) and len(set(ports)) == len(ports)
    out: list[list[str]] = [*above, [""]] if above else []
    places: list[tuple[int, str, int]] = [(1, "Line", 1)] if above else []
    for sheet, port in zip(sheets, ports, strict=True):
        places.append((len(out) + 1, f"Sheet `{sheet.name}`, row", sheet.first))
        header = sheet.layout.header_line if sheet.layout else None
        for number, row in enumerate(sheet.rows, 1):
            if not is_parted or not any(row):
                out.append(row)
            else:
                out.append([*row, "Port" if number == header else (port or "") if number > (header or 0) else ""])
    return Recast("a workbook", table_text(out), places=tuple(places))


def _sheet(raw: dict[str, Any], words: Vocabulary) -> _Sheet:
    rows: list[list[str]] = [[" ".join(c.split("\n")) for c in row] for row in raw["rows"]]
    return _Sheet(str(raw["name"]), int(raw["first"]), rows, find_layout(table_text(rows), words, ","))


def _read(path: Path) -> list[dict[str, Any]]:
    """Sheets of the workbook, read by a process of its own."""
    _refuse_bomb(path)
    command = [sys.executable, "-I", str(Path(sheet_child.__file__)), str(path), str(_MEMORY_MB)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=_SECONDS, check=False, stdin=subprocess.DEVNULL)
    except subprocess.TimeoutExpired as error:
        raise _too_large(path) from error
    if done.returncode == 8:
        why = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise ImportRefused.because(
            "unreadable",
            f"{path.name} can't be read as a workbook: {why[-1][:150] if why else 'damaged'}. Save it again.",
            file=path.name,
        )
    if done.returncode != 0 or len(done.stdout) > LARGEST:
        raise _too_large(path)
    found: list[dict[str, Any]] = json.loads(done.stdout)
    return found


def _too_large(path: Path) -> ImportRefused:
    return ImportRefused.because(
        "too-large",
        f"{path.name} needs more memory or time than a workbook may take ({_MEMORY_MB} MB). Save the sheet as CSV.",
        file=path.name,
    )


def _refuse_bomb(path: Path) -> None:
    """Refuse a workbook whose members unpack to too much."""
    try:
        with zipfile.ZipFile(path) as file:
            size = sum(info.file_size for info in file.infolist())
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        size = path.stat().st_size  # a compound file
    if size > _INFLATED:
        raise _too_large(path)
