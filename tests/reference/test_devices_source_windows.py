"""Voltage windows of USB sources: two independent secondary quotes of vSrcNew and vSrcValid; vSafe5V and the PPS
windows from memory.
"""

from __future__ import annotations

import pytest

from store.usb.source_windows import SAFE_5V, pps_current_window, pps_window, steady_window, transient_window


@pytest.mark.parametrize(
    ("nominal", "steady", "transient"),
    [
        (5, (4.75, 5.25), (4.25, 5.75)),
        (9, (8.55, 9.45), (8.05, 9.95)),
        (12, (11.40, 12.60), (10.90, 13.10)),
        (15, (14.25, 15.75), (13.75, 16.25)),
        (20, (19.00, 21.00), (18.50, 21.50)),
        (28, (26.60, 29.40), (26.10, 29.90)),
        (36, (34.20, 37.80), (33.70, 38.30)),
        (48, (45.60, 50.40), (45.10, 50.90)),
    ],
)
def test_windows_of_fixed_supplies(nominal: float, steady: tuple[float, float], transient: tuple[float, float]) -> None:
    """4.25, 8.05, 10.9, 13.75 and 18.5 V also stand in a public firmware's comment."""
    window, wide = steady_window(nominal), transient_window(nominal)
    assert (window.lower, window.upper) == pytest.approx(steady)
    assert (wide.lower, wide.upper) == pytest.approx(transient)
    assert window.holds(steady[0])
    assert window.holds(steady[1])
    assert not window.holds(steady[1] + 0.001)
    assert window.margin(nominal) == pytest.approx(0.05 * nominal)


def test_five_volts_have_two_upper_limits() -> None:
    assert steady_window(5).upper == 5.25
    assert SAFE_5V.upper == 5.5


@pytest.mark.parametrize(
    ("volts", "low", "high"), [(3.3, 3.135, 3.465), (9, 8.55, 9.45), (11, 10.45, 11.55), (21, 19.95, 22.05)]
)
def test_windows_of_programmable_supplies(volts: float, low: float, high: float) -> None:
    assert (pps_window(volts).lower, pps_window(volts).upper) == pytest.approx((low, high))


@pytest.mark.parametrize(
    ("amps", "low", "high"), [(2, 1.85, 2.15), (3, 2.85, 3.15), (3.25, 3.0875, 3.4125), (5, 4.75, 5.25)]
)
def test_current_limits_of_programmable_supplies(amps: float, low: float, high: float) -> None:
    window = pps_current_window(amps)
    assert window is not None
    assert (window.lower, window.upper) == pytest.approx((low, high))
    assert pps_current_window(0.9) is None
