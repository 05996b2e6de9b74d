"""A device's page: claims, course, figures, what to do next. Assembles; the arithmetic is in `store.methods`.

Knows sheets and evidence; knows no SQL and no screen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from store.devices.records import DevicePage, Figure, FlightLine, PortLine, RuntimeLine, TestTable
from store.errors import NotFound
from store.judge.claims import judge_claims
from store.judge.course import CourseTest, load_course
from store.judge.course_grid import CourseGrid, course_grid
from store.judge.device_limits import limit_lines, limit_notes
from store.judge.evidence import BenchEvidence, read_evidence
from store.judge.figures import TABLES, figure_of, reference_runs, rows_of_kind
from store.judge.matching import groups_of_one_condition
from store.judge.measured import Measured, RunEvidence, measured, pool
from store.judge.peers import peers_of, same_model
from store.judge.per_device import per_mass, per_volume, power_per_mass, price_per_energy
from store.judge.ratios import LoadPoint, runtime_at
from store.judge.sheet_claims import sheet_uncertainty
from store.judge.sustained import sustained_power
from store.model.sheet import DeviceSheet, PortSheet
from store.uncertainty.decision import Verdict
from store.usb.air_travel import air_table, flight_class, rated_energy_exact
from store.usb.offers import OfferError, read_offer
from store.usb.power_objects import PowerObject
from store.usb.power_rating import shortfalls
from store.words.facts import parse_load
from store.words.quantities import label_of

if TYPE_CHECKING:
    from store.library import Library

__all__ = ["course_of", "device_page", "judge_all", "runtime_lines", "sheet_of"]

HEADLINE = ("energy_out_wh", "yield", "round_trip", "wall_to_load", "wasted_share")
ASKED_LOADS_W: tuple[float, ...] = (5.0, 15.0, 30.0)
"""Loads whose runtime a page shows without being asked: a phone, a tablet, a small computer. Chosen by us."""


def sheet_of(evidence: BenchEvidence, name: str) -> DeviceSheet:
    """A device's sheet; a bare one where it has runs and none.

    Raises:
        NotFound: neither a sheet nor a run is known of it.
    """
    if name in evidence.sheets:
        return evidence.sheets[name]
    if name in evidence.runs:
        return DeviceSheet(name, "", note="It has no sheet yet: `joulebook device template` shows one.")
    raise NotFound.of("device", name, sorted({*evidence.sheets, *evidence.runs}))


def device_page(library: Library, name: str, *, loads_w: Sequence[float] = ()) -> DevicePage:
    """Everything about one device.

    Args:
        library: The library.
        name: The device's inventory code.
        loads_w: Loads [W] whose runtime is asked for.

    Raises:
        NotFound: no such device.
        CourseRefused: the library's own course can't be read.
    """
    known = library.sheets()
    samples = same_model(known[name], known.values()) if name in known else ()
    evidence = read_evidence(library, [name, *samples])
    sheet = sheet_of(evidence, name)
    runs = evidence.of(name)
    days = sorted(run.started[:10] for run in runs if run.started)
    limits = tuple(limit_lines(sheet, runs))
    return DevicePage(
        sheet=sheet,
        runs=len(runs),
        first_run=days[0] if days else "",
        last_run=days[-1] if days else "",
        figures=(*_headline(sheet, runs), *_of_model(sheet, evidence, samples)),
        verdicts=tuple(judge_claims(sheet, runs)),
        course=course_grid(sheet, runs, load_course(library.path)),
        tables=tuple(_tables(runs)),
        sustained_out=sustained_power(runs) if sheet.kind == "power bank" else None,
        sustained_in=sustained_power(runs, "in") if sheet.kind == "power bank" else None,
        flight=_flight(sheet),
        ports=tuple(_port_line(port, sheet) for port in sheet.ports),
        runtimes=runtime_lines(runs, loads_w or (ASKED_LOADS_W if sheet.kind == "power bank" else ())),
        limits=limits,
        same_model=same_model(sheet, evidence.sheets.values()),
        peers=peers_of(sheet, evidence.sheets.values()),
        notes=(*_notes(sheet, runs), *limit_notes(limits)),
    )


def course_of(library: Library, name: str) -> CourseGrid:
    """Which tests of the course a device has behind it.

    Raises:
        NotFound: no such device.
        CourseRefused: the library's own course can't be read.
    """
    evidence = read_evidence(library, [name])
    tests: tuple[CourseTest, ...] = load_course(library.path)
    return course_grid(sheet_of(evidence, name), evidence.of(name), tests)


def judge_all(library: Library) -> list[Verdict]:
    """Every claim of every device held against its runs."""
    evidence = read_evidence(library)
    return [
        verdict for name, sheet in sorted(evidence.sheets.items()) for verdict in judge_claims(sheet, evidence.of(name))
    ]


def _headline(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[Figure]:
    if sheet.kind == "power bank":
        yield from _bank_figures(sheet, runs)
    for name in {"adapter": ("efficiency_average", "no_load_w"), "cable": ("resistance_mohm",)}.get(sheet.kind, ()):
        groups = [_pooled(group, name) for group in groups_of_one_condition([r for r in runs if name in r.results])]
        yield from (figure_of(name, item) for item in groups if item is not None)
    if sheet.mass_g is not None:
        yield figure_of("mass_g", Measured(sheet.mass_g, "g", sheet_uncertainty(sheet, "mass_g")))


def _bank_figures(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[Figure]:
    reference = reference_runs(sheet, runs)
    for name in HEADLINE:
        item = _pooled(reference, name)
        if item is not None:
            yield figure_of(name, item)
        elif name == "energy_out_wh":
            yield Figure(name, label_of(name), None, "Wh", reason="Missing: a discharge at room temperature.")
    energy = _pooled(reference, "energy_out_wh")
    rated = sheet.energy_wh
    if energy is not None:
        for name, item in (
            ("wh_per_kg", per_mass(energy, sheet)),
            ("wh_per_l", per_volume(energy, sheet)),
            ("price_per_usable_wh", price_per_energy(energy, sheet)),
        ):
            if item is not None:
                yield figure_of(name, item, label={"price_per_usable_wh": "price per usable energy"}.get(name))
    if rated is not None:
        for name, item in (
            ("rated_wh_per_kg", per_mass(Measured(rated, "Wh", 0.0), sheet)),
            ("rated_wh_per_l", per_volume(Measured(rated, "Wh", 0.0), sheet)),
        ):
            if item is not None:
                yield figure_of(name, item, label=f"rated energy per {'mass' if name.endswith('kg') else 'volume'}")
    sustained = sustained_power(runs)
    if sustained.power_w is not None:
        power = Measured(sustained.power_w, "W", 0.0, sustained.run_ids)
        yield figure_of("sustained_power_w", power)
        item = power_per_mass(power, sheet)
        if item is not None:
            yield figure_of("w_per_kg", item, label="sustained power per mass")


def _of_model(sheet: DeviceSheet, evidence: BenchEvidence, samples: Sequence[str]) -> Iterable[Figure]:
    """Means over all samples of the model, at the condition of this one's own figures; never the best one.

    Each sample counts once, however often it was tested.
    """
    reference = reference_runs(sheet, evidence.of(sheet.device)) if sheet.kind == "power bank" else ()
    if not reference or not samples:
        return
    everybody = {name: evidence.of(name) for name in (sheet.device, *samples)}
    all_runs = [run for found in everybody.values() for run in found]
    alike = next(group for group in groups_of_one_condition(all_runs) if reference[0] in group)
    ids = {run.run_id for run in alike}
    for name in ("energy_out_wh", "yield", "round_trip"):
        means = {d: _pooled([run for run in found if run.run_id in ids], name) for d, found in everybody.items()}
        there = {device: item for device, item in means.items() if item is not None}
        if len(there) > 1:
            note = f"mean of {len(there)} samples of the model: {', '.join(sorted(there))}"
            item = pool(list(there.values()))
            yield figure_of(f"model_{name}", item, label=f"{label_of(name)}, the model", note=note)


def _pooled(runs: Sequence[RunEvidence], name: str) -> Measured | None:
    found = [item for item in (measured(run, name) for run in runs if run.quality == "ok") if item is not None]
    return pool(found) if found else None


def _tables(runs: Sequence[RunEvidence]) -> Iterable[TestTable]:
    for kind in TABLES:
        rows = rows_of_kind(runs, kind)
        if rows:
            yield TestTable(kind, rows)


def _flight(sheet: DeviceSheet) -> FlightLine | None:
    rated = rated_energy_exact(sheet.rated_energy_wh, sheet.capacity_mah, sheet.cell_voltage_v)
    if rated is None or sheet.kind != "power bank":
        return None
    table = air_table()
    found = flight_class(rated, table)
    return FlightLine(float(rated), found.name, found.words, found.count, table.edition, table.caution)


def _port_line(port: PortSheet, sheet: DeviceSheet) -> PortLine:
    read: list[PowerObject] = []
    unread = []
    for text in port.offers:
        try:
            read += read_offer(text)
        except OfferError:
            unread.append(text)
    top = max((item.largest_power_w for item in read), default=None)
    is_source = port.direction in ("out", "both") and any(item.supply == "fixed" for item in read)
    lacking: tuple[str, ...] = ()
    if top is not None and is_source and port.connector.upper().replace(" ", "-") == "USB-C" and 0.5 <= top <= 240.0:
        rating = min(top, sheet.output_w) if sheet.output_w else top
        fixed = max((item.largest_power_w for item in read if item.supply == "fixed"), default=rating)
        lacking = shortfalls(min(rating, fixed), read)
    return PortLine(port.name, port.connector, port.direction, port.offers, top, lacking, tuple(unread))


def runtime_lines(runs: Sequence[RunEvidence], loads_w: Sequence[float]) -> tuple[RuntimeLine, ...]:
    """Hours at loads that are asked for, at the port and mode of which most loads were tested at room temperature."""
    by_place: dict[tuple[str | None, str | None], list[RunEvidence]] = {}
    for row in rows_of_kind(runs, "discharge"):
        if row.is_shared or (row.ambient_c is not None and not 15.0 <= row.ambient_c <= 30.0):
            continue
        members = [run for run in runs if run.run_id in row.run_ids and run.quality == "ok"]
        by_place.setdefault((row.port, row.mode), []).extend(members)
    points: dict[tuple[str | None, str | None], list[LoadPoint]] = {}
    for place, members in by_place.items():
        found = [_point(group) for group in groups_of_one_condition(members)]
        points[place] = [point for point in found if point is not None]
    return tuple(_runtime_line(load_w, points) for load_w in loads_w)


def _point(group: Sequence[RunEvidence]) -> LoadPoint | None:
    energy, load = _pooled(group, "energy_out_wh"), parse_load(group[0].load_set)
    watts = load.value if load is not None and load.unit == "W" else group[0].value("power_plateau_w")
    if energy is None or watts is None or any(run.is_lower_bound for run in group):
        return None
    return LoadPoint(watts, energy, all(run.value("first_cutback_s") is None for run in group))


def _runtime_line(load_w: float, points: dict[tuple[str | None, str | None], list[LoadPoint]]) -> RuntimeLine:
    """The place whose tested loads lie nearest about the load that is asked for."""

    def distance(found: Sequence[LoadPoint]) -> float:
        return min((abs(math.log(point.load_w / load_w)) for point in found if point.held), default=math.inf)

    def is_beyond(found: Sequence[LoadPoint]) -> bool:
        return load_w > max((point.load_w for point in found if point.held), default=0.0)

    best = min(points, key=lambda place: (is_beyond(points[place]), distance(points[place])), default=None)
    if best is None:
        absent = Figure("runtime_h", "runtime", None, "h", reason="Missing: a discharge at room temperature.")
        return RuntimeLine(load_w, "", absent)
    found = runtime_at(load_w, points[best])
    condition = ", ".join(part for part in best if part)
    if found.hours is None:
        return RuntimeLine(load_w, condition, Figure("runtime_h", "runtime", None, "h", reason=found.reason))
    figure = figure_of("runtime_h", found.hours, label="runtime", note=found.reason)
    return RuntimeLine(load_w, condition, figure)


def _notes(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[str]:
    others = [run.run_id for run in runs if run.quality != "ok"]
    if others:
        named = ", ".join(map(str, others))
        if len(others) == 1:
            yield f"Run {named} is suspect or rejected and counts in no figure."
        else:
            yield f"Runs {named} are suspect or rejected and count in no figure."
    if sheet.kind == "power bank":
        yield "Figures are of this sample: another one of the model may differ."
        yield "Lithium cells: keep to the maker's limits; local codes and carriers come first."
    if sheet.kind == "adapter":
        yield "Mains: measured at a metering plug; work on mains wiring belongs to those licensed for it."
