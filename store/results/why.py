"""SQL by which anyone gets a result again from the trace's Parquet alone, in any DuckDB.

Knows `Result` and text; opens nothing and computes nothing. Where a number is found by a detector that is
no line of SQL, the samples that it rests on are given, and the text says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from store.results.base import Result
from store.results.thresholds import THRESHOLDS

__all__ = ["constant_input", "correction_inputs", "gets_it_again", "redo_sql"]

SAMPLES_ONLY = "-- no single statement: these are the samples that it rests on"

MEDIAN_3 = """CASE WHEN lag({y}) OVER w IS NULL OR lead({y}) OVER w IS NULL THEN {y}
         ELSE greatest(least({y}, lag({y}) OVER w), least(greatest({y}, lag({y}) OVER w), lead({y}) OVER w)) END"""


def constant_input(name: str) -> str:
    """Under which name a result's inputs hold a constant that a library has changed."""
    return f"constant {name}"


def correction_inputs(channel: str) -> tuple[str, str]:
    """Under which names a result's inputs hold gain and offset of a calibration's correction."""
    return f"gain of {channel}", f"offset of {channel}"


@dataclass(frozen=True, slots=True)
class _Place:
    """A result, its run and its file, as SQL words."""

    result: Result
    run_id: int
    file: str

    def constant(self, name: str) -> str:
        """A detector's constant as it was in force."""
        return number(float(self.result.inputs.get(constant_input(name), THRESHOLDS[name].value)))

    def channel(self, name: str) -> str:
        """A channel, with its calibration's correction where there was one."""
        gain, offset = (self.result.inputs.get(key) for key in correction_inputs(name))
        if gain is None and offset is None:
            return name
        return f"{number(float(gain if gain is not None else 1.0))} * {name} + {number(float(offset or 0.0))}"

    @property
    def is_product(self) -> bool:
        """Whether power is V x I, and not what the meter logged as power."""
        return self.result.inputs.get("power", "V x I") == "V x I"

    @property
    def source(self) -> str:
        """Table expression of the run's rows in the order of the file."""
        return f"read_parquet('{self.file}', file_row_number = true)\n  WHERE run_id = {self.run_id}"

    def within(self, moment: str = "t_s", until: str | None = None) -> str:
        """Condition for the span."""
        low, high = self.result.from_s, self.result.to_s
        parts = []
        if low is not None:
            parts.append(f"{moment} >= {number(low)}")
        if high is not None:
            parts.append(f"{until or moment} <= {number(high)}")
        return " AND ".join(parts) or "true"

    def track(self) -> str:
        """The samples that have power, as the first part of a WITH."""
        if self.is_product:
            return (
                f"WITH samples AS (\n  SELECT t_s, file_row_number AS n, {self.channel('voltage_v')} AS v, "
                f"{self.channel('current_a')} AS i, energy_wh, charge_ah,\n         v * i AS p\n  FROM {self.source}\n"
                "    AND voltage_v IS NOT NULL AND current_a IS NOT NULL\n)"
            )
        return (
            f"WITH samples AS (\n  SELECT t_s, file_row_number AS n, {self.channel('power_w')} AS p, energy_wh, "
            f"charge_ah\n  FROM {self.source}\n    AND power_w IS NOT NULL\n)"
        )

    def steps(self) -> str:
        """The track, its steps from sample to sample, and how long a step may be before it is a gap."""
        pairs = "v AS v1, i AS i1, lead(v) OVER w AS v2, lead(i) OVER w AS i2,\n         " if self.is_product else ""
        return (
            f"{self.track()}, steps AS (\n  SELECT t_s AS from_s, lead(t_s) OVER w AS to_s, to_s - from_s AS step,\n"
            f"         {pairs}p AS p1, lead(p) OVER w AS p2,\n"
            "         energy_wh AS wh1, lead(energy_wh) OVER w AS wh2,\n"
            "         charge_ah AS ah1, lead(charge_ah) OVER w AS ah2\n"
            "  FROM samples WINDOW w AS (ORDER BY n)\n), usual AS (\n"
            f"  SELECT greatest({self.constant('gap_steps')} * median(step), {self.constant('gap_min_s')}) AS longest\n"
            "  FROM steps WHERE step > 0\n)"
        )


