"""Ramps, sweeps, cables, adapters, heat and interruptions of known truth."""

from __future__ import annotations

import numpy as np

from tests.coverage.discharges import _noise, _spec, _step
from tests.coverage.held import Columns, Found, World
from tests.coverage.meters import SPECS, Meter, Noise, red

Array = np.ndarray


def ramp(rng: np.random.Generator) -> World:
    """A current that rises evenly until the port lets go."""
    spec, noise = _spec(rng), _noise(rng, 2e-3)
    step = _step(rng, (0.2, 0.5, 1.0, 2.0, 5.0))
    volts = float(rng.choice([5.0, 9.0, 20.0]))
    rated = float(rng.choice([2.0, 3.0, 5.0]))
    trip = rated * float(rng.uniform(1.05, 1.5))
    rate = trip / (step * float(rng.uniform(40.0, 400.0)))
    idle = 5.0 * step
    at = idle + trip / rate
    droop = float(rng.uniform(0.02, 0.06))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(at + 8.0 * step, step)
        i = np.clip((true - idle) * rate, 0.0, None)
        i = np.where(true < at, i, 0.0)
        v = np.where(true < at, volts - droop * i, 0.0)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.1 * n), "current_a": meter.amps(i, n)}

    end_v = volts - droop * trip
    truth = {
        "trip_current_a": trip, "trip_power_w": trip * end_v, "voltage_at_trip_v": end_v, "trip_ratio": trip / rated,
        "over_rating_s": (trip - rated) / rate,
    }  # fmt: skip
    return World(truth, log, {"spec": spec, "kind": "overload", "mode": f"fixed {volts:g} V", "rated_current_a": rated})


def stairs(rng: np.random.Generator) -> World:
    """A current that rises in stairs; the port lets go somewhere on one."""
    spec, noise = _spec(rng), _noise(rng, 2e-3)
    step = _step(rng, (0.2, 0.5, 1.0))
    volts, rated = float(rng.choice([5.0, 9.0, 20.0])), float(rng.choice([2.0, 3.0]))
    height = float(rng.choice([0.1, 0.2, 0.25]))
    dwell = step * float(rng.uniform(6.0, 30.0))
    count = int(np.ceil(rated * float(rng.uniform(1.1, 1.5)) / height))
    trip = height * count
    at = 5.0 * step + dwell * (count - 1) + dwell * float(rng.uniform(0.0, 0.98))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(at + 8.0 * step, step)
        i = height * np.clip(np.floor((true - 5.0 * step) / dwell) + 1.0, 0.0, count)
        i = np.where(true < at, i, 0.0)
        v = np.where(true < at, volts - 0.03 * i, 0.0)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.1 * n), "current_a": meter.amps(i, n)}

    truth = {"trip_current_a": trip, "trip_power_w": trip * (volts - 0.03 * trip), "trip_ratio": trip / rated}
    return World(truth, log, {"spec": spec, "kind": "overload", "mode": f"fixed {volts:g} V", "rated_current_a": rated})


