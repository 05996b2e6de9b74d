"""The filter line: words such as `port:C1 wh>50 since:2026-01 -rejected` to a condition in SQL.

Values are always bound, never pasted. Knows the `runs` view's columns; opens nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from types import MappingProxyType
from zoneinfo import ZoneInfo

from importers.schema import DIRECTIONS, KINDS
from store.errors import FilterError, suggest
from store.methods.specs import filter_numbers
from store.sql.views import RUN_COLUMNS

__all__ = ["FIELDS", "Condition", "Word", "numbers", "parse_filter", "split_words"]

QUALITIES = ("ok", "suspect", "rejected")

FIELDS: dict[str, str] = {
    "port": "port",
    "mode": "mode",
    "kind": "kind",
    "device": "device",
    "load": "load_set",
    "meter": "meter",
    "quality": "quality",
    "direction": "direction",
    "group": "group_id",
    "run": "run_id",
    "file": "source_file",
    "profile": "profile",
    "since": "started_at",
    "until": "started_at",
}
"""Words before a colon, and the column of `runs` each is about."""


@cache
def numbers() -> Mapping[str, str]:
    """Words before `<`, `>`, `=`, `<=`, `>=`, and the SQL of each with `{}` where sign and value go."""
    terms = {"ambient": "ambient_c {}", "run": "run_id {}"}
    for word, (spec, by) in filter_numbers().items():
        scale = "" if by == 1.0 else f" / {by!r}"
        if spec.name in RUN_COLUMNS:
            terms[word] = f"{spec.name}{scale} {{}}"
        else:
            terms[word] = (
                "run_id IN (SELECT run_id FROM catalogue.result "
                f"WHERE is_current AND name = '{spec.name}' AND value{scale} {{}})"
            )
    return MappingProxyType(terms)


_WORD = re.compile(r'\s*(?P<word>-?(?:[^\s":<>=]+(?::|[<>]=?|=))?(?:"[^"]*"?|[^\s"]+)+)')
_COMPARISON = re.compile(r"(?P<name>[a-z_]+)(?P<sign><=|>=|<|>|=)(?P<value>.*)", re.IGNORECASE | re.DOTALL)
_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
_DASH = "\u2013"
_TEXT_COLUMNS = ("device", "note", "source_file", "mode", "kind", "load_set", "port", "meter", "quality_reason")


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the line, where it stands."""

    position: int
    text: str
    """As typed, quotes and `-` included."""
    is_excluded: bool
    field: str | None
    """`port`, `wh` ... or None for free text."""
    sign: str
    """`:` or a comparison; empty for free text."""
    value: str
    """Without quotes."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition over the `runs` view and its bound values."""

    sql: str
    values: tuple[object, ...]
    words: tuple[Word, ...]

    def without(self, field: str, zone: str = "UTC") -> Condition:
        """The same without the words of one field."""
        kept = [w.text for w in self.words if w.field != field]
        return parse_filter(" ".join(kept), zone=zone)


def split_words(text: str) -> tuple[Word, ...]:
    """Cut a filter line into words.

    Raises:
        FilterError: A quote is not closed.
    """
    words = []
    for found in _WORD.finditer(text):
        raw = found["word"]
        position = found.start("word")
        if raw.count('"') % 2:
            raise FilterError(position, raw, "the quote is not closed.", raw + '"')
        words.append(_word(position, raw))
    return tuple(words)


def _word(position: int, raw: str) -> Word:
    is_excluded = raw.startswith("-") and len(raw) > 1
    body = raw[1:] if is_excluded else raw
    if body.startswith('"'):
        return Word(position, raw, is_excluded, None, "", body.replace('"', ""))
    name, colon, value = body.partition(":")
    if colon and name.isidentifier():
        return Word(position, raw, is_excluded, name.lower(), ":", value.replace('"', ""))
    compared = _COMPARISON.fullmatch(body)
    if compared:
        return Word(
            position, raw, is_excluded, compared["name"].lower(), compared["sign"], compared["value"].replace('"', "")
        )
    return Word(position, raw, is_excluded, None, "", body.replace('"', ""))


