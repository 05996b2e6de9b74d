"""The model obeys physics: energy is conserved, and special cases follow closed forms.

Closed forms: constant current then constant voltage, and first-order heating, with worked figures computed for the
project (no outside source); exponential taper of a linear cell and maximum power transfer are textbook results.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from demo_parquet.bench.adapter import run_adapter, run_cable
from demo_parquet.bench.bank import Bank, BankSpec, Charger, Habits
from demo_parquet.bench.cell import CURVES, Curve, Pack, PackCollapsedError, pack_current
from demo_parquet.bench.fleet import ADAPTERS, BANKS, CABLES
from demo_parquet.bench.heat import Body, follow
from demo_parquet.bench.port import Load, Port
from demo_parquet.bench.scenario import Room, Scenario, Source, constant, simulate, steps

STILL = Room(25.0, 0.0)


def discharge(name: str, watts: float, *, dt_s: float = 1.0, ambient: Room = STILL):
    bank = Bank(BANKS[name], soc=1.0, temperature_c=ambient.level_c)
    scenario = Scenario(
        60_000.0,
        dt_s=dt_s,
        modes={"C1": "fixed 9 V"},
        loads={"C1": constant(Load("W", watts))},
        ambient=ambient,
        stops="empty",
    )
    return bank, simulate(bank, scenario)


@pytest.mark.parametrize("name", ["PB-01", "PB-03", "PB-09"])
def test_energy_is_conserved_over_a_discharge(name):
    """What left the cells = delivered + every loss, each summed where it arises."""
    bank, record = discharge(name, 15.0)
    book = bank.ledger
    assert book.delivered > 20.0
    assert abs(book.imbalance()) < 1e-9 * book.chemical
    # Ledger and trace are two accounts of one thing; the trace is trapezoidal, the ledger a sum of steps.
    assert record.energy_wh("C1") == pytest.approx(book.delivered, rel=1e-3)


def test_energy_is_conserved_while_charged_and_loaded_at_once():
    bank = Bank(BANKS["PB-04"], soc=0.5, temperature_c=25.0)
    scenario = Scenario(
        1800.0,
        modes={"C1": "fixed 9 V"},
        loads={"C1": constant(Load("W", 10.0))},
        source=Source(20.0, 0.1, 45.0),
        plugged=lambda t: 300.0 <= t < 1200.0,
    )
    simulate(bank, scenario)
    assert bank.ledger.taken > 5.0
    assert bank.ledger.delivered > 4.0
    assert abs(bank.ledger.imbalance()) < 1e-9 * bank.ledger.taken


def test_cells_give_the_area_under_their_curve():
    """Chemical energy = capacity x mean open-circuit voltage over the charge that was used."""
    bank, record = discharge("PB-01", 10.0)
    pack = BANKS["PB-01"].pack
    used = np.linspace(record.end_soc, 1.0, 20_001)
    area = np.trapezoid([pack.ocv(float(soc)) for soc in used], used) * pack.capacity_ah
    assert bank.ledger.chemical == pytest.approx(area, rel=1e-4)


def test_halving_the_step_changes_nothing_that_a_meter_could_see():
    """Within 0.02 % of the delivered energy: a tenth of the best meter's limit of error."""
    coarse = discharge("PB-05", 25.0, dt_s=1.0)[1].energy_wh("C1")
    fine = discharge("PB-05", 25.0, dt_s=0.5)[1].energy_wh("C1")
    assert fine == pytest.approx(coarse, rel=2e-4)


def linear_cell(soc: float) -> Bank:
    """A cell with V = 3.45 V + Q / (5 Ah/V) behind 0.1 Ω, and a lossless charger of 1.5 A to 4.2 V, ending at 75 mA."""
    curve = Curve(3.7, 4.2, (0.0, 1.0), (3.45, 4.45))
    pack = Pack(curve, 1, 5.0, 0.1, 0.0, activation_k=0.0, empty_rise=0.0)
    charger = Charger(0.0, 0.0, 0.0, 1.5, 0.075, idle_w=0.0)
    spec = BankSpec("linear", pack, Body(5.0, 1000.0, 1.0), {}, charger, Habits(quiescent_w=0.0))
    return Bank(spec, soc=soc, temperature_c=25.0)


