"""What went otherwise than planned at the bench: gaps, empty cells, logs that stop, runs set aside, odd requests."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from .course import discharge, sweep
from .courses import Course
from .plan import Log, Test
from .scenario import Scenario, Source

__all__ = ["extra_tests", "with_quirks"]

_QUIRKS: dict[tuple[str, str], dict[str, Any]] = {
    ("PB-02", "nine"): {"gap": (4100.0, 4216.0), "note": "meter's link lost for two minutes"},
    ("PB-03", "rated-2"): {"note": "as before, second day"},
    ("PB-04", "cold"): {"stops_at_s": 5200.0, "note": "meter's memory full; log ends under load"},
    ("PB-05", "nine"): {"missing": 0.004, "note": "meter left some cells empty"},
    ("PB-06", "hot"): {
        "quality": "rejected",
        "quality_reason": "chamber door open from 0:20 on; air fell to 27 °C",
        "note": "repeat",
    },
    ("PB-07", "five-a"): {"missing": -0.01, "note": "meter skips a sample now and then"},
    ("PB-07", "recharge-2"): {
        "quality": "suspect",
        "quality_reason": "plug found half out afterwards; contact warm",
    },
    ("PB-08", "nine"): {
        "quality": "suspect",
        "quality_reason": "load set to 15 W, but its range knob stood wrong for the first minutes",
    },
    ("PB-09", "light"): {
        "quality": "rejected",
        "quality_reason": "wrong port logged",
        "note": "see the next light-load run",
    },
    ("PB-01", "sweep-five"): {"note": "first sweep of the season"},
}
"""Changes to the first log of a test."""


def with_quirks(device: str, tests: list[Test]) -> list[Test]:
    """The tests with what went wrong in them."""
    changed = []
    for test in tests:
        quirk = _QUIRKS.get((device, test.key))
        if quirk is None:
            changed.append(test)
            continue
        first = replace(test.logs[0], **quirk)
        changed.append(replace(test, logs=(first, *test.logs[1:])))
    return changed


def extra_tests(course: Course, tests: list[Test]) -> list[Test]:
    """Further tests of single devices, put at the end of their courses."""
    by_key = {test.key: test for test in tests}
    match course.device:
        case "PB-03":
            return [
                sweep("sweep-pps", "C1", "PPS 9 V", 3.0, "M2"),
                discharge("forty-five", "C1", "fixed 20 V", 45.0, "M1"),
                discharge("fifteen", "C2", "fixed 9 V", 15.0, "M2", interval_s=2.0),
            ]
        case "PB-04":
            return [discharge("sixty-five", "C1", "fixed 20 V", 65.0, "M2", ambient_c=35.0)]
        case "PB-09":
            return [by_key["light"].renamed("light-again"), discharge("long", "C2", "fixed 9 V", 15.0, "M1")]
        case "PB-02":
            return [_fed_by_adapter("AD-01")]
        case "PB-05" | "PB-06":
            return [discharge("ten", "C1", "fixed 9 V", 10.0, "M2")]
        case _:
            return []


def _fed_by_adapter(adapter: str) -> Test:
    """A recharge with the adapter's mains side logged beside it."""
    source = Source(20.12, 0.10, 45.0)
    scenario = Scenario(30_000.0, source=source, plugged=lambda t: t >= 10.0, tail_s=150.0, stops="full")
    probes = ("temperature_c=case_c",)
    into = Log("C1", "M2", "fixed 20 V", "recharge", "in", None, 1.0, "in", probes, note=f"fed by {adapter}")
    wall = Log("mains", "M3", None, "efficiency", "in", None, 1.0, "wall", device=adapter, note="feeds PB-02 C1")
    return Test("fed", scenario, (into, wall), soc=0.04, rest_s=3000.0, is_grouped=True)