def parse_filter(text: str, *, zone: str = "UTC") -> Condition:
    """A filter line as a condition over the `runs` view.

    Several values for one field are alternatives (`port:C1 port:A1`, or `port:C1,A1`); different fields must all hold.

    Args:
        text: The line.
        zone: Zone of the dates typed.

    Raises:
        FilterError: A word that means nothing, with its position and what was probably meant.
    """
    words = split_words(text)
    alternatives: dict[str, list[tuple[str, list[object]]]] = {}
    needed: list[tuple[str, list[object]]] = []
    for word in words:
        sql, values = _condition(word, zone)
        if word.is_excluded:
            needed.append((f"NOT coalesce(({sql}), false)", values))
        elif word.sign == ":" and word.field not in {"since", "until"}:
            alternatives.setdefault(word.field or "", []).append((sql, values))
        else:
            needed.append((sql, values))
    needed += [
        (" OR ".join(sql for sql, _ in choices), [v for _, values in choices for v in values])
        for choices in alternatives.values()
    ]
    joined = " AND ".join(f"({sql})" for sql, _ in needed)
    return Condition(joined or "true", tuple(v for _, values in needed for v in values), words)


def _condition(word: Word, zone: str) -> tuple[str, list[object]]:
    if word.field is None:
        return _free_text(word.value)
    if word.sign == ":":
        return _field(word, zone)
    return _comparison(word)


def _free_text(value: str) -> tuple[str, list[object]]:
    if re.search(r"[%_\\]", value):  # 100,000 runs take 50 ms with an escape in the pattern, 12 so
        tests, bound = [f"contains(lower({column}), lower(?))" for column in _TEXT_COLUMNS], value
    else:
        tests, bound = [f"{column} ILIKE ?" for column in _TEXT_COLUMNS], f"%{value}%"
    return " OR ".join(tests), [bound] * len(tests)


def _field(word: Word, zone: str) -> tuple[str, list[object]]:
    name = word.field or ""
    if name not in FIELDS:
        if name in numbers():
            hint = f"{name}>{word.value}"
            raise FilterError(word.position, word.text, f"{name} takes a comparison.", hint)
        near = suggest(name, FIELDS)
        known = ", ".join(FIELDS)
        raise FilterError(
            word.position,
            word.text,
            f"unknown filter; filters are {known}.",
            f"{near}:{word.value}" if near else None,
        )
    if not word.value:
        raise FilterError(word.position, word.text, f"{name}: needs a value right after the colon.")
    parts = [part for part in word.value.split(",") if part] or [word.value]
    tests, values = [], []
    for part in parts:
        sql, bound = _MAKERS.get(name, _equal)(word, part, zone)
        tests.append(sql)
        values += bound
    return " OR ".join(f"({t})" for t in tests), values


def _equal(word: Word, value: str, _zone: str) -> tuple[str, list[object]]:
    column = FIELDS[word.field or ""]
    if value == "none":
        return f"{column} IS NULL", []
    if "*" in value:
        pattern = re.sub(r"([%_\\])", r"\\\1", value).replace("*", "%")
        return f"{column} ILIKE ? ESCAPE '\\'", [pattern]
    return f"lower({column}) = ?", [value.lower()]


def _choice(known: tuple[str, ...]) -> Callable[[Word, str, str], tuple[str, list[object]]]:
    def make(word: Word, value: str, zone: str) -> tuple[str, list[object]]:
        if value.lower() not in known and value != "none" and "*" not in value:
            near = suggest(value, known)
            raise FilterError(
                word.position,
                word.text,
                f"{word.field} is one of {', '.join(known)}.",
                f"{word.field}:{near}" if near else None,
            )
        return _equal(word, value, zone)

    return make


