"""Which columns belong to which port, and which one fills a channel where several could.

Knows labels and columns. Units and signs are settled elsewhere.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field, replace

from importers.decide.channels import MAIN, channel_of
from importers.decide.columns import Column
from importers.decide.parting import RunParting

__all__ = ["Group", "Slots", "assign", "with_label"]

_ELECTRICAL = frozenset({"voltage", "current", "power", "energy", "charge"})
_CHANNEL_WORD = re.compile(
    r"(?i)^(?:(?:ch|channel|kanal|canal|canale|kanaal|voie|通道|チャンネル)[ _\-#]*[a-z]?)?\d{1,2}$"
)
"""Channels of a logger: inputs, of which two may measure one port."""


@dataclass(slots=True)
class Group:
    """The columns of one port."""

    port: str | None
    side: str | None = None
    is_ac: bool = False
    by_channel: dict[str, Column] = field(default_factory=dict)


@dataclass(slots=True)
class Slots:
    """Every column's place."""

    groups: list[Group]
    rivals: list[tuple[Group, str, list[Column]]]
    """Channels that several columns could fill: physics or the tester chooses."""
    unused: dict[int, str]
    """Columns that are not used, with the reason."""
    unknown: list[Column]
    """Numbers that no word explains."""


def assign(columns: list[Column], clock: frozenset[int], parting: RunParting) -> Slots:
    """Give every column its place."""
    unused: dict[int, str] = dict(parting.same or {})
    unknown: list[Column] = []
    measured: list[Column] = []
    for column in columns:
        if column.index in clock or column.index in parting.indices or column.index in unused:
            continue
        why = _why_unused(column)
        if why:
            unused[column.index] = why
        elif column.label.quantity is None:
            unknown.append(column)
        else:
            measured.append(column)
    measured = _with_main_voltage(measured)
    keys = _port_keys(measured)
    groups: dict[str | None, Group] = {}
    rivals: dict[tuple[str | None, str], list[Column]] = defaultdict(list)
    for column in measured:
        key = keys[column.index]
        channel = channel_of(column.label.quantity, column.label.role)
        is_beside = key is None and column.label.role == "cell" and channel == "voltage_v"
        if channel is None or (is_beside and _has_other_voltage(column, measured)):
            unused[column.index] = f"{_say(column)} is not kept: no channel is meant for it"
            continue
        rivals[key, channel].append(column)
        groups.setdefault(key, Group(key))
    _spread_temperatures(rivals)
    slots = Slots([], [], unused, unknown)
    _fill(slots, groups, rivals)
    return slots


def _with_main_voltage(measured: list[Column]) -> list[Column]:
    """The only voltage of a table is the port's, though it is taken at the load: `Facts.measured_at` says so."""
    volts = [c for c in measured if c.label.quantity == "voltage" and c.label.role in {None, "far", "cell"}]
    if len(volts) != 1 or volts[0].label.role != "far":
        return measured
    lone = with_label(volts[0], role=None, reason=f"{volts[0].label.reason}; the only voltage", is_far=True)
    return [lone if c is volts[0] else c for c in measured]


def _has_other_voltage(column: Column, measured: list[Column]) -> bool:
    return any(c is not column and c.label.quantity == "voltage" and c.label.role is None for c in measured)


def _say(column: Column) -> str:
    role = f"{column.label.role} " if column.label.role else ""
    return f"{role}{column.label.quantity}"


def _why_unused(column: Column) -> str:
    label = column.label
    if column.kind == "empty":
        return "holds nothing"
    if column.kind == "text":
        return "text, not a reading"
    if column.kind in {"date", "time", "datetime"}:
        return "a second clock; the other one is used"
    if label.unused:
        return f"{label.unused}"
    if label.quantity in {"elapsed", "wall_clock", "date", "sample"}:
        return {"sample": "a sample number; the clock is used instead"}.get(
            label.quantity, "a second clock; the other one is used"
        )
    if label.quantity in {"text", "port", "part", "other"}:
        return "a state or mark, not a reading"
    return ""