def test_recharge_follows_constant_current_then_constant_voltage():
    """A linear cell behind R tapers as exp(-t / RC); RC = 0.1 Ω x 5 Ah/V = 1800 s.

    Closed form: 1.5 A for 2 h from 3.6 to 4.2 V, then 1.5 A exp(-t/1800 s) to 0.075 A:
    3.7125 Ah, 14.6925 Wh, 3.497866 h (computed for the project).
    """
    bank = linear_cell(0.0)
    seconds, charge_as = 0, 0.0
    while not bank.is_full:
        before = bank.soc
        bank.step(1.0, 25.0, input_w=30.0)
        charge_as += (bank.soc - before) * 5.0 * 3600.0
        seconds += 1
    # One step of 1 s at each of the two bends: 1.5 A x 1 s = 0.0004 Ah at most.
    assert charge_as / 3600.0 == pytest.approx(3.7125, abs=4e-4)
    assert bank.ledger.taken == pytest.approx(14.6925, abs=2e-3)
    assert seconds / 3600.0 == pytest.approx(3.497866, abs=2.0 / 3600.0)


@pytest.mark.parametrize(
    ("t_s", "expected_c"),
    [(600, 36.804080), (1200, 43.963617), (2400, 50.939942), (3600, 53.506388), (7200, 54.925637)],
)
def test_case_heats_to_first_order(t_s, expected_c):
    """Ta 25 °C, rise 30 K, tau 1200 s: T = Ta + dT (1 - exp(-t/tau)); worked figures computed for the project."""
    value = 25.0
    for _ in range(t_s):
        value = follow(value, 55.0, 1.0, 1200.0)
    assert value == pytest.approx(expected_c, abs=1e-6)


def test_adapter_under_constant_load_heats_by_its_losses():
    """The case ends at ambient + K/W x (wall power - port power), the same way."""
    adapter = ADAPTERS["AD-02"]
    t_s = np.arange(0.0, 5 * adapter.case_s)
    amps = np.full_like(t_s, 2.0)
    record = run_adapter(adapter, 15.0, amps, t_s, ambient_c=22.0, rng=np.random.default_rng(1))
    lost_w = record.wall.watts - record.port_v * record.port_a
    rise = adapter.case_k_per_w * lost_w[0] * (1.0 - np.exp(-t_s / adapter.case_s))
    assert np.abs(record.case_c - 22.0 - rise).max() < 1e-9
    assert np.all(record.wall.watts > record.port_v * record.port_a)


def test_wall_power_is_volts_times_amps_times_power_factor():
    t_s = np.arange(0.0, 100.0)
    record = run_adapter(ADAPTERS["AD-01"], 20.0, np.full(100, 3.0), t_s, ambient_c=22.0, rng=np.random.default_rng(2))
    wall = record.wall
    assert np.allclose(wall.volts * wall.amps * wall.power_factor, wall.watts, rtol=1e-12)


def test_a_source_gives_at_most_a_quarter_of_its_short_circuit_power():
    """Maximum power transfer, E²/(4 R)."""
    assert pack_current(1.0, 4.0, 0.1) == pytest.approx(min(np.roots([0.1, -4.0, 1.0])))
    assert pack_current(39.999, 4.0, 0.1) == pytest.approx(20.0, rel=0.01)
    with pytest.raises(PackCollapsedError):
        pack_current(40.01, 4.0, 0.1)


def test_voltage_falls_with_charge_and_resistance_rises_in_the_cold():
    for curve in CURVES.values():
        values = [curve.ocv(soc) for soc in np.linspace(0.0, 1.0, 101)]
        assert np.all(np.diff(values) > 0.0)
        assert values[-1] == curve.full_v
        # Nominal voltage is the usual mean of the curve; 5 % apart would be another chemistry.
        assert curve.energy_per_ah() == pytest.approx(curve.nominal_v, rel=0.05)
    pack = BANKS["PB-02"].pack
    assert pack.resistance(0.5, 5.0) > 1.5 * pack.resistance(0.5, 25.0)


