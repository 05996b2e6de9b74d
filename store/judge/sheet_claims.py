"""Claims that the sheet itself answers: what is weighed, marked or advertised, and air travel.

Knows records of sheets and claims; knows no run, no file and no screen.
"""

from __future__ import annotations

from dataclasses import replace

from store.judge.claim_reading import flight_limit
from store.judge.derived.on_sheet import HOW_KNOWN, MARKED, SHEET_FIELDS, sheet_uncertainty
from store.judge.measured import Measured
from store.methods.specs import spec_of
from store.model.sheet import ClaimSheet, DeviceSheet
from store.uncertainty.decision import AS_MARKED, MET, NOT_MET, NOT_TESTED, Decision, Limits, Verdict, decide
from store.usb.air_travel import air_table, flight_class, rated_energy_exact
from store.usb.offers import OfferError, offer_words, read_offer, supply_words
from store.usb.power_objects import PowerObject
from store.words.quantities import unit_of

__all__ = ["judge_flight", "judge_offers", "judge_sheet", "verdict_of"]

CURRENT_ROUNDING_A = 0.01
"""The 10 mA step of a power data object."""


def judge_sheet(sheet: DeviceSheet, position: int, claim: ClaimSheet, limits: Limits) -> Verdict:
    """A claim about what is weighed or marked."""
    spec = spec_of(claim.quantity)
    value = getattr(sheet, SHEET_FIELDS[claim.quantity])
    if value is None:
        action = spec.to_get_it if spec is not None else ""
        return verdict_of(sheet, position, claim, NOT_TESTED, f"Not on the sheet. {action}".strip(), limits=limits)
    item = Measured(float(value), unit_of(claim.quantity), sheet_uncertainty(sheet, claim.quantity))
    decision = decide(item.value, item.uncertainty, limits, item.dof)
    if decision.verdict == MET and claim.quantity in MARKED:
        decision = replace(decision, verdict=AS_MARKED)
    reason = " ".join(part for part in (decision.reason, HOW_KNOWN[claim.quantity]) if part)
    return verdict_of(sheet, position, claim, decision.verdict, reason, item=item, decision=decision, limits=limits)


def judge_offers(sheet: DeviceSheet, position: int, claim: ClaimSheet) -> Verdict:
    """A claim about modes, held against what the ports advertise."""
    ports = [port for port in sheet.ports if claim.port is None or port.name == claim.port]
    read: list[PowerObject] = []
    unread = []
    for text in (text for port in ports for text in port.offers):
        try:
            read += read_offer(text)
        except OfferError:
            unread.append(text)
    if not read:
        where = claim.port or "the ports"
        return verdict_of(sheet, position, claim, NOT_TESTED, f"Missing: what {where} advertises, on the sheet.")
    lacking = [item for item in read_offer(claim.value_text) if not any(_covers(other, item) for other in read)]
    said = ", ".join(offer_words(text) for port in ports for text in port.offers)
    if lacking:
        what = ", ".join(supply_words(item) for item in lacking)
        return verdict_of(sheet, position, claim, NOT_MET, f"Not advertised: {what}.", text=said)
    return verdict_of(sheet, position, claim, MET, "", text=said)


def _covers(offered: PowerObject, wanted: PowerObject) -> bool:
    if offered.supply != wanted.supply:
        return False
    if offered.lowest_v > wanted.lowest_v + 1e-9 or offered.highest_v < wanted.highest_v - 1e-9:
        return False
    amps_ok = wanted.current_a is None or (offered.current_a or 0.0) >= wanted.current_a - CURRENT_ROUNDING_A
    watts_ok = wanted.power_w is None or (offered.power_w or 0.0) >= wanted.power_w - 1e-9
    return amps_ok and watts_ok


def judge_flight(sheet: DeviceSheet, position: int, claim: ClaimSheet) -> Verdict:
    """A claim about air travel, held against the rated energy in exact decimal arithmetic."""
    rated = rated_energy_exact(sheet.rated_energy_wh, sheet.capacity_mah, sheet.cell_voltage_v)
    limit = flight_limit(claim)
    if rated is None or limit is None:
        return verdict_of(sheet, position, claim, NOT_TESTED, "Missing: the rated energy, on the sheet.")
    table = air_table()
    found = flight_class(rated, table)
    verdict = AS_MARKED if rated <= limit else NOT_MET
    reason = f"By {table.edition}; the operator's rules come first."
    item = Measured(float(rated), "Wh", 0.0)
    return verdict_of(
        sheet, position, claim, verdict, reason, item=item, limits=Limits(upper=float(limit)), text=found.words
    )


def verdict_of(
    sheet: DeviceSheet,
    position: int,
    claim: ClaimSheet,
    word: str,
    reason: str,
    *,
    item: Measured | None = None,
    decision: Decision | None = None,
    limits: Limits | None = None,
    text: str = "",
) -> Verdict:
    """A verdict on a claim, with its inputs."""
    unit = item.unit if item is not None else unit_of(claim.quantity) if claim.quantity else ""
    return Verdict(
        device=sheet.device,
        position=position,
        claim=claim.words(),
        verdict=word,
        measured=item.value if item is not None else None,
        unit="" if claim.quantity == "offers" else unit,
        uncertainty=item.uncertainty if item is not None else None,
        probability=decision.probability if decision is not None else None,
        lower=limits.lower if limits is not None else None,
        upper=limits.upper if limits is not None else None,
        reason=reason,
        run_ids=item.run_ids if item is not None else (),
        measured_text=text,
        printed_on=claim.printed_on,
        dof=item.dof if item is not None else None,
    )
