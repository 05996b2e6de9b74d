"""A profile: how one meter's export maps onto channels, as TOML that people read and write.

Knows text and the normal form. A profile is recognised by a file's header and preamble, never by its name.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Self, TypeVar

from importers.clock.forms import ClockForm
from importers.problems import ProfileInvalid
from importers.schema import CHANNEL_NAMES
from importers.text.shape import TableLayout
from importers.vocabulary.words import plain_signs

__all__ = ["Profile", "ProfileClock", "ProfileColumn", "load_profiles", "matching", "same_name", "shipped_profiles"]

_SOURCES = ("elapsed", "wall clock", "time of day", "unix", "serial day", "sample number")
_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9 ._\-]{0,60}$")


@dataclass(frozen=True, slots=True)
class ProfileColumn:
    """What one named column is."""

    name: str
    channel: str | None
    """None where the column is not to be used."""
    unit: str = ""
    port: str | None = None


@dataclass(frozen=True, slots=True)
class ProfileClock:
    """How time is written."""

    source: str
    columns: tuple[str, ...]
    unit: str = ""
    format: str = ""
    interval_s: float | None = None
    has_zone: bool = False


@dataclass(frozen=True, slots=True)
class Profile:
    """The mapping of one make of export."""

    name: str
    header: tuple[str, ...]
    """Column names in the file's order; empty strings match unnamed columns."""
    clock: ProfileClock
    columns: tuple[ProfileColumn, ...]
    preamble: tuple[str, ...] = ()
    """Patterns (`*` stands for anything) that must each fit a line above the table."""
    units: tuple[str, ...] = ()
    """The row of units below the header, where there is one."""
    delimiter: str = ""
    decimal: str = ""
    thousands: str = ""
    zone: str = ""
    """Zone of local times where this meter's is fixed, e.g. `UTC`."""
    port_column: str = ""
    """Column that names the port of each row."""
    direction: str = ""
    """`out` or `in` where this meter logs only one."""
    restart: str = ""
    """`split` or `join` where the clock starts again in the middle."""
    note: str = ""
    source: str = ""
    """Where the text came from, for messages."""

    @classmethod
    def from_toml(cls, text: str, source: str = "profile") -> Self:
        """Read a profile's text.

        Raises:
            ProfileInvalid: not TOML, a key is missing or has a value that means nothing.
        """
        try:
            document = tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            raise ProfileInvalid.at(source, f"it is not TOML ({error})") from error
        return _from_document(cls, document, source)

    def to_toml(self) -> str:
        """Write the profile as TOML."""
        return _to_toml(self)

    def fits(self, layout: TableLayout) -> bool:
        """Tell whether a file is this profile's: by its columns' names, in any order, and by its preamble.

        Further columns and other capitals are no hindrance; what is new is asked about. Names that the profile does
        not use may be absent.
        """
        if not self._needed() <= Counter(map(_plain, layout.names)):
            return False
        if any(self.units) and not self._units_fit(layout):
            return False
        lines = [line.strip() for line in layout.preamble]
        return all(any(fnmatchcase(line, pattern) for line in lines) for pattern in self.preamble)

    def is_exact(self, layout: TableLayout) -> bool:
        """Tell whether a file's header is the profile's to the letter."""
        return _same(layout.names) == _same(self.header)

    def new_in(self, layout: TableLayout) -> list[str]:
        """Names in a file's header that the profile does not know."""
        left = Counter(map(_plain, layout.names)) - Counter(map(_plain, self.header))
        return [n for n in layout.names if left[_plain(n)] > 0]

    def missing_in(self, layout: TableLayout) -> list[str]:
        """Names that the profile uses and a file's header lacks."""
        left = self._needed() - Counter(map(_plain, layout.names))
        return [n for n in self.header if left[_plain(n)] > 0]

    def _needed(self) -> Counter[str]:
        """Names without which the profile's readings can't be had."""
        used = Counter(_plain(c.name) for c in self.columns if c.channel is not None)
        return used | Counter(map(_plain, (*self.clock.columns, *filter(None, [self.port_column]))))

    def _units_fit(self, layout: TableLayout) -> bool:
        theirs = {_plain(n): _plain(u) for n, u in zip(layout.names, layout.unit_row, strict=True)}
        mine = {_plain(n): _plain(u) for n, u in zip(self.header, self.units, strict=False)}
        return all(theirs[n] == mine.get(n, "") for n in self._needed() if n in mine)

    def clock_form(self, layout: TableLayout) -> ClockForm:
        """Find the clock's columns in a file that fits."""
        names = [_plain(n) for n in layout.names]
        columns = tuple(names.index(_plain(name)) for name in self.clock.columns)
        return ClockForm(
            self.clock.source,
            columns,
            _factor(self.clock),
            self.clock.unit,
            self.clock.format,
            self.clock.has_zone,
            self.clock.interval_s,
        )


