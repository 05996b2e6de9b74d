"""What a recharge took, how long to full, its taper and its pauses. Knows arrays only."""

from __future__ import annotations

import numpy as np

from store.methods.energy import ENERGY, Integral, integral_result, integrate, redo_charge, redo_energy
from store.methods.method import Bound, Found, Method, Reducer
from store.methods.sql_parts import BILINEAR, POWER, TAKEN, Place, found_spans, number, plateau
from store.model.results import Account, Event, Flag, Result
from store.model.spec import Better, ResultSpec, Shown
from store.signal.detectors import Pause, last_in_band, pauses
from store.signal.integrate import HOUR_S
from store.signal.prepared import Prepared
from store.signal.signals import Electrical
from store.signal.window import LoadWindow
from store.uncertainty.budget import logged_power_budget, power_budget, time_budget

__all__ = ["METHODS", "REDUCERS", "SPECS", "largest_mean", "reduce"]

PEAK = Method("peak mean", 1, "largest mean power over any 10 s without a gap, from the running energy")
FULL = Method("time to full", 1, "from the start of charging to the last time power exceeded 5 % of the plateau")
EIGHTY = Method("time to 80 %", 1, "from the start of charging until 80 % of the energy taken in had gone in")
TAPER = Method("taper start", 1, "last time within 5 % of the plateau, from the start of charging")
PAUSES = Method("pauses", 1, "spans under a tenth of the plateau for over 30 s that are followed by charging again")
METHODS = (PEAK, FULL, EIGHTY, TAPER, PAUSES)

NAMES = (
    ("energy_in_wh", "Wh"),
    ("charge_in_ah", "Ah"),
    ("power_peak_w", "W"),
    ("time_to_full_s", "s"),
    ("time_to_80_s", "s"),
    ("taper_start_s", "s"),
    ("pauses", "1"),
    ("pause_s", "s"),
)


def reduce(run: Prepared) -> Found:
    """Section 4 of the results."""
    power, window = run.signals.power, run.window
    if power is None or window is None:
        return Found(tuple(ENERGY.absent(name, unit, run.no_load) for name, unit in NAMES))
    full_at = _last_over(power, window, run.limits["full_share"])
    reached = full_at < len(power.t) - 1
    energy = integrate(run, "energy", window.a, full_at, "along")
    bound = _bounds(window, reached=reached)
    rests = pauses(
        power.t[window.a : full_at + 1],
        power.p3[window.a : full_at + 1],
        run.limits["pause_share"] * window.plateau_w,
        run.limits["pause_min_s"],
    )
    results = [
        integral_result("energy_in_wh", energy, warnings=bound.notes, flags=bound.flags),
        _charge(run, power, window, full_at, bound),
        _peak(run, power, window),
        _full(run, power, window, full_at, reached=reached),
        _eighty(run, power, window, energy, full_at, reached=reached),
        *_taper(run, power, window),
        *_pause_results(run, window, rests),
    ]
    return Found(tuple(results), _events(run, power, window, rests, full_at, reached=reached))


def _bounds(window: LoadWindow, *, reached: bool) -> Bound:
    notes, flags = [], set()
    if not reached:
        notes.append("a lower bound: the log ends while charging")
        flags |= {Flag.AT_LEAST, Flag.LOG_STOPPED}
    if window.starts_late:
        notes.append("the log starts while charging: what came before it is not counted")
        flags.add(Flag.STARTS_LATE)
    return Bound(tuple(notes), frozenset(flags))


def _last_over(power: Electrical, window: LoadWindow, share: float) -> int:
    """Last sample over a share of the plateau, with a neighbour; at least the load window's start."""
    over = power.p3 > share * window.plateau_w
    pair = over[:-1] & over[1:]
    if not pair.any():
        return window.b
    return max(window.a, len(over) - 1 - int(np.argmax(pair[::-1])))


def _charge(
    run: Prepared,
    power: Electrical,
    window: LoadWindow,
    full_at: int,
    bound: Bound,
) -> Result:
    if power.i is None:
        return ENERGY.absent("charge_in_ah", "Ah", "the log has no current")
    charge = integrate(run, "charge", window.a, full_at, "along")
    return integral_result("charge_in_ah", charge, warnings=bound.notes, flags=bound.flags)


