"""Air travel classes: 49 CFR 175.10 and IATA table 2.3.A (secondary sources); Wh = nominal V x Ah, exactly."""

from __future__ import annotations

from decimal import Decimal

import pytest

from store.usb.air_travel import air_table, flight_class, rated_energy_exact


@pytest.mark.parametrize(
    ("mah", "volts", "energy", "name"),
    [
        (10000, 3.7, "37.0", "cabin"),
        (10000, 3.6, "36.0", "cabin"),
        (20000, 3.7, "74.0", "cabin"),
        (20000, 3.85, "77.0", "cabin"),
        (26800, 3.7, "99.16", "cabin"),
        (27000, 3.7, "99.9", "cabin"),
        (27027, 3.7, "99.9999", "cabin"),
        (27028, 3.7, "100.0036", "approval"),
        (27030, 3.7, "100.011", "approval"),
        (27777, 3.6, "99.9972", "cabin"),
        (27778, 3.6, "100.0008", "approval"),
        (25974, 3.85, "99.9999", "cabin"),
        (25975, 3.85, "100.00375", "approval"),
        (43243, 3.7, "159.9991", "approval"),
        (43244, 3.7, "160.0028", "cargo only"),
        (44444, 3.6, "159.9984", "approval"),
    ],
)
def test_worked_ratings(mah: float, volts: float, energy: str, name: str) -> None:
    rated = rated_energy_exact(None, mah, volts)
    assert rated == Decimal(energy)
    assert flight_class(rated, air_table()).name == name


@pytest.mark.parametrize(
    ("energy", "name"),
    [(100.0, "cabin"), (100.01, "approval"), (160.0, "approval"), (160.01, "cargo only"), (2.7, "cabin")],
)
def test_exactly_on_a_limit_is_within(energy: float, name: str) -> None:
    rated = rated_energy_exact(energy)
    assert rated is not None
    assert flight_class(rated, air_table()).name == name


def test_marked_energy_goes_before_the_worked_one() -> None:
    assert rated_energy_exact(61.6, 99999, 9) == Decimal("61.6")
    assert rated_energy_exact(None, 1000, None) is None


def test_the_table_names_its_edition_and_defers_to_the_operator() -> None:
    table = air_table()
    assert table.valid_from.isoformat() == "2026-03-27"
    assert "operator" in table.caution
