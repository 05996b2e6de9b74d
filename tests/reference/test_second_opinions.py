"""Integrals, fits and uncertainties against SciPy, `uncertainties`, the GUM and a Monte Carlo of a meter's errors."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
import uncertainties
from scipy import integrate, interpolate, optimize
from uncertainties import umath

from store.judge.derived.ratios import ratio
from store.judge.measured import Measured, RunEvidence, measured
from store.methods import reduce_run
from store.model.results import Array, ArrayTrace, MeterAccuracy, Result, RunContext
from store.signal.heatfit import fit_first_order, judged
from store.signal.integrate import bilinear_steps, trapezoid_steps
from store.uncertainty.budget import combined_correlated, covariance_of_means
from store.validation.closed_forms import cc_cv_columns, constant_power_columns, results_of
from store.validation.statistics import BOX_X, BOX_Y
from store.validation.uncertainty import H2_OBSERVATIONS, impedance

DRAWS = 10_000
GAIN, OFFSET_V, OFFSET_A = 0.005, 0.010, 0.004
METER = MeterAccuracy("M1", "0.5% + 10 mV", "0.5% + 4 mA")


@pytest.mark.parametrize("seed", range(20))
def test_integrals_agree_with_scipy_on_random_traces(seed: int) -> None:
    """SciPy: trapezoid for charge; the exact integral of the product of two piecewise linear curves for energy."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 200))
    t = np.cumsum(rng.exponential(2.0, n))
    v, i = rng.uniform(3.0, 21.0, n), rng.normal(0.0, 3.0, n)
    assert trapezoid_steps(np.diff(t), i).sum() == pytest.approx(integrate.trapezoid(i, t), rel=1e-12, abs=1e-12)
    volts, amps = (interpolate.make_interp_spline(t, y, k=1) for y in (v, i))
    nodes, weights = np.polynomial.legendre.leggauss(2)
    half, middle = np.diff(t)[:, None] / 2.0, ((t[1:] + t[:-1]) / 2.0)[:, None]
    at = middle + half * nodes
    exact = float((half * weights * volts(at) * amps(at)).sum())
    assert bilinear_steps(np.diff(t), v, i).sum() == pytest.approx(exact, rel=1e-10, abs=1e-9)


def test_energy_of_a_run_agrees_with_adaptive_quadrature() -> None:
    """A smooth curve sampled each second against SciPy's adaptive quadrature of the curve itself."""

    def power(x: float) -> float:
        return (20.0 - 0.5 * math.sin(x / 300.0)) * (1.5 + 0.3 * math.cos(x / 500.0))

    t = np.arange(0.0, 3601.0)
    columns = {
        "t_s": t,
        "voltage_v": 20.0 - 0.5 * np.sin(t / 300.0),
        "current_a": 1.5 + 0.3 * np.cos(t / 500.0),
    }
    found = results_of(columns, "discharge")
    expected = integrate.quad(power, 0.0, 3600.0, epsabs=1e-9, limit=200)[0] / 3600.0
    assert found["energy_wh"].value == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("steps", "bound"), [(10, 3.289e-3), (100, 3.289e-5), (1000, 3.289e-7)])
def test_error_of_charge_stays_within_the_textbook_bound(steps: int, bound: float) -> None:
    """|error| <= (b - a) h^2 max|f''| / 12 for (P/k) ln(V0/V1); convex, so the rule gives too much."""
    charge = results_of(constant_power_columns(steps), "discharge")["charge_ah"].value or 0.0
    error = charge - 7.4 / 0.24 * math.log(4.2 / 3.0)
    assert 0.0 < error <= bound


def test_cc_cv_recharge_is_reduced_as_its_closed_form_has_it() -> None:
    """11.7 + 2.9925 Wh, 3 + 0.7125 Ah; 80 % of the energy falls into the taper; then the charger lets go."""
    columns = cc_cv_columns()
    end = float(columns["t_s"][-1])
    after = end + 1e-3 + np.arange(60.0)
    off = {"t_s": after, "voltage_v": np.full(60, 4.2), "current_a": np.zeros(60)}
    found = results_of({name: np.append(y, off[name]) for name, y in columns.items()}, "recharge")
    assert found["energy_in_wh"].value == pytest.approx(14.6925, rel=1e-6)
    assert found["charge_in_ah"].value == pytest.approx(3.7125, rel=1e-6)
    hours = 2.0 - 0.5 * math.log(1.0 - (0.8 * 14.6925 - 11.7) / (4.2 * 1.5 * 0.5))
    assert found["time_to_80_s"].value == pytest.approx(hours * 3600.0, abs=1.0)
    assert found["time_to_full_s"].value == pytest.approx(end, abs=1.0)
    assert found["taper_start_s"].value == pytest.approx(7200.0, abs=0.1), "the end of constant current"