def largest_mean(power: Electrical, span_s: float, a: int, b: int) -> tuple[float, float] | None:
    """Largest mean power [W] over any `span_s` between kept samples a and b, and when it began [s].

    The running energy is interpolated; spans that touch a gap don't count. None where the log is too short.
    """
    t = power.t[a : b + 1]
    if len(t) < 2 or t[-1] - t[0] < span_s:
        return None
    energy = power.total["energy"][a : b + 1]
    lost = np.concatenate(([0.0], np.cumsum(np.where(power.is_gap[a:b], np.diff(t), 0.0))))
    ends = t + span_s
    count = int(np.searchsorted(ends, t[-1], side="right"))
    mean = (np.interp(ends[:count], t, energy) - energy[:count]) * HOUR_S / span_s
    whole = np.interp(ends[:count], t, lost) - lost[:count] <= 0.0
    if not whole.any():
        return None
    mean[~whole] = -np.inf
    at = int(np.argmax(mean))
    return float(mean[at]), float(t[at])


def _peak(run: Prepared, power: Electrical, window: LoadWindow) -> Result:
    span_s = run.limits["peak_mean_s"]
    found = largest_mean(power, span_s, window.a, window.b)
    if found is None:
        return PEAK.absent("power_peak_w", "W", f"no {span_s:.0f} s without a gap in the load window")
    value, at_s = found
    budget = logged_power_budget(run.meter, value) if power.v is None else ()
    if power.v is not None:
        volts = float(np.interp(at_s, power.t, power.v))
        budget = power_budget(run.meter, power=value, volts=volts, amps=value / volts if volts > 0.0 else 0.0)
    return PEAK.found(
        "power_peak_w",
        value,
        "W",
        budget=budget,
        reason=run.no_energy_accuracy,
        span=(at_s, at_s + span_s),
        account=Account(power=power.source),
    )


def _full(run: Prepared, power: Electrical, window: LoadWindow, full_at: int, *, reached: bool) -> Result:
    if not reached:
        reason = f"not reached, the log ends at {float(power.p3[-1]):.3g} W"
        return FULL.absent("time_to_full_s", "s", reason, flags=(Flag.NOT_REACHED,))
    warnings = ("the log starts while charging: the true time is longer",) if window.starts_late else ()
    return FULL.found(
        "time_to_full_s",
        float(power.t[full_at]) - window.from_s,
        "s",
        budget=time_budget(run.signals.step_s, 2),
        span=(window.from_s, float(power.t[full_at])),
        warnings=warnings,
        account=Account(
            power=power.source,
            numbers={"plateau_w": window.plateau_w, "threshold_w": run.limits["full_share"] * window.plateau_w},
        ),
        flags=(Flag.STARTS_LATE,) if window.starts_late else (),
    )


def _eighty(
    run: Prepared, power: Electrical, window: LoadWindow, energy: Integral, full_at: int, *, reached: bool
) -> Result:
    if not reached:
        reason = "full was not reached, so it is not known what 80 % would be"
        return EIGHTY.absent("time_to_80_s", "s", reason, flags=(Flag.NOT_REACHED,))
    name = "energy_along" if power.is_both_ways else "energy"
    total = power.total[name][window.a : full_at + 1]
    goal = float(total[0]) + run.limits["full_energy_share"] * energy.value
    k = int(np.argmax(total >= goal))
    if k == 0:
        return EIGHTY.absent("time_to_80_s", "s", "no energy went in")
    t = power.t[window.a : full_at + 1]
    rise = float(total[k] - total[k - 1])
    at = float(t[k - 1]) + (goal - float(total[k - 1])) / rise * float(t[k] - t[k - 1])
    return EIGHTY.found(
        "time_to_80_s",
        at - window.from_s,
        "s",
        budget=time_budget(run.signals.step_s, 1),
        span=(window.from_s, at),
        account=energy.account.plus(
            energy_in_wh=energy.value, share=run.limits["full_energy_share"], full_at_s=float(power.t[full_at])
        ),
    )


def _taper(run: Prepared, power: Electrical, window: LoadWindow) -> list[Result]:
    last = last_in_band(power.p3[window.a : window.b + 1], window.plateau_w, run.limits["taper_band"])
    if last is None or window.a + last >= len(power.t) - 1:
        reason = "not reached, the log ends at the plateau" if last is not None else "power never held the plateau"
        return [TAPER.absent("taper_start_s", "s", reason, flags=(Flag.NOT_REACHED,) if last is not None else ())]
    at = float(power.t[window.a + last])
    return [
        TAPER.found(
            "taper_start_s",
            at - window.from_s,
            "s",
            budget=time_budget(run.signals.step_s, 2),
            span=(window.from_s, at),
            account=Account(
                power=power.source, numbers={"plateau_w": window.plateau_w, "band": run.limits["taper_band"]}
            ),
        )
    ]


