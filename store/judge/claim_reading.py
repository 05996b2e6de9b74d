"""What a claim says, and why it can't be checked where it says too little.

Knows records of claims; knows no run, no file and no screen.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from decimal import Decimal

from store.judge.derived.charges import CHARGES, battery_wh
from store.methods.specs import spec_of, specs
from store.model.sheet import CLAIM_WORDS, ClaimSheet
from store.usb.air_travel import air_table
from store.usb.offers import OfferError, read_offer
from store.words.quantities import WrongUnitError, convert, unit_of

__all__ = ["claim_problem", "flight_limit"]


def claim_problem(claim: ClaimSheet, known: Sequence[str] = ()) -> str:
    """Why a claim can't be checked, as a sentence; empty where it can.

    Args:
        claim: The claim.
        known: Names of results that the device's runs have, besides the usual quantities.
    """
    if not claim.quantity:
        return "It names no quantity; write the result that it is about."
    if spec_of(claim.quantity) is None and claim.quantity not in known:
        near = _near(claim.quantity, [*specs(), *known])
        return f"`{claim.quantity}` is not a result of any run.{near}"
    if claim.quantity in CLAIM_WORDS:
        return _word_problem(claim)
    if claim.value is None:
        said = f"`{claim.value_text}` is not a number." if claim.value_text else "It has no value."
        return f"{said} Write `value` as a number."
    if not claim.bound:
        return "It has no bound; write at least, at most or about."
    if claim.bound == "about" and claim.tolerance_percent is None:
        return "`about` needs `tolerance_percent`."
    if claim.quantity == CHARGES.name:
        return _charges_problem(claim)
    try:
        convert(claim.value, claim.unit, unit_of(claim.quantity))
    except WrongUnitError as problem:
        return str(problem)
    return ""


def _charges_problem(claim: ClaimSheet) -> str:
    if battery_wh(claim.unit) is not None:
        return ""
    return (
        "It does not say which battery is charged: write its energy as `unit`, as in `of 15 Wh` or "
        "`of 4000 mAh at 3.85 V`."
    )


def _near(word: str, known: Sequence[str]) -> str:
    found = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    return f" Did you mean `{found[0]}`?" if found else ""


def _word_problem(claim: ClaimSheet) -> str:
    if claim.quantity == "offers":
        if not claim.value_text:
            return "It says no mode; write `value` as in `PPS 3.3-21 V 3 A`."
        try:
            read_offer(claim.value_text)
        except OfferError as problem:
            return str(problem)
    elif flight_limit(claim) is None:
        return f"`{claim.value_text}` is not an air travel class; write `up to 100 Wh`, `cabin` or `approval`."
    return ""


def flight_limit(claim: ClaimSheet) -> Decimal | None:
    """The rated energy [Wh] up to which a claim about flying holds."""
    if claim.value is not None:
        return Decimal(repr(claim.value))
    word = claim.value_text.strip().casefold()
    by_name = {item.name: item.up_to_wh for item in air_table().classes if item.up_to_wh is not None}
    if word in ("", "allowed", "yes", "may fly"):
        return by_name["cabin"]
    if word in by_name:
        return by_name[word]
    found = re.search(r"(\d+(?:\.\d+)?)\s*wh", word)
    return Decimal(found[1]) if found else None
