"""Figures of a record without meter: what a perfect instrument would give, defined as the program's results are."""

from __future__ import annotations

import numpy as np

from .plan import Log
from .scenario import Array, Record

__all__ = ["load_of", "true_figures"]

BAND = 0.05
"""Half-width of the band in which a load counts as held."""
OFF_SHARE = 0.05
"""Charging counts as over below this share of the plateau."""
PAUSE_SHARE, PAUSE_S = 0.1, 30.0
"""A pause is a time under this share of the plateau, longer than this, after which charging goes on."""


def load_of(text: str | None) -> float | None:
    """Watts of a set load such as `30 W`; None where it is none."""
    if text is None or not text.endswith(" W"):
        return None
    return float(text[:-2])


def true_figures(log: Log, record: Record, picked: slice) -> dict[str, float]:
    """What the model knows of a log of one port, at its own step."""
    volts = record.channels[f"{log.source}.v"][picked]
    watts = volts * record.channels[f"{log.source}.a"][picked]
    t_s = record.t_s[picked]
    load = load_of(log.load_set)
    figures: dict[str, float] = {}
    if log.direction == "out" and load is not None and log.kind in {"discharge", "display"}:
        if log.gap is None:  # across a gap nobody can tell
            figures["held_s"] = _longest(t_s, np.abs(watts - load) <= BAND * load)
        figures["runtime_s"] = _span(t_s, watts >= 0.1 * load)
    if log.kind == "recharge":
        figures |= _charging(t_s, watts)
    if log.kind == "regulation":
        figures["voltage_min_v"] = float(volts.min())
        figures["voltage_max_v"] = float(volts.max())
    if log.kind == "pass-through" and log.direction == "out":
        is_low = volts < 0.8 * volts[0]
        figures["longest_dropout_s"] = _longest(t_s, is_low)
        figures["dropouts"] = float(np.count_nonzero(np.diff(is_low.astype(int)) == 1))
    return figures


def _charging(t_s: Array, watts: Array) -> dict[str, float]:
    """Time to full and pauses of a recharge."""
    plateau = float(np.median(watts[watts > 0.5 * np.percentile(watts, 95)]))
    busy = np.flatnonzero(watts > OFF_SHARE * plateau)
    active = np.flatnonzero(watts >= PAUSE_SHARE * plateau)
    breaks = np.diff(t_s[active])
    paused = float(breaks[breaks > PAUSE_S].sum())
    return {"time_to_full_s": float(t_s[busy[-1]] - t_s[busy[0]]), "pause_s": paused, "power_plateau_w": plateau}


def _span(t_s: Array, is_in: np.ndarray) -> float:
    """Time from the first to the last step that is in [s]."""
    where = np.flatnonzero(is_in)
    return float(t_s[where[-1]] - t_s[where[0]]) if len(where) else 0.0


def _longest(t_s: Array, is_in: np.ndarray) -> float:
    """Longest unbroken time that is in, from its first to its last step [s]."""
    padded = np.concatenate([[False], is_in, [False]])
    changes = np.flatnonzero(padded[1:] != padded[:-1])
    step = float(t_s[1] - t_s[0])
    return float((changes[1::2] - changes[::2] - 1).max()) * step if len(changes) else 0.0
