"""Traces whose results are known in closed form, put through the whole reduction."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from store.methods import reduce_run
from store.model.results import Array, ArrayTrace, Result, RunContext
from store.signal.integrate import bilinear_steps, trapezoid_steps
from store.validation.cases import Case, number_case

__all__ = ["cc_cv_columns", "closed_form_cases", "constant_power_columns", "results_of"]

SOURCE = "closed form"
AMBIENT_C, RISE_K, TAU_S = 25.0, 30.0, 1200.0


def results_of(columns: Mapping[str, Array], kind: str, **facts: object) -> dict[str, Result]:
    """Every result of a trace, by name."""
    context = RunContext(kind=kind, direction="in" if kind == "recharge" else "out", **facts)  # type: ignore[arg-type]
    return {result.name: result for result in reduce_run(ArrayTrace(columns), context).results}


def cc_cv_columns(step_s: float = 1.0) -> dict[str, Array]:
    """1.5 A for 2 h while V goes 3.6 to 4.2; then 4.2 V, I = 1.5 exp(-t / 1800 s) down to 0.075 A."""
    taper_s = 1800.0 * math.log(20.0)
    first = np.arange(0.0, 7200.0, step_s)
    second = np.append(np.arange(0.0, taper_s, step_s), taper_s)
    return {
        "t_s": np.concatenate((first, 7200.0 + second)),
        "voltage_v": np.concatenate((3.6 + 0.6 * first / 7200.0, np.full(len(second), 4.2))),
        "current_a": np.concatenate((np.full(len(first), 1.5), 1.5 * np.exp(-second / 1800.0))),
    }


def taper_columns(step_s: float) -> dict[str, Array]:
    """The second part alone, sampled every `step_s` and at its end."""
    taper_s = 1800.0 * math.log(20.0)
    t = np.append(np.arange(0.0, taper_s, step_s), taper_s)
    return {"t_s": t, "voltage_v": np.full(len(t), 4.2), "current_a": 1.5 * np.exp(-t / 1800.0)}


def constant_power_columns(steps: int) -> dict[str, Array]:
    """7.4 W while V falls linearly from 4.2 to 3.0 over 5 h."""
    t = np.linspace(0.0, 18000.0, steps + 1)
    volts = 4.2 - 0.24 * t / 3600.0
    return {"t_s": t, "voltage_v": volts, "current_a": 7.4 / volts}


def closed_form_cases() -> list[Case]:
    """Constant load, CC/CV recharge, constant power, product of ramps, uneven steps, sine, heating."""
    return [*_constant(), *_cc_cv(), *_constant_power(), *_steps(), *_heating()]


def _constant() -> list[Case]:
    t = np.arange(0.0, 10801.0)
    found = results_of({"t_s": t, "voltage_v": np.full(len(t), 5.0), "current_a": np.full(len(t), 2.0)}, "discharge")
    return [
        number_case("5 V, 2 A, 3 h: energy", SOURCE, 30.0, found["energy_wh"].value, "Wh", share=1e-12),
        number_case("5 V, 2 A, 3 h: charge", SOURCE, 6.0, found["charge_ah"].value, "Ah", share=1e-12),
        number_case("5 V, 2 A, 3 h: runtime", SOURCE, 10800.0, found["runtime_s"].value, "s"),
    ]


def _cc_cv() -> list[Case]:
    found = results_of(cc_cv_columns(), "recharge")
    cases = [
        number_case("CC/CV recharge: energy", SOURCE, 14.6925, found["energy_in_wh"].value, "Wh", share=1e-6),
        number_case("CC/CV recharge: charge", SOURCE, 3.7125, found["charge_in_ah"].value, "Ah", share=1e-6),
        # power passes 5 % of the plateau nowhere before the end: 0.075 A is a twentieth of 1.5 A
        number_case("CC/CV recharge: length", SOURCE, 12592.318092, found["duration_s"].value, "s", by=1e-6),
    ]
    worked = ((1.0, 0.712500018), (10.0, 0.712501832), (60.0, 0.712565946), (300.0, 0.714147769))
    for step_s, charge in worked:
        got = results_of(taper_columns(step_s), "recharge")["charge_ah"].value
        name = f"its taper by the trapezoid rule every {step_s:g} s"
        cases.append(number_case(name, "trapezoid rule on a closed form, computed", charge, got, "Ah", by=1e-9))
    return cases


def _constant_power() -> list[Case]:
    source = "trapezoid rule on (P/k) ln(V0/V1), computed"
    worked = ((10, 10.376573748), (100, 10.374580765), (1000, 10.374560831))
    cases = [
        number_case(
            f"7.4 W on a falling voltage, {steps} steps: charge",
            source,
            charge,
            results_of(constant_power_columns(steps), "discharge")["charge_ah"].value,
            "Ah",
            by=1e-9,
        )
        for steps, charge in worked
    ]
    energy = results_of(constant_power_columns(1000), "discharge")["energy_wh"].value
    return [*cases, number_case("7.4 W on a falling voltage: energy", SOURCE, 37.0, energy, "Wh", share=1e-6)]


def _steps() -> list[Case]:
    v, i, hour = np.array([4.2, 3.0]), np.array([2.0, 1.0]), np.ones(1)
    t, p = np.array([0.0, 10.0, 20.0, 100.0]), np.array([10.0, 10.0, 20.0, 20.0])
    uneven = results_of({"t_s": t, "power_w": p}, "discharge", thresholds={"gap_steps": 10.0})
    x = np.linspace(0.0, math.pi, 11)
    return [
        number_case(
            "V 4.2 to 3.0 and I 2 to 1 in one hour's step: energy", SOURCE, 5.5, bilinear_steps(hour, v, i)[0], "Wh"
        ),
        number_case(
            "the same by the trapezoid of V x I, which is too much", SOURCE, 5.7, trapezoid_steps(hour, v * i)[0], "Wh"
        ),
        number_case("uneven steps: mean power", SOURCE, 18.5, uneven["power_mean_w"].value, "W", share=1e-12),
        number_case(
            "sine over half a turn in 10 steps",
            "trapezoid rule, textbook; error within h^2 (b - a) / 12",
            1.983523538,
            trapezoid_steps(np.diff(x), np.sin(x)).sum(),
            by=1e-9,
        ),
    ]


def _heating() -> list[Case]:
    t = np.arange(0.0, 7201.0)
    case_c = AMBIENT_C - RISE_K * np.expm1(-t / TAU_S)
    columns = {"t_s": t, "voltage_v": np.full(len(t), 20.0), "current_a": np.ones(len(t)), "temperature_c": case_c}
    found = results_of(columns, "heat", ambient_c=AMBIENT_C)
    name = "heating by 30 K with 1200 s"
    return [
        number_case(f"{name}: where it ends", SOURCE, 55.0, found["temperature_projected_c"].value, "°C", by=1e-6),
        number_case(f"{name}: time constant", SOURCE, TAU_S, found["heat_time_constant_s"].value, "s", by=1e-3),
        number_case(
            f"{name}: steady by 3 K in 30 min from",
            "IEC 62368-1 B.1.6 as quoted (secondary), moment in closed form",
            4260.123,
            found["steady_since_s"].value,
            "s",
            by=0.6,
        ),
    ]