def _port_keys(measured: list[Column]) -> dict[int, str | None]:
    """Name each column's port; None where the file has one port or the column belongs to all."""
    main = [c for c in measured if c.label.quantity in _ELECTRICAL and c.label.role is None]
    sides = {c.label.side for c in main if c.label.mains is None}
    quantities = defaultdict(set)
    for c in main:
        quantities[c.label.quantity, c.label.unit].add((c.label.port, c.label.index, c.label.mains, c.label.side))
    has_both_sides = {"in", "out"} <= sides and any(
        {"in", "out"} <= {s for *_, s in found} for found in quantities.values()
    )
    indices = {c.label.index for c in main if c.label.index is not None}
    numbered = len(indices) > 1 and sum(c.label.index is not None for c in main) >= 3
    has_ac = any(c.label.mains == "ac" for c in main)
    of_cell = {c.label.quantity for c in measured if c.label.role == "cell"}
    has_cell = {"voltage", "current"} <= of_cell and {"voltage", "current"} <= {c.label.quantity for c in main}
    keys: dict[int, str | None] = {}
    ports = {c.label.port or (c.label.index if numbered else None) for c in main} - {None}
    for c in measured:
        label = c.label
        key = label.port or (label.index if numbered else None)
        if label.mains == "ac" or (has_ac and label.quantity in {"frequency", "power_factor"}):
            key = "mains"
        elif key is None and has_both_sides and label.side and label.quantity in _ELECTRICAL:
            key = "mains" if has_ac and label.side == "in" else label.side
        if label.quantity == "temperature" and key not in ports:
            key = None
        if has_cell and label.role == "cell" and label.quantity in _ELECTRICAL:
            key = "cell"
        keys[c.index] = key
    if _are_inputs(main, keys):
        return dict.fromkeys(keys)
    return keys | _blocks(main) if not any(keys.values()) else keys


def _blocks(main: list[Column]) -> dict[int, str | None]:
    """Number the blocks of a header that repeats itself, `V, A, V, A`: each is a port; empty where it does not."""
    by_name: dict[str, list[Column]] = defaultdict(list)
    for column in main:
        by_name[column.name.strip().casefold()].append(column)
    times = {len(found) for found in by_name.values()}
    if len(by_name) < 2 or len(times) != 1 or times == {1}:
        return {}
    if len({c.label.quantity for found in by_name.values() for c in found[:1]}) != len(by_name):
        return {}
    return {c.index: str(number) for found in by_name.values() for number, c in enumerate(found, 1)}


def _are_inputs(main: list[Column], keys: dict[int, str | None]) -> bool:
    """Tell a logger's inputs, each of another quantity of one port, from ports: `CH1 (V)` beside `CH2 (A)`."""
    ports = {keys[c.index] for c in main}
    if len(ports) < 2 or not all(p is not None and _CHANNEL_WORD.match(p) for p in ports):
        return False
    said = [c.label.quantity for c in main]
    return len(said) == len(set(said)) and {"voltage", "current"} & set(said) != set() and len(ports) == len(said)


def _spread_temperatures(rivals: dict[tuple[str | None, str], list[Column]]) -> None:
    """Give the second of two unnamed probes the second probe's channel."""
    for (key, channel), found in list(rivals.items()):
        if channel == "temperature_c" and len(found) > 1 and (key, "temperature_2_c") not in rivals:
            named = [c for c in found if c.label.role == "case"]
            first = named[0] if named else found[0]
            second = next(c for c in found if c is not first)
            rivals[key, channel] = [c for c in found if c is not second]
            rivals[key, "temperature_2_c"] = [second]


def _fill(slots: Slots, groups: dict[str | None, Group], rivals: dict[tuple[str | None, str], list[Column]]) -> None:
    """Put columns into groups; columns without a port go to every port."""
    electrical = {k for k, channel in rivals if k is not None and channel in MAIN}
    targets: list[str | None] = [*electrical] if electrical else [*groups]
    if electrical and any((None, ch) in rivals for ch in ("current_a", "power_w")):
        targets.append(None)
    first = {k: min(c.index for (g, _), cs in rivals.items() if g == k for c in cs) for k in targets}
    for key in sorted(targets, key=lambda k: first[k]):
        group = Group(key, is_ac=key == "mains")
        sides: set[str | None] = set()
        for (owner, channel), found in rivals.items():
            if owner != key and not _is_shared(owner, key, channel, rivals, targets):
                continue
            if len(found) > 1:
                slots.rivals.append((group, channel, found))
            else:
                group.by_channel[channel] = found[0]
            if channel in MAIN:
                sides |= {c.label.side for c in found}
        sides.discard(None)
        group.side = sides.pop() if len(sides) == 1 else None
        group.side = {"in": "in", "out": "out", "mains": "in"}.get(key or "", group.side)
        slots.groups.append(group)


def _is_shared(
    owner: str | None,
    key: str | None,
    channel: str,
    rivals: dict[tuple[str | None, str], list[Column]],
    targets: list[str | None],
) -> bool:
    """Tell whether a column without a port belongs to this port too."""
    if owner is not None or (key, channel) in rivals or None in targets:
        return False
    return (
        channel not in MAIN or (channel == "voltage_v" and key != "mains")
        if key != "mains"
        else channel == "temperature_ambient_c"
    )


def with_label(column: Column, **changes: object) -> Column:
    """Copy a column with its label changed."""
    return replace(column, label=replace(column.label, **changes))  # type: ignore[arg-type]
