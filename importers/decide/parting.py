"""Rows of several ports, devices, sensors or tests in one table: the column that says which of them a row is of.

Knows columns and the clock. Which words name such a column is the vocabulary's matter.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from importers.decide.asking import unnamed_parts
from importers.decide.columns import Column
from importers.decide.plan import Choice, PartColumn, Question
from importers.text.rowset import Rows, name_of
from importers.vocabulary.words import tokens

__all__ = ["RunParting", "find_parting"]

Array = npt.NDArray[np.float64]
_PORT_TEXT = re.compile(r"(?i)^(?:usb[ \-]?)?(?:port|ch|channel|out|kanal)?[ \-_#]*[a-z]?\d{0,2}$")
_DEVICE_WORDS = frozenset({"device", "dut", "uut", "item", "asset", "serial", "sn", "unit", "gerat", "appareil"})
_MOST = 64
"""More values than this [count], and a column names no ports, devices or tests of one bench."""
_MENDED = 0.02
"""Share of clock readings out of order that may be left within the parts."""


@dataclass(frozen=True, slots=True)
class RunParting:
    """How the rows of a table part."""

    columns: tuple[PartColumn, ...] = ()
    reason: str = ""
    same: Mapping[int, str] | None = None
    """Columns that change together with them, with what to say of them."""
    question: Question | None = None

    @property
    def indices(self) -> frozenset[int]:
        """Positions of the columns by which rows part."""
        return frozenset(c.index for c in self.columns)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """A column that could part the rows."""

    column: Column
    codes: npt.NDArray[np.int64]
    """Number of its value in each row."""

    @property
    def is_named(self) -> bool:
        return self.column.label.quantity in {"port", "part"} or _is_port_text(self.column)


def find_parting(columns: list[Column], rows: Rows, seconds: Array, used: frozenset[int], answer: str) -> RunParting:
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
            found.append(_Found(column, codes))
    if not found:
        return RunParting()
    before = _out_of_order(seconds)
    if before > 0 and (chosen := _mending(found, seconds, before, answer)):
        return _parted(
            chosen, found, "says which one a row is of: the clock advances only within the rows of one value"
        )
    named = [f for f in found if f.is_named]
    if named and answer != "keep":
        return _parted(_independent(named), found, f"names the {_what(named[0].column)} of each row")
    return _doubted(found, rows, answer) if before == 0 else RunParting()


def _mending(found: list[_Found], seconds: Array, before: int, answer: str) -> tuple[_Found, ...]:
    """The column, or the two, within whose values the clock advances; named ones first, nothing where none does."""
    usable = found if answer != "keep" else [f for f in found if f.is_named]
    ranked = sorted(usable, key=lambda f: not f.is_named)
    for one in ranked:
        if _within(seconds, one.codes) <= _MENDED * before:
            others = [f for f in found if f.is_named and f is not one]
            return _independent([one, *others])
    for pair in itertools.combinations(ranked, 2):
        if _within(seconds, _joint(pair)) <= _MENDED * before:
            return pair
    return ()


def _independent(found: list[_Found]) -> tuple[_Found, ...]:
    """The first, and the next that part its parts further: a device's ports."""
    kept = [found[0]]
    for other in found[1:]:
        parts = len(np.unique(_joint(kept)))
        if parts < len(np.unique(_joint([*kept, other]))) <= _MOST and len(kept) == 1:
            kept.append(other)
    return tuple(kept)


def _joint(found: Sequence[_Found]) -> npt.NDArray[np.int64]:
    codes = found[0].codes
    for other in found[1:]:
        codes = codes * (int(other.codes.max()) + 1) + other.codes
    return codes


def _what(column: Column) -> str:
    return {"port": "port", "device": "device"}.get(_by(column), "part")


def _parted(chosen: Sequence[_Found], found: list[_Found], reason: str) -> RunParting:
    names = " and ".join(f"`{f.column.name}`" for f in chosen)
    parts = len(np.unique(_joint(chosen)))
    same = {
        f.column.index: f"changes together with {names}, by which the rows are parted"
        for f in found
        if f not in chosen and len(np.unique(_joint([*chosen, f]))) == parts
    }
    return RunParting(tuple(PartColumn(f.column.index, _by(f.column)) for f in chosen), reason, same)


def _doubted(found: list[_Found], rows: Rows, answer: str) -> RunParting:
    """Ask about a column of unknown name whose values take turns, as those of several sensors do."""
    for one in found:
        column, codes = one.column, one.codes
        turns = float((np.diff(codes) != 0).mean())
        if column.label.quantity is None and turns > 0.3 and _is_regular(codes):
            if answer == "part":
                return _parted([one], found, "says which one a row is of, as answered")
            if not answer:
                values = list(dict.fromkeys(rows.cells[name_of(column.index)].cast(pl.String).head(40).to_list()))
                return RunParting(question=_question(column, [v for v in values if v]))
    return RunParting()


def _question(column: Column, values: list[str]) -> Question:
    shown = ", ".join(f"`{v.strip()}`" for v in values[:3])
    return Question(
        "rows",
        f"Column `{column.name}` (column {column.index + 1}) alternates between {shown}. Do these rows come from "
        "several sources, such as sensors or ports, or from one log?",
        (
            Choice("part", f"several: one run for each of {len(values)} values"),
            Choice("keep", "one log: the column is a mark and is left out"),
        ),
        "--answer rows=part",
        column=column.name,
    )


def doubt_repeats(columns: list[Column], seconds: Array) -> Question | None:
    """Ask where every clock reading stands several times and readings differ by their place among them."""
    good = np.isfinite(seconds)
    steps = np.flatnonzero(np.diff(seconds[good]) != 0)
    times = int(np.median(np.diff(steps))) if len(steps) > 4 else 1
    if times < 2 or not (np.diff(steps)[1:-1] == times).all() or steps[0] != times - 1:
        return None
    rows = int(good.sum()) // times * times
    apart = []
    for column in columns:
        if column.label.quantity in {"voltage", "current", "power"} and len(column.values) == len(seconds):
            table = column.values[good][:rows].reshape(-1, times)
            within = float(np.nanmedian(np.abs(np.diff(table, axis=0))))
            levels = np.nanmedian(table, axis=0)
            if float(np.ptp(levels)) > max(10.0 * within, 0.05 * float(np.abs(levels).max())):
                apart.append(column.name)
    return unnamed_parts(apart, times) if apart else None


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
    return sum(_out_of_order(seconds[codes == k]) for k in np.unique(codes))


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
