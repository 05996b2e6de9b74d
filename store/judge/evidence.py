"""Runs of devices with their current results, read from the catalogue as evidence, and what follows from several.

Knows the catalogue's tables; the arithmetic is in `store.methods`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np
import pyarrow as pa

from store.catalogue.connection import rows
from store.devices.bench import load_bench
from store.judge.contradictions import contradictions
from store.judge.derived.ratios import ASSUMED_ADAPTER, AdapterEfficiency, pair_runs, ratio, wall_to_load, wasted_share
from store.judge.measured import Measured, RunEvidence, measured
from store.methods.adapter import LOW_END, Side, efficiency_results, is_mains, side_of
from store.model.records import Meter
from store.model.results import Account, Array, Contribution, Flag, MeterAccuracy, Result
from store.model.sheet import DeviceSheet, PortSheet
from store.runs.pairs import pairs_by_hand
from store.runs.sample_store import SampleStore
from store.usb.efficiency_limits import LOW_VOLTAGE_V, standards
from store.usb.offers import is_adaptive, offered_current_a, read_mode

if TYPE_CHECKING:
    from store.core import Store

__all__ = [
    "BenchEvidence",
    "derive_evidence",
    "evidence_by_portions",
    "load_evidence",
    "measured_runs",
    "read_evidence",
]

PORTION = 4000
"""Runs whose results are held at once where every device is looked at: some 100 MB. Chosen by us."""

_RUN_COLUMNS = (
    "run_id, device, port, mode, kind, direction, load_set, ambient_c, meter, group_id, quality, started_at, channels, "
    "group_offset_s"
)
_RESULT_COLUMNS = (
    "name",
    "value",
    "unit",
    "uncertainty",
    "method",
    "method_version",
    "from_s",
    "to_s",
    "text",
    "reason",
)
_EFFICIENCY_CHANNELS = ("voltage_v", "current_a", "power_w")
_PAIR_METHOD = "pair of runs"


@dataclass(frozen=True, slots=True)
class _Run:
    """A run's row, with what only grouping needs."""

    evidence: RunEvidence
    device: str
    channels: tuple[str, ...]
    clock_s: float
    """Add to the run's own time for one clock within its group [s]."""


@dataclass(frozen=True, slots=True)
class BenchEvidence:
    """Every device's sheet and its runs, derived results among them."""

    sheets: Mapping[str, DeviceSheet]
    runs: Mapping[str, tuple[RunEvidence, ...]]
    """By device, in the order of run numbers."""

    def of(self, device: str) -> tuple[RunEvidence, ...]:
        """A device's runs."""
        return self.runs.get(device, ())


def read_evidence(library: Store, devices: Iterable[str] | None = None) -> BenchEvidence:
    """Sheets and evidence of some devices, or of all, with derived results.

    Args:
        library: The library.
        devices: Which devices; all that have a sheet or runs where None.
    """
    with library.catalogue.reader() as cursor:
        loaded = load_evidence(cursor, None if devices is None else tuple(devices))
    bench = load_bench(library)
    return derive_evidence(library, loaded, bench.devices, bench.meters)


def evidence_by_portions(library: Store, devices: Sequence[str]) -> Iterator[tuple[tuple[str, ...], BenchEvidence]]:
    """Evidence of many devices, some of them at a time, so that memory does not grow with the library.

    Args:
        library: The library.
        devices: Which devices; each comes once, in this order.

    Yields:
        Devices, and the evidence of them.
    """
    bench = load_bench(library)
    for portion in _portions(library, devices):
        with library.catalogue.reader() as cursor:
            loaded = load_evidence(cursor, portion)
        yield tuple(portion), derive_evidence(library, loaded, bench.devices, bench.meters)


def _portions(library: Store, devices: Sequence[str]) -> list[list[str]]:
    """The devices, dealt so that each portion has some thousands of runs."""
    with library.catalogue.reader() as cursor:
        counted = rows(cursor, "SELECT device, count(*) FROM catalogue.run WHERE device IS NOT NULL GROUP BY device")
    runs: dict[str, Any] = {str(device): count for device, count in counted}
    dealt: list[list[str]] = []
    held = PORTION
    for device in devices:
        if held >= PORTION:
            dealt.append([])
            held = 0
        dealt[-1].append(device)
        held += runs.get(device, 0)
    return dealt


