"""Whether and since when a temperature was steady. Knows arrays only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from store.methods.method import Method
from store.methods.sql_parts import Place, moment_parts, number, smooth
from store.model.results import Account, Array, Contribution, FoundMoment, How, Result
from store.model.spec import ResultSpec, Shown
from store.signal.crossings import local_crossing
from store.signal.heated import Heated
from store.signal.heatfit import binned
from store.signal.prepared import Prepared
from store.signal.statistics import median_of_three
from store.uncertainty.sampling import clock_of, moment_part, scatter_part

__all__ = ["SPECS", "STEADY", "steady_results", "steady_since"]

NEAR = (0.5, 2.0)
"""Changes between these shares of the limit belong to the curve through its crossing."""

STEADY = Method(
    "steady",
    3,
    "first moment, from load applied, from which the change over the window that looks back stays within the rule to "
    "the load's end",
    "IEC 62368-1 B.1.6",
)


def steady_since(t: Array, temperature_c: Array, rise_k: float, window_s: float) -> float | None:
    """First moment [s] from which the rise over the last `window_s` stays at `rise_k` or less, to the end.

    Args:
        t: n times [s], increasing.
        temperature_c: n temperatures, without single wild readings.
        rise_k: largest change allowed [K], either way.
        window_s: how far the rule looks back [s].

    Returns:
        The moment, interpolated between samples, or None where it is not met at the end or the log is
        shorter than the window. Source: IEC 62368-1 B.1.6 for 3 K in 30 min.
    """
    ends = t[t - t[0] >= window_s]
    if not len(ends):
        return None
    back = np.interp(ends - window_s, t, temperature_c)
    change = np.abs(np.interp(ends, t, temperature_c) - back)
    over = np.flatnonzero(change > rise_k)
    if not len(over):
        return float(ends[0])
    k = int(over[-1])
    if k == len(ends) - 1:
        return None
    share = (change[k] - rise_k) / (change[k] - change[k + 1])
    return float(ends[k] + share * (ends[k + 1] - ends[k]))


def steady_results(run: Prepared, heated: Heated) -> list[Result]:
    """Steady and steady_since_s, by the rule in force."""
    rise_k, window_s = run.limits["steady_k"], run.limits["steady_window_s"]
    rule = f"{rise_k:g} K in {window_s / 60.0:g} min"
    t, y = binned(heated.loaded.t, median_of_three(heated.loaded.y), 4000)
    length = float(t[-1] - t[0])
    if length < window_s:
        reason = f"the load lasted {length / 60.0:.0f} min, the rule ({rule}) looks back {window_s / 60.0:g} min"
        return [STEADY.absent("steady", "", reason), STEADY.absent("steady_since_s", "s", reason)]
    since = steady_since(t, y, rise_k, window_s)
    span = (float(t[0]), float(t[-1]))
    change = round(float(y[-1] - np.interp(t[-1] - window_s, t, y)), 6) + 0.0
    account = heated.account.plus(
        {"rule": rule},
        end_change_k=change,
        largest_change_k=rise_k,
        looks_back_s=window_s,
        samples_per_point=-(-len(heated.loaded) // 4000),
        load_begins_s=heated.begins_s,
        load_ends_s=float(heated.loaded.t[-1]),
    )
    if since is None:
        reason = f"not steady by {rule}: {round(change, 1) + 0.0:+.1f} K in the last {window_s / 60.0:g} min"
        return [
            STEADY.words("steady", f"no ({rule}: {round(change, 1) + 0.0:+.1f} K)", span=span, account=account),
            STEADY.absent("steady_since_s", "s", reason),
        ]
    return [
        STEADY.words("steady", f"yes ({rule}: {round(change, 1) + 0.0:+.1f} K)", span=span, account=account),
        _steady_moment(run, heated, t, y, since=since, account=account),
    ]


def _steady_moment(run: Prepared, heated: Heated, t: Array, y: Array, *, since: float, account: Account) -> Result:
    """The moment: where a curve through the change over the window crosses the rule's limit."""
    window_s, rise_k = run.limits["steady_window_s"], run.limits["steady_k"]
    start = heated.begins_s
    accuracy = run.meter.temperature
    budget: tuple[Contribution, ...] = ()
    if since <= float(t[0]) + window_s + 1.5 * run.signals.step_s:
        warnings = ("steady as soon as the rule could look back: it may have been so earlier",)
        budget = (moment_part("steady", run.signals.step_s), clock_of(run.meter, since - start))
        return STEADY.found(
            "steady_since_s", since - start, "s", budget=budget, span=(start, since), warnings=warnings, account=account
        )
    ends = t[t - t[0] >= window_s]
    change = np.abs(np.interp(ends, t, y) - np.interp(ends - window_s, t, y))
    width = max(1, min(15, len(change) // 10)) | 1
    quiet = np.convolve(np.pad(change, width // 2, mode="edge"), np.full(width, 1.0 / width), "valid")
    near = min(int(np.searchsorted(ends, since)), len(ends) - 1)
    may = (quiet >= NEAR[0] * rise_k) & (quiet <= NEAR[1] * rise_k)
    may[near] = True
    crossing = local_crossing(ends, change, rise_k, near, reach=may)
    if crossing is None or crossing.slope >= 0.0 or accuracy is None:
        reason = run.meter.unknown("temperature") or "the change is flat there: the moment is not determined"
        return STEADY.found("steady_since_s", since - start, "s", reason=reason, span=(start, since), account=account)
    over = f"over {-crossing.slope * 3600.0:.3g} K/h"
    told = f"{crossing.curve.samples} changes about a curve, {over}"
    budget = (
        scatter_part(crossing.u_s, told, crossing.dof),
        Contribution(
            "gain of T", -rise_k * accuracy.gain_u / crossing.slope, "B", "rectangular", f"{accuracy.text}, {over}"
        ),
        Contribution("edge: load on", heated.begin_u, "B", "rectangular", "anywhere in a step"),
        clock_of(run.meter, crossing.at_s - start),
    )
    moment = FoundMoment(crossing.at_s, How.CURVE, "c", crossing.curve.from_s, crossing.curve.to_s, rise_k)
    return STEADY.found(
        "steady_since_s", crossing.at_s - start, "s", budget=budget, span=(start, crossing.at_s),
        account=replace(account, moments={"ends": moment}),
    )  # fmt: skip


def points_of(place: Place, when: str, origin: str) -> str | None:
    """Medians of three, in blocks of equal count, as x and y: parts of a WITH."""
    channel = place.account.probe
    if not channel:
        return None
    size = int(place.given("samples_per_point"))
    return (
        f"{smooth(place, channel, when)}, points AS (\n  SELECT avg(t_s) - {origin} AS x, avg(t3) AS y FROM (\n"
        f"    SELECT t_s, t3, (row_number() OVER (ORDER BY n) - 1) // {size} AS block FROM quiet\n  ) GROUP BY block\n)"
    )


def _redo_steady(place: Place) -> str | None:
    """Last moment at which the change over the window was too large, from load applied."""
    low, high = number(place.given("load_begins_s")), number(place.given("load_ends_s"))
    span = f"t_s BETWEEN {low} AND {high}"
    begin = points_of(place, span, "0e0")
    back, most = number(place.given("looks_back_s")), number(place.given("largest_change_k"))
    if begin is None:
        return None
    change = (
        f"{begin}, first AS (SELECT min(x) AS x0 FROM points), line AS (\n"
        "  SELECT x, y, lead(x) OVER w AS x2, lead(y) OVER w AS y2 FROM points WINDOW w AS (ORDER BY x)\n), ends AS (\n"
        f"  SELECT x, y, x - {back} AS was FROM points, first WHERE x - x0 >= {back}\n), change AS (\n"
        "  SELECT e.x AS t_s, abs(e.y - coalesce(l.y + (l.y2 - l.y) * (e.was - l.x) / (l.x2 - l.x), l.y)) AS c\n"
        "  FROM ends e ASOF JOIN line l ON e.was >= l.x\n)"
    )
    if "ends" in place.account.moments:
        parts, moment = moment_parts(place, "ends", "change")
        return f"{change}{parts}\nSELECT {moment} - {low} AS {place.result.name}"
    return (
        f"{change}, marked AS (\n"
        "  SELECT t_s AS x, c, lead(t_s) OVER w AS x2, lead(c) OVER w AS c2 FROM change WINDOW w AS (ORDER BY t_s)\n)\n"
        f"SELECT coalesce((SELECT x + (c - {most}) / (c - c2) * (x2 - x) FROM marked WHERE c > {most}\n"
        f"  ORDER BY x DESC LIMIT 1), (SELECT min(t_s) FROM change)) - {low} AS {place.result.name} FROM first"
    )


_RESTS = ("pause_min_s", "steady_k", "steady_window_s")

SPECS = (
    ResultSpec("steady", "steady", "", shown=Shown.TEXT, rests_on=_RESTS, source="IEC 62368-1 B.1.6"),
    ResultSpec("steady_since_s", "time to steady", "s", shown=Shown.DURATION, rests_on=_RESTS, redo=_redo_steady),
)
