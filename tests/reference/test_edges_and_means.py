"""Edges, crossings, ramps and correlated means against closed forms and Monte Carlo with other code."""

from __future__ import annotations

import math

import numpy as np
import pytest

from store.signal.batches import FULL, correlation_time, mean_scatter
from store.signal.crossings import fit_quadratic, local_crossing
from store.signal.edges import edge_after, edge_before, edge_u, is_jump, sampling_u
from store.signal.ramps import is_stepped, ramp_end


def ar1(draw: np.random.Generator, count: int, f: float) -> np.ndarray:
    """A first-order autoregression of unit spread, begun in its steady state."""
    fresh = draw.standard_normal(count) * math.sqrt(1.0 - f * f)
    out = np.empty(count)
    out[0] = draw.standard_normal()
    for k in range(1, count):
        out[k] = f * out[k - 1] + fresh[k]
    return out


@pytest.mark.parametrize("length", [600.0, 603.0, 605.0, 612.4])
def test_a_length_by_half_steps_is_unbiased_and_spreads_as_the_grid_says(length: float) -> None:
    """sd of a length T on a grid of h at any phase: h sqrt(f (1 - f)), f = frac(T / h); over all T h / sqrt 6."""
    h, draw, found = 10.0, np.random.default_rng(1), []
    for phase in draw.uniform(0.0, h, 4000):
        t = phase + h * np.arange(80)
        on = np.flatnonzero((t >= 35.0) & (t < 35.0 + length))
        none = np.zeros(len(t) - 1, dtype=bool)
        found.append(edge_after(t, none, int(on[-1])).at_s - edge_before(t, none, int(on[0])).at_s)
    f = math.modf(length / h)[0]
    assert float(np.mean(found)) == pytest.approx(length, abs=0.3)
    assert float(np.std(found)) == pytest.approx(h * math.sqrt(f * (1.0 - f)), abs=0.15)


def test_an_edges_uncertainty_and_what_hides_an_edge() -> None:
    assert edge_u(10.0) == pytest.approx(2.886751)
    assert math.hypot(edge_u(10.0), edge_u(10.0)) == pytest.approx(10.0 / math.sqrt(6.0))
    t, gap = np.arange(5.0), np.array([False, True, False, False])
    assert not edge_before(t, gap, 0).is_seen
    assert not edge_before(t, gap, 2).is_seen
    assert not edge_after(t, gap, 4).is_seen
    assert edge_after(t, gap, 3).half_s == 0.5


def test_a_step_that_holds_an_edge_is_told_from_a_slope() -> None:
    """0 to 27 W is an edge; 8.4 to 3 W over one long step is two lines' product."""
    assert is_jump(np.array([0.0, 27.0, 26.0, 18.0, 0.0])).tolist() == [True, False, False, True]
    assert not is_jump(np.array([8.4, 3.0]))[0]


def test_scatter_and_edges_of_an_integral_are_those_of_a_monte_carlo() -> None:
    """White noise and one edge at a random place, on a slope: what is said is what integrals spread by."""
    draw, h, n = np.random.default_rng(2), 10.0, 200
    errors, said = [], []
    for _ in range(600):
        at, t = draw.uniform(900.0, 1100.0), draw.uniform(0.0, h) + h * np.arange(n)
        y = 20.0 - 1e-3 * t - 6.0 * (t >= at) + 0.05 * draw.standard_normal(n)
        b, a = t[-1], t[0]
        truth = 20.0 * (b - a) - 5e-4 * (b * b - a * a) - 6.0 * (b - at)
        errors.append(float(np.sum(0.5 * (y[1:] + y[:-1])) * h) - truth)
        said.append(math.hypot(*sampling_u(t, y, np.zeros(n - 1, dtype=bool))))
    assert float(np.std(errors)) == pytest.approx(float(np.mean(said)), rel=0.1)


def test_an_exponential_crosses_at_its_closed_form() -> None:
    """I = 3 exp(-t / 1200 s) with 5 mA of noise at 10 s: 0.15 A at 1200 ln 20 = 3594.879 s, without the bias of the
    last sample over (28 s late), the first under (26 s early) or a moving mean (3 s late)."""
    draw, t = np.random.default_rng(3), np.arange(0.0, 7000.0, 10.0)
    found, said = [], []
    for _ in range(2000):
        y = 3.0 * np.exp(-t / 1200.0) + 0.005 * draw.standard_normal(len(t))
        crossing = local_crossing(t, y, 0.15, 359, reach=np.abs(t - 3590.0) <= 300.0)
        assert crossing is not None
        found.append(crossing.at_s)
        said.append(crossing.u_s)
    assert float(np.mean(found)) == pytest.approx(3594.879, abs=0.6)
    assert float(np.std(found)) == pytest.approx(7.7, abs=0.5)
    assert 1.0 <= float(np.median(said)) / float(np.std(found)) <= 1.2, "residuals may go together: rather wide"


