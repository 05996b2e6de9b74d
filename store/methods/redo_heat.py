"""SQL that gets results of heat again: temperatures, rise, slopes, the steady rule and the first-order fit.

A fit is no single statement: given its time constant to seven digits the other parameters follow by a line of y over
1 - exp(-t / tau), and the time constant to all digits by one Gauss-Newton step.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from store.methods.redo_base import MEDIAN_3, Place, number

__all__ = ["FORMS"]


def _temperature(place: Place) -> str:
    stem, kind = place.result.name.removesuffix("_c").rsplit("_", 1)
    channel = f"{stem}_c"
    take = {"start": "arg_min(t, n)", "final": "arg_max(t, n)", "max": "max(t3)"}[kind]
    return f"{_smooth(place, channel)}\nSELECT {take} AS {place.result.name} FROM quiet"


def _smooth(place: Place, channel: str, when: str = "true") -> str:
    """A channel's values with their medians of three."""
    return (
        f"WITH samples AS (\n  SELECT t_s, file_row_number AS n, {place.channel(channel)} AS t\n  FROM {place.source}\n"
        f"    AND {channel} IS NOT NULL AND {when}\n), quiet AS (\n  SELECT *, {MEDIAN_3.format(y='t')} AS t3\n"
        f"  FROM samples WINDOW w AS (ORDER BY n)\n)"
    )


def _slope(place: Place) -> str | None:
    channel = str(place.result.inputs.get("probe", ""))
    if not channel.startswith("temperature_"):
        return None
    return (
        f"SELECT regr_slope({place.channel(channel)}, t_s) * 3600 AS {place.result.name}\nFROM {place.source} "
        f"AND {channel} IS NOT NULL AND {place.within()}"
    )


def _rise(place: Place) -> str | None:
    """The hottest median of three less the ambient that the account names."""
    channel = str(place.result.inputs.get("probe", ""))
    ambient = place.result.inputs.get("ambient_c")
    if not channel.startswith("temperature_") or not isinstance(ambient, (int, float)):
        return None
    return (
        f"{_smooth(place, channel)}\nSELECT max(t3) - {number(ambient)} AS {place.result.name} FROM quiet"
        f"  -- ambient: {place.result.inputs.get('over', '')}"
    )


def _points(place: Place, when: str, origin: str) -> str | None:
    """Medians of three, in blocks of equal count, as x and y: parts of a WITH."""
    channel = place.text("probe")
    if not channel.startswith("temperature_"):
        return None
    size = int(place.given("samples per point"))
    return (
        f"{_smooth(place, channel, when)}, points AS (\n  SELECT avg(t_s) - {origin} AS x, avg(t3) AS y FROM (\n"
        f"    SELECT t_s, t3, (row_number() OVER (ORDER BY n) - 1) // {size} AS block FROM quiet\n  ) GROUP BY block\n)"
    )


def _line(place: Place, until_s: float | None) -> str | None:
    """The fit's line of y over g = 1 - exp(-x / tau), tau to seven digits, and one step from it: parts of a WITH."""
    start = place.result.from_s
    if start is None or until_s is None:
        return None
    begin = _points(place, f"t_s BETWEEN {number(start)} AND {number(until_s)}", number(start))
    if begin is None:
        return None
    tau = number(float(f"{place.given('time_constant_s'):.7g}"))
    return (
        f"{begin}, grown AS (SELECT x, y, 1 - exp(-x / {tau}) AS g FROM points), line AS (\n"
        "  SELECT regr_slope(y, g) AS b, regr_intercept(y, g) AS a FROM grown\n), rest AS (\n"
        f"  SELECT g, y - a - b * g AS e, -b * x / {tau} ** 2 * exp(-x / {tau}) AS d FROM grown, line\n), turn AS (\n"
        "  SELECT regr_slope(d, g) AS s, regr_intercept(d, g) AS r FROM rest\n), step AS (\n"
        "  SELECT sum(e * (d - r - s * g)) / sum((d - r - s * g) ** 2) AS by_s FROM rest, turn\n), fit AS (\n"
        f"  SELECT {tau} + by_s AS tau, b - s * by_s AS rise, a - r * by_s AS start FROM line, step, turn\n)"
    )


def _fit(place: Place) -> str | None:
    line = _line(place, place.result.to_s)
    what = {"heat_fit_rise_k": "rise", "heat_time_constant_s": "tau", "temperature_projected_c": "start + rise"}
    return line and f"{line}\nSELECT {what[place.result.name]} AS {place.result.name} FROM fit"


def _reach(place: Place) -> str | None:
    """First median of three at the limit; where the log ends below it, when the fit gets there."""
    limit, channel, start = number(place.given("limit_c")), place.text("probe"), place.result.from_s
    if start is None or not channel.startswith("temperature_"):
        return None
    if "fitted to (s)" in place.result.inputs:
        line = _line(place, place.given("fitted to (s)"))
        return line and (f"{line}\nSELECT -tau * ln(1 - ({limit} - start) / rise) AS {place.result.name} FROM fit")
    return (
        f"{_smooth(place, channel, f't_s >= {number(start)}')}\n"
        f"SELECT min(t_s) - {number(start)} AS {place.result.name} FROM quiet WHERE t3 >= {limit}"
    )


def _steady(place: Place) -> str | None:
    """Last moment at which the change over the window was too large, from load applied."""
    low, high = number(place.given("load begins at (s)")), number(place.given("load ends at (s)"))
    span = f"t_s BETWEEN {low} AND {high}"
    begin = _points(place, span, "0e0")
    back, most = number(place.given("looks back (s)")), number(place.given("largest change (K)"))
    return begin and (
        f"{begin}, first AS (SELECT min(x) AS x0 FROM points), line AS (\n"
        "  SELECT x, y, lead(x) OVER w AS x2, lead(y) OVER w AS y2 FROM points WINDOW w AS (ORDER BY x)\n), ends AS (\n"
        f"  SELECT x, y, x - {back} AS was FROM points, first WHERE x - x0 >= {back}\n), change AS (\n"
        "  SELECT e.x, abs(e.y - (l.y + (l.y2 - l.y) * (e.was - l.x) / (l.x2 - l.x))) AS c\n"
        "  FROM ends e ASOF JOIN line l ON e.was >= l.x\n), marked AS (\n"
        "  SELECT x, c, lead(x) OVER w AS x2, lead(c) OVER w AS c2 FROM change WINDOW w AS (ORDER BY x)\n)\n"
        f"SELECT coalesce((SELECT x + (c - {most}) / (c - c2) * (x2 - x) FROM marked WHERE c > {most}\n"
        f"  ORDER BY x DESC LIMIT 1), (SELECT min(x) FROM change)) - {low} AS {place.result.name} FROM first"
    )


FORMS: Mapping[str, Callable[[Place], str | None]] = MappingProxyType(
    {
        "temperature": _temperature,
        "end slope": _slope,
        "rise": _rise,
        "first-order heating": _fit,
        "time to limit": _reach,
        "steady": _steady,
    }
)
"""Statements by the name of the method."""
