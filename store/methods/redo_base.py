"""Parts of the SQL that gets a result again: the run's rows, its electrical track, its quiet temperatures.

Knows `Result` and text; opens nothing and computes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from store.model.results import Result
from store.signal.thresholds import THRESHOLDS

__all__ = [
    "MEDIAN_3",
    "Place",
    "constant_input",
    "correction_inputs",
    "found_spans",
    "number",
    "spans_input",
    "spans_of",
]

MEDIAN_3 = """CASE WHEN lag({y}) OVER w IS NULL OR lead({y}) OVER w IS NULL THEN {y}
         ELSE greatest(least({y}, lag({y}) OVER w), least(greatest({y}, lag({y}) OVER w), lead({y}) OVER w)) END"""


def constant_input(name: str) -> str:
    """Under which name a result's inputs hold a constant that a library has changed."""
    return f"constant {name}"


def correction_inputs(channel: str) -> tuple[str, str]:
    """Under which names a result's inputs hold gain and offset of a calibration's correction."""
    return f"gain of {channel}", f"offset of {channel}"


@dataclass(frozen=True, slots=True)
class Place:
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

    def given(self, name: str) -> float:
        """A number among the result's inputs."""
        return float(self.result.inputs[name])

    def text(self, name: str) -> str:
        """A word among the result's inputs; empty where there is none."""
        return str(self.result.inputs.get(name, ""))

    @property
    def added_v(self) -> str:
        """What was added to a voltage for the drop of a stated cable, as a term of current."""
        mohm = self.result.inputs.get("added back (mΩ)", 0.0)
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


def spans_input(spans: Sequence[tuple[float, ...]]) -> str:
    """Spans that a detector found, as an account lists them: every figure to the last bit."""
    return "; ".join(", ".join(repr(float(value)) for value in span) for span in spans) or "none"


def spans_of(text: str) -> list[tuple[float, ...]]:
    """The inverse of `spans_input`."""
    return [] if text in ("", "none") else [tuple(map(float, span.split(", "))) for span in text.split("; ")]


def found_spans(text: str, names: tuple[str, ...]) -> str:
    """The spans of an account as a table `found` with these columns: a part of a WITH."""
    found = spans_of(text)
    if not found:
        return f"found AS (SELECT {', '.join(f'0e0 AS {name}' for name in names)} WHERE false)"
    listed = ", ".join(f"({', '.join(map(number, span))})" for span in found)
    return f"found({', '.join(names)}) AS (VALUES {listed})"
