"""Rows of several ports, devices, sensors or tests in one table: the column that says which of them a row is of.

Knows columns and the clock. Which words name such a column is the vocabulary's matter.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.decide.columns import Column
from importers.decide.plan import Choice, Question
from importers.text.rowset import Rows, name_of
from importers.vocabulary.words import tokens

__all__ = ["Parting", "find_parting"]

Array = npt.NDArray[np.float64]
_PORT_TEXT = re.compile(r"(?i)^(?:usb[ \-]?)?(?:port|ch|channel|out|kanal)?[ \-_#]*[a-z]?\d{0,2}$")
_DEVICE_WORDS = frozenset({"device", "dut", "uut", "item", "asset", "serial", "sn", "unit", "gerat", "appareil"})
_MOST = 16
"""More values than this [count], and a column names no ports, devices or tests of one bench."""
_MENDED = 0.02
"""Share of clock readings out of order that may be left within the parts."""


@dataclass(frozen=True, slots=True)
class Parting:
    """How the rows of a table part."""

    column: int | None = None
    by: str = ""
    """`port`, `device` or `row` (a sensor, a test, anything else)."""
    reason: str = ""
    same: Mapping[int, str] | None = None
    """Columns that change together with it, with what to say of them."""
    question: Question | None = None


def find_parting(columns: list[Column], rows: Rows, seconds: Array, used: frozenset[int], answer: str) -> Parting:
    """Find the column by which rows part, if there is one.

    Args:
        columns: of the table.
        rows: as read.
        seconds: clock readings in the file's order, in any unit, NaN where unreadable.
        used: columns of the clock.
        answer: `part` or `keep` as the tester says, else empty.
    """
    found = []
    for column in columns:
        if column.index in used or not _could_part(column):
            continue
        codes = _codes(rows.cells[name_of(column.index)])
        if codes is not None and len(codes) == len(seconds) and codes.max() > 0:
            found.append((column, codes))
    if not found:
        return Parting()
    before = _out_of_order(seconds)
    mending = [(c, k) for c, k in found if before > 0 and _within(seconds, k) <= _MENDED * before]
    named = [(c, k) for c, k in found if c.label.quantity in {"port", "part"} or _is_port_text(c)]
    chosen = next((item for item in mending if item in named), None)
    if chosen is None and mending and answer != "keep":
        chosen = mending[0]
    if chosen is not None:
        why = "the clock advances only within the rows of one value"
        return _parted(chosen, found, f"says which one a row is of: {why}")
    if named and answer != "keep":
        return _parted(named[0], found, f"names the {_what(named[0][0])} of each row")
    return _doubted(found, rows, answer) if before == 0 else Parting()


def _what(column: Column) -> str:
    return "port" if _by(column) == "port" else "device" if _by(column) == "device" else "part"


def _parted(
    chosen: tuple[Column, npt.NDArray[np.int64]], found: list[tuple[Column, npt.NDArray[np.int64]]], reason: str
) -> Parting:
    column, codes = chosen
    same = {
        c.index: f"changes together with `{column.name}`, by which the rows are parted"
        for c, k in found
        if c is not column and np.array_equal(k, codes)
    }
    return Parting(column.index, _by(column), reason, same)


def _doubted(found: list[tuple[Column, npt.NDArray[np.int64]]], rows: Rows, answer: str) -> Parting:
    """Ask about a column of unknown name whose values take turns, as those of several sensors do."""
    for column, codes in found:
        turns = float((np.diff(codes) != 0).mean())
        if column.label.quantity is None and turns > 0.3 and _is_regular(codes):
            if answer == "part":
                return _parted((column, codes), found, "says which one a row is of, as answered")
            if not answer:
                values = list(dict.fromkeys(rows.cells[name_of(column.index)].cast(pl.String).head(40).to_list()))
                return Parting(question=_question(column, [v for v in values if v]))
    return Parting()


def _question(column: Column, values: list[str]) -> Question:
    shown = ", ".join(f"`{v.strip()}`" for v in values[:3])
    return Question(
        "rows",
        f"Column `{column.name}` (column {column.index + 1}) takes turns between {shown}. Are these rows of several "
        "things, such as sensors or ports, or of one log?",
        (
            Choice("part", f"several: one run for each of {len(values)} values"),
            Choice("keep", "one log: the column is a mark and is left out"),
        ),
        "--answer rows=part",
        column=column.name,
    )


def _could_part(column: Column) -> bool:
    label = column.label
    if label.unit is not None or label.unused or label.quantity not in {None, "port", "part", "text", "sample"}:
        return False
    if column.kind == "text":
        return 1 < len(column.distinct) <= _MOST
    if column.kind != "number":
        return False
    values = column.finite
    if len(values) == 0 or (values != np.round(values)).any():
        return False
    return 1 < len(np.unique(values)) <= _MOST


def _codes(cells: pl.Series) -> npt.NDArray[np.int64] | None:
    texts = cells.cast(pl.String).fill_null("").str.strip_chars(" \"'\t")
    ranks = texts.rank("dense").to_numpy().astype(np.int64) - 1
    return ranks if len(ranks) else None


def _out_of_order(seconds: Array) -> int:
    good = seconds[np.isfinite(seconds)]
    steps = np.diff(good)
    return min(int((steps <= 0).sum()), int((steps >= 0).sum()))


def _within(seconds: Array, codes: npt.NDArray[np.int64]) -> int:
    return sum(_out_of_order(seconds[codes == k]) for k in range(int(codes.max()) + 1))


def _is_regular(codes: npt.NDArray[np.int64]) -> bool:
    """Tell values that take turns in order from a state that flickers."""
    period = int(codes.max()) + 1
    return len(codes) > 3 * period and float((codes[period:] == codes[:-period]).mean()) > 0.95


def _is_port_text(column: Column) -> bool:
    return (
        column.kind == "text"
        and column.label.quantity is None
        and all(_PORT_TEXT.match(t) and len(t) <= 10 for t in column.distinct)
    )


def _by(column: Column) -> str:
    if column.label.quantity == "port" or _is_port_text(column):
        return "port"
    return "device" if set(tokens(column.name)) & _DEVICE_WORDS else "row"
