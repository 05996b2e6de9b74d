"""Which levels, modes and ports the course of tests uses on each power bank. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from .plan import Display

__all__ = ["COURSES", "Course"]


@dataclass(frozen=True)
class Course:
    """What is tested on one power bank, at which levels."""

    device: str
    top_mode: str
    rated_w: float
    half_w: float
    input_port: str
    input_mode: str
    input_w: float
    passes_from: str
    """Output port of the pass-through test; the input is `passes_into`."""
    passes_into: str
    dropout_s: float = 0.0
    """How long the output is away when the input is plugged or pulled [s]."""
    display: Display | None = None
    pair_w: tuple[float, float] | None = None
    """Loads of the test with two ports at once, C1 and A1 [W]."""
    a_mode: str = "default 5 V"
    a_w: float = 10.0
    regulation_at_end: bool = False
    repeats: int = 2
    half_meter: str = "M2"


COURSES: tuple[Course, ...] = (
    Course("PB-01", "fixed 9 V", 18.0, 10.0, "C1", "fixed 9 V", 18.0, "A1", "C1", 0.3),
    Course(
        "PB-02",
        "fixed 20 V",
        65.0,
        30.0,
        "C1",
        "fixed 20 V",
        45.0,
        "C1",
        "C2",
        0.0,
        Display(steps=((0.0, 0.0), (0.1, 0.02), (0.25, 0.24), (0.6, 0.61), (0.95, 1.0), (1.0, 1.0))),
        (45.0, 12.0),
    ),
    Course("PB-03", "fixed 20 V", 60.0, 30.0, "C1", "fixed 20 V", 40.0, "C1", "C2", 0.0, repeats=3),
    Course(
        "PB-04",
        "fixed 20 V",
        100.0,
        45.0,
        "C1",
        "fixed 20 V",
        65.0,
        "C1",
        "C2",
        1.7,
        Display(steps=((0.0, 0.0), (0.08, 0.2), (0.5, 0.62), (0.9, 1.0), (1.0, 1.0)), watts_factor=0.97),
        (65.0, 12.0),
    ),
    Course("PB-05", "fixed 15 V", 30.0, 15.0, "C1", "fixed 9 V", 20.0, "A1", "C1", 0.25, repeats=3, half_meter="M1"),
    Course("PB-06", "fixed 15 V", 30.0, 15.0, "C1", "fixed 9 V", 20.0, "A1", "C1", 0.25, repeats=3, half_meter="M1"),
    Course("PB-07", "fixed 20 V", 45.0, 20.0, "C1", "fixed 20 V", 45.0, "A1", "C1", 0.2),
    Course(
        "PB-08",
        "fixed 20 V",
        65.0,
        30.0,
        "C1",
        "fixed 20 V",
        65.0,
        "C1",
        "C2",
        0.0,
        None,
        (45.0, 12.0),
        regulation_at_end=True,
    ),
    Course(
        "PB-09",
        "fixed 20 V",
        100.0,
        65.0,
        "C1",
        "fixed 20 V",
        65.0,
        "C1",
        "C2",
        0.0,
        Display(steps=((0.0, 0.0), (0.05, 0.05), (0.5, 0.51), (1.0, 1.0)), volts_bias=0.02, watts_factor=1.005),
        (45.0, 12.0),
        "fixed 9 V",
        15.0,
    ),
)
