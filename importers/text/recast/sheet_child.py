"""Reads a workbook in a process of its own, with bounded memory and time; prints its sheets as JSON.

Run as a script with the file's path and the bound in MB. A workbook of 6 kB can ask for hundreds of gigabytes, and the
reader then ends the process: this one, and no other. Knows nothing of the rest of the program.
"""

from __future__ import annotations

import json
import math
import sys
from datetime import date, datetime, time, timedelta
from typing import Any

_SECONDS = 120
"""Processor time that a workbook may take."""


def _bound(megabytes: int) -> None:
    try:
        import resource  # noqa: PLC0415 - not on Windows
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))
    resource.setrlimit(resource.RLIMIT_CPU, (_SECONDS, _SECONDS))


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(cell)
    if isinstance(cell, float):
        whole = math.isfinite(cell) and cell.is_integer() and abs(cell) < 1e16
        return str(int(cell)) if whole else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, timedelta):
        return repr(cell.total_seconds())
    return str(cell)


def main(path: str, megabytes: int) -> None:
    """Print `[{"name", "first", "rows"}]`: of every sheet its name, its first row and its cells as text."""
    _bound(megabytes)
    from python_calamine import load_workbook  # noqa: PLC0415 - within the bound

    found = []
    with open(path, "rb") as file, load_workbook(file) as book:  # noqa: PTH123 - by content, whatever the name
        for index in range(len(book.sheet_names)):
            sheet = book.get_sheet_by_index(index)
            rows = sheet.to_python(skip_empty_area=True) if sheet.start is not None else []
            cells = [[_text(cell) for cell in row] for row in rows]
            found.append({"name": sheet.name, "first": (sheet.start or (0, 0))[0] + 1, "rows": cells})
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    try:
        main(sys.argv[1], int(sys.argv[2]))
    except MemoryError:
        sys.exit(9)
    except Exception as error:  # noqa: BLE001 - a damaged workbook raises many unrelated kinds
        sys.stderr.write(f"{error}")
        sys.exit(8)
