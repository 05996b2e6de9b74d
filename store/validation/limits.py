"""Published limits and encodings: USB windows, power data objects, cable drops, supplies' efficiency, air travel."""

from __future__ import annotations

from decimal import Decimal

import numpy as np

from store.methods.cable import permitted_drop_v
from store.usb.air_travel import rated_energy_exact
from store.usb.efficiency_limits import limit_of, standards
from store.usb.power_objects import decode
from store.usb.source_windows import pps_current_window, pps_window, steady_window, transient_window
from store.validation.cases import Case, number_case, word_case
from store.validation.closed_forms import results_of

__all__ = ["limit_cases"]

WINDOW = "USB PD vSrcNew and vSrcValid, two secondary quotes"
OBJECTS = "USB PD R3.x power data objects, bit layout of an operating system's public header"
CABLE = "USB Type-C 4.4.1, secondary: 0.5 V + 0.25 V at rated current; worked"
LEVEL_VI = "10 CFR 430.32(w) Level VI, as in (EU) 2019/1782; worked"


def limit_cases() -> list[Case]:
    """Windows, objects, cables, efficiency limits, rated energy."""
    return [*_windows(), *_objects(), *_cables(), *_efficiency(), *_air()]


def _windows() -> list[Case]:
    cases = []
    for nominal, steady, transient in (
        (5.0, (4.75, 5.25), (4.25, 5.75)),
        (9.0, (8.55, 9.45), (8.05, 9.95)),
        (15.0, (14.25, 15.75), (13.75, 16.25)),
        (20.0, (19.0, 21.0), (18.5, 21.5)),
        (28.0, (26.6, 29.4), (26.1, 29.9)),
        (48.0, (45.6, 50.4), (45.1, 50.9)),
    ):
        for window, ends in ((steady_window(nominal), steady), (transient_window(nominal), transient)):
            cases += [
                number_case(f"{window.name} at {nominal:g} V, lower", WINDOW, ends[0], window.lower, "V", by=1e-9),
                number_case(f"{window.name} at {nominal:g} V, upper", WINDOW, ends[1], window.upper, "V", by=1e-9),
            ]
    memory = "USB PD vPpsNew, from memory"
    cases += [
        number_case("vPpsNew at 3.3 V, lower", memory, 3.135, pps_window(3.3).lower, "V", by=1e-9),
        number_case("vPpsNew at 21 V, upper", memory, 22.05, pps_window(21.0).upper, "V", by=1e-9),
    ]
    for amps, lower in ((2.0, 1.85), (3.0, 2.85), (5.0, 4.75)):
        limiting = pps_current_window(amps)
        source = "USB PD iPpsCLNew, a firmware's note citing 7.1.4.4"
        cases.append(
            number_case(
                f"current limit at {amps:g} A, lower", source, lower, limiting.lower if limiting else None, "A", by=1e-9
            )
        )
    return cases


def _objects() -> list[Case]:
    cases = []
    for word, supply, low, high, amps, watts in (
        (0x0001912C, "fixed", 5.0, 5.0, 3.0, None),
        (0x0002D0DE, "fixed", 9.0, 9.0, 2.22, None),
        (0x00064145, "fixed", 20.0, 20.0, 3.25, None),
        (0x590190B4, "battery", 5.0, 20.0, None, 45.0),
        (0x8F0190C8, "variable", 5.0, 12.0, 2.0, None),
        (0xC0DC213C, "PPS", 3.3, 11.0, 3.0, None),
        (0xD230968C, "EPR AVS", 15.0, 28.0, None, 140.0),
    ):
        found = decode(word)
        name = f"0x{word:08X}"
        cases += [
            word_case(f"{name}: supply", OBJECTS, supply, found.supply),
            number_case(f"{name}: lowest voltage", OBJECTS, low, found.lowest_v, "V", by=1e-9),
            number_case(f"{name}: highest voltage", OBJECTS, high, found.highest_v, "V", by=1e-9),
        ]
        if amps is not None:
            cases.append(number_case(f"{name}: current", OBJECTS, amps, found.current_a, "A", by=1e-9))
        if watts is not None:
            cases.append(number_case(f"{name}: power", OBJECTS, watts, found.power_w, "W", by=1e-9))
    return cases


def _cables() -> list[Case]:
    cases = [number_case("permitted drop of a cable", CABLE, 0.75, permitted_drop_v(), "V", by=1e-12)]
    for amps, near, far, mohm, watts in ((3.0, 5.05, 4.60, 150.0, 1.35), (5.0, 20.10, 19.50, 120.0, 3.0)):
        t = np.arange(60.0)
        ones = np.ones(60)
        columns = {"t_s": t, "voltage_v": near * ones, "voltage_far_v": far * ones, "current_a": amps * ones}
        found = results_of(columns, "cable")
        cases += [
            number_case(f"cable at {amps:g} A: resistance", CABLE, mohm, found["resistance_mohm"].value, "mΩ", by=1e-6),
            number_case(f"cable at {amps:g} A: loss", CABLE, watts, found["loss_w"].value, "W", by=1e-9),
        ]
    return cases


def _efficiency() -> list[Case]:
    level_vi = standards()[0]
    worked = ((5.0, 0.777270), (20.0, 0.854697), (45.0, 0.877273), (49.0, 0.877719), (65.0, 0.880))
    return [
        number_case(f"least average efficiency at {watts:g} W", LEVEL_VI, least,
                    limit_of(level_vi, "average", "basic", watts), by=1e-6)
        for watts, least in worked
    ]  # fmt: skip


def _air() -> list[Case]:
    exact = rated_energy_exact(None, 26800.0, 3.7)
    return [
        word_case(
            "26 800 mAh at 3.7 V, in decimals",
            "nominal voltage x rated charge (49 CFR 171.8, from memory)",
            "99.16",
            str(exact.normalize() if isinstance(exact, Decimal) else exact),
        )
    ]