def _factor(clock: ProfileClock) -> float:
    if clock.source == "unix":
        return {"s": 1.0, "ms": 1e-3, "µs": 1e-6, "us": 1e-6, "ns": 1e-9}[clock.unit or "s"]
    if "%" in clock.format:
        return 1e-6
    return {"": 1.0, "s": 1.0, "ms": 1e-3, "µs": 1e-6, "us": 1e-6, "min": 60.0, "h": 3600.0, "d": 86400.0}[clock.unit]


def same_name(one: str, other: str) -> bool:
    """Tell whether two column names are one but for capitals and blanks."""
    return _plain(one) == _plain(other)


@lru_cache(maxsize=4096)
def _plain(name: str) -> str:
    return re.sub(r"\s+", " ", plain_signs(name)).strip().casefold()


def _same(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(re.sub(r"\s+", " ", n).strip() for n in names)


_P = TypeVar("_P", bound=Profile)
_KEYS = {"name", "note", "recognise", "file", "clock", "column", "direction", "restart", "port_column"}


def _from_document(cls: type[_P], document: Mapping[str, Any], source: str) -> _P:
    unknown = sorted(set(document) - _KEYS)
    if unknown:
        raise ProfileInvalid.at(source, f"it has the unknown key `{unknown[0]}`; known are {', '.join(sorted(_KEYS))}")
    try:
        recognise, clock = document["recognise"], document["clock"]
        file = document.get("file", {})
        columns = tuple(
            ProfileColumn(
                str(c["name"]),
                None if c.get("channel", "unused") == "unused" else str(c["channel"]),
                str(c.get("unit", "")),
                c.get("port"),
            )
            for c in document["column"]
        )
        profile = cls(
            name=str(document["name"]),
            header=tuple(str(n) for n in recognise["header"]),
            clock=ProfileClock(
                str(clock["source"]),
                tuple(str(n) for n in clock["columns"]),
                str(clock.get("unit", "")),
                str(clock.get("format", "")),
                float(clock["interval_s"]) if "interval_s" in clock else None,
                bool(clock.get("has_zone", False)),
            ),
            columns=columns,
            preamble=tuple(str(p) for p in recognise.get("preamble", ())),
            units=tuple(str(p) for p in recognise.get("units", ())),
            delimiter=str(file.get("delimiter", "")),
            decimal=str(file.get("decimal", "")),
            thousands=str(file.get("thousands", "")),
            zone=str(clock.get("zone", "")),
            port_column=str(document.get("port_column", "")),
            direction=str(document.get("direction", "")),
            restart=str(document.get("restart", "")),
            note=str(document.get("note", "")),
            source=source,
        )
    except KeyError as error:
        raise ProfileInvalid.at(source, f"the key {error} is missing") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise ProfileInvalid.at(source, f"a value has the wrong form ({error})") from error
    _check(profile, source)
    return profile


def _check(profile: Profile, source: str) -> None:
    """Refuse values that mean nothing."""
    names = set(_same(profile.header))
    wrong = [c.channel for c in profile.columns if c.channel is not None and c.channel not in CHANNEL_NAMES]
    if not _NAME.match(profile.name):
        raise ProfileInvalid.at(source, f"its name {profile.name!r} must be letters, digits, spaces, points and dashes")
    if wrong:
        raise ProfileInvalid.at(source, f"`{wrong[0]}` is not a channel; channels are {', '.join(CHANNEL_NAMES)}")
    if profile.clock.source not in _SOURCES:
        raise ProfileInvalid.at(source, f"clock source `{profile.clock.source}` is not one of {', '.join(_SOURCES)}")
    missing = [c for c in _same((*profile.clock.columns, *(c.name for c in profile.columns))) if c not in names]
    if missing:
        raise ProfileInvalid.at(source, f"column `{missing[0]}` is not in its header")
    if profile.decimal not in {"", ".", ","}:
        raise ProfileInvalid.at(source, f"decimal mark `{profile.decimal}` is neither a point nor a comma")
    if profile.direction not in {"", "out", "in"} or profile.restart not in {"", "split", "join"}:
        raise ProfileInvalid.at(source, "direction is `out` or `in`, restart is `split` or `join`")
    if profile.clock.source == "sample number" and not (profile.clock.interval_s or 0) > 0:
        raise ProfileInvalid.at(source, "a clock of sample numbers needs interval_s, the seconds between samples")
    try:
        _factor(profile.clock)
    except KeyError as error:
        raise ProfileInvalid.at(source, f"clock unit {error} is not one of s, ms, us, min, h, d") from error


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _list(items: Iterable[str]) -> str:
    return "[" + ", ".join(_quote(i) for i in items) + "]"


def _to_toml(profile: Profile) -> str:
    out = [f"name = {_quote(profile.name)}"]
    keys = ("note", "direction", "restart", "port_column")
    out += [f"{key} = {_quote(value)}" for key in keys if (value := getattr(profile, key))]
    out += ["", "[recognise]", f"header = {_list(profile.header)}"]
    if any(profile.units):
        out.append(f"units = {_list(profile.units)}")
    if profile.preamble:
        out.append(f"preamble = {_list(profile.preamble)}")
    out += ["", "[file]"]
    out += [f"{key} = {_quote(v)}" for key in ("delimiter", "decimal", "thousands") if (v := getattr(profile, key))]
    clock = profile.clock
    out += ["", "[clock]", f"source = {_quote(clock.source)}", f"columns = {_list(clock.columns)}"]
    out += [f"{key} = {_quote(v)}" for key in ("unit", "format") if (v := getattr(clock, key))]
    if clock.interval_s is not None:
        out.append(f"interval_s = {clock.interval_s!r}")
    if clock.has_zone:
        out.append("has_zone = true")
    if profile.zone:
        out.append(f"zone = {_quote(profile.zone)}")
    for column in profile.columns:
        out += ["", "[[column]]", f"name = {_quote(column.name)}", f"channel = {_quote(column.channel or 'unused')}"]
        out += [f"{key} = {_quote(v)}" for key in ("unit", "port") if (v := getattr(column, key))]
    return "\n".join(out) + "\n"


def load_profiles(folder: Path) -> tuple[Profile, ...]:
    """Read every `*.toml` of a folder, sorted by name; an absent folder holds none.

    Raises:
        ProfileInvalid: one of them can't be used.
    """
    found = []
    for file in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        try:
            text = file.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise ProfileInvalid.at(file.name, f"it can't be read ({error})") from error
        found.append(Profile.from_toml(text, file.name))
    return tuple(found)


@lru_cache(maxsize=1)
def shipped_profiles() -> tuple[Profile, ...]:
    """Profiles that ship with the program."""
    folder = resources.files("importers.profiles")
    names = sorted(f.name for f in folder.iterdir() if f.name.endswith(".toml")) if folder.is_dir() else []
    return tuple(Profile.from_toml((folder / n).read_text(encoding="utf-8"), n) for n in names)


def matching(profiles: Iterable[Profile], layout: TableLayout) -> list[Profile]:
    """Find the profiles that fit a file: those to the letter, else those that know most of its columns.

    Equal ones count once.
    """
    found = [p for p in profiles if p.fits(layout)]
    if any(p.is_exact(layout) for p in found):
        found = [p for p in found if p.is_exact(layout)]
    elif found:
        fewest = min(len(p.new_in(layout)) for p in found)
        found = [p for p in found if len(p.new_in(layout)) == fewest]
        # a profile of two names fits half of all files: most of the file's columns must be known
        found = [p for p in found if len(p.new_in(layout)) < 0.5 * len(layout.names)]
    return [p for i, p in enumerate(found) if p.to_toml() not in {q.to_toml() for q in found[:i]}]
