"""Parts of the SQL that gets a result again: the run's rows, its electrical track, levels, quiet temperatures.

Knows `Result` and text; opens nothing and computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.model.results import Account, How, Power, Result
from store.signal.thresholds import THRESHOLDS

__all__ = [
    "BILINEAR",
    "JUMP",
    "MEDIAN_3",
    "POWER",
    "TAKEN",
    "Place",
    "between_moments",
    "clock",
    "found_levels",
    "found_spans",
    "load_edges",
    "moment_parts",
    "number",
    "plateau",
    "smooth",
]

POWER = "step * (p1 + p2) / 2"
"""What a step adds to an energy [Ws] where power alone was logged."""
JUMP = "least(abs(p1), abs(p2)) < 0.1 * greatest(abs(p1), abs(p2))"
"""A step that holds an edge: each side's power counts for half of it."""
BILINEAR = f"CASE WHEN {JUMP} THEN {POWER}\n    ELSE step * (2*v1*i1 + 2*v2*i2 + v1*i2 + v2*i1) / 6 END"
"""What a step adds to an energy [Ws] where V and I are linear over it."""
TAKEN = "-- the moments are those that the detector found; this measures between them on the samples\n"
LEVEL = ("from_s", "to_s", "middle_a", "band_a")
"""Columns of a level that was found: its settled span, its current and how far a sample may be off it."""

MEDIAN_3 = """CASE WHEN lag({y}) OVER w IS NULL OR lead({y}) OVER w IS NULL THEN {y}
         ELSE greatest(least({y}, lag({y}) OVER w), least(greatest({y}, lag({y}) OVER w), lead({y}) OVER w)) END"""


@dataclass(frozen=True, slots=True)
class Place:
    """A result, its run and its file, as SQL words."""

    result: Result
    run_id: int
    file: str

    def constant(self, name: str) -> str:
        """A detector's constant as it was in force."""
        return number(self.account.constants.get(name, THRESHOLDS[name].value))

    def channel(self, name: str) -> str:
        """A channel, with its calibration's correction where there was one."""
        found = next((item for item in self.account.corrections if item.channel == name), None)
        return name if found is None else f"{number(found.gain)} * {name} + {number(found.offset)}"

    @property
    def account(self) -> Account:
        """What the result rests on."""
        return self.result.account

    @property
    def is_product(self) -> bool:
        """Whether power is V x I, and not what the meter logged as power."""
        return self.account.power is not Power.LOGGED

    @property
    def source(self) -> str:
        """Table expression of the run's rows in the order of the file."""
        return f"read_parquet('{self.file}', file_row_number = true)\n  WHERE run_id = {self.run_id}"

    def given(self, name: str) -> float:
        """A number of the account."""
        return float(self.account.numbers[name])

    @property
    def added_v(self) -> str:
        """What was added to a voltage for the drop of a stated cable, as a term of current."""
        mohm = self.account.numbers.get("added_mohm", 0.0)
        return f"sum(w * i) / sum(w) * {number(float(mohm) / 1000.0)}" if mohm else "0"

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


def found_spans(found: Sequence[Sequence[float]], names: tuple[str, ...]) -> str:
    """The spans of an account as a table `found` with these columns: a part of a WITH."""
    if not found:
        return f"found AS (SELECT {', '.join(f'0e0 AS {name}' for name in names)} WHERE false)"
    listed = ", ".join(f"({', '.join(map(number, span))})" for span in found)
    return f"found({', '.join(names)}) AS (VALUES {listed})"


def clock(place: Place) -> str:
    """Every row's time and step, and how long a step may be before it is a gap: parts of a WITH."""
    return (
        f"WITH clock AS (\n  SELECT t_s, t_s - lag(t_s) OVER w AS step FROM {place.source}\n"
        "  WINDOW w AS (ORDER BY file_row_number)\n), usual AS (\n"
        f"  SELECT greatest({place.constant('gap_steps')} * median(step), {place.constant('gap_min_s')}) AS longest\n"
        "  FROM clock WHERE step > 0\n)"
    )


def plateau(place: Place) -> str:
    """The track with medians of three (`quiet`) and the plateau: parts of a WITH."""
    share, top = place.constant("plateau_share"), place.constant("plateau_percentile")
    return (
        f"{place.track()}, quiet AS (\n  SELECT *, {MEDIAN_3.format(y='p')} AS p3\n"
        "  FROM samples WINDOW w AS (ORDER BY n)\n), level AS (\n"
        f"  SELECT quantile_cont(p, {top} / 100) AS high, max(p3) AS top,\n"
        "         CASE WHEN high < 0.25 * top THEN top ELSE high END AS used FROM quiet\n), plateau AS (\n"
        f"  SELECT median(p) AS plateau_w FROM quiet, level WHERE p > {share} * used\n)"
    )


