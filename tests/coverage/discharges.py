"""Discharges, recharges and idle draw of known truth."""

from __future__ import annotations

import numpy as np

from tests.coverage.held import Columns, World
from tests.coverage.meters import SPECS, Meter, Noise, Spec, red

Array = np.ndarray
FINE = 400_001


def _spec(rng: np.random.Generator) -> Spec:
    return SPECS[int(rng.integers(len(SPECS)))]


def _noise(rng: np.random.Generator, most: float = 4e-3) -> Noise:
    slow = float(rng.uniform(0.0, 0.3 * most))
    return Noise(10.0 ** float(rng.uniform(-4.0, np.log10(most))), slow, float(rng.uniform(1.0, 20.0)))


def _step(rng: np.random.Generator, choices: tuple[float, ...] = (0.2, 1.0, 2.0, 10.0, 30.0, 60.0)) -> float:
    return float(rng.choice(choices))


def _length(rng: np.random.Generator, step: float) -> float:
    return float(np.clip(step * rng.uniform(150.0, 2500.0), 400.0, 4.0 * 3600.0)) if step > 0.5 else 420.0


def _integral(y: Array, t: Array) -> float:
    return float(np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(t)))


class Load:
    """A port under a load: volts and amperes at any time [s]; wander of the load is part of the truth."""

    def __init__(
        self, rng: np.random.Generator, on: float, off: float, *, cut: tuple[float, float] | None = None
    ) -> None:
        self.on, self.off, self.cut = on, off, cut
        self.volts = float(rng.choice([5.0, 9.0, 12.0, 20.0]))
        self.sag = float(rng.uniform(0.0, 0.04)) * self.volts
        self.amps = float(rng.uniform(0.6, 3.0))
        self.idle_v = self.volts * float(rng.choice([0.0, 1.0]))
        self.dead_v = 0.0
        self.is_power = bool(rng.random() < 0.5)
        self.waves = [
            (float(rng.uniform(0.0, 4e-3)), float(rng.uniform(0.002, 0.02)), float(rng.uniform(0, 6.3)))
            for _ in range(3)
        ]

    def at(self, t: Array) -> tuple[Array, Array]:
        share = np.clip((t - self.on) / (self.off - self.on), 0.0, 1.0)
        v = self.volts - self.sag * share**2
        i = self.amps * (self.volts / v if self.is_power else np.ones_like(t))
        i = i * (1.0 + sum(a * np.sin(6.2832 * f * t + p) for a, f, p in self.waves))
        if self.cut is not None:
            i = np.where(t >= self.cut[0], self.cut[1] * i, i)
        is_on = (t >= self.on) & (t < self.off)
        v = np.where(is_on, v, np.where(t < self.on, self.idle_v, self.dead_v))
        return v, np.where(is_on, i, 0.0)

    def sums(self, begin: float, end: float) -> tuple[float, float]:
        """Energy [Wh] and charge [Ah] between two moments."""
        t = np.linspace(begin, end, FINE)[:-1] + 0.5 * (end - begin) / (FINE - 1)
        v, i = self.at(t)
        dt = (end - begin) / (FINE - 1)
        return float((v * i).sum() * dt / 3600.0), float(i.sum() * dt / 3600.0)


def discharge(rng: np.random.Generator, steps: tuple[float, ...] = (0.2, 1.0, 2.0, 10.0, 30.0, 60.0)) -> World:
    """Load applied, held until the port cuts off."""
    spec, noise, step = _spec(rng), _noise(rng), _step(rng, steps)
    on = step * float(rng.uniform(3.0, 6.0))
    off = on + _length(rng, step) * float(rng.uniform(0.9, 1.0))
    end = off + step * float(rng.uniform(4.0, 8.0))
    load = Load(rng, on, off)
    wh, ah = load.sums(on, off)
    t = np.linspace(on, off, 200_001)[1:-1]
    v, i = load.at(t)
    p = v * i
    level = float(np.median(p[p > 0.5 * np.percentile(p, 95.0)]))
    rated = 1.3 * wh
    truth = {
        "energy_out_wh": wh, "charge_out_ah": ah, "energy_wh": wh, "charge_ah": ah, "runtime_s": off - on,
        "held_s": off - on,
        "power_plateau_w": level, "power_mean_w": float(p.mean()), "voltage_mean_v": float(v.mean()),
        "current_mean_a": float(i.mean()), "yield": wh / rated, "cell_equivalent_mah": 1000.0 * wh / 3.7,
    }  # fmt: skip

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(end, step)
        v, i = load.at(true)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.2 * n), "current_a": meter.amps(i, n)}

    facts = {"spec": spec, "kind": "discharge", "rated_energy_wh": rated, "cell_voltage_v": 3.7}
    return World(truth, log, facts)


