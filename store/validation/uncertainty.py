"""Worked examples of the Guide to the expression of uncertainty, and of decisions by it."""

from __future__ import annotations

import math

import numpy as np

from store.judge.derived.ratios import ratio
from store.judge.measured import Measured
from store.model.results import Array, MeterAccuracy
from store.uncertainty.accuracy import meter_model, parse_spec
from store.uncertainty.budget import combined, combined_correlated, covariance_of_means, power_budget
from store.uncertainty.decision import Limits, decide, probability_of_conformity
from store.validation.cases import Case, number_case, word_case

__all__ = ["H2_OBSERVATIONS", "impedance", "uncertainty_cases"]

H2 = "GUM (JCGM 100:2008) H.2"
WORKED = "GUM 5.1.2, worked by hand"
H2_OBSERVATIONS = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)
"""Voltage [V], current [A] and phase [rad], five times observed together."""


def impedance(means: Array) -> tuple[tuple[str, float, Array], ...]:
    """Resistance, reactance and modulus [ohm] with their partial derivatives by V, I and phase."""
    v, i, phi = (float(x) for x in means)
    z, c, s = v / i, math.cos(phi), math.sin(phi)
    return (
        ("R", z * c, np.array([c / i, -z * c / i, -z * s])),
        ("X", z * s, np.array([s / i, -z * s / i, z * c])),
        ("Z", z, np.array([1.0 / i, -z / i, 0.0])),
    )


def uncertainty_cases() -> list[Case]:
    """Meter's specification, product, quotient, correlated inputs, verdicts."""
    return [*_specification(), *_product(), *_correlated(), *_verdicts()]


def _specification() -> list[Case]:
    volts = parse_spec("0.0014% + 0.0002%r(1)")
    bench = parse_spec("0.05% + 2d(0.001)")
    half = volts.limit(0.928571) if volts else None
    u = volts.reading_u(0.928571) if volts else 0.0
    source = "GUM 4.3.7 and 5.1.5, from memory, arithmetic checked"
    return [
        number_case("voltmeter: half-width", source, 15.0e-6, half, "V", by=0.05e-6),
        number_case("voltmeter: standard uncertainty", source, 8.7e-6, u, "V", by=0.05e-6),
        number_case("voltmeter: with 12 uV of repeats", source, 15e-6, math.hypot(u, 12e-6), "V", by=0.5e-6),
        number_case(
            "0.05 % of 5.020 V and 2 digits of 1 mV", WORKED, 0.00260385, bench.reading_u(5.02) if bench else None, "V",
            by=5e-9,
        ),
    ]  # fmt: skip


def _product() -> list[Case]:
    root = math.sqrt(3.0)
    meter = meter_model(MeterAccuracy("", f"{0.010 * root!r} V", f"{0.015 * root!r} A"))
    budget = power_budget(meter, power=5.02 * 2.98, volts=5.02, amps=2.98)
    share = ratio(Measured(29.60, "Wh", 0.10, (1,)), Measured(37.00, "Wh", 0.12, (2,)))
    return [
        number_case("5.02 V x 2.98 A: standard uncertainty", WORKED, 0.0809823, combined(budget), "W", by=5e-8),
        number_case("29.60 Wh / 37.00 Wh", WORKED, 0.8, share.value, share=1e-12),
        number_case("29.60 Wh / 37.00 Wh: uncertainty", WORKED, 0.00374653, share.uncertainty, by=5e-9),
    ]


def _correlated() -> list[Case]:
    means = H2_OBSERVATIONS.mean(axis=1)
    covariance = covariance_of_means(H2_OBSERVATIONS)
    expected = {"R": (127.732170, 0.0710714), "X": (219.846512, 0.295582), "Z": (254.259702, 0.236336)}
    cases = []
    for name, value, gradient in impedance(means):
        wanted, u = expected[name]
        cases += [
            number_case(f"H.2: {name}", H2, wanted, value, "Ω", by=1e-5),
            number_case(
                f"H.2: u({name}) with correlation", H2, u, combined_correlated(gradient, covariance), "Ω", by=1e-6
            ),
        ]
    return cases


def _verdicts() -> list[Case]:
    limit, source = Limits(upper=5.25), "JCGM 106:2012 and ILAC-G8:09/2019, worked: u 0.05 V, guard band 0.10 V"
    worked = (
        (5.10, 0.998650, "met"),
        (5.17, 0.945201, "too close to call"),
        (5.25, 0.500000, "too close to call"),
        (5.33, 0.054799, "too close to call"),
        (5.40, 0.001350, "not met"),
    )
    cases = []
    for value, chance, word in worked:
        name = f"{value:.2f} V against at most 5.25 V"
        cases += [
            number_case(f"{name}: probability", source, chance, probability_of_conformity(value, 0.05, limit), by=1e-6),
            word_case(f"{name}: verdict", source, word, decide(value, 0.05, limit).verdict),
        ]
    zener = probability_of_conformity(-5.47, 0.05, Limits(upper=-5.40))
    return [*cases, number_case("Zener diode", "JCGM 106, from memory, arithmetic checked", 0.919243, zener, by=1e-6)]