def load_evidence(cursor: duckdb.DuckDBPyConnection, devices: Sequence[str] | None = None) -> list[_Run]:
    """Runs of devices with their current results. Runs of their groups come with them, whatever their device."""
    where, values = "device IS NOT NULL", []
    if devices is not None:
        where = (
            "(device IN (SELECT unnest(?)) OR group_id IN "
            "(SELECT group_id FROM catalogue.run WHERE device IN (SELECT unnest(?)) AND group_id IS NOT NULL))"
        )
        values = [list(devices), list(devices)]
    found: list[Any] = rows(cursor, f"SELECT {_RUN_COLUMNS} FROM catalogue.run WHERE {where} ORDER BY run_id", values)
    results = _results(cursor, where, values)
    return [_run(row, results.get(row[0], {})) for row in found]


def measured_runs(cursor: duckdb.DuckDBPyConnection, run_ids: Sequence[int]) -> dict[int, dict[str, Measured]]:
    """Current results of runs as measured values, by run and name."""
    where, values = "run_id IN (SELECT unnest(?))", [list(run_ids)]
    found: list[Any] = rows(cursor, f"SELECT {_RUN_COLUMNS} FROM catalogue.run WHERE {where}", values)
    results = _results(cursor, where, values)
    evidence = [_run(row, results.get(row[0], {})).evidence for row in found]
    return {
        run.run_id: {name: value for name in run.results if (value := measured(run, name)) is not None}
        for run in evidence
    }


class _ResultTable:
    """Current results of some runs as the engine gave them: a run's rows lie together.

    Columns become Python values for all rows of one name at once, when the first of them is asked for.
    """

    __slots__ = ("_plain", "_table", "names")

    def __init__(self, table: pa.Table, names: Sequence[str]) -> None:
        self.names = names
        self._table = table
        self._plain: dict[str, dict[int, tuple[Any, ...]]] = {}

    def result(self, row: int) -> Result:
        """The result of a row."""
        name = self.names[row]
        if name not in self._plain:
            self._plain[name] = self._all_of(name)
        plain = self._plain[name][row]
        value, unit, uncertainty, method, version, from_s, to_s, text, reason, warnings, budget, flags, dof = plain
        return Result(
            name,
            value,
            unit,
            uncertainty,
            method,
            version,
            from_s,
            to_s,
            text,
            reason,
            warnings=tuple(json.loads(warnings)) if warnings != "[]" else (),
            budget=tuple(Contribution(**part) for part in json.loads(budget)) if budget != "[]" else (),
            flags=frozenset(map(Flag, flags or ())),
            dof=dof,
        )

    def _all_of(self, name: str) -> dict[int, tuple[Any, ...]]:
        places = [place for place, other in enumerate(self.names) if other == name]
        taken = self._table.take(pa.array(places))
        columns = (*_RESULT_COLUMNS[1:], "warnings", "budget", "flags", "dof")
        return dict(zip(places, zip(*(taken.column(c).to_pylist() for c in columns), strict=True), strict=True))


class _StoredResults(Mapping[str, Result]):
    """A run's current results by name, each made from its row when it is first asked for.

    A verdict asks for a few of some forty; the others never become Python objects.
    """

    __slots__ = ("_first", "_made", "_names", "_table")

    def __init__(self, table: _ResultTable, first: int, end: int) -> None:
        self._table = table
        self._first = first
        self._names = table.names[first:end]
        self._made: dict[str, Result] = {}

    def __getitem__(self, name: str) -> Result:
        if name not in self._made:
            if name not in self._names:
                raise KeyError(name)
            self._made[name] = self._table.result(self._first + self._names.index(name))
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, name: object) -> bool:
        return name in self._names


def _results(
    cursor: duckdb.DuckDBPyConnection, where: str, values: Sequence[object]
) -> Mapping[int, Mapping[str, Result]]:
    columns = ", ".join(_RESULT_COLUMNS)
    sql = (
        f"SELECT r.run_id, warnings, budget, flags, dof, {columns} FROM catalogue.result r "
        f"JOIN (SELECT run_id FROM catalogue.run WHERE {where}) USING (run_id) WHERE is_current ORDER BY r.run_id"
    )
    table = cursor.sql(sql, params=list(values)).to_arrow_table().combine_chunks()
    if not table.num_rows:
        return {}
    coded = table.column("name").chunk(0).dictionary_encode()
    words = coded.dictionary.to_pylist()
    names = [words[code] for code in coded.indices.to_numpy().tolist()]
    run_ids, firsts = np.unique(table.column("run_id").to_numpy(), return_index=True)
    ends = [*firsts[1:].tolist(), table.num_rows]
    kept = _ResultTable(table, names)
    return {
        run_id: _StoredResults(kept, first, end)
        for run_id, first, end in zip(run_ids.tolist(), firsts.tolist(), ends, strict=True)
    }


