"""Devices of a library as candidates: a value, or the test that is missing, for every term of a need.

Assembles sheets and evidence; the arithmetic is in `store.methods`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from store.choose.terms import Candidate, Criterion, Gate, Term
from store.devices.device_store import DeviceStore
from store.devices.kept import KeptOfDevices
from store.devices.marks import device_marks
from store.judge.claims import judge_claims
from store.judge.derived.on_sheet import SHEET_FIELDS, sheet_uncertainty
from store.judge.derived.per_device import (
    PRICE_PER_USABLE_WH,
    WH_PER_KG,
    WH_PER_L,
    per_mass,
    per_volume,
    price_per_energy,
)
from store.judge.derived.ratios import ROUND_TRIP, WALL_TO_LOAD
from store.judge.derived.sustained import SUSTAINED_POWER_W, sustained_power
from store.judge.evidence import evidence_by_portions
from store.judge.figures import reference_runs
from store.judge.matching import groups_of_one_condition, match
from store.judge.measured import Measured, RunEvidence, made_of, measured
from store.judge.pooling import pool
from store.methods.discharge import CHARGE_OUT_AH, ENERGY_OUT_WH, YIELD
from store.methods.recharge import POWER_PEAK_W, TIME_TO_80_S, TIME_TO_FULL_S
from store.methods.specs import spec_of
from store.methods.temperatures import CELL_MAX_C, TEMPERATURE_MAX_C
from store.model.sheet import ClaimSheet, DeviceSheet
from store.model.spec import Better
from store.uncertainty.decision import NOT_MET, Limits, decide
from store.usb.air_travel import flight_class, rated_energy_exact

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["candidates_for", "terms_of"]

OF_ENERGY = (WH_PER_KG.name, WH_PER_L.name, PRICE_PER_USABLE_WH.name, "usable_wh_per_price")
"""Ratios of the delivered energy and what stands on the sheet."""

SPEAKS_FOR_ALL = (
    *(s.name for s in (ENERGY_OUT_WH, CHARGE_OUT_AH, YIELD, ROUND_TRIP, WALL_TO_LOAD)),
    *OF_ENERGY,
)
"""Unless narrowed, these come from the discharges that speak for a power bank: near half of its rated output."""

KINDEST = (TIME_TO_FULL_S.name, TIME_TO_80_S.name, POWER_PEAK_W.name)
"""Of these the best condition tested counts, for a reader uses it; of all others the poorest."""

HOLDABLE_C = 60.0
"""A plastic case hotter than this at room temperature can't be held for a minute: IEC 62368-1 table 38, TS1 (from
memory); that it shuts a device out was chosen by us."""

CELL_LIMIT_C = 60.0
"""Cells hotter than this: common practice, no source; the course of tests stops there too."""


@dataclass(frozen=True, slots=True)
class _Found:
    value: Measured | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Looked:
    """What a device's runs and sheet say of the terms of a need; kept for the next time."""

    terms: tuple[tuple[Term, _Found], ...]
    failed: tuple[tuple[str, str], ...]
    unsafe: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Desk:
    sheet: DeviceSheet
    runs: Sequence[RunEvidence] = field(default_factory=tuple)


def terms_of(gates: Iterable[Gate], criteria: Iterable[Criterion]) -> tuple[Term, ...]:
    """Every term that a need looks at, once."""
    return tuple(dict.fromkeys([*(g.term for g in gates), *(c.term for c in criteria)]))


def candidates_for(
    library: Store, kind: str, terms: Sequence[Term], devices: Sequence[str] | None = None
) -> tuple[Candidate, ...]:
    """Every device of a kind with its values.

    Args:
        library: The library.
        kind: `power bank`, `adapter` or `cable`.
        terms: What is looked at.
        devices: Only these; all of the kind where None.
    """
    sheets = library.service(DeviceStore).sheets()
    asked = None if devices is None else set(devices)
    names = [n for n, s in sorted(sheets.items()) if s.kind == kind and (asked is None or n in asked)]

    def look(wanted: Iterable[str]) -> dict[str, _Looked]:
        return {
            name: _looked(_Desk(evidence.sheets[name], evidence.of(name)), terms)
            for portion, evidence in evidence_by_portions(library, tuple(wanted))
            for name in portion
        }

    # Marks first: what is committed meanwhile gives another mark the next time.
    with library.catalogue.reader() as cursor:
        marks = device_marks(cursor)
    kept = KeptOfDevices(library.path, f"choose {kind} {sorted(map(repr, terms))}", _Looked)
    looked = kept.of({name: marks[name] for name in names if name in marks}, look)
    return tuple(_candidate(sheets[name], looked[name]) for name in names if name in looked)


def _looked(desk: _Desk, terms: Sequence[Term]) -> _Looked:
    return _Looked(
        tuple((term, _look(desk, term)) for term in terms if term.quantity != "flight"),
        tuple(_failed(desk)),
        tuple(_unsafe(desk)),
    )