def _pause_results(run: Prepared, window: LoadWindow, rests: list[Pause]) -> list[Result]:
    total = sum(p.length_s for p in rests)
    spans: tuple[tuple[float, ...], ...] = ()
    if run.signals.power is not None:
        starts = [float(run.signals.power.t[window.a + rest.a]) for rest in rests]
        spans = tuple((at, at + rest.length_s) for at, rest in zip(starts, rests, strict=True))
    numbers = {"threshold_w": run.limits["pause_share"] * window.plateau_w, "pauses": float(len(rests))}
    account = Account(power=run.power_source, numbers=numbers, spans=spans)
    budget = time_budget(run.signals.step_s, 2 * len(rests)) if rests else ()
    return [
        PAUSES.found("pauses", len(rests), "1", uncertainty=0.0, span=window.span, account=account),
        PAUSES.found(
            "pause_s", total, "s", budget=budget, uncertainty=None if rests else 0.0, span=window.span, account=account
        ),
    ]


def _thermal(run: Prepared, at_s: float) -> tuple[bool, str]:
    """Whether a pause that begins here is for heat: within 3 K of the run's maximum."""
    for channel in ("temperature_cell_c", "temperature_c", "temperature_2_c", "temperature_plug_c"):
        series = run.signals.series.get(channel)
        if series is None:
            continue
        now = float(np.interp(at_s, series.t, series.y))
        top, start = float(series.y.max()), float(series.y[0])
        near = top - now <= run.limits["thermal_band_k"] and top - start > run.limits["thermal_band_k"]
        return near, f"at {now:.1f} °C, the run's maximum is {top:.1f} °C"
    return False, ""


def _events(
    run: Prepared, power: Electrical, window: LoadWindow, rests: list[Pause], full_at: int, *, reached: bool
) -> tuple[Event, ...]:
    out = []
    if not window.starts_late:
        out.append(
            Event("load applied", window.from_s, window.from_s, float(power.p3[window.a]), "W", "charging began")
        )
    for rest in rests:
        from_s = float(power.t[window.a + rest.a])
        is_thermal, detail = _thermal(run, from_s)
        out.append(
            Event(
                "thermal pause" if is_thermal else "pause", from_s, from_s + rest.length_s, rest.length_s, "s", detail
            )
        )
    last = last_in_band(power.p3[window.a : window.b + 1], window.plateau_w, run.limits["taper_band"])
    if last is not None and window.a + last < len(power.t) - 1:
        at = float(power.t[window.a + last])
        out.append(
            Event("taper", at, float(power.t[full_at]), window.plateau_w, "W", "power left the plateau for good")
        )
    if reached:
        at = float(power.t[full_at])
        out.append(Event("full", at, at, float(power.p3[full_at]), "W"))
    return tuple(out)


def _redo_peak(place: Place) -> str:
    """Energy over the stated span, the last step in part, over its length."""
    low, high = place.result.from_s or 0.0, place.result.to_s or 0.0
    whole = BILINEAR if place.is_product else POWER
    return (
        f"{TAKEN}{place.steps()}\n"
        f"SELECT sum({whole} * least(1, ({number(high)} - from_s) / step)) / {number(high - low)} "
        f"AS {place.result.name}\n"
        f"FROM steps, usual WHERE step <= longest AND from_s >= {number(low)} AND from_s < {number(high)}"
    )


def _edges(place: Place) -> str:
    """When the load window begins and ends: parts of a WITH."""
    return (
        f"{plateau(place)}, loaded AS (\n  SELECT t_s, p3, lag(p3) OVER w AS q3, lead(t_s) OVER w AS next_s,\n"
        f"         p3 >= {place.constant('window_share')} * plateau_w AS is_on, lead(is_on) OVER w AS next_on\n"
        "  FROM quiet, plateau WINDOW w AS (ORDER BY n)\n), edges AS (\n"
        "  SELECT min(t_s) AS from_s, max(next_s) AS to_s FROM loaded WHERE is_on AND next_on\n)"
    )


def _redo_full(place: Place) -> str:
    """Last pair of neighbours above a share of the plateau, from the start of charging."""
    limit = f"{place.constant('full_share')} * plateau_w"
    return (
        f"{_edges(place)}\nSELECT max(t_s) - any_value(from_s) AS {place.result.name} FROM loaded, plateau, edges\n"
        f"WHERE p3 > {limit} AND q3 > {limit}"
    )