def _run(row: Sequence[Any], results: Mapping[str, Result]) -> _Run:
    started = row[11]
    evidence = RunEvidence(
        run_id=row[0],
        port=row[2],
        mode=row[3],
        kind=row[4],
        direction=row[5],
        load_set=row[6],
        ambient_c=row[7],
        meter=row[8],
        group_id=row[9],
        quality=row[10],
        started=started.isoformat() if started is not None else "",
        results=results,
    )
    clock = row[13] if row[13] is not None else started.timestamp() if started is not None else 0.0
    return _Run(evidence, str(row[1] or ""), tuple(json.loads(row[12])), float(clock))


def derive_evidence(
    library: Store, loaded: Sequence[_Run], sheets: Mapping[str, DeviceSheet], meters: Mapping[str, Meter]
) -> BenchEvidence:
    """Results that follow from several runs, added to the runs that they speak of."""
    groups: dict[int, list[_Run]] = {}
    for run in loaded:
        if run.evidence.group_id is not None:
            groups.setdefault(run.evidence.group_id, []).append(run)
    by_device: dict[str, list[RunEvidence]] = {}
    for run in loaded:
        evidence = run.evidence
        members = groups.get(evidence.group_id, []) if evidence.group_id is not None else []
        if evidence.kind == "efficiency" and not is_mains(evidence.port, run.channels):
            evidence = _with_efficiency(_Desk(library, meters), run, members, sheets.get(run.device))
        by_device.setdefault(run.device, []).append(_unless_contradicted(evidence, sheets.get(run.device)))
    adapters = _measured_adapters(loaded, groups)
    with library.catalogue.reader() as cursor:
        by_hand = {pair.discharge_id: pair.recharge_id for pair in pairs_by_hand(cursor)}
    runs = {device: tuple(_with_round_trips(found, adapters, by_hand)) for device, found in by_device.items()}
    return BenchEvidence(sheets, runs)


def _unless_contradicted(run: RunEvidence, sheet: DeviceSheet | None) -> RunEvidence:
    """The run; one whose facts its trace or the sheet contradicts counts as rejected."""
    ports = tuple(port.name for port in sheet.ports) if sheet is not None else ()
    told = contradictions(str(run.run_id), port=run.port, mode=run.mode, kind=run.kind, value=run.value, ports=ports)
    return replace(run, quality="rejected", contradictions=told) if told else run


@dataclass(frozen=True, slots=True)
class _Desk:
    """Where samples and meters come from."""

    library: Store
    meters: Mapping[str, Meter]


def _with_efficiency(desk: _Desk, run: _Run, members: Sequence[_Run], sheet: DeviceSheet | None) -> RunEvidence:
    """An adapter's port side with its efficiencies, from the mains side in its group."""
    evidence = run.evidence
    partner = next((m for m in members if m.device == run.device and is_mains(m.evidence.port, m.channels)), None)
    port = sheet.port(evidence.port or "") if sheet is not None else None
    rated = offered_current_a(port.offers, evidence.mode) if port is not None else None
    reason = ""
    if partner is None:
        reason = "its group has no run of the mains side"
    elif rated is None:
        reason = "the sheet does not say what the port offers in this mode"
    if partner is None or rated is None:
        absent = Result("efficiency_average", None, "1", None, "average efficiency", 1, reason=reason)
        return replace(evidence, results={**evidence.results, absent.name: absent})
    ac = side_of(
        _columns(desk.library, partner), partner.clock_s - run.clock_s, _accuracy(partner, desk.meters), is_ac=True
    )
    dc = side_of(_columns(desk.library, run), 0.0, _accuracy(run, desk.meters), is_ac=False)
    if ac is None or dc is None:
        return evidence
    found = {result.name: result for result in efficiency_results(ac, dc, rated)}
    if port is not None and (low := _low_end(ac, dc, port, evidence.mode, rated)) is not None:
        found[low.name] = low
    other = (partner.evidence.run_id,)
    return replace(evidence, results={**evidence.results, **found}, also=dict.fromkeys(found, other))


def _low_end(ac: Side, dc: Side, port: PortSheet, mode: str | None, rated_a: float) -> Result | None:
    """The average by what a rule counts as full load at the lowest voltage, where that is less than the rating."""
    full_a = max((s.low_end_full_a for s in standards() if s.low_end_full_a is not None), default=None)
    volts = read_mode(mode or "")
    if full_a is None or volts is None or volts.highest_v >= LOW_VOLTAGE_V or rated_a <= full_a:
        return None
    if not is_adaptive(port.offers):
        return None
    return replace(efficiency_results(ac, dc, full_a)[-1], name=LOW_END)


