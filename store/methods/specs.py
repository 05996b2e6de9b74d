"""Every result's spec by name, found by listing the folders that declare them; what is made from them.

A module of `store/methods` or `store/judge/derived` that has `SPECS` is found without a line here. They are loaded when
first asked for: the list of runs needs none.
"""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib import import_module
from types import MappingProxyType, ModuleType

from importers.schema import KINDS
from store.model.spec import LATER, ResultSpec, Shown

__all__ = [
    "ALIASES",
    "by_weight",
    "canonical",
    "compared",
    "filter_numbers",
    "is_share",
    "is_statistic",
    "is_telling",
    "label_of",
    "mean_of",
    "modules",
    "page_tables",
    "resting_on",
    "spec_of",
    "specs",
]

FOLDERS = ("store.methods", "store.judge.derived")

ALIASES: Mapping[str, str] = MappingProxyType({"usable_share": "yield"})
"""Names that results had before, and what they are called now: claims, needs and commands may still say them."""

_NUMBER = re.compile(r"(?<=_)(\d\d)(?=_)")


def modules() -> Iterator[ModuleType]:
    """Every module of the folders, by name."""
    for folder in FOLDERS:
        for found in sorted(pkgutil.iter_modules(import_module(folder).__path__), key=lambda item: item.name):
            if f"{folder}.{found.name}" != __name__:
                yield import_module(f"{folder}.{found.name}")


@cache
def specs() -> Mapping[str, ResultSpec]:
    """Every spec by the result's name.

    Raises:
        ValueError: two specs have one name.
    """
    found: dict[str, ResultSpec] = {}
    for module in modules():
        for spec in getattr(module, "SPECS", ()):
            if spec.name in found:
                raise ValueError(f"two specs are called {spec.name}: the second is in {module.__name__}")
            found[spec.name] = spec
    return MappingProxyType(found)


def canonical(name: str) -> str:
    """What a result is called now, from a name that it may have had before."""
    return ALIASES.get(name, name)


def spec_of(name: str) -> ResultSpec | None:
    """The spec of a result, also by a name that it had before; None where there is none."""
    known = specs()
    now = canonical(name)
    return known.get(now) or known.get(_NUMBER.sub("#", now))


def label_of(name: str, *, is_short: bool = False) -> str:
    """What a result is called: on pages, in claims and, short, in narrow columns. The one labeller."""
    spec = spec_of(name)
    if spec is None:
        return name.replace("_", " ")
    words = spec.brief if is_short else spec.label
    number = _NUMBER.search(name)
    return words.replace("#", str(int(number[1]))) if number and "#" in words else words


@cache
def page_tables() -> Mapping[str, tuple[str, ...]]:
    """Kinds of test in the order of a page, and the figures of each."""
    return MappingProxyType({kind: names for kind in KINDS if (names := _placed("on_page", kind))})


@cache
def compared(kind: str) -> tuple[str, ...]:
    """Quantities of a comparison of a kind of device, in the order of the page."""
    return _placed("compared_for", kind)


def _placed(field: str, key: str) -> tuple[str, ...]:
    found = [(places[key], spec.name) for spec in specs().values() if key in (places := getattr(spec, field))]
    return tuple(name for _, name in sorted(found))


@cache
def filter_numbers() -> Mapping[str, tuple[ResultSpec, float]]:
    """Words of the filter line that compare a result, and what its value is divided by."""
    found = {word: (spec, by) for spec in specs().values() for word, by in spec.filter_words.items()}
    return MappingProxyType(found)


@cache
def resting_on(constant: str) -> tuple[str, ...]:
    """Results that a constant of detection decides about, by name."""
    return tuple(spec.name for spec in specs().values() if constant in spec.rests_on)


def is_share(name: str) -> bool:
    """Whether a plain number is read in percent."""
    spec = spec_of(name)
    return spec is not None and spec.shown is Shown.SHARE


def is_statistic(name: str) -> bool:
    """Whether a result only describes the record, or one of many levels."""
    spec = spec_of(name)
    return spec is not None and spec.glance is None


def is_telling(name: str) -> bool:
    """Whether a result is one of those that a glance shows first."""
    spec = spec_of(name)
    return spec is not None and spec.glance is not None and spec.glance < LATER


def mean_of(channel: str) -> str:
    """The result that is the mean of a channel over the load window; empty where there is none."""
    stem, _, unit = channel.rpartition("_")
    name = f"{stem}_mean_{unit}"
    return name if name in specs() else ""


def by_weight(names: Iterable[str]) -> list[str]:
    """Names of results that answer a run's question first, those that only describe the record last."""

    def weight(name: str) -> int:
        spec = spec_of(name)
        place = LATER if spec is None else spec.glance
        return LATER + 1 if place is None else place

    return sorted(names, key=weight)
