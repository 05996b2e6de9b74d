"""The store's nine power banks, four adapters and three cables, with the weakness that each was built with."""

from __future__ import annotations

from .adapter import Adapter, Cable
from .bank import BankSpec, Charger, Habits
from .cell import CURVES, Pack
from .heat import Body
from .port import Port

__all__ = ["ADAPTERS", "BANKS", "CABLES"]

C_65 = {5.0: 3.0, 9.0: 3.0, 12.0: 3.0, 15.0: 3.0, 20.0: 3.25}
C_60 = {5.0: 3.0, 9.0: 3.0, 12.0: 3.0, 15.0: 3.0, 20.0: 3.0}
C_100 = {5.0: 3.0, 9.0: 3.0, 12.0: 3.0, 15.0: 3.0, 20.0: 5.0}
C_45 = {5.0: 3.0, 9.0: 3.0, 12.0: 3.0, 15.0: 3.0, 20.0: 2.25}
C_30 = {5.0: 3.0, 9.0: 3.0, 12.0: 2.5, 15.0: 2.0}
C_20 = {5.0: 3.0, 9.0: 2.22, 12.0: 1.67}
A_18 = {5.0: 3.0, 9.0: 2.0, 12.0: 1.5}
A_15 = {5.0: 3.0}


def _type_c(amps: dict[float, float], *, copper: float = 0.035, **other: float) -> Port:
    """A USB-C output with typical losses."""
    values: dict[str, float] = {"fixed_w": 0.17, "share": 0.054, "droop_ohm": 0.022, "sleep_a": 0.055, **other}
    return Port(copper_ohm=copper, amps=amps, **values)


def _type_a(amps: dict[float, float], **other: float) -> Port:
    """A USB-A output: longer traces, more droop."""
    values: dict[str, float] = {
        "fixed_w": 0.12,
        "share": 0.066,
        "copper_ohm": 0.05,
        "droop_ohm": 0.034,
        "sleep_a": 0.07,
        "sleep_s": 32.0,
        **other,
    }
    return Port(amps=amps, **values)


def _pack(chemistry: str, series: int, ah: float, ohm: float) -> Pack:
    """A pack of `series` cells that really holds `ah` at the pack's terminals; `ohm` of the whole pack."""
    return Pack(CURVES[chemistry], series, ah, ohm, 0.55 * ohm)


def _small(name: str, ah: float) -> BankSpec:
    """The two samples of one 10,000 mAh, 30 W model."""
    return BankSpec(
        name,
        _pack("3.85 V", 2, ah, 0.048),
        Body(7.6, 980.0, 3.4),
        {"C1": _type_c(C_30, trip_ratio=1.17, retry_s=14.0), "A1": _type_a(A_18, trip_ratio=1.3)},
        Charger(0.10, 0.065, 0.02, 3.6, 0.25),
        Habits(quiescent_w=0.045),
    )


