"""A device's page: claims, course, figures, what to do next. Assembles; the arithmetic is in `store.methods`.

Knows sheets and evidence; knows no SQL and no screen.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from store.devices.records import DevicePage, FlightLine, PortLine, TestTable
from store.devices.saved import load_devices
from store.errors import NotFound
from store.judge.claims import judge_claims
from store.judge.course import CourseTest, load_course
from store.judge.course_grid import CourseGrid, course_grid
from store.judge.derived.sustained import sustained_power
from store.judge.device_limits import limit_lines, limit_notes
from store.judge.evidence import BenchEvidence, evidence_by_portions, read_evidence
from store.judge.figures import rows_of_kind
from store.judge.headline import headline_figures, model_figures, runtime_lines
from store.judge.measured import RunEvidence
from store.judge.peers import peers_of, same_model
from store.methods.specs import page_tables
from store.model.sheet import DeviceSheet, PortSheet
from store.uncertainty.decision import Verdict
from store.usb.air_travel import air_table, flight_class, rated_energy_exact
from store.usb.offers import OfferError, read_offer
from store.usb.power_objects import PowerObject
from store.usb.power_rating import shortfalls

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["course_of", "device_page", "judge_all", "sheet_of"]

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


def device_page(library: Store, name: str, *, loads_w: Sequence[float] = ()) -> DevicePage:
    """Everything about one device.

    Args:
        library: The library.
        name: The device's inventory code.
        loads_w: Loads [W] whose runtime is asked for.

    Raises:
        NotFound: no such device.
        CourseRefused: the library's own course can't be read.
    """
    with library.catalogue.reader() as cursor:
        known = load_devices(cursor)
    samples = same_model(known[name], known.values()) if name in known else ()
    evidence = read_evidence(library, [name, *samples])
    sheet = sheet_of(evidence, name)
    runs = evidence.of(name)
    days = sorted(run.started[:10] for run in runs if run.started)
    return DevicePage(
        sheet=sheet,
        runs=len(runs),
        first_run=days[0] if days else "",
        last_run=days[-1] if days else "",
        figures=(*headline_figures(sheet, runs), *model_figures(sheet, evidence, samples)),
        verdicts=tuple(judge_claims(sheet, runs)),
        course=course_grid(sheet, runs, load_course(library.path)),
        tables=tuple(_tables(runs)),
        sustained_out=sustained_power(runs) if sheet.kind == "power bank" else None,
        sustained_in=sustained_power(runs, "in") if sheet.kind == "power bank" else None,
        flight=_flight(sheet),
        ports=tuple(_port_line(port, sheet) for port in sheet.ports),
        runtimes=runtime_lines(runs, loads_w or (ASKED_LOADS_W if sheet.kind == "power bank" else ())),
        limits=tuple(limit_lines(sheet, runs)),
        same_model=same_model(sheet, evidence.sheets.values()),
        peers=peers_of(sheet, evidence.sheets.values()),
        notes=(*_notes(sheet, runs), *limit_notes(sheet, runs)),
    )


def course_of(library: Store, name: str) -> CourseGrid:
    """Which tests of the course a device has behind it.

    Raises:
        NotFound: no such device.
        CourseRefused: the library's own course can't be read.
    """
    evidence = read_evidence(library, [name])
    tests: tuple[CourseTest, ...] = load_course(library.path)
    return course_grid(sheet_of(evidence, name), evidence.of(name), tests)


def judge_all(library: Store, devices: Iterable[str] | None = None) -> dict[str, tuple[Verdict, ...]]:
    """Every claim of devices held against their runs, some devices at a time.

    Args:
        library: The library.
        devices: Which devices; all that have a sheet where None.

    Returns:
        Verdicts by device, in the order of codes; none for a device without a claim.
    """
    asked = None if devices is None else set(devices)
    with library.catalogue.reader() as cursor:
        found = sorted(load_devices(cursor).items())
    claimed = [name for name, sheet in found if sheet.claims and (asked is None or name in asked)]
    return {
        name: tuple(judge_claims(evidence.sheets[name], evidence.of(name)))
        for portion, evidence in evidence_by_portions(library, claimed)
        for name in portion
    }


def _tables(runs: Sequence[RunEvidence]) -> Iterable[TestTable]:
    for kind in page_tables():
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


def _notes(sheet: DeviceSheet, runs: Sequence[RunEvidence]) -> Iterable[str]:
    for run in runs:
        if run.contradictions:
            yield f"Run {run.run_id} counts in no figure. {' '.join(run.contradictions)}"
    others = [run.run_id for run in runs if run.quality != "ok" and not run.contradictions]
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
