"""The course of tests as data: read from the file that ships, or from the library's own.

Knows TOML text; knows no run, no catalogue and no screen.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from importers.schema import KINDS
from store.data.tables import table_text
from store.errors import StoreError
from store.model.sheet import DEVICE_KINDS
from store.words.toml_lines import line_of, locate

__all__ = ["CourseRefused", "CourseTest", "load_course", "read_course"]

PER = ("mode", "port", "input", "device")

_KEYS: Mapping[str, type | tuple[type, ...]] = {
    "name": str,
    "kind": str,
    "for": list,
    "per": str,
    "repeats": int,
    "load": str,
    "ambient_c": (int, float),
    "shared": bool,
    "how": str,
    "caution": str,
}


class CourseRefused(StoreError):  # noqa: N818 - named for what happened, as all of this family
    """A course of tests that can't be read."""


@dataclass(frozen=True, slots=True)
class CourseTest:
    """One test of the course."""

    name: str
    kind: str
    devices: tuple[str, ...]
    """Kinds of device that it is for."""
    per: str
    """`mode`, `port`, `input` or `device`."""
    repeats: int = 1
    load: str = ""
    """`top`: only runs at full power count."""
    ambient_c: float | None = None
    shared: bool = False
    """Several ports at once."""
    how: str = ""
    caution: str = ""


def load_course(folder: Path | None = None) -> tuple[CourseTest, ...]:
    """The library's own course.toml, else the one that ships.

    Raises:
        CourseRefused: the library's own can't be read.
    """
    own = folder / "course.toml" if folder is not None else None
    if own is None or not own.is_file():
        return read_course(table_text("course.toml"), "course.toml")
    try:
        text = own.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        raise CourseRefused(f"{own} can't be read ({problem}). Fix it, or remove it.") from problem
    return read_course(text, str(own))


def read_course(text: str, source: str) -> tuple[CourseTest, ...]:
    """Read a course of tests.

    Raises:
        CourseRefused: no TOML, an unknown key or word; with the line.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        raise CourseRefused(f"{source}: this is not TOML: {problem}.") from problem
    lines = locate(text)
    rows = data.get("test", [])
    if not isinstance(rows, list) or not rows:
        raise CourseRefused(f"{source}: it holds no test. Write each as `[[test]]` with name, kind, for and per.")
    return tuple(_test(row, f"{source}, line {line_of(lines, ('test', index))}") for index, row in enumerate(rows))


def _test(row: Mapping[str, Any], where: str) -> CourseTest:
    for key, value in row.items():
        if key not in _KEYS:
            near = difflib.get_close_matches(key, _KEYS, n=1, cutoff=0.5)
            hint = f" Did you mean `{near[0]}`?" if near else ""
            raise CourseRefused(f"{where}: `{key}` is not a key of a test.{hint}")
        if not isinstance(value, _KEYS[key]):
            raise CourseRefused(f"{where}: `{key} = {value!r}` is of the wrong type.")
    for key in ("name", "kind", "for", "per"):
        if key not in row:
            raise CourseRefused(f"{where}: a test needs `{key}`.")
    words = ((row["kind"], KINDS, "kind"), (row["per"], PER, "per"), *((d, DEVICE_KINDS, "for") for d in row["for"]))
    for word, known, key in words:
        if word not in known:
            raise CourseRefused(f"{where}: `{key}` has `{word}`. Write one of: {', '.join(known)}.")
    if row.get("repeats", 1) < 1:
        raise CourseRefused(f"{where}: `repeats` should be 1 or more.")
    rest = {key: value for key, value in row.items() if key != "for"}
    return CourseTest(**rest, devices=tuple(row["for"]))