def sweep(rng: np.random.Generator, levels: tuple[int, int] = (3, 13)) -> World:
    """A stepped load on a port of known resistance; up, or up and down while the pack sags."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    noise = Noise(float(rng.uniform(1e-4, 1e-3)), float(rng.uniform(0.0, 5e-4)), float(rng.uniform(0.5, 4.0)))
    step = _step(rng, (0.2, 0.5, 1.0))
    nominal, ohm = float(rng.choice([5.0, 9.0, 20.0])), float(rng.uniform(0.02, 0.15))
    count = int(rng.integers(*levels))
    amps = np.linspace(0.0, 1.0, count) * float(rng.uniform(1.5, 3.0)) + float(rng.choice([0.0, 0.1]))
    both = bool(rng.random() < 0.5)
    if both:
        amps = np.concatenate((amps, amps[-2::-1]))
    sag = float(rng.uniform(0.0, 2e-5)) * nominal / 5.0 if both else 0.0
    dwell = max(8.0, step * float(rng.uniform(15.0, 60.0)))
    length = dwell * len(amps)
    open_v = nominal * float(rng.uniform(0.99, 1.02))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(length, step)
        k = np.minimum((true / dwell).astype(int), len(amps) - 1)
        i = amps[k]
        v = open_v - ohm * i - sag * true
        n, m = noise.draw(draw, true), noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, m), "current_a": meter.amps(i, n)}

    truth = {"source_resistance_mohm": 1000.0 * ohm}
    for number, level in enumerate(amps, start=1):
        if sag == 0.0:
            truth[f"level_{number:02d}_voltage_v"] = open_v - ohm * level
            truth[f"level_{number:02d}_current_a"] = level
            truth[f"level_{number:02d}_error_percent"] = 100.0 * ((open_v - ohm * level) / nominal - 1.0)
    facts = {"spec": spec, "kind": "regulation", "mode": f"fixed {nominal:g} V", "measured_at": "port"}
    return World(truth, log, facts)


def few_levels(rng: np.random.Generator) -> World:
    """Three levels only."""
    return sweep(rng, (3, 4))


def cable(rng: np.random.Generator) -> World:
    """Two voltage inputs with errors of their own at the ends of a cable, over a sweep or at one current."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    noise = Noise(float(rng.uniform(1e-4, 1e-3)), float(rng.uniform(0.0, 3e-4)), float(rng.uniform(0.5, 10.0)))
    step = _step(rng, (0.5, 1.0, 2.0))
    ohm, volts, source = (
        float(rng.uniform(0.05, 0.2)),
        float(rng.choice([5.0, 9.0, 20.0])),
        float(rng.uniform(0.02, 0.1)),
    )
    is_sweep = bool(rng.random() < 0.6)
    amps = np.array([0.5, 1.0, 1.5, 2.0, 2.5, 3.0]) if is_sweep else np.array([3.0])
    dwell = 40.0 * step if is_sweep else 200.0 * step

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(dwell * len(amps), step)
        i = amps[np.minimum((true / dwell).astype(int), len(amps) - 1)]
        near = volts - source * i
        far = near - ohm * i
        return {
            "t_s": logged, "voltage_v": meter.volts(near, noise.draw(draw, true)),
            "voltage_far_v": meter.volts(far, noise.draw(draw, true), far=True),
            "current_a": meter.amps(i, noise.draw(draw, true)),
        }  # fmt: skip

    truth = {"resistance_mohm": 1000.0 * ohm, "drop_3a_v": 3.0 * ohm, "loss_w": 9.0 * ohm}
    return World(truth, log, {"spec": spec, "kind": "cable"})


