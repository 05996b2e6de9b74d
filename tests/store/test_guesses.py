"""Facts that a log's name and trace suggest: right where they are given, none where the log does not tell."""

from __future__ import annotations

import secrets

import numpy as np
import pytest

from importers.schema import Facts
from store import Library
from store.devices.sheet_reader import read_sheet
from store.imports.guesses import LogLook, contradicted_facts, guesses_from_name, guesses_from_trace, look_at_log
from store.imports.importer import Order, inspect_file
from tests.builders import ONE_CLAIM

SHEETS = {name: read_sheet(ONE_CLAIM.format(device=name)).sheet for name in ("PB-01", "PB-010", "PB-03")}


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("PB-01_C1_30W_20V.csv", {"device": "PB-01", "port": "C1", "load": "30 W", "mode": "fixed 20 V"}),
        ("pb01 a1 light-load.txt", {"device": "PB-01", "port": "A1", "kind": "light-load"}),
        ("PB-010-discharge-1.5a.csv", {"device": "PB-010", "kind": "discharge", "load": "1.5 A"}),
        ("PB-03_C1_C2.csv", {"device": "PB-03"}),  # two ports: which one is not told
        ("log_0001.csv", {}),
        ("2026-02-11 14.03.csv", {}),
    ],
)
def test_names(name: str, expected: dict[str, str]) -> None:
    assert {fact: guess.value for fact, guess in guesses_from_name(name, SHEETS).items()} == expected


def values(rng: np.random.Generator, volts: float, amps: np.ndarray) -> dict[str, np.ndarray]:
    count = len(amps)
    noisy = amps * (1 + 0.004 * rng.standard_normal(count))
    level = volts * (1 + 0.002 * rng.standard_normal(count)) - 0.02 * noisy
    return {"t_s": np.arange(count) * 1.0, "voltage_v": level, "current_a": noisy}


def test_drawn_logs() -> None:
    """Discharges, recharges, sweeps and idle logs of drawn lengths, voltages and loads."""
    seed = secrets.randbits(32)
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    for _ in range(60):
        volts = float(rng.choice([5.0, 9.0, 12.0, 15.0, 20.0, 28.0]))
        amps, count = float(rng.uniform(0.3, 3.0)), int(rng.integers(300, 5000))
        mode = "5 V" if volts == 5 else f"fixed {volts:g} V"
        steady = np.full(count, amps)
        steady[: int(rng.integers(0, 6))] = 0.0
        found = guesses_from_trace(values(rng, volts, steady), None)
        assert (found["kind"].value, found["mode"].value) == ("discharge", mode)
        number, unit = found["load"].value.split()
        assert float(number) == pytest.approx(amps * volts if unit == "W" else amps, rel=0.1, abs=0.3)
        tail = amps * np.exp(-np.arange(count) / (count / rng.uniform(2.5, 6.0)))
        charging = np.concatenate([np.full(int(count * rng.uniform(0.3, 2.0)), amps), tail])
        assert guesses_from_trace(values(rng, volts, charging), None)["kind"].value == "recharge"
        assert guesses_from_trace(values(rng, volts, steady), "in")["kind"].value == "recharge"
        levels = np.repeat(np.linspace(0.1, 3.0, int(rng.integers(5, 12))), 40)
        assert guesses_from_trace(values(rng, volts, levels), None)["kind"].value == "regulation"
        idle = guesses_from_trace(values(rng, volts, np.full(count, 0.001)), None)
        assert idle["kind"].value == "standby"


def test_a_log_that_tells_nothing_gets_no_guess() -> None:
    assert guesses_from_trace({"t_s": np.arange(50.0), "temperature_c": np.full(50, 22.0)}, None) == {}
    assert guesses_from_trace({"t_s": np.arange(2.0), "voltage_v": np.ones(2), "current_a": np.ones(2)}, None) == {}
    odd = values(np.random.default_rng(1), 7.0, np.full(500, 1.0))
    assert "mode" not in guesses_from_trace(odd, None)  # no fixed mode is near 7 V
    empty = {"t_s": np.arange(50.0), "voltage_v": np.full(50, np.nan), "current_a": np.full(50, np.nan)}
    assert "mode" not in guesses_from_trace(empty, None)


def test_what_the_trace_or_the_sheet_contradicts() -> None:
    look = LogLook(voltage_mean_v=9.0)
    facts = {"device": "PB-01", "port": "C7", "mode": "fixed 20 V", "kind": "discharge"}
    assert contradicted_facts(look, facts, SHEETS).keys() == {"port", "mode"}
    assert contradicted_facts(look, {**facts, "port": "C1", "mode": "fixed 9 V"}, SHEETS) == {}


def test_a_file_is_looked_at_without_being_stored(tmp_path) -> None:
    """Also one longer than what is kept of it, and one that is a longer version of an imported log."""
    library = Library.create(tmp_path / "store", zone="UTC")
    rows = [f"{n},{20 + n % 7 / 1000:.3f},{1.5 + n % 5 / 1000:.3f}" for n in range(90_000)]
    log = tmp_path / "PB-01_C1.csv"
    log.write_text("Elapsed [s],Voltage [V],Current [A]\n" + "\n".join(rows[:500]) + "\n")
    (run_id,) = library.imports.add(log, Facts(device="PB-01"))[0].run_ids
    log.write_text("Elapsed [s],Voltage [V],Current [A]\n" + "\n".join(rows) + "\n")
    look = look_at_log(library, log, inspect_file(log, library, Order()), SHEETS)
    assert (look.samples, look.runs, look.grown_from) == (90_000, 1, (run_id,))
    assert {fact: guess.value for fact, guess in look.guesses.items()} == {
        "device": "PB-01", "port": "C1", "mode": "fixed 20 V", "kind": "discharge", "load": "30 W",
    }  # fmt: skip
    assert library.runs.page("").total == 1