BANKS: dict[str, BankSpec] = {
    "PB-01": BankSpec(
        "PB-01",
        _pack("3.7 V", 1, 9.75, 0.021),
        Body(8.2, 900.0, 3.0),
        {"C1": _type_c(C_20, copper=0.05, retry_s=8.0, sleep_a=0.045, sleep_s=40.0), "A1": _type_a(A_18)},
        Charger(0.09, 0.07, 0.012, 5.6, 0.45),
        Habits(quiescent_w=0.03, fold_v=3.12),
    ),
    "PB-02": BankSpec(
        "PB-02",
        _pack("3.6 V", 2, 9.9, 0.034),
        Body(4.1, 1500.0, 2.0),
        {
            "C1": _type_c(C_65, trip_ratio=1.14, retry_s=21.0, sleep_a=0.085),
            "C2": _type_c(C_30),
            "A1": _type_a(A_18),
        },
        Charger(0.16, 0.06, 0.014, 6.6, 0.5),
        Habits(quiescent_w=0.07),
    ),
    # Energy short of its claim, and cut back by heat at its rated power.
    "PB-03": BankSpec(
        "PB-03",
        _pack("3.85 V", 4, 3.44, 0.125),
        Body(5.2, 1250.0, 2.9),
        {
            "C1": _type_c(C_60, copper=0.12, share=0.07, trip_ratio=1.22, retry_s=12.0),
            "C2": _type_c(C_30, copper=0.09, share=0.075),
            "A1": _type_a(A_18, share=0.085),
        },
        Charger(0.22, 0.08, 0.05, 2.75, 0.16),
        Habits(quiescent_w=0.11, cutback_c=73.0, recover_c=45.0, cutback_w=30.0),
    ),
    # Interrupts its output whenever something is plugged into or pulled from its input.
    "PB-04": BankSpec(
        "PB-04",
        _pack("3.7 V", 4, 6.4, 0.062),
        Body(3.2, 1900.0, 1.6),
        {
            "C1": _type_c(C_100, copper=0.028, trip_ratio=1.12, trip_s=1.2, retry_s=30.0, sleep_a=0.0),
            "C2": _type_c(C_60),
            "A1": _type_a(A_18),
        },
        Charger(0.2, 0.06, 0.02, 4.6, 0.35),
        Habits(quiescent_w=0.09),
    ),
    "PB-05": _small("PB-05", 4.84),
    "PB-06": _small("PB-06", 4.613),
    # A1 droops out of its window under load.
    "PB-07": BankSpec(
        "PB-07",
        _pack("3.7 V", 2, 9.75, 0.036),
        Body(4.6, 1380.0, 2.2),
        {
            "C1": _type_c(C_45, trip_ratio=1.35, limit_ohm=0.9, trip_s=0.8, sleep_a=0.105, sleep_s=30.0),
            "A1": _type_a(A_15, droop_ohm=0.145, set_error=0.006, trip_ratio=1.4),
        },
        Charger(0.15, 0.062, 0.018, 5.2, 0.4),
        Habits(quiescent_w=0.05, fold_v=3.1),
    ),
    # Pauses for heat while it is recharged.
    "PB-08": BankSpec(
        "PB-08",
        _pack("3.6 V", 4, 5.74, 0.078),
        Body(4.6, 1150.0, 2.4),
        {"C1": _type_c(C_65, retry_s=18.0), "C2": _type_c(C_45), "A1": _type_a(A_18)},
        Charger(0.25, 0.085, 0.05, 4.4, 0.4, pause_c=60.0, resume_c=42.0),
        Habits(quiescent_w=0.08),
    ),
    # Gives its rated power for eighteen minutes, then less.
    "PB-09": BankSpec(
        "PB-09",
        _pack("3.7 V", 4, 6.42, 0.06),
        Body(3.1, 1750.0, 1.6),
        {
            "C1": _type_c(C_100, copper=0.03, trip_ratio=1.1, trip_s=0.6, retry_s=25.0, sleep_a=0.035, sleep_s=60.0),
            "C2": _type_c(C_65),
            "A1": _type_a(A_18, sleep_a=0.0),
        },
        Charger(0.2, 0.06, 0.02, 4.4, 0.35),
        Habits(quiescent_w=0.1, boost_s=1080.0, boost_w=65.0),
    ),
}

ADAPTERS: dict[str, Adapter] = {
    "AD-01": Adapter("AD-01", 65.0, 0.055, 0.068, 0.19, 0.020, per_volt_w=0.006),
    # Misses the efficiency that it claims.
    "AD-02": Adapter("AD-02", 30.0, 0.036, 0.122, 0.35, 0.035, per_volt_w=0.011, case_k_per_w=9.0),
    "AD-03": Adapter("AD-03", 100.0, 0.08, 0.062, 0.12, 0.016, per_volt_w=0.008, case_k_per_w=4.2, case_s=1500.0),
    # Takes more at no load than it claims.
    "AD-04": Adapter("AD-04", 20.0, 0.128, 0.078, 0.17, 0.040, per_volt_w=0.004, case_k_per_w=11.0, case_s=800.0),
}

CABLES: dict[str, Cable] = {
    "CB-01": Cable("CB-01", 0.148, 3.0),
    # Too thin for the five amperes that it claims.
    "CB-02": Cable("CB-02", 0.214, 5.0, warm_k_per_w=5.0),
    "CB-03": Cable("CB-03", 0.092, 5.0, warm_k_per_w=5.5),
}
