"""Which tests of the course a device has behind it, and which are left to do at the bench.

Knows records of sheets, runs and tests; knows no catalogue, no file and no screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.judge.course import CourseTest
from store.judge.matching import AMBIENT_BAND_K, ROOM_C, shared_groups
from store.judge.measured import RunEvidence
from store.model.sheet import DeviceSheet, PortSheet
from store.usb.offers import OfferedMode, OfferError, offered_power_w, read_mode, read_offer
from store.words.facts import parse_load

__all__ = ["CELL_STATES", "CourseCell", "CourseGrid", "CourseRow", "course_grid"]

CELL_STATES: tuple[str, ...] = ("done", "repeat", "suspect", "to do", "not offered")
"""What a cell says: enough good runs, some but not enough, only suspect or rejected ones, none, nothing to test."""

TOP_SHARE = 0.9
"""A load counts as full power from this share of what the port offers."""


@dataclass(frozen=True, slots=True)
class CourseCell:
    """One test on one port in one mode."""

    port: str
    mode: str
    state: str
    """One of CELL_STATES."""
    run_ids: tuple[int, ...]
    done: int
    wanted: int


@dataclass(frozen=True, slots=True)
class CourseRow:
    """A test with its cells, in the order of the grid's columns."""

    test: CourseTest
    cells: tuple[CourseCell, ...]


@dataclass(frozen=True, slots=True)
class CourseGrid:
    """Which tests are done, missing, suspect or to repeat."""

    device: str
    columns: tuple[tuple[str, str], ...]
    """Port and mode of each column; the last one, both empty, is the device as a whole."""
    rows: tuple[CourseRow, ...]

    @property
    def next_steps(self) -> tuple[tuple[CourseTest, CourseCell], ...]:
        """What is left to do, in the order of the course."""
        return tuple(
            (row.test, cell) for row in self.rows for cell in row.cells if cell.state in ("repeat", "suspect", "to do")
        )

    def count(self, state: str) -> int:
        """How many cells are in a state."""
        return sum(cell.state == state for row in self.rows for cell in row.cells)


def course_grid(sheet: DeviceSheet, runs: Sequence[RunEvidence], tests: Sequence[CourseTest]) -> CourseGrid:
    """Hold the course against a device's runs.

    Args:
        sheet: Its sheet: what the ports offer makes the columns.
        runs: Its runs; modes that were tested beyond what is offered become columns too.
        tests: The course.
    """
    columns = (*_columns(sheet, runs), ("", ""))
    rows = []
    for test in tests:
        if sheet.kind in test.devices:
            cells = tuple(_cell(test, sheet, port, mode, runs) for port, mode in columns)
            rows.append(CourseRow(test, cells))
    return CourseGrid(sheet.device, columns, tuple(rows))