def number(value: float) -> str:
    """A literal that DuckDB takes for a DOUBLE, to the last bit."""
    text = repr(float(value))
    return text if "e" in text or "inf" in text or "nan" in text else f"{text}e0"


def redo_sql(result: Result, run_id: int, file: str) -> str:
    """SQL for any DuckDB that gets the number from the trace file alone, or the samples that it rests on.

    Args:
        result: The result with its inputs and its span.
        run_id: Its run.
        file: The trace file's path: a run's own file or a pack of many runs.

    Returns:
        One statement. It begins with `-- no single statement` where it lists samples only.
    """
    place = _Place(result, run_id, file.replace("'", "''"))
    made = _FORMS.get(result.method, _nothing)(place) if result.value is not None else None
    return made or f"{SAMPLES_ONLY}\nSELECT * FROM {place.source} AND {place.within()}\nORDER BY file_row_number"


def gets_it_again(sql: str) -> bool:
    """Whether the statement gives the number itself and not only the samples behind it."""
    return not sql.startswith(SAMPLES_ONLY)


def _nothing(_: _Place) -> None:
    return None


_BILINEAR = "step * (2*v1*i1 + 2*v2*i2 + v1*i2 + v2*i1) / 6"
_CHARGE = "step * (i1 + i2) / 2"
_POWER = "step * (p1 + p2) / 2"
_ENERGY_CUT = "step * x * i1 * (2*v1 + v1 + x * (v2 - v1)) / 6"
_CHARGE_CUT = "step * x * i1 / 2"


def _energy(place: _Place) -> str | None:
    return _integral(place, _BILINEAR, _ENERGY_CUT, ("wh", "p"))


def _charge(place: _Place) -> str | None:
    return _integral(place, _CHARGE, _CHARGE_CUT, ("ah", "i"))


def _power_energy(place: _Place) -> str | None:
    return _integral(place, _POWER, "", ("wh", "p"))


def _integral(place: _Place, whole: str, cut: str, counter: tuple[str, str]) -> str | None:
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


def _quiet(place: _Place) -> str:
    """The track with medians of three and the plateau: parts of a WITH."""
    share, top = place.constant("plateau_share"), place.constant("plateau_percentile")
    return (
        f"{place.track()}, quiet AS (\n  SELECT *, {MEDIAN_3.format(y='p')} AS p3\n"
        "  FROM samples WINDOW w AS (ORDER BY n)\n), level AS (\n"
        f"  SELECT quantile_cont(p, {top} / 100) AS high, max(p3) AS top,\n"
        "         CASE WHEN high < 0.25 * top THEN top ELSE high END AS used FROM quiet\n), plateau AS (\n"
        f"  SELECT median(p) AS plateau_w FROM quiet, level WHERE p > {share} * used\n)"
    )


def _plateau(place: _Place) -> str:
    return f"{_quiet(place)}\nSELECT plateau_w AS {place.result.name} FROM plateau"


def _runtime(place: _Place) -> str:
    """First to last pair of neighbours at a tenth of the plateau."""
    return (
        f"{_quiet(place)}, loaded AS (\n"
        f"  SELECT t_s, lead(t_s) OVER w AS next_s, p3 >= {place.constant('window_share')} * plateau_w AS is_on,\n"
        "         lead(is_on) OVER w AS next_on\n  FROM quiet, plateau WINDOW w AS (ORDER BY n)\n)\n"
        f"SELECT max(next_s) - min(t_s) AS {place.result.name} FROM loaded WHERE is_on AND next_on"
    )


_CHANNELS = {"voltage": ("v", "voltage_v"), "current": ("i", "current_a"), "power": ("p", "power_w")}


def _mean(place: _Place) -> str | None:
    """Time-weighted mean over the span, gaps left out."""
    word, _, rest = place.result.name.partition("_")
    if word not in _CHANNELS or not rest.startswith("mean") or "power" not in place.result.inputs:
        return None
    symbol = _CHANNELS[word][0]
    first = f"{symbol}1 + {symbol}2"
    return (
        f"{place.steps()}\nSELECT sum(step * ({first}) / 2) / sum(step) AS {place.result.name}\n"
        f"FROM steps, usual WHERE step <= longest AND {place.within('from_s', 'to_s')}"
    )


