"""A meter drawn inside its stated accuracy, for coverage tests. Shares no code with the program.

Every error is drawn once a log: a rectangular gain and offset within the stated limits, per input and range; a clock
within its limit; the phase of sampling. Noise is white and correlated in time, readings are rounded to the display.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Array = np.ndarray
CLOCK_LIMIT = 1e-3
"""Of a meter whose clock states nothing: what the program assumes (no source)."""


@dataclass(frozen=True)
class Spec:
    """A meter's data sheet: shares of reading, fixed amounts and digits, as text and as numbers."""

    voltage: str
    current: str
    v_share: float
    v_fixed: float
    i_share: float
    i_fixed: float
    v_digit: float = 1e-3
    i_digit: float = 1e-3
    temperature: str = "0.3% + 0.8 K"
    t_share: float = 0.003
    t_fixed: float = 0.8
    t_digit: float = 0.1
    power: str = "0.4% + 3d(0.01)"
    p_share: float = 0.004
    p_fixed: float = 0.03
    p_digit: float = 0.01


SPECS = (
    Spec("0.05% + 2d(0.001)", "0.1% + 2d(0.001)", 5e-4, 2e-3, 1e-3, 2e-3),
    Spec("0.02% + 0.005%r(20)", "0.05% + 0.01%r(5)", 2e-4, 1e-3, 5e-4, 5e-4, 1e-4, 1e-4),
    Spec("0.5% + 2d(0.01)", "1% + 3d(0.01)", 5e-3, 2e-2, 1e-2, 3e-2, 1e-2, 1e-2),
    Spec("0.1% + 5 mV", "0.2% + 4 mA", 1e-3, 5e-3, 2e-3, 4e-3),
)


@dataclass(frozen=True)
class Noise:
    """Relative white noise, and relative noise with a correlation time [s]."""

    white: float
    slow: float = 0.0
    tau_s: float = 1.0

    def draw(self, rng: np.random.Generator, t: Array) -> Array:
        """n relative errors at n times [s]."""
        return self.white * rng.standard_normal(len(t)) + self.slow * red(rng, t, self.tau_s)


def red(rng: np.random.Generator, t: Array, tau_s: float) -> Array:
    """Unit noise that forgets itself over `tau_s`, on any times: each sample is e^(-dt/tau) of the last, and new."""
    keep = np.exp(-np.diff(t) / tau_s)
    fresh = rng.standard_normal(len(t))
    out = np.empty(len(t))
    out[0] = fresh[0]
    for k, share in enumerate(keep):
        out[k + 1] = share * out[k] + np.sqrt(1.0 - share * share) * fresh[k + 1]
    return out


class Meter:
    """One instrument on one day."""

    def __init__(self, rng: np.random.Generator, spec: Spec, *, clock_limit: float = CLOCK_LIMIT) -> None:
        self.rng = rng
        self.spec = spec
        self.clock = 1.0 + clock_limit * rng.uniform(-1.0, 1.0)
        self.v_input, self.far_input = self._input(spec.v_share, spec.v_fixed), self._input(spec.v_share, spec.v_fixed)
        self.i_input, self.p_input = self._input(spec.i_share, spec.i_fixed), self._input(spec.p_share, spec.p_fixed)
        self.t_input, self.room_input = (self._input(spec.t_share, spec.t_fixed) for _ in range(2))

    def _input(self, share: float, fixed: float) -> tuple[float, float]:
        return 1.0 + share * self.rng.uniform(-1.0, 1.0), fixed * self.rng.uniform(-1.0, 1.0)

    def times(self, length_s: float, step_s: float, jitter: float = 0.02) -> tuple[Array, Array]:
        """True times of the samples [s], at any phase, and the times that the log holds."""
        begin = self.rng.uniform(0.0, step_s)
        n = int((length_s - begin) / step_s) + 1
        true = begin + step_s * (np.arange(n) + jitter * self.rng.uniform(-1.0, 1.0, n))
        true = true[(true >= 0.0) & (true <= length_s)]
        return true, (true - true[0]) * self.clock

    def volts(self, true: Array, noise: Array, *, far: bool = False) -> Array:
        """Readings of a voltage [V]."""
        gain, offset = self.far_input if far else self.v_input
        return rounded(true * gain * (1.0 + noise) + offset * (true != 0.0), self.spec.v_digit)

    def amps(self, true: Array, noise: Array) -> Array:
        """Readings of a current [A]; its offset shows at no current too."""
        gain, offset = self.i_input
        return rounded(true * gain * (1.0 + noise) + offset, self.spec.i_digit)

    def watts(self, true: Array, noise: Array) -> Array:
        """Readings of a power that the meter works out itself [W]."""
        gain, offset = self.p_input
        return rounded(true * gain * (1.0 + noise) + offset, self.spec.p_digit)

    def celsius(self, true: Array, noise_k: Array, *, room: bool = False) -> Array:
        """Readings of a thermometer [degC], noise in kelvins."""
        gain, offset = self.room_input if room else self.t_input
        return rounded(true * gain + offset + noise_k, self.spec.t_digit)


def rounded(y: Array, digit: float) -> Array:
    """As the display shows it."""
    return np.round(y / digit) * digit