def test_an_optimiser_is_led_astray_by_boxbods_first_start_and_is_refused() -> None:
    """SciPy's curve_fit from (1, 1), NIST's start 1: infinite covariance. Where it ends is refused; ours is not led."""
    x, y = np.array(BOX_X), np.array(BOX_Y)

    def model(t: Array, rise: float, rate: float) -> Array:
        return np.asarray(-rise * np.expm1(-rate * t))

    with pytest.warns(optimize.OptimizeWarning):
        (rise, rate), covariance = optimize.curve_fit(model, x, y, p0=(1.0, 1.0))
    assert np.isinf(covariance).all()
    assert judged(x, y, rise=rise, tau=1.0 / rate).refusal
    found = fit_first_order(x, y, start=0.0)
    (best, best_rate), errors = optimize.curve_fit(model, x, y, p0=(100.0, 0.75), ftol=1e-14, xtol=1e-14)
    assert (found.rise, 1.0 / found.tau) == pytest.approx((best, best_rate), rel=1e-6)
    assert found.rise_se == pytest.approx(math.sqrt(errors[0, 0]), rel=1e-4)


@pytest.mark.parametrize("seed", range(5))
def test_heating_fits_agree_with_scipy(seed: int) -> None:
    """Three parameters on noisy curves: values and standard errors of curve_fit."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0.0, 5000.0, 300)
    y = 24.0 - 28.0 * np.expm1(-x / 1100.0) + 0.1 * rng.standard_normal(300)

    def model(t: Array, start: float, rise: float, tau: float) -> Array:
        return np.asarray(start - rise * np.expm1(-t / tau))

    best, covariance = optimize.curve_fit(model, x, y, p0=(20.0, 20.0, 1000.0))
    found = fit_first_order(x, y)
    assert (found.start, found.rise, found.tau) == pytest.approx(tuple(best), rel=1e-5)
    expected = tuple(np.sqrt(np.diag(covariance)))
    assert (found.start_se, found.rise_se, found.tau_se) == pytest.approx(expected, rel=1e-3)
    assert found.final_se == pytest.approx(math.sqrt(covariance[:2, :2].sum()), rel=1e-3)


def test_gum_h2_with_its_correlation() -> None:
    """GUM H.2: 127.732/0.071, 219.847/0.295, 254.260/0.236; without correlation u(Z) would be 0.204."""
    covariance = covariance_of_means(H2_OBSERVATIONS)
    scale = np.sqrt(np.diag(covariance))
    assert scale == pytest.approx([0.00320936, 9.47101e-6, 0.000752064], rel=1e-5)
    r = covariance / np.outer(scale, scale)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.355311, 0.857624, -0.645111), abs=1e-6)
    found = {name: (value, gradient) for name, value, gradient in impedance(H2_OBSERVATIONS.mean(axis=1))}
    u = {name: combined_correlated(gradient, covariance) for name, (_, gradient) in found.items()}
    assert (u["R"], u["X"], u["Z"]) == pytest.approx((0.0710714, 0.295582, 0.236336), rel=1e-5)
    between = found["R"][1] @ covariance @ found["X"][1] / (u["R"] * u["X"])
    assert between == pytest.approx(-0.588430, abs=1e-5)
    alone = combined_correlated(found["Z"][1], np.diag(np.diag(covariance)))
    assert alone == pytest.approx(0.204076, rel=1e-5)


def test_gum_h2_agrees_with_the_uncertainties_package() -> None:
    """The package propagates by automatic derivatives; ours are written out."""
    means = H2_OBSERVATIONS.mean(axis=1)
    covariance = covariance_of_means(H2_OBSERVATIONS)
    v, i, phi = uncertainties.correlated_values(means, covariance)
    theirs = {"R": v / i * umath.cos(phi), "X": v / i * umath.sin(phi), "Z": v / i}
    for name, value, gradient in impedance(means):
        assert value == pytest.approx(theirs[name].nominal_value, rel=1e-12)
        assert combined_correlated(gradient, covariance) == pytest.approx(theirs[name].std_dev, rel=1e-9)


@pytest.mark.parametrize("same_meter", [True, False])
def test_a_ratio_agrees_with_the_uncertainties_package(same_meter: bool) -> None:
    """What one meter shares cancels in a round trip, what two do not is added."""
    gain = uncertainties.ufloat(1.0, 0.003)
    other = gain if same_meter else uncertainties.ufloat(1.0, 0.003)
    theirs = (57.0 * gain + uncertainties.ufloat(0.0, 0.1)) / (72.0 * other + uncertainties.ufloat(0.0, 0.12))
    top = Measured(57.0, "Wh", math.hypot(0.171, 0.1), (1,), common={"M1: gain": 0.171})
    meter = "M1" if same_meter else "M2"
    bottom = Measured(72.0, "Wh", math.hypot(0.216, 0.12), (2,), common={f"{meter}: gain": 0.216})
    found = ratio(top, bottom)
    assert found.value == pytest.approx(theirs.nominal_value, rel=1e-12)
    assert found.uncertainty == pytest.approx(theirs.std_dev, rel=1e-9)


def discharge(volts: float, amps: float, hours: float) -> dict[str, Array]:
    """A falling voltage at constant current: steps cost nothing."""
    t = np.linspace(0.0, 3600.0 * hours, 201)
    return {"t_s": t, "voltage_v": volts - 0.5 * t / t[-1], "current_a": np.full(201, amps)}


def reduced(columns: Mapping[str, Array], kind: str, **facts: object) -> dict[str, Result]:
    """Results by the meter of this test."""
    return results_of(columns, kind, meter=METER, **facts)


def drawn_energies(columns: Mapping[str, Array], gains: Array, rng: np.random.Generator) -> Array:
    """Energy [Wh] of each draw: gains as given (2 x draws), offsets drawn, each within the printed limits."""
    offset_v = rng.uniform(-OFFSET_V, OFFSET_V, DRAWS)[:, None]
    offset_a = rng.uniform(-OFFSET_A, OFFSET_A, DRAWS)[:, None]
    volts = columns["voltage_v"] * (1.0 + gains[0][:, None]) + offset_v
    amps = columns["current_a"] * (1.0 + gains[1][:, None]) + offset_a
    return np.asarray(integrate.trapezoid(volts * amps, columns["t_s"], axis=1) / 3600.0)


def test_monte_carlo_confirms_the_uncertainty_of_energy() -> None:
    """10,000 draws of gain and offset of V and I: within 3 % (the draws' own spread is known to 0.7 %)."""
    rng = np.random.default_rng(1)
    columns = discharge(5.2, 0.5, 2.0)
    energies = drawn_energies(columns, rng.uniform(-GAIN, GAIN, (2, DRAWS)), rng)
    found = reduced(columns, "discharge")["energy_wh"]
    assert found.uncertainty == pytest.approx(energies.std(ddof=1), rel=0.03)
    assert found.value == pytest.approx(energies.mean(), rel=1e-3)


@pytest.mark.parametrize("same_meter", [True, False])
def test_monte_carlo_confirms_the_uncertainty_of_an_efficiency(same_meter: bool) -> None:
    """A round trip by one meter, half of whose gain's variance the two runs share, and by two of one kind.

    Offsets are drawn anew for each run.
    """
    rng = np.random.default_rng(2)
    out, into = discharge(5.2, 0.5, 2.0), discharge(5.2, 0.6, 2.1)
    gains = rng.uniform(-GAIN, GAIN, (2, DRAWS))
    others = rng.uniform(-GAIN, GAIN, (2, DRAWS))
    if same_meter:
        shared, parted = rng.uniform(-GAIN, GAIN, (2, DRAWS)), math.sqrt(0.5)
        gains, others = parted * (shared + gains), parted * (shared + others)
    efficiency = drawn_energies(out, gains, rng) / drawn_energies(into, others, rng)
    meters = ("M1", "M1" if same_meter else "M2")
    items = []
    for number, (columns, name, kind, meter) in enumerate(
        ((out, "energy_out_wh", "discharge", meters[0]), (into, "energy_in_wh", "recharge", meters[1])), 1
    ):
        run = RunEvidence(number, "PB-01", "C1", None, kind, meter=meter, results=reduced(columns, kind))
        item = measured(run, name)
        assert item is not None
        items.append(item)
    found = ratio(items[0], items[1])
    assert found.uncertainty == pytest.approx(efficiency.std(ddof=1), rel=0.03)


def test_monte_carlo_confirms_the_uncertainty_of_a_resistance() -> None:
    """A sweep of six levels: gains scale the slope of V over I, offsets drop out of it."""
    rng = np.random.default_rng(3)
    levels = np.repeat(np.linspace(0.5, 3.0, 6), 60)
    volts = 20.1 - 0.08 * levels
    columns = {"t_s": np.arange(360.0), "voltage_v": volts, "current_a": levels}
    found = reduced(columns, "regulation", mode="fixed 20 V")["source_resistance_mohm"]
    gains = rng.uniform(-GAIN, GAIN, (2, DRAWS))
    amps = levels[::60] * (1.0 + gains[1][:, None]) + rng.uniform(-OFFSET_A, OFFSET_A, DRAWS)[:, None]
    read = volts[::60] * (1.0 + gains[0][:, None]) + rng.uniform(-OFFSET_V, OFFSET_V, DRAWS)[:, None]
    dx, dy = amps - amps.mean(axis=1, keepdims=True), read - read.mean(axis=1, keepdims=True)
    slopes = -1000.0 * (dx * dy).sum(axis=1) / (dx * dx).sum(axis=1)
    assert found.value == pytest.approx(80.0, rel=1e-9)
    assert found.uncertainty == pytest.approx(slopes.std(ddof=1), rel=0.03)


def test_an_unknown_accuracy_gives_an_unknown_uncertainty() -> None:
    """Not zero: every figure that rests on the meter says why."""
    columns = discharge(5.2, 0.5, 2.0)
    reduction = reduce_run(ArrayTrace(columns), RunContext("discharge", "out"))
    energy = next(result for result in reduction.results if result.name == "energy_wh")
    assert energy.uncertainty is None
    assert "not stated" in energy.reason