def _mode(word: Word, value: str, zone: str) -> tuple[str, list[object]]:
    """`mode:20V` finds `fixed 20 V`: the number and unit as a whole word, spaces ignored."""
    if value == "none":
        return _equal(word, value, zone)
    plain = re.sub(r"\s+", "", value).lower().replace(_DASH, "-")
    squeezed = f"replace(replace(lower(mode), ' ', ''), '{_DASH}', '-')"
    if not re.match(r"\d", plain):
        return f"starts_with({squeezed}, ?)", [plain]
    literal = re.sub(r"([*?\[\\])", r"\\\1", plain)
    # No regular expression: the engine would try it on every run, instead of on every mode that there is.
    befores, afters = ("", "*[!0-9.,-]"), ("", "[!a-z0-9]*")
    patterns: list[object] = [before + literal + after for before in befores for after in afters]
    return " OR ".join(f"{squeezed} GLOB ?" for _ in patterns), patterns


def _load(_word: Word, value: str, _zone: str) -> tuple[str, list[object]]:
    if value == "none":
        return "load_set IS NULL", []
    return "replace(lower(load_set), ' ', '') = ?", [re.sub(r"\s+", "", value).lower()]


def _number_field(word: Word, value: str, zone: str) -> tuple[str, list[object]]:
    if value == "none":
        return _equal(word, value, zone)
    if not value.isdigit() or len(value) > 18:
        raise FilterError(word.position, word.text, f"{word.field} is a whole number.")
    return f"{FIELDS[word.field or '']} = ?", [int(value)]


def _file(_word: Word, value: str, _zone: str) -> tuple[str, list[object]]:
    pattern = re.sub(r"([%_\\])", r"\\\1", value).replace("*", "%")
    return "source_file ILIKE ? ESCAPE '\\'", [f"%{pattern}%"]


def _date(word: Word, value: str, zone: str) -> tuple[str, list[object]]:
    first, after = _span_of(word, value)
    moment = first if word.field == "since" else after
    stored = datetime(moment.year, moment.month, moment.day, tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)
    return ("started_at >= ?" if word.field == "since" else "started_at < ?"), [stored]


def _span_of(word: Word, value: str) -> tuple[date, date]:
    """First day of what was typed (a day, month or year), and the day after its last."""
    try:
        parts = [int(part) for part in value.split("-")]
        year, month, day = (*parts, 1, 1)[:3] if len(parts) <= 3 else (0, 0, 0)
        first = date(year, month, day)
        if len(parts) == 3:
            return first, first + timedelta(days=1)
        if len(parts) == 2:
            return first, date(year + month // 12, month % 12 + 1, 1)
        return first, date(year + 1, 1, 1)
    except (ValueError, OverflowError) as error:
        raise FilterError(
            word.position, word.text, f"{word.field} takes a date such as 2026, 2026-01 or 2026-01-31."
        ) from error


_MAKERS: dict[str, Callable[[Word, str, str], tuple[str, list[object]]]] = {
    "mode": _mode,
    "load": _load,
    "kind": _choice(KINDS),
    "quality": _choice(QUALITIES),
    "direction": _choice(DIRECTIONS),
    "group": _number_field,
    "run": _number_field,
    "file": _file,
    "since": _date,
    "until": _date,
}


def _comparison(word: Word) -> tuple[str, list[object]]:
    name = word.field or ""
    if name not in numbers():
        if name in FIELDS:
            raise FilterError(word.position, word.text, f"{name} takes a colon.", f"{name}:{word.value}")
        near = suggest(name, numbers())
        known = ", ".join(numbers())
        raise FilterError(
            word.position,
            word.text,
            f"there is no number {name}; numbers are {known}.",
            f"{near}{word.sign}{word.value}" if near else None,
        )
    if not _NUMBER.fullmatch(word.value):
        raise FilterError(word.position, word.text, f"{name}{word.sign} needs a number right after it.")
    return numbers()[name].format(f"{word.sign} ?"), [float(word.value.replace(",", "."))]
