"""The terms of the trade as Joulebook uses them: one term for one thing, with its meaning and where it is from.

Labels, help and pages use these words; the guide's page `glossary` is made from them, and a test finds a second term.
Knows words only. Definitions are in our own words; sources are named from memory unless they were read.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["GLOSSARY", "GlossaryTerm"]


@dataclass(frozen=True, slots=True)
class GlossaryTerm:
    """One term."""

    word: str
    meaning: str
    source: str = ""
    """Where the term is from; empty for a word of our own."""
    is_label: bool = False
    """A result is labelled by it."""
    instead_of: tuple[str, ...] = ()
    """Other words for the same thing, which nothing that people read may use."""


_PD = "USB Power Delivery (from memory)"
_VIM = "VIM, JCGM 200:2012 (from memory)"
_ISO = "ISO/IEC 17025:2017 (from memory)"
_TRADE = "common practice, no source"

GLOSSARY: tuple[GlossaryTerm, ...] = (
    GlossaryTerm("device", "One tested sample, by its inventory code, with its ports and the maker's claims."),
    GlossaryTerm(
        "sheet", "What is known of a device before tests: markings, ratings, mass, size, price, ports, claims."
    ),
    GlossaryTerm("port", "A connector by its marking: C1, A1; mains for the AC side of an adapter.", _PD),
    GlossaryTerm("mode", "What was negotiated on a port: `fixed 20 V`, `PPS 3.3-21 V`, `AVS 9-20 V`.", _PD),
    GlossaryTerm("PPS", "Programmable power supply: voltage and current limit are requested in small steps.", _PD),
    GlossaryTerm("AVS", "Adjustable voltage supply: voltage is requested in steps of 0.1 V.", _PD),
    GlossaryTerm("export", "The file that a meter's software wrote; its bytes are kept as the original."),
    GlossaryTerm("profile", "How the exports of one meter are read: columns, units, clock."),
    GlossaryTerm("run", "One continuous log of one port of one device by one meter."),
    GlossaryTerm("group", "Runs that were recorded at the same time, on one time base."),
    GlossaryTerm(
        "kind of test",
        "What was done in a run: discharge, recharge, regulation and so on.",
        instead_of=("sort of test",),
    ),
    GlossaryTerm("trace", "The samples of a run; a channel is one quantity over time, in a fixed unit."),
    GlossaryTerm("event", "A moment that matters: load applied, cut-off, gap, dropout, trip."),
    GlossaryTerm(
        "cut-off", "The moment at which a power bank ends its output.", _TRADE, instead_of=("cutoff", "cut off voltage")
    ),
    GlossaryTerm("cutback", "A step down of power under a load that stays set.", _TRADE, instead_of=("cut-back",)),
    GlossaryTerm("trip", "A port that ends its output under too much load.", _TRADE),
    GlossaryTerm("result", "A number reduced from traces, with uncertainty, method, version and span.", _VIM),
    GlossaryTerm("delivered energy", "Energy that left the port from load applied to its end.", is_label=True),
    GlossaryTerm("energy taken in", "Energy that went into the port while charging.", is_label=True),
    GlossaryTerm(
        "equivalent cell capacity",
        "Delivered energy over the nominal voltage of the cells, to compare with a rating in mAh.",
        _TRADE,
        is_label=True,
        instead_of=("real capacity", "true capacity"),
    ),
    GlossaryTerm(
        "standard uncertainty",
        "Uncertainty as one standard deviation, k = 1.",
        _VIM,
        instead_of=("standard error of measurement",),
    ),
    GlossaryTerm("expanded uncertainty", "What stands behind ±: about 95 % coverage, k = 2 or Student's t.", _VIM),
    GlossaryTerm(
        "limit of error",
        "The largest error that a meter's maker states: gain, range, digits.",
        "VIM: maximum permissible error (from memory)",
    ),
    GlossaryTerm("calibration", "A meter held against a standard, with its date and document.", _VIM),
    GlossaryTerm("claim", "A number that the maker prints, with the condition under which it is meant."),
    GlossaryTerm("decision rule", "How uncertainty counts when a claim is compared with a result.", _ISO),
    GlossaryTerm(
        "verdict",
        "A claim against a result: met, not met, too close to call, not tested.",
        instead_of=("inconclusive", "undecided"),
    ),
    GlossaryTerm(
        "guard band",
        "The part of a limit that is left to uncertainty before a claim is called met or not met.",
        "ILAC-G8:09/2019 (from memory)",
    ),
    GlossaryTerm("amendment", "A changed fact: who, when, old and new value, reason. Nothing is overwritten.", _ISO),
    GlossaryTerm("requirements", "What a device must do; Choose finds the devices that meet them."),
    GlossaryTerm("scheme", "Criteria with fixed anchors and weights by which devices are scored."),
)
"""Every term, in the order in which a reader meets them."""
