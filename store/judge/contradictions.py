"""Facts of a run that its own trace, or its device's sheet, contradicts: until they are settled it judges nothing.

Knows facts and numbers of runs; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection

from store.usb.offers import read_mode

__all__ = ["contradictions"]

_LOWEST = 0.8
"""A loaded port sags, and a cable drops: a fifth under the mode's voltage contradicts it. Chosen by us."""
_HIGHEST = 1.12
"""No source of a mode gives an eighth more than its voltage. Chosen by us: USB PD allows 5 % and the cable's share."""
_SAGGING = frozenset({"overload", "pass-through", "cable", "display", "heat"})
"""Kinds of runs whose mean voltage says nothing of the mode."""
_ELSEWHERE = frozenset({"mains", "ac", "probe"})
"""Places that no sheet lists as ports of the device."""


def contradictions(
    run: str,
    *,
    port: str | None,
    mode: str | None,
    kind: str | None,
    value: Callable[[str], float | None],
    ports: Collection[str] = (),
) -> tuple[str, ...]:
    """What does not fit, as sentences that say how to settle it; empty where all fits.

    Args:
        run: The run's number, or RUN where it has none yet.
        port: As stated.
        mode: As stated.
        kind: What was done.
        value: The run's results by name; None where it has none.
        ports: Names of the ports on the device's sheet; empty where there is no sheet.
    """
    found = []
    voltage_v = value("voltage_mean_v")
    is_elsewhere = port is not None and port.strip().casefold() in _ELSEWHERE
    stated = read_mode(mode) if mode and kind not in _SAGGING and not is_elsewhere else None
    lowest, highest = (_LOWEST * stated.lowest_v, _HIGHEST * stated.highest_v) if stated else (0.0, math.inf)
    if voltage_v is not None and not lowest <= voltage_v <= highest:
        found.append(
            f"The mode is stated as {mode}, and the trace shows {voltage_v:.3g} V. "
            f"`joulebook edit {run} --mode MODE` settles it."
        )
    known = {name.casefold() for name in ports}
    if port and known and not {part.strip().casefold() for part in port.split("+")} <= known | _ELSEWHERE:
        found.append(
            f"The device's sheet has no port {port}, only {', '.join(ports)}. "
            f"`joulebook edit {run} --port PORT` or a port on the sheet settles it."
        )
    return tuple(found)
