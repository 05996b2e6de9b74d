"""Which devices stand beside another: samples of its model, and peers of its class. Knows sheets only."""

from __future__ import annotations

from collections.abc import Iterable

from store.model.sheet import DeviceSheet

__all__ = ["PEER_BAND", "peers_of", "same_model"]

PEER_BAND = 0.30
"""Rated energy, or output, within this share makes a peer."""


def same_model(sheet: DeviceSheet, others: Iterable[DeviceSheet]) -> tuple[str, ...]:
    """Other samples of the same maker and model with the same ratings; none where no model is stated."""
    if not sheet.model.strip():
        return ()
    return tuple(
        sorted(other.device for other in others if other.device != sheet.device and _key(other) == _key(sheet))
    )


def _key(sheet: DeviceSheet) -> tuple[object, ...]:
    return (
        sheet.kind,
        sheet.maker.strip().casefold(),
        sheet.model.strip().casefold(),
        sheet.energy_wh,
        sheet.output_w,
        sheet.current_a,
    )


def peers_of(sheet: DeviceSheet, others: Iterable[DeviceSheet]) -> tuple[str, ...]:
    """Devices of the same kind whose rating lies within 30 %: those with a known price first, the nearest first.

    Power banks by rated energy, adapters by output, cables by rated current. Other samples of the model are no peers.
    """
    own = _rating(sheet)
    if own is None:
        return ()
    others = list(others)
    samples = same_model(sheet, others)
    found = []
    for other in others:
        rating = _rating(other)
        if other.device == sheet.device or other.kind != sheet.kind or other.device in samples or rating is None:
            continue
        if abs(rating - own) <= PEER_BAND * own:
            found.append((other.price is None, abs(rating - own), other.device))
    return tuple(device for _, _, device in sorted(found))


def _rating(sheet: DeviceSheet) -> float | None:
    return {"power bank": sheet.energy_wh, "adapter": sheet.output_w, "cable": sheet.current_a}.get(sheet.kind)