def test_a_quadratic_agrees_with_numpys() -> None:
    draw, t = np.random.default_rng(5), np.linspace(100.0, 160.0, 40)
    y = 3.0 - 0.02 * t + 1e-4 * t * t + 0.01 * draw.standard_normal(40)
    curve, wanted = fit_quadratic(t, y), np.polynomial.Polynomial.fit(t, y, 2)
    assert curve.value(131.0) == pytest.approx(float(wanted(131.0)), rel=1e-12)
    assert curve.slope(131.0) == pytest.approx(float(wanted.deriv()(131.0)), rel=1e-9)


def test_a_ramp_is_carried_on_to_its_trip() -> None:
    """0.05 A/s, 1 s, trip at 3.3 A, noise 4 mA: no bias, sd 0.01488 with five samples and 0.01466 with ten; the last
    sample is 0.025 A low and the median of the last three 0.075 A."""
    draw, rate, trip = np.random.default_rng(6), 0.05, 3.3
    for count, wanted in {5: 0.01488, 10: 0.01466, 20: 0.01454}.items():
        found, said, last = [], [], []
        for phase in draw.uniform(0.0, 1.0, 6000):
            t = phase + np.arange(100.0)
            t = t[t * rate < trip][-count:]
            y = rate * t + 0.004 * draw.standard_normal(count)
            end = ramp_end(t, y, 1.0)
            found.append(end.value)
            said.append(math.hypot(end.u_scatter, end.u_step))
            last.append(y[-1])
        assert float(np.mean(found)) == pytest.approx(trip, abs=0.0008)
        assert float(np.mean(last)) == pytest.approx(trip - 0.025, abs=0.001)
        assert float(np.std(found)) == pytest.approx(wanted, abs=0.0004)
        assert float(np.median(said)) == pytest.approx(wanted, abs=0.0008)


def test_stairs_are_told_from_a_ramp() -> None:
    draw = np.random.default_rng(7)
    t = np.arange(60.0)
    assert not is_stepped(0.05 * t + 0.004 * draw.standard_normal(60))
    assert is_stepped(0.1 * np.floor(t / 10.0) + 0.002 * draw.standard_normal(60))


@pytest.mark.parametrize(("f", "wanted"), [(0.0, 1.0), (0.8, 9.0), (0.904761904762, 20.0)])
def test_the_correlation_time_of_an_autoregression(f: float, wanted: float) -> None:
    """(1 + f) / (1 - f) samples; the two pairs are test pairs of a public repository of sampler code."""
    draw = np.random.default_rng(8)
    found = [correlation_time(ar1(draw, 20_000, f), 1.0) for _ in range(8)]
    assert float(np.mean(found)) == pytest.approx(wanted, rel=0.08)


@pytest.mark.parametrize(("length", "least"), [(200, 0.90), (1000, 0.93), (2000, 0.935)])
def test_a_correlated_mean_is_covered(length: int, least: float) -> None:
    """AR(1) with f 0.9, tau 19 samples: s / sqrt N covers 0.35 at 1000; batches with Student's t at least 0.93."""
    from store.uncertainty.freedom import expanded

    draw = np.random.default_rng(length)
    held = naive = 0
    t = np.arange(float(length))
    for _ in range(800):
        y = ar1(draw, length, 0.9)
        found = mean_scatter(t, y)
        assert found is not None
        held += abs(float(y.mean())) <= expanded(found.u, found.dof)
        naive += abs(float(y.mean())) <= 2.0 * float(y.std(ddof=1)) / math.sqrt(length)
    assert least <= held / 800 <= 0.98
    assert naive / 800 < 0.45


def test_a_log_too_short_says_how_long_would_do() -> None:
    draw = np.random.default_rng(9)
    short = mean_scatter(np.arange(200.0), ar1(draw, 200, 0.9))
    long = mean_scatter(np.arange(4000.0), ar1(draw, 4000, 0.9))
    assert short is not None
    assert long is not None
    assert short.is_short
    assert short.batches == 5
    assert short.wanted_s == pytest.approx(FULL * short.tau_s)
    assert not long.is_short
    assert long.batches == 10
    assert mean_scatter(np.arange(6.0), np.arange(6.0)) is None
