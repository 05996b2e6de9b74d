"""Which way energy flows, and whether a meter's signs are turned round.

Knows columns of one port in channel units. Knows no file.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Sense", "find_sense"]

_COUNTERS = ("charge_ah", "energy_wh")
_NOISE = 0.005
"""Share of the flow that counts as noise about zero (chosen by us: half a percent)."""


@dataclass(frozen=True, slots=True)
class Sense:
    """Direction and signs of one port."""

    direction: str | None
    turned: tuple[str, ...] = ()
    follow_current: bool = False
    """True where power has no sign of its own though the current changes sign."""
    note: str = ""
    is_mixed: bool = False


def _flow(values: npt.NDArray[np.float64] | None) -> str:
    """Tell `positive`, `negative`, `both` or empty where nothing flows."""
    if values is None:
        return ""
    good = values[np.isfinite(values)]
    up, down = float(good[good > 0].sum()), float(-good[good < 0].sum())
    if up + down == 0.0:
        return ""
    if down <= _NOISE * (up + down):
        return "positive"
    return "negative" if up <= _NOISE * (up + down) else "both"


def find_sense(
    values: dict[str, npt.NDArray[np.float64]], side: str | None, stated: str | None, *, is_descending: bool = False
) -> Sense:
    """Settle direction and signs.

    Args:
        values: arrays in channel units by channel name.
        side: `out` or `in` by the labels.
        stated: `out` or `in` by the preamble or the tester.
        is_descending: True where the file holds its last sample first.
    """
    current, power = values.get("current_a"), values.get("power_w")
    flows = {"current_a": _flow(current), "power_w": _flow(power)}
    direction = stated or side
    turned = [name for name, flow in flows.items() if flow == "negative"]
    mixed = "both" in flows.values()
    note = ""
    if mixed:
        rate = power if flows["power_w"] == "both" else current
        net = float(np.nansum(rate)) if rate is not None else 0.0
        turned = [n for n in flows if flows[n] in {"both", "negative"}] if net < 0 else []
        if turned:
            direction = direction or "out"
            turned += [n for n in _COUNTERS if n in values and _nets_down(values[n], is_descending=is_descending)]
        follow = flows["current_a"] == "both" and flows["power_w"] == "positive"
        note = "energy flows both ways in this log"
        note += "; signs are turned so that the main flow is positive" if turned else "; signs are kept"
        return Sense(direction, tuple(turned), follow, note, is_mixed=True)
    if turned:
        if direction is None:
            direction = "out"
            note = "the meter logs this flow as negative, as discharge is; signs are turned so that it is positive"
        else:
            note = "the meter logs this flow as negative; signs are turned so that it is positive"
    for name in _COUNTERS:
        counter = values.get(name)
        if counter is not None and _falls(counter[::-1] if is_descending else counter):
            turned.append(name)
    return Sense(direction, tuple(turned), note=note)


def _nets_down(counter: npt.NDArray[np.float64], *, is_descending: bool) -> bool:
    good = counter[np.isfinite(counter)]
    return len(good) > 1 and float(good[-1] - good[0]) * (-1.0 if is_descending else 1.0) < 0.0


def _falls(counter: npt.NDArray[np.float64]) -> bool:
    change = np.diff(counter[np.isfinite(counter)])
    return float((change < 0).sum()) > 0.8 * float((change != 0).sum()) > 0.0
