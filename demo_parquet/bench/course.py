"""The course of tests that each power bank goes through, as a list of planned tests."""

from __future__ import annotations

from dataclasses import replace

from .courses import Course
from .plan import Log, Test
from .port import OFF, Load, parse_mode
from .scenario import Contract, Programme, Room, Scenario, Source, constant, ramp, steps

__all__ = ["CASE", "ROOM_C", "course_of", "discharge", "sweep"]

CASE = ("temperature_c=case_c",)
ROOM_C = 21.8


def course_of(course: Course) -> list[Test]:
    """All tests of one power bank, in the order in which they are done."""
    return [
        *_endurance(course),
        *_regulation(course),
        *_protection(course),
        *_plugging(course),
        *_heat_and_rest(course),
        *_extras(course),
    ]


def _watts(value: float) -> str:
    return f"{value:g} W"


def discharge(
    key: str,
    port: str,
    mode: str,
    watts: float,
    meter: str,
    *,
    ambient_c: float = ROOM_C,
    interval_s: float = 1.0,
    **log: object,
) -> Test:
    """Full to empty at one power."""
    scenario = Scenario(
        60_000.0,
        dt_s=min(interval_s, 1.0),
        modes={port: mode},
        loads={port: constant(Load("W", watts))},
        ambient=Room(ambient_c),
        tail_s=40.0,
        stops="empty",
    )
    entry = Log(
        port,
        meter,
        mode,
        "discharge",
        "out",
        _watts(watts),
        interval_s,
        port,
        CASE if meter in {"M1", "M2"} else (),
        **log,  # type: ignore[arg-type]
    )
    return Test(key, scenario, (entry,))


def _recharge(key: str, course: Course, ambient_c: float, meter: str, *, interval_s: float = 1.0) -> Test:
    """From where the discharge before it ended to full."""
    source = Source(parse_mode(course.input_mode) * 1.006, 0.10, course.input_w)
    scenario = Scenario(
        30_000.0,
        source=source,
        plugged=lambda t: t >= 6.0,
        ambient=Room(ambient_c, phase=1.0),
        tail_s=150.0,
        stops="full",
    )
    entry = Log(course.input_port, meter, course.input_mode, "recharge", "in", None, interval_s, "in", CASE)
    return Test(key, scenario, (entry,), soc=None, rest_s=2400.0)


def _endurance(course: Course) -> list[Test]:
    """Discharges at several powers, modes and temperatures, and the recharges that follow."""
    top, rated, half = course.top_mode, course.rated_w, course.half_w
    tests = []
    for number in range(course.repeats):
        tests.append(discharge(f"rated-{number + 1}", "C1", top, rated, "M1"))
        if number < 2:
            tests.append(_recharge(f"recharge-{number + 1}", course, ROOM_C, "M1"))
    tests += [
        discharge("half", "C1", top, half, course.half_meter),
        discharge("hot", "C1", top, rated, "M1", ambient_c=35.0),
        _recharge("recharge-hot", course, 35.0, "M1"),
        discharge("cold", "C1", top, half, "M2", ambient_c=5.0),
        discharge("nine", "C1", "fixed 9 V", min(15.0, 0.8 * rated), "M1", interval_s=2.0),
        discharge("five-a", "A1", course.a_mode, course.a_w, "M4", interval_s=2.0),
    ]
    return tests


def _levels(offered_a: float) -> list[float]:
    """Current levels of a regulation sweep [A], up to what is offered and back to none."""
    shares = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 0.5, 0.1)
    return [round(share * offered_a, 3) for share in shares]


def sweep(key: str, port: str, mode: str, offered_a: float, meter: str, **log: object) -> Test:
    """A load sweep at half charge."""
    levels = [(20.0, Load("A", amps) if amps else OFF) for amps in _levels(offered_a)]
    scenario = Scenario(
        4.0 + 20.0 * len(levels), dt_s=0.5, modes={port: mode}, loads={port: steps(levels)}, ambient=Room(ROOM_C)
    )
    entry = Log(port, meter, mode, "regulation", "out", f"0 to {offered_a:g} A", 0.5, port, **log)  # type: ignore[arg-type]
    return Test(key, scenario, (entry,), soc=0.6, rest_s=600.0)


def _regulation(course: Course) -> list[Test]:
    """Sweeps of each port in its main modes."""
    top = course.top_mode
    top_a = round(course.rated_w / parse_mode(top), 3)
    at_end: dict[str, object] = {}
    if course.regulation_at_end:
        at_end = {
            "measured_at": "cable end",
            "cable_mohm": 92.0,
            "note": "taken at the load's terminals, through CB-03",
        }
    return [
        sweep("sweep-top", "C1", top, top_a, "M2", **at_end),
        sweep("sweep-nine", "C1", "fixed 9 V", min(3.0, top_a if top == "fixed 9 V" else 3.0), "M2"),
        sweep("sweep-five", "C1", "fixed 5 V", 3.0, "M2"),
        sweep("sweep-a", "A1", "default 5 V", 3.0, "M2"),
    ]


def _overload(key: str, port: str, mode: str, offered_a: float) -> Test:
    """A current that rises slowly past what is offered until the port trips, and what comes after."""
    start = round(0.8 * offered_a, 2)
    slope = 0.01 * offered_a
    scenario = Scenario(
        150.0,
        dt_s=0.1,
        modes={port: mode},
        loads={port: _until_trip(start, slope, 1.6 * offered_a)},
        ambient=Room(ROOM_C),
    )
    entry = Log(
        port, "M2", mode, "overload", "out", f"{start:g} A rising", 0.1, port, note="attended; fire blanket at hand"
    )
    return Test(key, scenario, (entry,), soc=0.7, rest_s=900.0)