def cutback(rng: np.random.Generator) -> World:
    """A load that the device lowers after a while, then cuts off; the set load is stated."""
    spec, noise, step = _spec(rng), _noise(rng), _step(rng)
    on = step * float(rng.uniform(3.0, 6.0))
    off = on + max(_length(rng, step), 900.0)
    end = off + step * float(rng.uniform(4.0, 8.0))
    at = on + (off - on) * float(rng.uniform(0.3, 0.7))
    load = Load(rng, on, off, cut=(at, float(rng.uniform(0.5, 0.8))))
    wh, _ = load.sums(on, off)
    until, _ = load.sums(on, at)
    truth = {
        "first_cutback_s": at - on, "energy_to_cutback_wh": until, "energy_out_wh": wh, "runtime_s": off - on,
        "held_s": at - on,
    }  # fmt: skip
    stated = f"{load.volts * load.amps:.6g} W" if load.is_power else f"{load.amps:.6g} A"

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(end, step)
        v, i = load.at(true)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.2 * n), "current_a": meter.amps(i, n)}

    return World(truth, log, {"spec": spec, "kind": "discharge", "load_set": stated})


def noisy_hold(rng: np.random.Generator, step: float | None = None) -> World:
    """2 % noise and 1 % wander: the load is held until the end all the same."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    step = step or _step(rng, (0.2, 1.0, 60.0))
    length = {0.2: 700.0, 1.0: 3600.0}.get(step, 3.0 * 3600.0)
    on = step * float(rng.uniform(3.0, 6.0))
    off = on + length * float(rng.uniform(0.9, 1.0))
    end = off + 6.0 * step
    volts, watts = 9.0, float(rng.uniform(8.0, 27.0))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(end, step)
        is_on = (true >= on) & (true < off)
        wander = 0.01 * np.sin(6.2832 * true / draw.uniform(300.0, 1500.0) + draw.uniform(0.0, 6.3))
        i = np.where(is_on, watts / volts * (1.0 + wander), 0.0)
        v = np.where(is_on, volts, 0.0)
        noise = 0.02 * draw.standard_normal(len(true))
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.0 * noise), "current_a": meter.amps(i, noise)}

    return World(
        {"held_s": off - on, "runtime_s": off - on},
        log,
        {"spec": spec, "kind": "discharge", "load_set": f"{watts:.4g} W"},
    )


def fading(rng: np.random.Generator) -> World:
    """Power creeps away at the end, over minutes."""
    spec, noise, step = _spec(rng), _noise(rng), _step(rng, (0.2, 1.0, 10.0, 30.0))
    on = step * float(rng.uniform(3.0, 6.0))
    hold = max(_length(rng, step), 600.0)
    fade = max(60.0, 20.0 * step) * float(rng.uniform(1.0, 3.0))
    volts, amps = float(rng.choice([5.0, 9.0, 20.0])), float(rng.uniform(0.8, 3.0))
    begin = on + hold
    end = begin + fade + 6.0 * step

    def at(t: Array) -> tuple[Array, Array]:
        share = np.clip((begin + fade - t) / fade, 0.0, 1.0)
        is_on = (t >= on) & (t < begin + fade)
        return np.where(is_on, volts, 0.0), np.where(is_on, amps * share, 0.0)

    t = np.linspace(on, begin + 0.9 * fade, FINE)
    v, i = at(t[1:])
    wh = float((v * i).sum()) * (t[1] - t[0]) / 3600.0
    truth = {"runtime_s": begin + 0.9 * fade - on, "held_s": begin + 0.05 * fade - on, "energy_out_wh": wh}

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(end, step)
        v, i = at(true)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.1 * n), "current_a": meter.amps(i, n)}

    return World(truth, log, {"spec": spec, "kind": "discharge"})


def recharge(rng: np.random.Generator, tau_s: tuple[float, float] = (300.0, 2400.0)) -> World:
    """Constant current with a rising voltage, then an exponential taper at constant voltage, to its end or to none."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    noise, step = _noise(rng, 2e-3), _step(rng, (1.0, 2.0, 10.0, 30.0))
    on = step * float(rng.uniform(3.0, 6.0))
    cc = float(rng.uniform(1800.0, 7200.0))
    tau = float(rng.uniform(*tau_s))
    low, top = 9.0 * float(rng.uniform(0.9, 0.97)), 9.0
    amps = float(rng.uniform(1.0, 3.0))
    stop_share = float(rng.choice([0.0, 0.0, 0.02, 0.08]))
    begin = on + cc
    off = begin - tau * np.log(stop_share) if stop_share else np.inf
    end = (off if stop_share else begin + tau * 6.5) + 10.0 * step

    def at(t: Array) -> tuple[Array, Array]:
        v = np.where(t < begin, low + (top - low) * np.clip((t - on) / cc, 0.0, 1.0), top)
        i = np.where(t < begin, amps, amps * np.exp(-np.maximum(t - begin, 0.0) / tau))
        is_on = (t >= on) & (t < off)
        return np.where(t < on, 0.0, v), np.where(is_on, i, 0.0)

    last = off if stop_share else begin + 30.0 * tau
    t = np.linspace(on, last, 2_000_001)
    mid, dt = 0.5 * (t[1:] + t[:-1]), t[1] - t[0]
    v, i = at(mid)
    p = v * i
    wh, ah = float(p.sum()) * dt / 3600.0, float(i.sum()) * dt / 3600.0
    inside = p[mid < end]
    whole = np.concatenate((inside, np.zeros(int(on / dt) + max(int((end - min(last, end)) / dt), 0))))
    level = float(np.median(whole[whole > 0.5 * np.percentile(whole, 95.0)]))
    over = float(mid[np.flatnonzero(p > 0.05 * level)[-1]])
    upto = np.cumsum(p) * dt / 3600.0
    truth = {
        "energy_in_wh": wh, "charge_in_ah": ah, "time_to_full_s": over - on, "power_plateau_w": level,
        "time_to_80_s": float(mid[int(np.searchsorted(upto, 0.8 * wh))]) - on, "taper_start_s": cc,
        "power_peak_w": float(np.mean(at(np.linspace(begin - 10.0, begin, 1001))[0]) * amps),
    }  # fmt: skip

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(end, step)
        v, i = at(true)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.1 * n), "current_a": meter.amps(i, n)}

    return World(truth, log, {"spec": spec, "kind": "recharge", "direction": "in"})