def _columns(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> list[tuple[str, str]]:
    """Port by port the modes that it offers, and those tested beyond; fixed and default at one voltage are one mode."""
    columns: list[tuple[str, str]] = []
    for port in sheet.ports:
        if sheet.kind == "cable" or port.name.casefold() == "mains":
            continue
        modes = [mode for text in port.offers for mode in _modes(text)]
        modes += [found for run in runs if run.port == port.name and (found := read_mode(run.mode or "")) is not None]
        seen: list[OfferedMode] = []
        for mode in modes:
            if not any(_same_mode(mode, other) for other in seen):
                seen.append(mode)
        seen.sort(key=lambda item: (item.supply not in ("fixed", "default"), item.highest_v))
        columns += [(port.name, mode.words()) for mode in seen] or [(port.name, "")]
    return columns


def _modes(text: str) -> list[OfferedMode]:
    try:
        offers = read_offer(text)
    except OfferError:
        return []
    return [
        OfferedMode("AVS" if item.supply.endswith("AVS") else item.supply, item.lowest_v, item.highest_v)
        for item in offers
    ]


def _same_mode(first: OfferedMode, second: OfferedMode) -> bool:
    """Whether a run in one mode stands in the other's column: a PPS voltage belongs to the PPS range."""
    plain = ("fixed", "default", "")
    if first.supply != second.supply and not (first.supply in plain and second.supply in plain):
        return False
    within = second.lowest_v - 1e-9 <= first.lowest_v and first.highest_v <= second.highest_v + 1e-9
    around = first.lowest_v - 1e-9 <= second.lowest_v and second.highest_v <= first.highest_v + 1e-9
    return within or around


def _cell(test: CourseTest, sheet: DeviceSheet, port: str, mode: str, runs: Sequence[RunEvidence]) -> CourseCell:
    if not _applies(test, sheet, port, mode):
        return CourseCell(port, mode, "not offered", (), 0, test.repeats)
    found = [run for run in _candidates(test, runs) if _counts(test, sheet, port, mode, run)]
    good = [run for run in found if run.quality == "ok"]
    done = len({run.group_id if test.shared else run.run_id for run in good})
    if done >= test.repeats:
        state = "done"
    elif good:
        state = "repeat"
    else:
        state = "suspect" if found else "to do"
    return CourseCell(port, mode, state, tuple(run.run_id for run in found), done, test.repeats)


def _applies(test: CourseTest, sheet: DeviceSheet, port: str, mode: str) -> bool:
    """Whether a test is done in a column: mode tests in each, port tests in the port's first, others in the last."""
    if test.per == "device":
        return port == "" and not (test.shared and len(_outputs(sheet)) < 2)
    if port == "":
        return False
    described = sheet.port(port)
    if described is None:
        return False
    wanted = ("in", "both") if test.per == "input" else ("out", "both")
    if described.direction not in wanted or port.casefold() == "mains":
        return False
    if test.per == "mode":
        return True
    return mode == _home_mode(described, test)


def _outputs(sheet: DeviceSheet) -> list[PortSheet]:
    return [port for port in sheet.ports if port.direction in ("out", "both") and port.name.casefold() != "mains"]


def _home_mode(port: PortSheet, test: CourseTest) -> str:
    """The column in which a test of a whole port stands: its strongest fixed mode, or its first for light loads."""
    fixed = [mode for text in port.offers for mode in _modes(text) if mode.supply in ("fixed", "default")]
    if not fixed:
        return ""
    pick = min if test.kind == "light-load" else max
    return pick(fixed, key=lambda mode: mode.highest_v).words()


def _candidates(test: CourseTest, runs: Sequence[RunEvidence]) -> list[RunEvidence]:
    shared = shared_groups(runs)
    of_kind = [run for run in runs if run.kind == test.kind]
    if test.shared:
        return [run for run in of_kind if run.group_id in shared]
    return [run for run in of_kind if run.group_id not in shared]


def _counts(test: CourseTest, sheet: DeviceSheet, port: str, mode: str, run: RunEvidence) -> bool:
    if not _ambient_fits(test, run):
        return False
    if test.per == "device":
        return True
    if run.port != port:
        return False
    if test.load == "top":
        return _is_full_power(sheet, run)
    if test.per != "mode" or not mode:
        return True
    wanted, actual = read_mode(mode), read_mode(run.mode or "")
    return wanted is not None and actual is not None and _same_mode(actual, wanted)


def _ambient_fits(test: CourseTest, run: RunEvidence) -> bool:
    if run.ambient_c is None:
        return test.ambient_c is None
    if test.ambient_c is not None:
        return abs(run.ambient_c - test.ambient_c) <= AMBIENT_BAND_K
    return ROOM_C[0] <= run.ambient_c <= ROOM_C[1]


def _is_full_power(sheet: DeviceSheet, run: RunEvidence) -> bool:
    """Whether a run took what its port offers at most, or the device's rated output."""
    port = sheet.port(run.port or "")
    if port is None:
        return False
    tops = [power for text in port.offers for mode in _modes(text) if (power := offered_power_w([text], mode.words()))]
    top = max(tops, default=0.0)
    if sheet.output_w is not None:
        top = min(top, sheet.output_w) if top else sheet.output_w
    load = parse_load(run.load_set)
    watts = load.value if load is not None and load.unit == "W" else run.value("power_plateau_w")
    return watts is not None and top > 0.0 and watts >= TOP_SHARE * top