def test_efficiency_depends_on_load_and_has_a_best_point():
    """Fixed losses rule at light load, copper at heavy load."""
    adapter = ADAPTERS["AD-02"]
    amps = np.array([0.02, 0.2, 0.8, 2.0])
    volts = adapter.port(15.0, amps)
    share = volts * amps / adapter.wall(volts, amps)
    assert share[0] < share[1] < share[2]
    assert share[3] < share[2]


def test_overload_trips_and_light_load_sleeps_as_set():
    port = Port(0.1, 0.05, 0.03, 0.02, amps={5.0: 3.0}, trip_ratio=1.25, trip_s=0.5, sleep_a=0.06, sleep_s=20.0)
    spec = BankSpec("x", BANKS["PB-02"].pack, Body(5.0, 900.0, 2.0), {"C1": port}, Charger(0.1, 0.05, 0.02, 3.0, 0.2))
    bank = Bank(spec, soc=0.8, temperature_c=25.0)
    loads = [(10.0, Load("A", 3.7)), (10.0, Load("A", 3.8))]
    scenario = Scenario(20.0, dt_s=0.1, modes={"C1": "fixed 5 V"}, loads={"C1": steps(loads, lead_s=0.0)})
    record = simulate(bank, scenario)
    off_at = record.t_s[np.argmax(record.channels["C1.a"] == 0.0)]
    assert off_at == pytest.approx(10.5, abs=0.15)
    bank = Bank(spec, soc=0.8, temperature_c=25.0)
    loads = [(30.0, Load("A", 0.07)), (60.0, Load("A", 0.05))]
    scenario = Scenario(80.0, dt_s=0.5, modes={"C1": "fixed 5 V"}, loads={"C1": steps(loads, lead_s=0.0)})
    record = simulate(bank, scenario)
    off_at = record.t_s[np.argmax(record.channels["C1.a"] == 0.0)]
    assert off_at == pytest.approx(50.0, abs=1.0)


def test_cable_warms_as_copper_does():
    """R(T) = R20 (1 + 0.00393 (T - 20 °C)); coefficient of copper from memory (handbook)."""
    cable = CABLES["CB-03"]
    t_s = np.arange(0.0, 3000.0)
    record = run_cable(cable, 20.0, np.full(3000, 5.0), t_s, ambient_c=20.0)
    rise = record.jacket_c[-1] - 20.0
    assert rise == pytest.approx(cable.warm_k_per_w * 25.0 * record.ohm[-1], rel=1e-3)
    assert record.ohm[-1] == pytest.approx(cable.loop_ohm * (1 + 0.00393 * rise), rel=1e-6)
    assert record.near_v - record.far_v == pytest.approx(record.ohm * 5.0)


def test_heat_cuts_back_and_time_at_power_ends():
    """The two habits that PB-03 and PB-09 were given show in their traces."""
    bank = Bank(BANKS["PB-03"], soc=1.0, temperature_c=22.0)
    scenario = Scenario(2600.0, modes={"C1": "fixed 20 V"}, loads={"C1": constant(Load("W", 60.0))})
    record = simulate(bank, scenario)
    assert record.power("C1").max() == pytest.approx(60.0, abs=0.01)
    assert record.power("C1")[-1] == pytest.approx(30.0, abs=0.1)
    first = int(np.argmax(record.channels["core_c"] > 73.0))
    assert math.isclose(record.power("C1")[first - 5], 60.0, abs_tol=0.01)
    bank = Bank(BANKS["PB-09"], soc=1.0, temperature_c=22.0)
    scenario = Scenario(1300.0, modes={"C1": "fixed 20 V"}, loads={"C1": constant(Load("W", 100.0), lead_s=0.0)})
    power = simulate(bank, scenario).power("C1")
    assert np.count_nonzero(power > 99.0) == pytest.approx(1080, abs=2)
    # The controller's limit acts before the source resistance: 65 W x 22 mΩ x 3.25 A / 20 V = 0.23 W less outside.
    assert power[-1] == pytest.approx(64.77, abs=0.02)
