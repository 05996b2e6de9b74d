"""SQL that gets electrical results again: energy, charge, levels held, moments, means and extremes.

Knows `Place` and text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

from store.methods.redo_base import MEDIAN_3, Place, found_spans, number

__all__ = ["BILINEAR", "FORMS", "TAKEN", "clock"]

BILINEAR = "step * (2*v1*i1 + 2*v2*i2 + v1*i2 + v2*i1) / 6"
_CHARGE = "step * (i1 + i2) / 2"
_POWER = "step * (p1 + p2) / 2"
_ENERGY_CUT = "step * x * i1 * (2*v1 + v1 + x * (v2 - v1)) / 6"
_CHARGE_CUT = "step * x * i1 / 2"


def _energy(place: Place) -> str | None:
    return _integral(place, BILINEAR, _ENERGY_CUT, ("wh", "p"))


def _charge(place: Place) -> str | None:
    return _integral(place, _CHARGE, _CHARGE_CUT, ("ah", "i"))


def _power_energy(place: Place) -> str | None:
    return _integral(place, _POWER, "", ("wh", "p"))


def _integral(place: Place, whole: str, cut: str, counter: tuple[str, str]) -> str | None:
    """An integral over steps; across a gap what the meter's counter gained; by direction where both occur."""
    name = place.result.name
    part = place.result.inputs.get("counted")
    if part in ("along the run's direction", "against the run's direction"):
        sign, pick = ("", "greatest") if part.startswith("along") else ("-", "least")
        first, rest = f"{cut}", f"{whole} - {cut}"
        along = f"CASE WHEN i1 > 0 THEN {first} ELSE {rest} END"
        against = f"CASE WHEN i1 > 0 THEN {rest} ELSE {first} END"
        crossing = along if part.startswith("along") else against
        return (
            f"{place.steps()}, cut AS (SELECT *, i1 / nullif(i1 - i2, 0) AS x FROM steps)\n"
            f"SELECT {sign}sum(CASE WHEN i1 * i2 < 0 THEN {crossing}\n"
            f"  ELSE {pick}({whole}, 0) END) / 3600 AS {name}\n"
            f"FROM cut, usual WHERE step <= longest AND {place.within('from_s', 'to_s')}"
        )
    word, peak = counter
    gain = f"CASE WHEN {word}2 < 0.1 * {word}1 THEN {word}2 ELSE {word}2 - {word}1 END"
    fits = f"{gain} BETWEEN 0 AND 1.5 * (SELECT max({peak}) FROM samples) * step / 3600"
    counted = f"\n  WHEN {fits} THEN {gain}" if part is None else ""
    return (
        f"{place.steps()}\nSELECT sum(CASE WHEN step <= longest THEN {whole} / 3600"
        f"{counted} ELSE 0 END) AS {name}\n"
        f"FROM steps, usual WHERE {place.within('from_s', 'to_s')}"
    )


def _quiet(place: Place) -> str:
    """The track with medians of three and the plateau: parts of a WITH."""
    share, top = place.constant("plateau_share"), place.constant("plateau_percentile")
    return (
        f"{place.track()}, quiet AS (\n  SELECT *, {MEDIAN_3.format(y='p')} AS p3\n"
        "  FROM samples WINDOW w AS (ORDER BY n)\n), level AS (\n"
        f"  SELECT quantile_cont(p, {top} / 100) AS high, max(p3) AS top,\n"
        "         CASE WHEN high < 0.25 * top THEN top ELSE high END AS used FROM quiet\n), plateau AS (\n"
        f"  SELECT median(p) AS plateau_w FROM quiet, level WHERE p > {share} * used\n)"
    )


def _plateau(place: Place) -> str:
    return f"{_quiet(place)}\nSELECT plateau_w AS {place.result.name} FROM plateau"


def _runtime(place: Place) -> str:
    """First to last pair of neighbours at a tenth of the plateau."""
    return (
        f"{_quiet(place)}, loaded AS (\n"
        f"  SELECT t_s, lead(t_s) OVER w AS next_s, p3 >= {place.constant('window_share')} * plateau_w AS is_on,\n"
        "         lead(is_on) OVER w AS next_on\n  FROM quiet, plateau WINDOW w AS (ORDER BY n)\n)\n"
        f"SELECT max(next_s) - min(t_s) AS {place.result.name} FROM loaded WHERE is_on AND next_on"
    )


def _scaled_energy(place: Place, factor: float) -> str | None:
    """An energy over the span, times a factor from the device's sheet."""
    result = place.result
    of_energy = Place(replace(result, name="energy_wh"), place.run_id, place.file)
    inner = (_energy if place.is_product else _power_energy)(of_energy)
    if inner is None:
        return None
    return f"SELECT {number(factor)} * energy_wh AS {result.name} FROM (\n{inner}\n)"