def _until_trip(start_a: float, slope: float, top_a: float) -> Programme:
    """A ramp that ends at top_a and is then taken away, as the tester does after a trip."""
    rising = ramp(start_a, slope, hold_s=10.0)
    end_s = 14.0 + (top_a - start_a) / slope
    return lambda t: rising(t) if t < end_s else OFF


def _protection(course: Course) -> list[Test]:
    """Overload of two ports and a falling light load."""
    top_a = round(course.rated_w / parse_mode(course.top_mode), 3)
    small = [0.2, 0.15, 0.12, 0.1, 0.08, 0.06, 0.05, 0.04, 0.03, 0.02, 0.01]
    light = [(90.0, Load("A", amps)) for amps in small]
    scenario = Scenario(
        1000.0, modes={"C1": "fixed 5 V"}, loads={"C1": steps(light)}, ambient=Room(ROOM_C), tail_s=60.0
    )
    entry = Log("C1", "M2", "fixed 5 V", "light-load", "out", "0.2 A falling", 1.0, "C1")
    return [
        _overload("overload-top", "C1", course.top_mode, top_a),
        _overload("overload-a", "A1", "default 5 V", 3.0),
        Test("light", scenario, (entry,), soc=0.7, rest_s=600.0),
    ]


def _plugging(course: Course) -> list[Test]:
    """Output under load while the input is plugged, pulled and plugged again."""
    port, mode = course.passes_from, "fixed 9 V" if course.passes_from == "C1" else "default 5 V"
    volts, edges = parse_mode(mode), (60.0, 180.0, 270.0)
    contracts: list[Contract] = []
    for edge in edges:
        if not course.dropout_s:  # the power path changes over: a dip, no dropout
            contracts += [Contract(edge + 0.2, port, 0.985 * volts), Contract(edge + 0.5, port, volts)]
        else:
            contracts.append(Contract(edge + 0.2, port, 0.0))
            contracts.append(Contract(edge + 0.2 + course.dropout_s, port, 5.0))
            if volts > 5.0:
                contracts.append(Contract(edge + 3.1 + course.dropout_s, port, volts))
    scenario = Scenario(
        360.0,
        dt_s=0.1,
        modes={port: mode},
        loads={port: constant(Load("W", 10.0))},
        contracts=tuple(contracts),
        source=Source(9.05, 0.1, 18.0),
        plugged=lambda t: edges[0] <= t < edges[1] or t >= edges[2],
        ambient=Room(ROOM_C),
    )
    out = Log(port, "M2", mode, "pass-through", "out", "10 W", 0.1, port)
    into = Log(course.passes_into, "M1", "fixed 9 V", "pass-through", "in", None, 0.5, "in", starts_at_s=12.0)
    return [Test("pass", scenario, (out, into), soc=0.55, rest_s=900.0, is_grouped=True)]


def _heat_and_rest(course: Course) -> list[Test]:
    """Heat with a separate thermometer, and a port that is left without load."""
    watts = course.half_w if course.half_w >= 20.0 else course.rated_w
    scenario = Scenario(
        7200.0,
        modes={"C1": course.top_mode},
        loads={"C1": constant(Load("W", watts), lead_s=12.0)},
        ambient=Room(23.2, 0.4),
        tail_s=900.0,
        stops="empty",
    )
    electric = Log("C1", "M2", course.top_mode, "heat", "out", _watts(watts), 1.0, "C1", starts_at_s=5.0)
    probes = ("temperature_c=case_c", "temperature_2_c=cell_c", "temperature_ambient_c=ambient_c")
    thermal = Log(
        "C1", "T1", course.top_mode, "heat", "out", _watts(watts), 5.0, "", probes, note="probe 2 beside the port"
    )
    quiet = Scenario(1500.0, modes={"C1": "fixed 5 V"}, ambient=Room(ROOM_C))
    standby = Log("C1", "M2", "fixed 5 V", "standby", "out", "no load", 1.0, "C1")
    return [
        Test("heat", scenario, (electric, thermal), is_grouped=True),
        Test("standby", quiet, (standby,), soc=0.9, rest_s=600.0),
    ]


def _extras(course: Course) -> list[Test]:
    """Two ports at once and the display, where the device has them."""
    tests = []
    if course.pair_w:
        first, second = course.pair_w
        scenario = Scenario(
            30_000.0,
            modes={"C1": course.top_mode, "A1": "default 5 V"},
            loads={"C1": constant(Load("W", first)), "A1": constant(Load("W", second), lead_s=20.0)},
            ambient=Room(ROOM_C),
            stops="empty",
        )
        note = "both ports loaded"
        logs = (
            Log("C1", "M1", course.top_mode, "discharge", "out", _watts(first), 1.0, "C1", CASE, note=note),
            Log("A1", "M2", "default 5 V", "discharge", "out", _watts(second), 1.0, "A1", starts_at_s=9.0, note=note),
        )
        tests.append(Test("pair", scenario, logs, is_grouped=True))
    if course.display:
        shown = discharge("display", "C1", course.top_mode, course.half_w, "M1", display=course.display)
        tests.append(replace(shown, logs=(replace(shown.logs[0], kind="display", probes=()),)))
    return tests