def heat(rng: np.random.Generator) -> World:
    """First-order heating under a load, read by a thermometer with drift of its own."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    step = _step(rng, (1.0, 2.0, 10.0, 60.0))
    tau = float(rng.uniform(600.0, 2400.0))
    length = tau * float(rng.uniform(2.0, 5.0))
    on = step * float(rng.uniform(3.0, 6.0))
    start, rise = float(rng.uniform(18.0, 28.0)), float(rng.uniform(12.0, 40.0))
    white, slow, forget = float(rng.uniform(0.02, 0.15)), float(rng.uniform(0.0, 0.15)), float(rng.uniform(5.0, 60.0))
    has_room = bool(rng.random() < 0.5)
    stated = None if has_room else round(start)

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(on + length, step)
        x = np.clip(true - on, 0.0, None)
        kelvin = start + rise * -np.expm1(-x / tau)
        loud = white * draw.standard_normal(len(true)) + slow * red(draw, true, forget)
        i = np.where(true >= on, 2.0, 0.0)
        columns = {
            "t_s": logged, "voltage_v": meter.volts(np.full(len(true), 9.0), 0.0 * x),
            "current_a": meter.amps(i, 2e-4 * draw.standard_normal(len(true))),
            "temperature_c": meter.celsius(kelvin, loud),
        }  # fmt: skip
        if has_room:
            columns["temperature_ambient_c"] = meter.celsius(
                np.full(len(true), start), 0.05 * draw.standard_normal(len(true)), room=True
            )
        return columns

    hottest = start + rise * -np.expm1(-length / tau)
    last = np.linspace(length - 600.0, length, 6001)
    line = float(np.polyfit(last - last.mean(), start + rise * -np.expm1(-last / tau), 1)[0])
    truth = {
        "heat_fit_rise_k": rise, "heat_time_constant_s": tau, "temperature_projected_c": start + rise,
        "temperature_max_c": hottest, "temperature_start_c": start, "temperature_final_c": hottest,
        "end_slope_k_per_h": 3600.0 * line,
    }  # fmt: skip
    if has_room:
        truth["rise_k"] = hottest - start
    if start + rise > 50.0 and start < 47.0:
        truth["time_to_limit_s"] = -tau * float(np.log1p(-(48.0 - start) / rise))
    steady = tau * float(np.log(rise * np.expm1(1800.0 / tau) / 3.0))
    if length > 1800.0 and 2000.0 < steady < 0.95 * length:
        truth["steady_since_s"] = steady
    return World(truth, log, {"spec": spec, "kind": "heat", "ambient_c": stated})


def light(rng: np.random.Generator) -> World:
    """A load that falls in stairs until the port goes off."""
    spec, noise = SPECS[int(rng.choice([0, 1, 3]))], _noise(rng, 2e-3)
    step = _step(rng, (0.5, 1.0, 2.0, 5.0))
    volts = float(rng.choice([5.0, 9.0]))
    amps = np.sort(rng.choice(np.array([0.2, 0.16, 0.12, 0.09, 0.065, 0.045]), 5, replace=False))[::-1]
    dwell = max(75.0, 14.0 * step)
    last = int(rng.integers(2, 5))
    at = dwell * last + dwell * float(rng.uniform(0.4, 0.8))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(at + 12.0 * step, step)
        k = np.minimum((true / dwell).astype(int), 4)
        i, v = np.where(true < at, amps[k], 0.0), np.where(true < at, volts, 0.0)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, 0.1 * n), "current_a": meter.amps(i, n)}

    truth = {"stayed_on_a": amps[last - 1], "switched_off_a": amps[last], "switch_off_after_s": at - dwell * last}
    return World(truth, log, {"spec": spec, "kind": "light-load", "mode": f"fixed {volts:g} V"})


def dropouts(rng: np.random.Generator) -> World:
    """A port that goes down once for a while."""
    spec, noise = _spec(rng), _noise(rng, 1e-3)
    step = _step(rng, (0.2, 0.5, 1.0))
    volts, low = float(rng.choice([5.0, 9.0, 20.0])), float(rng.uniform(0.0, 0.5))
    at = step * float(rng.uniform(60.0, 120.0))
    long = step * float(rng.uniform(4.0, 25.0))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(at + long + 80.0 * step, step)
        down = (true >= at) & (true < at + long)
        v, i = np.where(down, low * volts, volts), np.where(down, 0.3 * low, 1.0)
        n = noise.draw(draw, true)
        return {"t_s": logged, "voltage_v": meter.volts(v, n), "current_a": meter.amps(i, n)}

    truth = {"longest_dropout_s": long, "lowest_voltage_v": low * volts}
    return World(truth, log, {"spec": spec, "kind": "pass-through", "mode": f"fixed {volts:g} V"})


def pauses(rng: np.random.Generator) -> World:
    """A recharge that rests twice."""
    spec, noise = _spec(rng), _noise(rng, 2e-3)
    step = _step(rng, (1.0, 2.0, 10.0))
    first, second = (max(45.0, 6.0 * step) * float(rng.uniform(1.0, 3.0)) for _ in range(2))
    hold = 100.0 * step
    marks = np.cumsum([5.0 * step, hold, first, hold, second, hold])

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(marks[-1] + 8.0 * step, step)
        k = np.searchsorted(marks, true, side="right")
        i = np.where(np.isin(k, (1, 3, 5)), 2.0, 0.0)
        n = noise.draw(draw, true)
        return {
            "t_s": logged,
            "voltage_v": meter.volts(np.full(len(true), 9.0), 0.1 * n),
            "current_a": meter.amps(i, n),
        }

    return World({"pause_s": first + second}, log, {"spec": spec, "kind": "recharge", "direction": "in"})


def adapter(rng: np.random.Generator) -> World:
    """An adapter swept over its load between a mains meter and a port's meter, on two clocks."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    volts, rated = float(rng.choice([5.0, 9.0, 20.0])), float(rng.choice([2.0, 3.0]))
    fixed, share, square = 0.15, float(rng.uniform(0.03, 0.08)), float(rng.uniform(0.0005, 0.002))
    shares = np.array([0.1, 0.25, 0.5, 0.75, 1.0])
    dwell = float(rng.uniform(150.0, 400.0))
    noise = Noise(float(rng.uniform(2e-4, 3e-3)), float(rng.uniform(0.0, 2e-3)), float(rng.uniform(1.0, 8.0)))
    output = volts * rated * shares
    mains = output + fixed + share * output + square * output**2

    def reduce(draw: np.random.Generator) -> Found:
        from store.methods.adapter import efficiency_results, side_of
        from store.model.results import MeterAccuracy

        ours, theirs = Meter(draw, spec), Meter(draw, spec)
        true, logged = ours.times(dwell * 5, 1.0)
        k = np.minimum((true / dwell).astype(int), 4)
        v = np.full(len(true), volts)
        dc = {
            "t_s": logged + true[0], "voltage_v": ours.volts(v, noise.draw(draw, true)),
            "current_a": ours.amps(rated * shares[k], noise.draw(draw, true)),
        }  # fmt: skip
        true, logged = theirs.times(dwell * 5, 1.0)
        k = np.minimum((true / dwell).astype(int), 4)
        ac = {"t_s": logged + true[0], "power_w": theirs.watts(mains[k], noise.draw(draw, true))}
        port, wall = MeterAccuracy("M1", spec.voltage, spec.current), MeterAccuracy("M2", power=spec.power)
        far, near = side_of(ac, 0.0, wall, is_ac=True), side_of(dc, 0.0, port, is_ac=False)
        assert far is not None
        assert near is not None
        return {result.name: result for result in efficiency_results(far, near, rated)}

    truth = {
        f"efficiency_{round(100 * s)}_percent": float(o / m) for s, o, m in zip(shares, output, mains, strict=True)
    }
    truth["efficiency_average"] = float(np.mean(output[1:] / mains[1:]))
    return World(truth, lambda _: {}, {}, reduce)