def _share(place: Place) -> str | None:
    rated = place.result.inputs.get("rated_energy_wh (maker's)")
    return _scaled_energy(place, 1.0 / rated) if isinstance(rated, (int, float)) else None


def _cell_charge(place: Place) -> str | None:
    volts = place.result.inputs.get("cell_voltage_v (maker's)")
    return _scaled_energy(place, 1000.0 / volts) if isinstance(volts, (int, float)) else None


_CHANNELS = {"voltage": ("v", "voltage_v"), "current": ("i", "current_a"), "power": ("p", "power_w")}
TAKEN = "-- the moments are those that the detector found; this measures between them on the samples\n"


def clock(place: Place) -> str:
    """Every row's time and step, and how long a step may be before it is a gap: parts of a WITH."""
    return (
        f"WITH clock AS (\n  SELECT t_s, t_s - lag(t_s) OVER w AS step FROM {place.source}\n"
        "  WINDOW w AS (ORDER BY file_row_number)\n), usual AS (\n"
        f"  SELECT greatest({place.constant('gap_steps')} * median(step), {place.constant('gap_min_s')}) AS longest\n"
        "  FROM clock WHERE step > 0\n)"
    )


def _record(place: Place) -> str | None:
    name = place.result.name
    what = {
        "duration_s": "max(t_s) - min(t_s)",
        "samples": "count(*)",
        "interval_s": "median(step) FILTER (step > 0)",
        "gap_s": "coalesce(sum(step) FILTER (step > longest), 0)",
    }.get(name)
    return f"{clock(place)}\nSELECT {what} AS {name} FROM clock, usual" if what else None


def _weighted(place: Place) -> str | None:
    """Values over the span with the time each stands for, and their mean: parts of a WITH."""
    word = place.result.name.partition("_")[0]
    if word not in _CHANNELS:
        return None
    symbol, channel = _CHANNELS[word]
    if "power" in place.result.inputs:
        begin = f"{place.steps()}, part AS (SELECT t_s, n, {symbol} AS y FROM samples WHERE {place.within()})"
    else:
        begin = (
            f"{clock(place)}, part AS (\n  SELECT t_s, file_row_number AS n, {place.channel(channel)} AS y\n"
            f"  FROM {place.source} AND {channel} IS NOT NULL AND {place.within()}\n)"
        )
    return (
        f"{begin}, pairs AS (\n  SELECT y, t_s - lag(t_s) OVER w AS back, lead(t_s) OVER w - t_s AS ahead\n"
        "  FROM part WINDOW w AS (ORDER BY n)\n), weighted AS (\n"
        "  SELECT y, (CASE WHEN back <= longest THEN back ELSE 0 END\n"
        "    + CASE WHEN ahead <= longest THEN ahead ELSE 0 END) / 2 AS w FROM pairs, usual\n), middle AS (\n"
        "  SELECT sum(w * y) / sum(w) AS mean, sum(w) AS a, sum(w * w) AS b FROM weighted\n)"
    )


def _mean(place: Place) -> str | None:
    """Time-weighted mean over the span, gaps left out."""
    begin = _weighted(place)
    return begin and f"{begin}\nSELECT mean AS {place.result.name} FROM middle"


def _spread(place: Place) -> str | None:
    begin = _weighted(place)
    return begin and (
        f"{begin}\nSELECT sqrt(sum(w * (y - mean) ** 2) / any_value(a - b / a)) AS {place.result.name}\n"
        "FROM weighted, middle"
    )


def _extreme(place: Place) -> str | None:
    word, which, _ = (*place.result.name.split("_"), "", "")[:3]
    if word not in _CHANNELS or which not in ("min", "max"):
        return None
    symbol, channel = _CHANNELS[word]
    if "power" in place.result.inputs:
        return f"{place.track()}\nSELECT {which}({symbol}) AS {place.result.name} FROM samples WHERE {place.within()}"
    return (
        f"SELECT {which}({place.channel(channel)}) AS {place.result.name}\nFROM {place.source} "
        f"AND {channel} IS NOT NULL AND {place.within()}"
    )


def _counter(place: Place) -> str:
    """What the meter's own counter gained; after a fall to under a tenth it goes on from where it was."""
    channel = place.result.name.removeprefix("counter_")
    return (
        f"WITH counted AS (\n  SELECT {place.channel(channel)} AS y, lag(y) OVER (ORDER BY file_row_number) AS was\n"
        f"  FROM {place.source} AND {channel} IS NOT NULL\n)\n"
        f"SELECT sum(CASE WHEN y < was AND y < 0.1 * was AND was > 0 THEN y ELSE y - was END) AS {place.result.name}\n"
        "FROM counted"
    )


