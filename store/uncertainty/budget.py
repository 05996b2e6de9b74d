"""Uncertainty budgets of the quantities that one meter gives. Knows numbers only.

A meter's gain and offset errors are the same through a run, so they do not average out:
u^2(E) = (gV E)^2 + (gI E)^2 + (oV Q)^2 + (oI integral of V dt)^2 + u_step^2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from store.model.results import Array, Contribution
from store.uncertainty.accuracy import SQRT3, Accuracy, MeterModel

__all__ = [
    "charge_budget",
    "combined",
    "combined_correlated",
    "counter_part",
    "covariance_of_means",
    "difference_part",
    "energy_budget",
    "gain_part",
    "logged_energy_budget",
    "logged_power_budget",
    "offset_part",
    "power_budget",
    "random_part",
    "reading_budget",
    "scaled",
    "step_part",
    "time_budget",
]


def combined(budget: Sequence[Contribution]) -> float:
    """Combined standard uncertainty of independent contributions: root of the sum of squares (GUM 5.1.2)."""
    return math.sqrt(math.fsum(c.standard_uncertainty**2 for c in budget))


def combined_correlated(sensitivity: Array, covariance: Array) -> float:
    """Combined standard uncertainty of inputs that depend on each other: sqrt(c' V c) (GUM 5.2.2, eq. 16).

    Args:
        sensitivity: n partial derivatives.
        covariance: n x n covariances of the inputs.
    """
    return math.sqrt(max(float(sensitivity @ covariance @ sensitivity), 0.0))


def covariance_of_means(observations: Array) -> Array:
    """Covariances of the means of quantities observed together (GUM 5.2.3, eq. 17).

    Args:
        observations: m quantities x n observations, n >= 2.

    Returns:
        m x m covariances, in the units of the quantities.
    """
    return np.asarray(np.cov(observations, ddof=1) / observations.shape[1])


def scaled(budget: Sequence[Contribution], factor: float) -> tuple[Contribution, ...]:
    """The budget of a result times an exact factor."""
    return tuple(replace(c, standard_uncertainty=abs(factor) * c.standard_uncertainty) for c in budget)


def gain_part(symbol: str, accuracy: Accuracy, value: float, meter: str) -> Contribution:
    """What a gain error of one quantity does to `value`, which is proportional to it."""
    return Contribution(
        name=f"gain of {symbol}",
        standard_uncertainty=abs(value) * accuracy.gain_u,
        kind="B",
        distribution="rectangular",
        detail=f"{accuracy.reading_share * 100:.4g} % of reading, {meter}",
        is_common=True,
    )


def offset_part(symbol: str, accuracy: Accuracy, sensitivity: float, unit: str, meter: str) -> Contribution:
    """What an offset of one quantity does to a result with this sensitivity."""
    return Contribution(
        name=f"offset of {symbol}",
        standard_uncertainty=abs(sensitivity) * accuracy.offset_u,
        kind="B",
        distribution="rectangular",
        detail=f"range and digits +-{accuracy.fixed:.4g} {unit}, {meter}",
    )


def step_part(all_samples: float, every_second: float) -> Contribution:
    """What the length of the steps costs: a third of the change when every second sample is used."""
    return Contribution(
        name="time step",
        standard_uncertainty=abs(all_samples - every_second) / 3.0,
        kind="A",
        distribution="normal",
        detail="all samples against every second one, divided by 3",
    )


def counter_part(filled: float, share: float) -> Contribution:
    """What stands behind a gap that was filled from the meter's counter."""
    return Contribution(
        name="gap by counter",
        standard_uncertainty=abs(filled) * share / SQRT3,
        kind="B",
        distribution="rectangular",
        detail=f"{share * 100:.3g} % of what the counter gave, the agreement asked of counters",
    )


def random_part(u: float, detail: str) -> Contribution:
    """A contribution from the scatter of the samples."""
    return Contribution("scatter", u, "A", "normal", detail)


def difference_part(name: str, limit: float, detail: str) -> Contribution:
    """A contribution with known limits and nothing else known: limit / sqrt 3."""
    return Contribution(name, limit / SQRT3, "B", "rectangular", detail)


def energy_budget(
    meter: MeterModel, *, energy: float, charge: float, volt_hours: float, half: float
) -> tuple[Contribution, ...]:
    """Budget of an energy [Wh] from its charge [Ah], integral of V dt [V h] and its every-second-sample value.

    Empty where the meter's accuracy for voltage or current is unknown.
    """
    if meter.voltage is None or meter.current is None:
        return ()
    return (
        gain_part("V", meter.voltage, energy, meter.label),
        gain_part("I", meter.current, energy, meter.label),
        offset_part("V", meter.voltage, charge, "V", meter.label),
        offset_part("I", meter.current, volt_hours, "A", meter.label),
        step_part(energy, half),
    )


def charge_budget(meter: MeterModel, *, charge: float, hours: float, half: float) -> tuple[Contribution, ...]:
    """Budget of a charge [Ah] over a time [h]: u^2 = (gI Q)^2 + (oI t)^2 + u_step^2. Empty where unknown."""
    if meter.current is None:
        return ()
    return (
        gain_part("I", meter.current, charge, meter.label),
        offset_part("I", meter.current, hours, "A", meter.label),
        step_part(charge, half),
    )


def power_budget(meter: MeterModel, *, power: float, volts: float, amps: float) -> tuple[Contribution, ...]:
    """Budget of a power [W] at a voltage and current: relative gains, and each offset times the other quantity."""
    if meter.voltage is None or meter.current is None:
        return ()
    return (
        gain_part("V", meter.voltage, power, meter.label),
        gain_part("I", meter.current, power, meter.label),
        offset_part("V", meter.voltage, amps, "V", meter.label),
        offset_part("I", meter.current, volts, "A", meter.label),
    )


def logged_energy_budget(meter: MeterModel, *, energy: float, hours: float, half: float) -> tuple[Contribution, ...]:
    """Budget of an energy [Wh] from the meter's own power over a time [h]: u^2 = (gP E)^2 + (oP t)^2 + u_step^2."""
    if meter.power is None:
        return ()
    return (*logged_power_budget(meter, energy, hours), step_part(energy, half))


def logged_power_budget(meter: MeterModel, power: float, weight: float = 1.0) -> tuple[Contribution, ...]:
    """Budget of the meter's own power [W], or of what is `weight` x power. Empty where its accuracy is unknown."""
    if meter.power is None:
        return ()
    gain = gain_part("P", meter.power, power, meter.label)
    return (gain, offset_part("P", meter.power, weight, "W", meter.label))


def reading_budget(
    symbol: str, accuracy: Accuracy | None, value: float, unit: str, meter: str
) -> tuple[Contribution, ...]:
    """Budget of one reading: its limit of error, rectangular (GUM 4.3.7). Empty where unknown."""
    if accuracy is None:
        return ()
    return (
        Contribution(
            name=f"accuracy of {symbol}",
            standard_uncertainty=accuracy.reading_u(value),
            kind="B",
            distribution="rectangular",
            detail=f"{accuracy.text} at {value:.5g} {unit}, {meter}",
            is_common=True,
        ),
    )


def time_budget(step_s: float, edges: int) -> tuple[Contribution, ...]:
    """Budget of a time between moments that are known to one sampling interval each: step / sqrt 12 per edge."""
    return (
        Contribution(
            name="sampling interval",
            standard_uncertainty=step_s * math.sqrt(edges / 12.0),
            kind="B",
            distribution="rectangular",
            detail=f"{edges} moment{'s' if edges > 1 else ''}, each known to one interval of {step_s:.4g} s; "
            "the meter's clock is taken as right",
        ),
    )