def load_edges(place: Place) -> str:
    """The track, the plateau, and when the load went on and off, half a step beside its samples (`edges`): a WITH."""
    half = "CASE WHEN {0} <= longest THEN ({0}) / 2 ELSE 0 END"
    return (
        f"{plateau(place)}, usual AS (\n"
        f"  SELECT greatest({place.constant('gap_steps')} * median(step), {place.constant('gap_min_s')}) AS longest\n"
        "  FROM (SELECT lead(t_s) OVER (ORDER BY n) - t_s AS step FROM samples) WHERE step > 0\n), loaded AS (\n"
        "  SELECT t_s, p, p3, lag(t_s) OVER w AS before_s, lead(t_s) OVER w AS after_s,\n"
        f"         p3 >= {place.constant('window_share')} * plateau_w AS is_on, lag(is_on) OVER w AS was_on,\n"
        "         lead(is_on) OVER w AS next_on\n  FROM quiet, plateau WINDOW w AS (ORDER BY n)\n), edges AS (\n"
        f"  SELECT min(t_s - ({half.format('t_s - before_s')})) FILTER (is_on AND next_on) AS begin_s,\n"
        f"         max(t_s + ({half.format('after_s - t_s')})) FILTER (is_on AND was_on) AS end_s\n"
        "  FROM loaded, usual\n)"
    )


def moment_parts(place: Place, word: str, table: str = "samples") -> tuple[str, str]:
    """Parts of a WITH that measure a moment on a table with `t_s`, begun by a comma, and the term of the moment."""
    found = place.account.moments[word]
    at, level = number(found.at_s), number(found.level)
    if found.how is How.SAMPLE:
        return "", f"(SELECT arg_min(t_s, abs(t_s - {at})) FROM {table})"
    if found.how is How.EDGE:
        return "", f"(SELECT (max(t_s) FILTER (t_s <= {at}) + min(t_s) FILTER (t_s > {at})) / 2 FROM {table})"
    if found.how is How.LINE:
        a, b = number(found.from_s), number(found.to_s)
        one, two = (f"(SELECT {found.of} FROM {table} WHERE t_s = {x})" for x in (a, b))
        return "", f"({a} + ({level} - {one}) / ({two} - {one}) * ({b} - {a}))"
    middle, half = number(0.5 * (found.from_s + found.to_s)), number(0.5 * (found.to_s - found.from_s))
    parts = (
        f", {word}_fit AS (\n  SELECT (t_s - {middle}) / {half} AS x, {found.of} AS y\n  FROM {table} "
        f"WHERE t_s BETWEEN {number(found.from_s)} AND {number(found.to_s)}\n), {word}_turn AS (\n"
        f"  SELECT regr_slope(x * x, x) AS s, regr_intercept(x * x, x) AS r FROM {word}_fit\n), {word}_bend AS (\n"
        "  SELECT sum(y * (x * x - r - s * x)) / sum((x * x - r - s * x) ** 2) AS c\n"
        f"  FROM {word}_fit, {word}_turn\n), {word}_curve AS (\n"
        f"  SELECT regr_intercept(y - c * x * x, x) - {level} AS a, regr_slope(y - c * x * x, x) AS b,\n"
        f"         any_value(c) AS bend FROM {word}_fit, {word}_bend\n), {word}_root AS (\n"
        f"  SELECT *, -(b + sign(b) * sqrt(b * b - 4 * a * bend)) / 2 AS q FROM {word}_curve\n)"
    )
    near = f"abs({middle} + {half} * {{0}} - {at})"
    one, two = "q / nullif(bend, 0)", "a / nullif(q, 0)"
    pick = f"CASE WHEN {near.format(f'({one})')} < {near.format(f'({two})')} THEN {one} ELSE {two} END"
    return parts, f"(SELECT {middle} + {half} * ({pick}) FROM {word}_root)"


def between_moments(place: Place) -> str:
    """A length of time between two moments that were found, each measured on the samples again."""
    first, begin = moment_parts(place, "begins")
    last, end = moment_parts(place, "ends")
    return f"{TAKEN}{place.track()}{first}{last}\nSELECT {end} - {begin} AS {place.result.name}"


def found_levels(place: Place) -> str:
    """Time-weighted means of voltage and current over the settled samples of each level that was found."""
    return (
        f"{TAKEN}{place.track()}, {found_spans(place.account.spans, LEVEL)}, part AS (\n"
        "  SELECT from_s, n, t_s, v, i FROM samples JOIN found ON t_s BETWEEN from_s AND to_s\n"
        "  WHERE abs(i - middle_a) <= band_a\n), weighted AS (\n"
        "  SELECT from_s, t_s, v, i,\n"
        "         (coalesce(t_s - lag(t_s) OVER w, 0) + coalesce(lead(t_s) OVER w - t_s, 0)) / 2 AS w\n"
        "  FROM part WINDOW w AS (PARTITION BY from_s ORDER BY n)\n), level AS (\n"
        f"  SELECT from_s, sum(w * i) / sum(w) AS amps, sum(w * v) / sum(w) + {place.added_v} AS volts,\n"
        "         (min(t_s) + max(t_s)) / 2 AS at_s\n"
        "  FROM weighted GROUP BY from_s\n)"
    )


def smooth(place: Place, channel: str, when: str = "true") -> str:
    """A channel's values with their medians of three."""
    return (
        f"WITH samples AS (\n  SELECT t_s, file_row_number AS n, {place.channel(channel)} AS t\n  FROM {place.source}\n"
        f"    AND {channel} IS NOT NULL AND {when}\n), quiet AS (\n  SELECT *, {MEDIAN_3.format(y='t')} AS t3\n"
        f"  FROM samples WINDOW w AS (ORDER BY n)\n)"
    )