def _candidate(sheet: DeviceSheet, looked: _Looked) -> Candidate:
    rated = rated_energy_exact(sheet.rated_energy_wh, sheet.capacity_mah, sheet.cell_voltage_v)
    words = {"currency": sheet.currency, "flight": flight_class(rated).name if rated is not None else ""}
    return Candidate(
        sheet.device,
        sheet.model,
        {term: item.value for term, item in looked.terms if item.value is not None},
        {term: item.reason for term, item in looked.terms if item.value is None},
        words,
        looked.failed,
        looked.unsafe,
    )


def _failed(desk: _Desk) -> Iterable[tuple[str, str]]:
    for verdict in judge_claims(desk.sheet, desk.runs):
        if verdict.verdict == NOT_MET:
            yield desk.sheet.claims[verdict.position - 1].quantity, verdict.claim


def _unsafe(desk: _Desk) -> Iterable[str]:
    for name, limit, what in (
        (TEMPERATURE_MAX_C.name, HOLDABLE_C, "Its case"),
        (CELL_MAX_C, CELL_LIMIT_C, "A cell"),
    ):
        found = _look(desk, Term(name)).value
        if (
            found is not None
            and decide(found.value, found.uncertainty, Limits(upper=limit), found.dof).verdict == NOT_MET
        ):
            runs = ", ".join(map(str, found.run_ids))
            yield f"{what} reached {found.value:.1f} °C at room temperature, over {limit:g} °C (run {runs})."


def _look(desk: _Desk, term: Term) -> _Found:
    """The value of a term, or why there is none."""
    name = term.quantity
    if name == "price":
        price = desk.sheet.price
        return _Found(Measured(price, "1", 0.0)) if price is not None else _Found(reason="No price on its sheet.")
    if name in SHEET_FIELDS:
        value = getattr(desk.sheet, SHEET_FIELDS[name])
        if value is None:
            return _Found(reason="Not on its sheet.")
        return _Found(Measured(float(value), "", sheet_uncertainty(desk.sheet, name)))
    if name == SUSTAINED_POWER_W.name:
        found = sustained_power(_narrowed(desk, term))
        if found.power_w is None:
            return _Found(reason=found.reason)
        return _Found(Measured(found.power_w, "W", 0.0, found.run_ids))
    if name in OF_ENERGY:
        return _ratio(desk, term)
    return _tested(desk, term)


def _narrowed(desk: _Desk, term: Term) -> Sequence[RunEvidence]:
    claim = ClaimSheet(port=term.port, mode=term.mode, load=term.load, kind=term.kind, ambient_c=term.ambient_c)
    return desk.runs if not term.condition() else match(claim, desk.runs).runs


def _ratio(desk: _Desk, term: Term) -> _Found:
    energy = _tested(desk, replace(term, quantity=ENERGY_OUT_WH.name))
    if energy.value is None:
        return energy
    sheet = desk.sheet
    found: Measured | None
    if term.quantity == WH_PER_KG.name:
        found = per_mass(energy.value, sheet)
    elif term.quantity == WH_PER_L.name:
        found = per_volume(energy.value, sheet)
    elif term.quantity == PRICE_PER_USABLE_WH.name:
        found = price_per_energy(energy.value, sheet)
    else:
        found = _scaled(energy.value, 1.0 / sheet.price) if sheet.price else None
    return _Found(found) if found is not None else _Found(reason="Its sheet lacks mass, size or price.")


def _scaled(value: Measured, factor: float) -> Measured:
    spread = None if value.spread is None else value.spread * factor
    return replace(made_of(value.value * factor, "1", ((factor, value),)), spread=spread)


def _tested(desk: _Desk, term: Term) -> _Found:
    if term.quantity in SPEAKS_FOR_ALL and not term.condition():
        values = [v for r in reference_runs(desk.sheet, desk.runs) if (v := measured(r, term.quantity)) is not None]
        return _Found(pool(values)) if values else _Found(reason="Missing: a discharge at room temperature.")
    claim = ClaimSheet(
        quantity=term.quantity, port=term.port, mode=term.mode, load=term.load, kind=term.kind, ambient_c=term.ambient_c
    )
    matching = match(claim, desk.runs)
    groups = []
    for group in groups_of_one_condition(matching.runs):
        values = [v for r in group if (v := measured(r, term.quantity)) is not None]
        if values:
            groups.append(pool(values))
    if not groups:
        return _Found(reason=matching.missing or "The runs that fit have no such result.")
    spec = spec_of(term.quantity)
    is_larger_better = spec is not None and spec.better is Better.LARGER
    takes_largest = is_larger_better == (term.quantity in KINDEST)
    return _Found((max if takes_largest else min)(groups, key=lambda item: item.value))
