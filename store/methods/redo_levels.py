"""SQL that gets results of levels, trips, dropouts, cables and displays again.

Knows `Place` and text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from store.methods.redo_base import MEDIAN_3, Place, found_spans, number
from store.methods.redo_electrical import BILINEAR, TAKEN, clock

__all__ = ["FORMS"]

RATED = "rated_current_a (maker's)"
LEVEL = ("from_s", "to_s", "middle_a", "band_a")


def _levels(place: Place) -> str:
    """Time-weighted means of voltage and current over the settled samples of each level that was found."""
    return (
        f"{TAKEN}{place.track()}, {found_spans(place.text('levels: from s, to s, A, ± A'), LEVEL)}, part AS (\n"
        "  SELECT from_s, n, t_s, v, i FROM samples JOIN found ON t_s BETWEEN from_s AND to_s\n"
        "  WHERE abs(i - middle_a) <= band_a\n), weighted AS (\n"
        "  SELECT from_s, v, i, (coalesce(t_s - lag(t_s) OVER w, 0) + coalesce(lead(t_s) OVER w - t_s, 0)) / 2 AS w\n"
        "  FROM part WINDOW w AS (PARTITION BY from_s ORDER BY n)\n), level AS (\n"
        f"  SELECT from_s, sum(w * i) / sum(w) AS amps, sum(w * v) / sum(w) + {place.added_v} AS volts\n"
        "  FROM weighted GROUP BY from_s\n)"
    )


def _level(place: Place) -> str | None:
    name, inputs = place.result.name, place.result.inputs
    if name == "levels":
        return f"{_levels(place)}\nSELECT count(*) AS levels FROM level"
    if name.endswith("_current_a"):
        return f"{_levels(place)}\nSELECT amps AS {name} FROM level"
    if name.endswith("_voltage_v"):
        return f"{_levels(place)}\nSELECT volts AS {name} FROM level"
    if name.endswith("_percent") and "nominal_v" in inputs:
        return f"{_levels(place)}\nSELECT 100 * (volts / {number(place.given('nominal_v'))} - 1) AS {name} FROM level"
    if "lower_v" not in inputs or "upper_v" not in inputs:
        return None
    low, high = number(place.given("lower_v")), number(place.given("upper_v"))
    return f"{_levels(place)}\nSELECT least(volts - {low}, {high} - volts) AS {name} FROM level"


def _source_resistance(place: Place) -> str:
    sign = "" if place.text("energy flows") == "in" else "-"
    return f"{_levels(place)}\nSELECT {sign}1000 * regr_slope(volts, amps) AS {place.result.name} FROM level"


def _light(place: Place) -> str | None:
    name = place.result.name
    if name == "switch_off_after_s":
        return f"{TAKEN}{place.track()}\nSELECT max(t_s) - min(t_s) AS {name} FROM samples WHERE {place.within()}"
    return f"{_levels(place)}\nSELECT amps AS {name} FROM level" if place.text("levels: from s, to s, A, ± A") else None


def _trip(place: Place) -> str | None:
    """Largest median of three before the trip, whose moment the account names; time over the rating likewise."""
    name, at = place.result.name, place.result.inputs.get("trip_at_s")
    if not isinstance(at, (int, float)):
        return None
    before = f"t_s < {number(at)}"
    if name == "over_rating_s":
        rated = number(place.given(RATED))
        return (
            f"{_quiet(place)}, timed AS (\n  SELECT t_s, i3, lead(t_s) OVER (ORDER BY n) - t_s AS step FROM quiet\n)\n"
            f"SELECT coalesce(sum(step) FILTER (i3 > {rated} AND step <= longest AND {before}), 0) AS {name}\n"
            "FROM timed, usual"
        )
    what = {"trip_current_a": "max(i3)", "trip_power_w": "max(p3)", "voltage_at_trip_v": "arg_max(v3, n)"}.get(name)
    if name == "trip_ratio":
        what = f"max(i3) / {number(place.given(RATED))}"
    return f"{_quiet(place)}\nSELECT {what} AS {name} FROM quiet WHERE {before}"


def _quiet(place: Place) -> str:
    """Medians of three of voltage, current and power: parts of a WITH."""
    medians = ",\n         ".join(f"{MEDIAN_3.format(y=y)} AS {y}3" for y in "vip")
    return (
        f"{clock(place)}, {place.track().removeprefix('WITH ')}, quiet AS (\n  SELECT t_s, n, {medians}\n"
        "  FROM samples WINDOW w AS (ORDER BY n)\n)"
    )


def _dropouts(place: Place) -> str:
    """The spans that were found, each with a voltage under the last one before it."""
    name = place.result.name
    begin = (
        f"{TAKEN}WITH samples AS (\n  SELECT t_s, {place.channel('voltage_v')} AS v FROM {place.source}\n"
        "    AND voltage_v IS NOT NULL\n)"
    )
    if name == "dropouts":
        return (
            f"{begin}, {found_spans(place.text('dropouts: from s, to s'), ('from_s', 'to_s'))}\n"
            f"SELECT count(*) AS {name} FROM found\n"
            "WHERE (SELECT max(v) FROM samples WHERE t_s >= from_s AND t_s < to_s)\n"
            "  < (SELECT arg_max(v, t_s) FROM samples WHERE t_s < from_s)"
        )
    what = "max(t_s) - min(t_s)" if name == "longest_dropout_s" else "min(v)"
    return f"{begin}\nSELECT {what} AS {name} FROM samples WHERE {place.within()}"


def _modes(place: Place) -> str:
    """The moments that were found, each with another voltage after it than before."""
    hold = place.constant("mode_change_hold_s")
    share = place.constant("mode_change_share")
    found = found_spans(place.text("changes: at s, from V, to V"), ("at_s", "old", "new"))
    return (
        f"{TAKEN}WITH samples AS (\n  SELECT t_s, {place.channel('voltage_v')} AS v FROM {place.source}\n"
        f"    AND voltage_v IS NOT NULL\n), {found}\n"
        f"SELECT count(*) AS {place.result.name} FROM found WHERE abs((SELECT median(v) FROM samples\n"
        f"  WHERE t_s >= at_s AND t_s <= at_s + {hold}) - old) > {share} * old"
    )


def _cable(place: Place) -> str | None:
    """Least squares of the drop over the current; a drop near its current; what the cable turns into heat."""
    name = place.result.name
    begin = (
        f"WITH all_samples AS (\n  SELECT {place.channel('current_a')} AS i,\n"
        f"         ({place.channel('voltage_v')}) - ({place.channel('voltage_far_v')}) AS u FROM {place.source}\n"
        "    AND voltage_v IS NOT NULL AND voltage_far_v IS NOT NULL AND current_a IS NOT NULL\n), samples AS (\n"
        "  SELECT *, max(abs(i)) OVER () AS top FROM all_samples QUALIFY i > 0.05 * top\n), ohms AS (\n"
        f"  SELECT {'regr_slope(u, i)' if place.text('rule of resistance') == 'slope' else 'avg(u) / avg(i)'} AS r\n"
        "  FROM samples\n)"
    )
    if name == "resistance_mohm":
        return f"{begin}\nSELECT 1000 * r AS {name} FROM ohms"
    if name == "loss_w":
        return f"{begin}\nSELECT any_value(r * top ** 2) AS {name} FROM ohms, samples"
    amps = number(place.given("current_a"))
    if place.text("rule").startswith("measured"):
        near = f"abs(i - {amps}) <= 0.03 * {amps}"
        return f"{begin}\nSELECT {amps} * avg(u) / avg(i) AS {name} FROM samples WHERE {near}"
    return f"{begin}\nSELECT {amps} * r AS {name} FROM ohms"


def _no_load(place: Place) -> str:
    return (
        f"WITH samples AS (\n  SELECT {place.channel('power_w')} AS p, t_s - lag(t_s) OVER w AS back,\n"
        f"         lead(t_s) OVER w - t_s AS ahead FROM {place.source} AND power_w IS NOT NULL\n"
        "  WINDOW w AS (ORDER BY file_row_number)\n)\n"
        "SELECT sum(p * (coalesce(back, 0) + coalesce(ahead, 0))) / sum(coalesce(back, 0) + coalesce(ahead, 0))\n"
        f"  AS {place.result.name} FROM samples"
    )


def _display(place: Place) -> str | None:
    """Display less meter at the same moment, under load."""
    word = place.result.name.split("_")[1]
    channel = {"voltage": "voltage_v", "current": "current_a", "power": "power_w", "energy": "energy_wh"}[word]
    meter = "voltage_v * current_a" if place.text("power of the meter") == "V x I" else channel
    what = {"bias": "avg(off)", "spread": "stddev_samp(off)", "error": "max(abs(off))"}[place.result.name.split("_")[2]]
    return (
        f"WITH pairs AS (\n  SELECT display_{channel} - {meter} AS off FROM {place.source}\n"
        f"    AND display_{channel} IS NOT NULL AND {meter} IS NOT NULL AND {place.within()}\n)\n"
        f"SELECT {what} AS {place.result.name} FROM pairs"
    )


def _charge_level(place: Place) -> str:
    """Display's % against what is left of all the energy that was delivered."""
    name = place.result.name
    if place.text("energy by"):
        begin = (
            "WITH shown AS (\n  SELECT file_row_number AS n, display_percent, energy_wh,\n"
            "         first(energy_wh) OVER w AS e0, last(energy_wh) OVER w AS e1\n"
            f"  FROM {place.source}\n    AND display_percent IS NOT NULL AND energy_wh IS NOT NULL\n"
            "  WINDOW w AS (ORDER BY file_row_number ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING)\n)"
            ", offs AS (\n  SELECT display_percent / 100 - 1 + (energy_wh - e0) / (e1 - e0) AS off,\n"
            "         abs(off - lag(off) OVER (ORDER BY n)) AS d FROM shown\n)"
        )
        what = "count(*) FILTER (d > 0.1)" if name == "charge_level_jumps" else "arg_max(off, abs(off))"
        return f"{begin}\nSELECT {what} AS {name} FROM offs"
    if name == "charge_level_jumps":
        return (
            "WITH shown AS (\n  SELECT display_percent AS y, abs(y - lag(y) OVER (ORDER BY file_row_number)) AS d\n"
            f"  FROM {place.source} AND display_percent IS NOT NULL AND {place.within()}\n)\n"
            f"SELECT count(*) FILTER (d > 10) AS {name} FROM shown"
        )
    return (
        f"{place.steps()}, gained AS (\n"
        f"  SELECT to_s AS t_s, CASE WHEN step <= longest THEN {BILINEAR} ELSE 0 END AS e\n"
        f"  FROM steps, usual WHERE {place.within('from_s', 'to_s')}\n), upto AS (\n"
        "  SELECT t_s, sum(e) OVER (ORDER BY t_s) / sum(e) OVER () AS used FROM gained\n), shown AS (\n"
        f"  SELECT t_s, display_percent FROM {place.source} AND display_percent IS NOT NULL AND {place.within()}\n)\n"
        "SELECT arg_max(off, abs(off)) AS charge_level_off FROM (\n"
        "  SELECT display_percent / 100 - 1 + coalesce(used, 0) AS off FROM shown ASOF LEFT JOIN upto USING (t_s)\n)"
    )


FORMS: Mapping[str, Callable[[Place], str | None]] = MappingProxyType(
    {
        "load levels": _level,
        "worst level": _level,
        "source resistance": _source_resistance,
        "light load": _light,
        "trip": _trip,
        "dropouts": _dropouts,
        "mode changes": _modes,
        "cable resistance": _cable,
        "cable drop": _cable,
        "cable loss": _cable,
        "no-load power": _no_load,
        "display bias": _display,
        "display spread": _display,
        "display's largest error": _display,
        "state of charge": _charge_level,
    }
)
"""Statements by the name of the method."""