def _redo_taper(place: Place) -> str:
    """Last pair of neighbours within a band of the plateau, inside the load window."""
    band = f"{place.constant('taper_band')} * plateau_w"
    return (
        f"{_edges(place)}\nSELECT max(t_s) - any_value(from_s) AS {place.result.name} FROM loaded, plateau, edges\n"
        f"WHERE t_s > from_s AND t_s <= to_s AND abs(p3 - plateau_w) <= {band} AND abs(q3 - plateau_w) <= {band}"
    )


def _redo_eighty(place: Place) -> str | None:
    """When a share of the energy had gone in, between samples in proportion."""
    start, full = place.result.from_s, place.account.numbers.get("full_at_s")
    if start is None or full is None or place.account.counted is not None:
        return None
    whole = BILINEAR if place.is_product else POWER
    goal = f"{place.constant('full_energy_share')} * sum(e) OVER ()"
    return (
        f"{place.steps()}, gained AS (\n  SELECT from_s, step, CASE WHEN step <= longest THEN {whole} ELSE 0 END AS e\n"
        f"  FROM steps, usual WHERE from_s >= {number(start)} AND to_s <= {number(full)}\n), summed AS (\n"
        f"  SELECT *, sum(e) OVER (ORDER BY from_s) AS upto, {goal} AS goal FROM gained\n)\n"
        f"SELECT from_s + (goal - (upto - e)) / e * step - {number(start)} AS {place.result.name}\n"
        "FROM summed WHERE upto >= goal ORDER BY from_s LIMIT 1"
    )


def _redo_pauses(place: Place) -> str:
    """The rests that were found, each held against the threshold on the samples."""
    what = "count(*)" if place.result.name == "pauses" else "coalesce(sum(to_s - from_s), 0)"
    return (
        f"{TAKEN}{place.track()}, {found_spans(place.account.spans, ('from_s', 'to_s'))}\n"
        f"SELECT {what} AS {place.result.name} FROM found\n"
        "WHERE (SELECT median(p) FROM samples WHERE t_s >= from_s AND t_s < to_s) "
        f"< {number(place.given('threshold_w'))}"
    )


ENERGY_IN_WH = ResultSpec(
    "energy_in_wh",
    "energy taken in",
    "Wh",
    kinds=("recharge",),
    on_page={"recharge": 10},
    glance=50,
    runs_column=True,
    rests_on=("counter_disagreement", "full_share"),
    redo=redo_energy,
)
TIME_TO_FULL_S = ResultSpec(
    "time_to_full_s",
    "time to full",
    "s",
    shown=Shown.DURATION,
    kinds=("recharge",),
    better=Better.SMALLER,
    on_page={"recharge": 20},
    compared_for={"power bank": 60},
    glance=120,
    runs_column=True,
    rests_on=("full_share",),
    redo=_redo_full,
)
TIME_TO_80_S = ResultSpec(
    "time_to_80_s",
    "time to 80 %",
    "s",
    shown=Shown.DURATION,
    kinds=("recharge",),
    on_page={"recharge": 30},
    rests_on=("full_share", "full_energy_share"),
    redo=_redo_eighty,
)
POWER_PEAK_W = ResultSpec(
    "power_peak_w",
    "peak charging power",
    "W",
    short="peak power",
    kinds=("recharge",),
    rests_on=("peak_mean_s",),
    redo=_redo_peak,
)
SPECS = (
    ENERGY_IN_WH,
    ResultSpec(
        "charge_in_ah",
        "charge taken in",
        "Ah",
        kinds=("recharge",),
        runs_column=True,
        rests_on=("counter_disagreement", "full_share"),
        redo=redo_charge,
    ),
    POWER_PEAK_W,
    TIME_TO_FULL_S,
    TIME_TO_80_S,
    ResultSpec(
        "taper_start_s",
        "start of taper",
        "s",
        shown=Shown.DURATION,
        rests_on=("taper_band",),
        redo=_redo_taper,
    ),
    ResultSpec(
        "pauses",
        "pauses while charging",
        "1",
        short="pauses",
        shown=Shown.COUNT,
        kinds=("recharge",),
        on_page={"recharge": 50},
        rests_on=("full_share", "pause_share", "pause_min_s"),
        redo=_redo_pauses,
    ),
    ResultSpec(
        "pause_s",
        "time paused",
        "s",
        shown=Shown.DURATION,
        rests_on=("full_share", "pause_share", "pause_min_s"),
        redo=_redo_pauses,
    ),
)
REDUCERS = (Reducer("recharge", ("recharge",), reduce, METHODS),)