def no_load(rng: np.random.Generator) -> World:
    """Mains draw with nothing plugged in, in bursts."""
    spec = SPECS[0]
    period, floor, top = float(rng.uniform(2.0, 8.0)), float(rng.uniform(0.02, 0.06)), float(rng.uniform(0.15, 0.4))
    share, length = float(rng.uniform(0.2, 0.5)), float(rng.choice([300.0, 900.0, 1800.0]))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(length, 1.0)
        starts = (
            np.cumsum(period * (1.0 + 0.3 * draw.uniform(-1.0, 1.0, int(1.5 * length / period) + 20))) - 3.0 * period
        )
        k = np.searchsorted(starts, true, side="right") - 1
        p = np.where((k >= 0) & (true - starts[np.maximum(k, 0)] < share * period), top, floor)
        return {"t_s": logged, "power_w": meter.watts(p, 0.002 * draw.standard_normal(len(true)))}

    truth = {"no_load_w": floor + share * (top - floor), "power_mean_w": floor + share * (top - floor)}
    return World(truth, log, {"spec": spec, "kind": "standby", "port": "mains", "power_spec": spec.power})


def display(rng: np.random.Generator) -> World:
    """A device's display beside a meter: it has an error of its own that the readings scatter about."""
    spec = SPECS[int(rng.choice([0, 1, 3]))]
    count, off, spread = int(rng.integers(5, 40)), float(rng.uniform(-0.1, 0.1)), float(rng.uniform(0.02, 0.1))

    def log(draw: np.random.Generator) -> Columns:
        meter = Meter(draw, spec)
        true, logged = meter.times(60.0 * (count + 0.999), 60.0)
        v = np.full(len(true), 9.0)
        return {
            "t_s": logged, "voltage_v": meter.volts(v, 1e-4 * draw.standard_normal(len(true))),
            "current_a": meter.amps(np.full(len(true), 2.0), 1e-3 * draw.standard_normal(len(true))),
            "display_voltage_v": np.round(v + off + spread * draw.standard_normal(len(true)), 2),
        }  # fmt: skip

    return World(
        {"display_voltage_bias_v": off, "display_voltage_spread_v": spread}, log, {"spec": spec, "kind": "display"}
    )