def _columns(library: Store, run: _Run) -> dict[str, Array]:
    wanted = [name for name in _EFFICIENCY_CHANNELS if name in run.channels]
    table = library.service(SampleStore).read(run.evidence.run_id, wanted)
    return {
        name: np.asarray(table.column(name).to_numpy(zero_copy_only=False), dtype=np.float64)
        for name in ("t_s", *wanted)
    }


def _accuracy(run: _Run, meters: Mapping[str, Meter]) -> MeterAccuracy:
    meter = meters.get(run.evidence.meter or "")
    if meter is None:
        return MeterAccuracy(run.evidence.meter or "")
    return MeterAccuracy(
        meter.name, meter.voltage_spec, meter.current_spec, meter.temperature_spec, meter.power_spec, meter.clock_spec
    )


def _measured_adapters(loaded: Sequence[_Run], groups: Mapping[int, Sequence[_Run]]) -> dict[int, AdapterEfficiency]:
    """Recharges whose group holds the mains side of the adapter that fed them: its efficiency over that recharge."""
    found = {}
    for run in loaded:
        evidence = run.evidence
        if evidence.kind != "recharge" or evidence.group_id is None:
            continue
        wall = next((m for m in groups[evidence.group_id] if is_mains(m.evidence.port, m.channels)), None)
        taken, given = measured(evidence, "energy_wh"), None
        if wall is not None:
            given = measured(wall.evidence, "energy_wh")
        if wall is None or taken is None or given is None or given.value <= 0:
            continue
        share = ratio(taken, given)
        words = f"adapter's efficiency of {share.value:.3f} measured on {wall.device} (run {wall.evidence.run_id})"
        found[evidence.run_id] = AdapterEfficiency(
            share.value,
            share.uncertainty,
            is_measured=True,
            words=words,
            run_ids=(evidence.run_id, wall.evidence.run_id),
        )
    return found


_PAIRED = ("round_trip", "wall_to_load", "wasted_share")


def _with_round_trips(
    runs: Sequence[RunEvidence], adapters: Mapping[int, AdapterEfficiency], by_hand: Mapping[int, int]
) -> list[RunEvidence]:
    """Discharges with round_trip, wall_to_load and wasted_share, from the recharges that go with them."""
    pairs = {pair.discharge.run_id: pair for pair in pair_runs(runs, by_hand)}
    own = [adapters[run.run_id] for run in runs if run.run_id in adapters]
    out = []
    for run in runs:
        pair = pairs.get(run.run_id)
        top = measured(run, "energy_out_wh")
        bottom = measured(pair.recharge, "energy_in_wh") if pair is not None else None
        if pair is None or top is None or bottom is None:
            out.append(run)
            continue
        adapter = adapters.get(pair.recharge.run_id) or (own[0] if own else ASSUMED_ADAPTER)
        trip = ratio(top, bottom)
        if trip.value > 1.0:
            results = {name: _impossible(name, run, pair.recharge) for name in _PAIRED}
            out.append(replace(run, results={**run.results, **results}))
            continue
        through = wall_to_load(trip, adapter)
        named = {"round_trip": trip, "wall_to_load": through, "wasted_share": wasted_share(through)}
        results = {name: _as_result(name, value, pair.why) for name, value in named.items()}
        also = {name: tuple(i for i in value.run_ids if i != run.run_id) for name, value in named.items()}
        derived = {name: replace(value, conditions=(run.condition(),)) for name, value in named.items()}
        out.append(
            replace(
                run, results={**run.results, **results}, also={**run.also, **also}, derived={**run.derived, **derived}
            )
        )
    return out


def _impossible(name: str, discharge: RunEvidence, recharge: RunEvidence) -> Result:
    """More out than in is no efficiency: one of the two logs is not whole, or they don't belong together."""
    reason = (
        f"run {discharge.run_id} delivered more than run {recharge.run_id} took in: one of the two logs is not whole, "
        "or they don't belong together. Join the parts of one log, or pair the runs by hand"
    )
    return Result(name, None, "1", None, _PAIR_METHOD, 1, reason=reason)


def _as_result(name: str, value: Measured, why: str) -> Result:
    note = (value.note,) if value.note else ()
    return Result(
        name,
        value.value,
        value.unit,
        value.uncertainty,
        _PAIR_METHOD,
        1,
        warnings=note,
        account=Account(told={"paired_with": why, "runs": ", ".join(map(str, value.run_ids))}),
        flags=value.flags,
        dof=value.dof,
    )
