"""An account of a result in words: its inputs, by name and value. Knows words and numbers only."""

from __future__ import annotations

from collections.abc import Iterator

from store.model.results import Account
from store.words.quantities import unit_of

__all__ = ["account_words"]


def account_words(account: Account) -> Iterator[tuple[str, str]]:
    """What was chosen, numbers with their units, words, spans, constants, corrections: each that there is."""
    chosen = (
        ("power", account.power),
        ("counted", account.counted),
        ("over", account.ambient),
        ("rule", account.rule),
        ("rule before", account.base_rule),
        ("energy flows", account.direction),
        ("probe", account.probe),
    )
    yield from ((name, str(value)) for name, value in chosen if value)
    yield from (_number(name, value) for name, value in account.numbers.items())
    yield from ((name.replace("_", " "), text) for name, text in account.told.items())
    yield from ((f"{word} at (s)", f"{moment.at_s:.7g}, {moment.how}") for word, moment in account.moments.items())
    if account.spans:
        yield "found at", "; ".join(", ".join(f"{value:.7g}" for value in span) for span in account.spans)
    yield from ((f"constant {name}", f"{value:.6g}") for name, value in account.constants.items())
    for item in account.corrections:
        yield f"gain of {item.channel}", f"{item.gain:.6g}"
        yield f"offset of {item.channel}", f"{item.offset:.6g}"
        if item.source:
            yield f"correction of {item.channel}", item.source


def _number(name: str, value: float) -> tuple[str, str]:
    """`trip_at_s` is `trip at`, in seconds."""
    unit = unit_of(name)
    words = name if unit == "1" else name.rpartition("_")[0]
    shown = f"{value:.6g}" if isinstance(value, float) else str(value)
    return words.replace("_", " "), shown if unit == "1" else f"{shown} {unit}"