def _between(place: Place) -> str:
    """A length of time between two moments of the samples that have power."""
    return (
        f"{TAKEN}{place.track()}\nSELECT max(t_s) - min(t_s) AS {place.result.name} FROM samples WHERE {place.within()}"
    )


def _peak(place: Place) -> str:
    """Energy over the stated span, the last step in part, over its length."""
    low, high = place.result.from_s or 0.0, place.result.to_s or 0.0
    whole = BILINEAR if place.is_product else _POWER
    return (
        f"{TAKEN}{place.steps()}\n"
        f"SELECT sum({whole} * least(1, ({number(high)} - from_s) / step)) / {number(high - low)} "
        f"AS {place.result.name}\n"
        f"FROM steps, usual WHERE step <= longest AND from_s >= {number(low)} AND from_s < {number(high)}"
    )


def _edges(place: Place) -> str:
    """When the load window begins and ends: parts of a WITH."""
    return (
        f"{_quiet(place)}, loaded AS (\n  SELECT t_s, p3, lag(p3) OVER w AS q3, lead(t_s) OVER w AS next_s,\n"
        f"         p3 >= {place.constant('window_share')} * plateau_w AS is_on, lead(is_on) OVER w AS next_on\n"
        "  FROM quiet, plateau WINDOW w AS (ORDER BY n)\n), edges AS (\n"
        "  SELECT min(t_s) AS from_s, max(next_s) AS to_s FROM loaded WHERE is_on AND next_on\n)"
    )


def _full(place: Place) -> str:
    """Last pair of neighbours above a share of the plateau, from the start of charging."""
    limit = f"{place.constant('full_share')} * plateau_w"
    return (
        f"{_edges(place)}\nSELECT max(t_s) - any_value(from_s) AS {place.result.name} FROM loaded, plateau, edges\n"
        f"WHERE p3 > {limit} AND q3 > {limit}"
    )


def _taper(place: Place) -> str:
    """Last pair of neighbours within a band of the plateau, inside the load window."""
    band = f"{place.constant('taper_band')} * plateau_w"
    return (
        f"{_edges(place)}\nSELECT max(t_s) - any_value(from_s) AS {place.result.name} FROM loaded, plateau, edges\n"
        f"WHERE t_s > from_s AND t_s <= to_s AND abs(p3 - plateau_w) <= {band} AND abs(q3 - plateau_w) <= {band}"
    )


def _eighty(place: Place) -> str | None:
    """When a share of the energy had gone in, between samples in proportion."""
    start, full = place.result.from_s, place.result.inputs.get("full_at_s")
    if start is None or not isinstance(full, (int, float)) or "counted" in place.result.inputs:
        return None
    whole = BILINEAR if place.is_product else _POWER
    goal = f"{place.constant('full_energy_share')} * sum(e) OVER ()"
    return (
        f"{place.steps()}, gained AS (\n  SELECT from_s, step, CASE WHEN step <= longest THEN {whole} ELSE 0 END AS e\n"
        f"  FROM steps, usual WHERE from_s >= {number(start)} AND to_s <= {number(full)}\n), summed AS (\n"
        f"  SELECT *, sum(e) OVER (ORDER BY from_s) AS upto, {goal} AS goal FROM gained\n)\n"
        f"SELECT from_s + (goal - (upto - e)) / e * step - {number(start)} AS {place.result.name}\n"
        "FROM summed WHERE upto >= goal ORDER BY from_s LIMIT 1"
    )


def _pauses(place: Place) -> str:
    """The rests that were found, each held against the threshold on the samples."""
    what = "count(*)" if place.result.name == "pauses" else "coalesce(sum(to_s - from_s), 0)"
    return (
        f"{TAKEN}{place.track()}, {found_spans(place.text('pauses: from s, to s'), ('from_s', 'to_s'))}\n"
        f"SELECT {what} AS {place.result.name} FROM found\n"
        "WHERE (SELECT median(p) FROM samples WHERE t_s >= from_s AND t_s < to_s) "
        f"< {number(place.given('threshold_w'))}"
    )


FORMS: Mapping[str, Callable[[Place], str | None]] = MappingProxyType(
    {
        "energy bilinear": _energy,
        "energy trapezoid": _power_energy,
        "charge trapezoid": _charge,
        "runtime": _runtime,
        "plateau": _plateau,
        "time-weighted mean": _mean,
        "time-weighted spread": _spread,
        "extreme": _extreme,
        "record": _record,
        "counter check": _counter,
        "usable share": _share,
        "cell equivalent": _cell_charge,
        "held": _between,
        "cutback": _between,
        "peak mean": _peak,
        "time to full": _full,
        "taper start": _taper,
        "time to 80 %": _eighty,
        "pauses": _pauses,
    }
)
"""Statements by the name of the method."""