def _extreme(place: _Place) -> str | None:
    word, which, _ = (*place.result.name.split("_"), "", "")[:3]
    if word not in _CHANNELS or which not in ("min", "max") or "power" not in place.result.inputs:
        return None
    return (
        f"{place.track()}\nSELECT {which}({_CHANNELS[word][0]}) AS {place.result.name} FROM samples "
        f"WHERE {place.within()}"
    )


def _temperature(place: _Place) -> str:
    stem, kind = place.result.name.removesuffix("_c").rsplit("_", 1)
    channel = f"{stem}_c"
    take = {"start": "arg_min(t, n)", "final": "arg_max(t, n)", "max": "max(t3)"}[kind]
    return f"{_smooth(place, channel)}\nSELECT {take} AS {place.result.name} FROM quiet"


def _smooth(place: _Place, channel: str) -> str:
    """A channel's values with their medians of three."""
    return (
        f"WITH samples AS (\n  SELECT file_row_number AS n, {place.channel(channel)} AS t\n  FROM {place.source}\n"
        f"    AND {channel} IS NOT NULL\n), quiet AS (\n  SELECT *, {MEDIAN_3.format(y='t')} AS t3\n"
        f"  FROM samples WINDOW w AS (ORDER BY n)\n)"
    )


def _slope(place: _Place) -> str | None:
    channel = str(place.result.inputs.get("probe", ""))
    if not channel.startswith("temperature_"):
        return None
    return (
        f"SELECT regr_slope({place.channel(channel)}, t_s) * 3600 AS {place.result.name}\nFROM {place.source} "
        f"AND {channel} IS NOT NULL AND {place.within()}"
    )


def _rise(place: _Place) -> str | None:
    """The hottest median of three less the ambient that the account names."""
    channel = str(place.result.inputs.get("probe", ""))
    ambient = place.result.inputs.get("ambient_c")
    if not channel.startswith("temperature_") or not isinstance(ambient, (int, float)):
        return None
    return (
        f"{_smooth(place, channel)}\nSELECT max(t3) - {number(ambient)} AS {place.result.name} FROM quiet"
        f"  -- ambient: {place.result.inputs.get('over', '')}"
    )


def _scaled_energy(place: _Place, factor: float) -> str | None:
    """An energy over the span, times a factor from the device's sheet."""
    result = place.result
    of_energy = _Place(replace(result, name="energy_wh"), place.run_id, place.file)
    inner = (_energy if place.is_product else _power_energy)(of_energy)
    if inner is None:
        return None
    return f"SELECT {number(factor)} * energy_wh AS {result.name} FROM (\n{inner}\n)"


def _share(place: _Place) -> str | None:
    rated = place.result.inputs.get("rated_energy_wh (maker's)")
    return _scaled_energy(place, 1.0 / rated) if isinstance(rated, (int, float)) else None


def _cell_charge(place: _Place) -> str | None:
    volts = place.result.inputs.get("cell_voltage_v (maker's)")
    return _scaled_energy(place, 1000.0 / volts) if isinstance(volts, (int, float)) else None


def _trip(place: _Place) -> str | None:
    """Largest median of three before the trip, whose moment the account names."""
    symbol = {"trip_current_a": "i", "trip_power_w": "p"}.get(place.result.name)
    at = place.result.inputs.get("trip_at_s")
    if symbol is None or not isinstance(at, (int, float)):
        return None
    return (
        f"{place.track()}, quiet AS (\n  SELECT t_s, {MEDIAN_3.format(y=symbol)} AS quiet\n"
        f"  FROM samples WINDOW w AS (ORDER BY n)\n)\n"
        f"SELECT max(quiet) AS {place.result.name} FROM quiet WHERE t_s < {number(at)}"
    )


def _record(place: _Place) -> str | None:
    name = place.result.name
    what = {"duration_s": "max(t_s) - min(t_s)", "samples": "count(*)"}.get(name)
    return f"SELECT {what} AS {name} FROM {place.source}" if what else None


_FORMS: dict[str, Callable[[_Place], str | None]] = {
    "energy bilinear": _energy,
    "energy trapezoid": _power_energy,
    "charge trapezoid": _charge,
    "runtime": _runtime,
    "plateau": _plateau,
    "time-weighted mean": _mean,
    "extreme": _extreme,
    "temperature": _temperature,
    "end slope": _slope,
    "record": _record,
    "rise": _rise,
    "usable share": _share,
    "cell equivalent": _cell_charge,
    "trip": _trip,
}
"""Statements by the name of the method."""
