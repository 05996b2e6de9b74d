"""A tester's rating scheme applied to all devices alike, kept by version, and what a change of it moves.

Knows the catalogue's table of schemes; the arithmetic is in `store.choose.decide`.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from store.catalogue.connection import rows
from store.choose.candidates import candidates_for, terms_of
from store.choose.decide import Ranking, choose
from store.choose.need_reader import read_need, read_scheme
from store.choose.terms import Need, Scheme
from store.data.tables import table_text
from store.errors import StoreError
from store.version import __version__
from store.words.clock import now_utc, to_stored

if TYPE_CHECKING:
    from store.core import Store

__all__ = [
    "Move",
    "SchemeRefused",
    "answer",
    "answer_text",
    "kept_schemes",
    "moves",
    "rate",
    "save_scheme",
    "shipped_scheme",
]


class SchemeRefused(StoreError):  # noqa: N818 (a statement, not a fault)
    """A scheme that can't be kept as it is."""


@dataclass(frozen=True, slots=True)
class Move:
    """A device whose rating another version of the scheme changes."""

    device: str
    before: str
    after: str


def shipped_scheme() -> Scheme:
    """The scheme for power banks that ships: `store/data/rating.toml`."""
    return read_scheme(table_text("rating.toml"), source="rating.toml")


def rate(library: Store, scheme: Scheme) -> Ranking:
    """Apply a scheme to every device of its kind; gates first."""
    need = Need(
        scheme.title,
        scheme.kind,
        scheme.gates,
        scheme.criteria,
        scheme.claims_are_gate,
        scheme.excused,
        scheme=f"{scheme.name}, version {scheme.version}",
    )
    return answer(library, need)


def answer(library: Store, need: Need) -> Ranking:
    """Answer a need from what a library holds."""
    return choose(need, candidates_for(library, need.kind, terms_of(need.gates, need.criteria)))


def answer_text(library: Store, text: str, *, scheme: Scheme | None = None, source: str = "need") -> Ranking:
    """Answer a need as a person writes it, by a scheme of its kind.

    Args:
        library: What was tested.
        text: The need, as TOML.
        scheme: Criteria and gates where the need states none of its own; those that ship where None.
        source: The need's file, for messages.

    Raises:
        NeedRefused: It is no need; with every mistake and its line.
    """
    chosen = scheme or shipped_scheme()
    try:
        is_for = tomllib.loads(text).get("kind", "power bank") == chosen.kind
    except tomllib.TOMLDecodeError:
        is_for = True  # read_need says what is wrong with it
    return answer(library, read_need(text, scheme=chosen if is_for else None, source=source))


def kept_schemes(library: Store, name: str) -> tuple[Scheme, ...]:
    """Versions of a scheme that were applied, the oldest first."""
    with library.catalogue.reader() as cursor:
        found: list[Any] = rows(
            cursor, "SELECT text FROM catalogue.rating_scheme WHERE scheme = ? ORDER BY version", [name]
        )
    return tuple(read_scheme(text, source=f"{name} as kept") for (text,) in found)


def save_scheme(library: Store, scheme: Scheme, *, who: str = "", reason: str = "") -> bool:
    """Keep a version of a scheme; False where it is kept already.

    Raises:
        SchemeRefused: The same version exists with different text, or a newer one is kept.
    """
    digest = hashlib.sha256(scheme.text.encode()).hexdigest()
    with library.catalogue.writer() as cursor:
        found: list[Any] = rows(
            cursor,
            "SELECT version, sha256 FROM catalogue.rating_scheme WHERE scheme = ? ORDER BY version",
            [scheme.name],
        )
        known = dict(found)
        if scheme.version in known:
            if known[scheme.version] != digest:
                raise SchemeRefused(
                    f"Version {scheme.version} of the scheme {scheme.name} exists with different text. "
                    f"Raise `version` to {max(known) + 1}: ratings by the old one stay readable."
                )
            return False
        if known and scheme.version < max(known):
            raise SchemeRefused(
                f"Version {max(known)} of the scheme {scheme.name} exists already. Raise `version` to {max(known) + 1}."
            )
        cursor.execute(
            "INSERT INTO catalogue.rating_scheme VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                scheme.name,
                scheme.version,
                scheme.text,
                digest,
                to_stored(now_utc()),
                who or library.who,
                __version__,
                reason,
            ],
        )
    return True


def moves(before: Ranking, after: Ranking) -> tuple[Move, ...]:
    """Devices whose rank set or score (in hundredths) differs, or that a gate treats otherwise."""
    old, new = _words(before), _words(after)
    return tuple(
        Move(device, old.get(device, "not rated"), new.get(device, "not rated"))
        for device in sorted({*old, *new})
        if old.get(device) != new.get(device)
    )


def _words(choice: Ranking) -> dict[str, str]:
    found = dict.fromkeys(choice.shut_out, "excluded")
    found |= {device: "not scored" for device, _ in choice.no_value}
    return found | {p.candidate.device: f"{100 * p.score.value:.0f}, rank {p.rank.words()}" for p in choice.placed}