def long_taper(rng: np.random.Generator) -> World:
    """A recharge whose current fades for hours."""
    return recharge(rng, (2400.0, 5400.0))


def bursts(rng: np.random.Generator) -> World:
    """Idle draw in bursts: a floor, and on for a while at odd times. The truth is the mean for ever."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    step = float(rng.choice([0.2, 0.5, 1.0]))
    length = 60.0 * float(rng.choice([1.0, 2.0, 5.0, 10.0, 30.0]))
    period = float(rng.uniform(1.5, 12.0))
    width = period * float(rng.uniform(0.15, 0.5))
    spread = float(rng.choice([0.0, 0.3]))
    floor, top, volts = float(rng.uniform(0.01, 0.05)), float(rng.uniform(0.3, 1.5)), 5.0
    truth = {"power_mean_w": floor + (top - floor) * width / period}

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(length, step)
        count = int(length / period / (1.0 - 0.5 * spread)) + 20
        gaps = period * (1.0 + spread * draw.uniform(-1.0, 1.0, count))
        starts = np.cumsum(gaps) - period * draw.uniform(2.0, 3.0)
        k = np.searchsorted(starts, true, side="right") - 1
        is_on = (k >= 0) & (true - starts[np.maximum(k, 0)] < width)
        p = np.where(is_on, top, floor)
        zero = np.zeros(len(true))
        return {
            "t_s": logged,
            "voltage_v": meter.volts(np.full(len(true), volts), zero),
            "current_a": meter.amps(p / volts, 0.002 * draw.standard_normal(len(true))),
        }

    return World(truth, log, {"spec": spec, "kind": "standby"})


def noisy_idle(rng: np.random.Generator) -> World:
    """Idle draw with correlated noise about a mean."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    step, tau = float(rng.choice([0.5, 1.0])), float(rng.uniform(1.0, 10.0))
    length = tau * float(rng.uniform(25.0, 200.0))
    amps, volts, share = float(rng.uniform(0.02, 0.2)), 5.0, float(rng.uniform(0.05, 0.3))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(length, step)
        i = amps * (1.0 + share * red(draw, true, tau))
        zero = np.zeros(len(true))
        return {"t_s": logged, "voltage_v": meter.volts(volts + zero, zero), "current_a": meter.amps(i, zero)}

    return World({"power_mean_w": volts * amps, "current_mean_a": amps}, log, {"spec": spec, "kind": "standby"})
