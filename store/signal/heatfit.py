"""First-order heating, T = T0 + rise (1 - exp(-t / tau)), fitted by least squares and judged. Knows arrays only."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from store.model.results import Array
from store.signal.batches import residual_time
from store.uncertainty.budget import combined_correlated

__all__ = ["FirstOrderFit", "binned", "fit_first_order", "judged"]

GRID = 64
"""Time constants tried first: a factor of about 1.3 apart over all that the data could show."""
NARROWINGS = 24
"""Steps of the golden section: to some millionths, whence the polish ends at the last digits."""
POLISH = 12


@dataclass(frozen=True, slots=True, eq=False)
class FirstOrderFit:
    """A fit with its standard errors and whether it may be believed."""

    start: float
    """T0, in the unit of the values."""
    rise: float
    tau: float
    """Time constant, in the unit of the times."""
    start_se: float
    rise_se: float
    tau_se: float
    final_se: float
    """Standard error of start + rise."""
    residual_ss: float
    residual_sd: float
    dof: int
    covers: float
    """Length of the log in time constants."""
    inflation: float
    """Factor on standard errors for correlated residuals: root of their integrated correlation time, in samples,
    and of what the fit took of their slow part."""
    left: float
    """Degrees of freedom that are left of the samples as they go together."""
    refusal: str
    """Why it must not be believed; empty where it may be."""
    is_short: bool
    """Whether the log covers under one time constant: parameters stand, projections do not."""
    covariance: Array
    """Of rise, tau and, where it was fitted, start."""

    @property
    def final(self) -> float:
        """Temperature that the fit ends at."""
        return self.start + self.rise

    def time_to(self, level: float) -> tuple[float, float]:
        """When the fit reaches a level between start and final, and the standard error of that.

        Formula: t = -tau ln(1 - x), x = (level - start) / rise; dt/dtau = t / tau, dt/dx = tau / (1 - x),
        dx/drise = -x / rise, dx/dstart = -1 / rise; GUM 5.2.2, eq. 16, standard errors widened by `inflation`.
        """
        x = (level - self.start) / self.rise
        time = -self.tau * float(np.log1p(-x))
        by_x = self.tau / (1.0 - x)
        slopes = np.array([-by_x * x / self.rise, time / self.tau, -by_x / self.rise])[: len(self.covariance)]
        return time, self.inflation * combined_correlated(slopes, self.covariance)

    def rate_at(self, level: float) -> float:
        """How fast the fit rises where it reaches a level, per unit of time."""
        return (self.final - level) / self.tau


def binned(t: Array, y: Array, most: int = 600) -> tuple[Array, Array]:
    """Means over blocks of equal count, at most `most` of them; a heating curve loses nothing by it."""
    n = len(t)
    if n <= most:
        return t, y
    size = -(-n // most)
    edges = np.arange(0, n, size)
    counts = np.diff(np.append(edges, n))
    return np.add.reduceat(t, edges) / counts, np.add.reduceat(y, edges) / counts


def _basis(x: Array, tau: float, with_start: bool) -> Array:
    growth = -np.expm1(-x / tau)
    return np.column_stack((growth, np.ones_like(x))) if with_start else growth[:, None]


def _residuals_ss(x: Array, y: Array, taus: Array, with_start: bool) -> Array:
    """Per time constant the residual sum of squares of the best line of y over the growth, in closed form."""
    growth = -np.expm1(x / -taus[:, None])
    if with_start:
        growth -= growth.mean(axis=1, keepdims=True)
        y = y - y.mean()
    scale = np.einsum("ij,ij->i", growth, growth)
    slope = np.divide(growth @ y, scale, out=np.zeros(len(taus)), where=scale > 0.0)
    growth *= slope[:, None]
    growth -= y
    squares: Array = np.einsum("ij,ij->i", growth, growth)
    return squares


def _search(x: Array, y: Array, with_start: bool) -> float:
    """Time constant of the least residual: a grid over all that the data could show, then golden section."""
    level = y - y.mean() if with_start else y
    growth, count = np.empty_like(x), len(x)

    def misfit(log_tau: float) -> float:  # as _residuals_ss for one, in a third of its time
        np.divide(x, -math.exp(log_tau), out=growth)
        np.negative(np.expm1(growth, out=growth), out=growth)
        if with_start:
            np.subtract(growth, np.add.reduce(growth) / count, out=growth)
        scale = float(growth.dot(growth))
        np.multiply(growth, float(growth.dot(level)) / scale if scale > 0.0 else 0.0, out=growth)
        np.subtract(growth, level, out=growth)
        return float(growth.dot(growth))

    steps = np.diff(x)
    low = np.log(max(float(np.min(steps[steps > 0.0], initial=np.inf)), 1e-9 * float(x[-1])) / 10.0)
    high = np.log(1000.0 * float(x[-1]))
    grid = np.linspace(low, high, GRID)
    k = int(np.argmin(_residuals_ss(x, y, np.exp(grid), with_start)))
    a, b = float(grid[max(k - 1, 0)]), float(grid[min(k + 1, GRID - 1)])
    ratio = 0.6180339887498949
    c, d = b - ratio * (b - a), a + ratio * (b - a)
    fc, fd = misfit(c), misfit(d)
    for _ in range(NARROWINGS):
        if fc < fd:
            b, d, fd = d, c, fc
            c = b - ratio * (b - a)
            fc = misfit(c)
        else:
            a, c, fc = c, d, fd
            d = a + ratio * (b - a)
            fd = misfit(d)
    return float(np.exp(0.5 * (a + b)))


def _jacobian(x: Array, rise: float, tau: float, with_start: bool) -> Array:
    """Derivatives by rise, tau and, where it is free, start."""
    decay = np.exp(-x / tau)
    columns = [-np.expm1(-x / tau), -rise * x / tau**2 * decay]
    if with_start:
        columns.append(np.ones_like(x))
    return np.column_stack(columns)


def fit_first_order(
    x: Array,
    y: Array,
    *,
    start: float | None = None,
    error_share: float = 0.3,
    residual_share: float = 0.1,
    covers: float = 1.0,
) -> FirstOrderFit:
    """Fit first-order heating; the best time constant is searched for, so no first guess can lead astray.

    Args:
        x: n times from the start of heating, increasing, unit free.
        y: n values.
        start: value at x = 0 where it is known (0 for a rise), None to fit it too.
        error_share: refuse where the time constant's standard error is a larger share of it.
        residual_share: refuse where residuals' spread is a larger share of the rise.
        covers: fits of logs shorter than this many time constants count as short.

    Returns:
        The fit, refused or not; see `judged`.

    Source: least squares with the linear parameters eliminated; checked on NIST StRD Misra1a and BoxBOD.
    """
    with_start = start is None
    base = start or 0.0
    tau = _search(x, y - base, with_start)
    best = np.linalg.lstsq(_basis(x, tau, with_start), y - base, rcond=None)[0]
    rise, level = float(best[0]), float(best[1]) if with_start else 0.0
    for _ in range(POLISH):
        rest = y - base - level - rise * -np.expm1(-x / tau)
        step = np.linalg.lstsq(_jacobian(x, rise, tau, with_start), rest, rcond=None)[0]
        if not np.isfinite(step).all() or tau + step[1] <= 0.2 * tau or tau + step[1] >= 5.0 * tau:
            break
        rise, tau = rise + float(step[0]), tau + float(step[1])
        level += float(step[2]) if with_start else 0.0
        if abs(float(step[1])) <= 1e-14 * tau:
            break
    return judged(
        x, y, rise=rise, tau=tau, start=base + level, with_start=with_start,
        error_share=error_share, residual_share=residual_share, covers=covers,
    )  # fmt: skip


def judged(
    x: Array,
    y: Array,
    *,
    rise: float,
    tau: float,
    start: float = 0.0,
    with_start: bool = False,
    error_share: float = 0.3,
    residual_share: float = 0.1,
    covers: float = 1.0,
) -> FirstOrderFit:
    """Standard errors of given parameters, and whether the data support them.

    Args:
        x: n times from the start of heating.
        y: n values.
        rise: the fit's rise.
        tau: the fit's time constant, in the unit of x.
        start: the fit's value at x = 0.
        with_start: whether start was fitted.
        error_share: as in fit_first_order.
        residual_share: as in fit_first_order.
        covers: as in fit_first_order.

    Returns:
        The fit. Refused where the data don't determine the time constant (BoxBOD from its first start ends
        at a rate of 110 per unit, where no sample feels it), where its standard error or the residuals are
        too large, or where there are too few samples.
    """
    count = 3 if with_start else 2
    rest = y - start - rise * -np.expm1(-x / tau)
    dof = len(x) - count
    ss = float(rest @ rest)
    sd = float(np.sqrt(ss / dof)) if dof > 0 else float("nan")
    covariance, errors, final_se = _errors(_jacobian(x, rise, tau, with_start), sd)
    together = residual_time(rest, count) if dof > 0 else 1.0
    left = max(len(x) / together - count, 1.0)
    length = float(x[-1] - min(float(x[0]), 0.0)) / tau
    refusal = ""
    if dof < 2:
        refusal = f"{len(x)} samples are too few for a fit"
    elif not np.isfinite(errors).all() or tau < 0.2 * float(np.min(np.diff(x))):
        refusal = "the samples do not determine a time constant: the curve is flat, or shorter than one step"
    elif errors[1] > error_share * tau:
        refusal = f"the time constant is known only to {errors[1] / tau * 100:.0f} %"
    elif sd > residual_share * abs(rise):
        refusal = f"the curve is not first-order heating: residuals are {sd / abs(rise) * 100:.0f} % of the rise"
    return FirstOrderFit(
        start=start,
        rise=rise,
        tau=tau,
        start_se=float(errors[2]) if with_start else 0.0,
        rise_se=float(errors[0]),
        tau_se=float(errors[1]),
        final_se=final_se,
        residual_ss=ss,
        residual_sd=sd,
        dof=dof,
        covers=length,
        inflation=float(np.sqrt(max(dof, 1) / left)),
        left=left,
        refusal=refusal,
        is_short=length < covers,
        covariance=covariance,
    )


def _errors(jacobian: Array, sd: float) -> tuple[Array, Array, float]:
    """Covariance, standard errors of the parameters and of the final value; infinite where they aren't determined."""
    scale = np.sqrt((jacobian**2).sum(axis=0))
    width = jacobian.shape[1]
    none = np.full(width, np.inf)
    unknown = (np.full((width, width), np.inf), none, float("inf"))
    if not np.isfinite(scale).all() or not np.isfinite(sd) or float(scale.min()) <= 1e-12 * float(scale.max()):
        return unknown
    singular = np.linalg.svd(jacobian / scale, compute_uv=False)
    if singular[-1] <= 1e-10 * singular[0]:
        return unknown
    inner = np.linalg.inv((jacobian / scale).T @ (jacobian / scale)) * sd**2
    covariance = inner / np.outer(scale, scale)
    pick = np.zeros(width)
    pick[0] = 1.0
    if width == 3:
        pick[2] = 1.0
    return covariance, np.sqrt(np.diag(covariance)), combined_correlated(pick, covariance)
