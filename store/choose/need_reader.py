"""A need or a rating scheme as TOML into records, with every mistake named by its line.

Knows TOML text; knows no file, no catalogue and no screen.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from importers.schema import KINDS, Problem
from store.choose.terms import Criterion, Gate, Need, Scheme, Term
from store.errors import StoreError
from store.judge.derived.sustained import SUSTAINED_POWER_W
from store.methods.discharge import ENERGY_OUT_WH
from store.methods.recharge import TIME_TO_FULL_S
from store.methods.specs import canonical, label_of, spec_of
from store.methods.temperatures import TEMPERATURE_MAX_C
from store.model.sheet import DEVICE_KINDS
from store.model.spec import Shown
from store.uncertainty.decision import Limits, limits_of
from store.words.quantities import WrongUnitError, convert, unit_of
from store.words.toml_lines import KeyPath, line_of, locate

__all__ = ["NeedRefused", "read_need", "read_scheme"]

PLAIN: dict[str, tuple[str, str, str, str]] = {
    "usable_wh": (ENERGY_OUT_WH.name, "at least", "Wh", "at least {} Wh usable"),
    "hold_w": (SUSTAINED_POWER_W.name, "at least", "W", "{} W held to the end"),
    "mass_g": ("mass_g", "at most", "g", "at most {} g"),
    "price": ("price", "at most", "1", "at most {} {}"),
    "full_in_h": (TIME_TO_FULL_S.name, "at most", "h", "full within {} h"),
    "case_max_c": (TEMPERATURE_MAX_C.name, "at most", "°C", "case no hotter than {} °C"),
}
"""A need in plain terms: key to quantity, bound, unit and words."""

_FLIGHT = {"cabin": "cabin baggage, no approval needed", "approval": "cabin baggage, with the operator's approval"}
_TERM = ("quantity", "port", "mode", "load", "kind", "ambient_c")
_GATE = {*_TERM, "bound", "value", "unit", "tolerance_percent", "words"}
_CRITERION = {*_TERM, "title", "unit", "worst", "best", "weight", "words"}
_OLDER = {"ignore_claims": ("excuse",), "borderline": ("unsure",)}
"""Keys under the names that they had before, which are still read."""
_SHARED = {"title", "kind", "gate", "criterion", "claims", "ignore_claims", *_OLDER["ignore_claims"]}
_SCHEME = {*_SHARED, "scheme", "version"}
_NEED = {*_SHARED, *PLAIN, "may_fly", "currency", "borderline", *_OLDER["borderline"], "weights"}
_OLDER_EXCLUDE = ("shut out",)
EXTRA_UNITS = {"price": "1", "usable_wh_per_price": "1", "time_to_full_h": "h", "wh_per_price": "1"}
"""Quantities of a choice that are no results, and their units; prices are in the sheet's currency."""


class NeedRefused(StoreError):  # noqa: N818 (a statement, not a fault)
    """A need or a scheme that can't be taken, with every reason."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(problem.message for problem in problems))
        self.problems = tuple(problems)


class _Reading:
    """One TOML text being read: collects problems with their lines."""

    def __init__(self, text: str, source: str) -> None:
        self.source = source
        self.problems: list[Problem] = []
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            raise NeedRefused([Problem("no-toml", "error", f"{source}: {error}.", file=source)]) from error
        self.lines: Mapping[KeyPath, int] = locate(text)

    def complain(self, path: KeyPath, message: str) -> None:
        """Note a mistake at a key."""
        line = line_of(self.lines, path)
        where = f"{self.source}, line {line}: " if line else f"{self.source}: "
        self.problems.append(Problem("wrong", "error", where + message, file=self.source, line=line))

    def check_keys(self, table: Mapping[str, Any], known: set[str], path: KeyPath = ()) -> None:
        """Complain of unknown keys."""
        for key in table:
            if key not in known:
                current = sorted(known.difference(*_OLDER.values()))
                near = difflib.get_close_matches(key, current, n=1)
                hint = f" Did you mean `{near[0]}`?" if near else f" Known are {', '.join(current)}."
                self.complain((*path, key), f"Unknown key `{key}`.{hint}")

    def text(self, table: Mapping[str, Any], key: str, path: KeyPath, default: str = "") -> str:
        """A text, or the default."""
        value = table.get(key, default)
        if not isinstance(value, str):
            self.complain((*path, key), f"`{key}` takes text in quotes.")
            return default
        return value

    def number(self, table: Mapping[str, Any], key: str, path: KeyPath) -> float | None:
        """A finite number, or None with a complaint."""
        value = table.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12:
            self.complain((*path, key) if key in table else path, f"`{key}` takes a number.")
            return None
        return float(value)

    def tables(self, key: str) -> list[dict[str, Any]]:
        """The tables of an array such as `[[gate]]`."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.complain((key,), f"write each {key} under a header [[{key}]].")
            return []
        return value

    def finish(self) -> None:
        """Raise all that was found."""
        if self.problems:
            raise NeedRefused(self.problems)


def unit_for(quantity: str) -> str:
    """The unit in which a quantity of a choice stands."""
    if quantity in EXTRA_UNITS:
        return EXTRA_UNITS[quantity]
    known = spec_of(quantity)
    return "" if known is not None and known.shown is Shown.TEXT else unit_of(quantity)


def _term(reading: _Reading, table: Mapping[str, Any], path: KeyPath) -> Term:
    quantity = canonical(reading.text(table, "quantity", path))
    if not quantity:
        reading.complain(path, "`quantity` is missing: a result's name such as `energy_out_wh`, or `mass_g`, `price`.")
    kind = reading.text(table, "kind", path) or None
    if kind is not None and kind not in KINDS:
        reading.complain((*path, "kind"), f"`{kind}` is not a kind of test. Kinds are {', '.join(KINDS)}.")
    ambient = reading.number(table, "ambient_c", path) if "ambient_c" in table else None
    narrowed = {key: reading.text(table, key, path) or None for key in ("port", "mode", "load")}
    return Term(quantity, kind=kind, ambient_c=ambient, **narrowed)


def _converted(reading: _Reading, value: float, unit: str, quantity: str, path: KeyPath) -> float:
    try:
        return convert(value, unit, unit_for(quantity))
    except WrongUnitError as error:
        reading.complain((*path, "unit"), str(error))
        return value


def _gate(reading: _Reading, table: Mapping[str, Any], path: KeyPath) -> Gate | None:
    reading.check_keys(table, _GATE, path)
    term = _term(reading, table, path)
    bound = reading.text(table, "bound", path)
    if bound not in {"at least", "at most", "about"}:
        reading.complain((*path, "bound") if "bound" in table else path, "`bound` is `at least`, `at most` or `about`.")
        return None
    value = reading.number(table, "value", path)
    if value is None or not term.quantity:
        return None
    unit = reading.text(table, "unit", path)
    tolerance = reading.number(table, "tolerance_percent", path) if "tolerance_percent" in table else None
    if bound == "about" and tolerance is None:
        reading.complain(path, "`about` needs `tolerance_percent`.")
        return None
    wanted = _converted(reading, value, unit, term.quantity, path)
    words = reading.text(table, "words", path) or _gate_words(term, bound, value, unit)
    return Gate(words, term, limits_of(bound, wanted, tolerance), unit_for(term.quantity))


def _gate_words(term: Term, bound: str, value: float, unit: str) -> str:
    known = spec_of(term.quantity)
    shown = unit or unit_for(term.quantity)
    name = label_of(term.quantity) if known else term.quantity
    head = f"{name} {bound} {value:g} {'' if shown == '1' else shown}".strip()
    return f"{head} ({term.condition()})" if term.condition() else head


def _plain_gates(reading: _Reading) -> list[Gate]:
    """Gates from the need's plain terms."""
    gates = []
    data = reading.data
    currency = reading.text(data, "currency", ())
    for key, (quantity, bound, unit, words) in PLAIN.items():
        if key not in data:
            continue
        value = reading.number(data, key, ())
        if value is None:
            continue
        if value < 0:
            reading.complain((key,), f"`{key}` can't be negative.")
        if key == "price" and not currency:
            reading.complain((key,), 'state the currency: currency = "EUR".')
        limits = limits_of(bound, convert(value, unit, unit_for(quantity)), None)
        said = words.format(f"{value:g}", currency).strip()
        gates.append(Gate(said, Term(quantity), limits, unit_for(quantity), currency if key == "price" else ""))
    if "may_fly" in data and data["may_fly"] is not False:
        level = "cabin" if data["may_fly"] is True else str(data["may_fly"])
        if level not in _FLIGHT:
            reading.complain(("may_fly",), '`may_fly` is true, "cabin" or "approval".')
        else:
            gates.append(Gate(f"may fly: {_FLIGHT[level]}", Term("flight"), Limits(), "1", level))
    return gates


def _criteria(reading: _Reading) -> tuple[Criterion, ...]:
    found = []
    for index, table in enumerate(reading.tables("criterion")):
        path: KeyPath = ("criterion", index)
        reading.check_keys(table, _CRITERION, path)
        term = _term(reading, table, path)
        numbers = {key: reading.number(table, key, path) for key in ("worst", "best", "weight")}
        if not term.quantity or any(value is None for value in numbers.values()):
            continue
        worst, best, weight = (float(numbers[key] or 0.0) for key in ("worst", "best", "weight"))
        if worst == best:
            reading.complain((*path, "best"), "`worst` and `best` are the anchors of the score and must differ.")
            continue
        if weight < 0.0:
            reading.complain((*path, "weight"), "`weight` can't be negative.")
        unit = reading.text(table, "unit", path)
        known = spec_of(term.quantity)
        found.append(
            Criterion(
                term,
                reading.text(table, "title", path) or (label_of(term.quantity) if known else term.quantity),
                unit_for(term.quantity),
                _converted(reading, worst, unit, term.quantity, path),
                _converted(reading, best, unit, term.quantity, path),
                weight,
                reading.text(table, "words", path),
            )
        )
    total = sum(criterion.weight for criterion in found)
    if found and total <= 0.0:
        reading.complain(("criterion",), "the weights add up to zero.")
        return ()
    return tuple(replace(c, weight=c.weight / total) for c in found)


def _written(reading: _Reading, key: str) -> str:
    """The name under which a key stands in a text: an older one where only that is there."""
    return next((old for old in _OLDER[key] if old in reading.data and key not in reading.data), key)


def _shared(reading: _Reading) -> tuple[str, str, tuple[Gate, ...], bool, tuple[str, ...]]:
    data = reading.data
    kind = reading.text(data, "kind", (), "power bank")
    if kind not in DEVICE_KINDS:
        reading.complain(("kind",), f"`{kind}` is not a kind of device. Kinds are {', '.join(DEVICE_KINDS)}.")
    gates = [_gate(reading, table, ("gate", index)) for index, table in enumerate(reading.tables("gate"))]
    claims = reading.text(data, "claims", (), "gate")
    if claims not in {"gate", "note"}:
        reading.complain(("claims",), '`claims` is "gate" (a claim not met excludes a device) or "note".')
    key = _written(reading, "ignore_claims")
    ignored = data.get(key, [])
    if not isinstance(ignored, list) or not all(isinstance(item, str) for item in ignored):
        reading.complain((key,), f'`{key}` is a list of quantities: {key} = ["time_to_full_s"].')
        ignored = []
    title = reading.text(data, "title", (), "A need")
    return title, kind, tuple(gate for gate in gates if gate is not None), claims == "gate", tuple(ignored)


def read_scheme(text: str, *, source: str = "scheme") -> Scheme:
    """Read a rating scheme.

    Args:
        text: TOML with `scheme`, `version`, `kind`, `[[gate]]` and `[[criterion]]` with anchors and weights.
        source: Its file, for messages.

    Raises:
        NeedRefused: With every mistake and its line.
    """
    reading = _Reading(text, source)
    reading.check_keys(reading.data, _SCHEME)
    name = reading.text(reading.data, "scheme", ())
    if not name:
        reading.complain((), '`scheme` is missing: its name, scheme = "field use".')
    version = reading.data.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        reading.complain(("version",), "`version` is missing: a whole number from 1; raise it with every change.")
        version = 1
    title, kind, gates, claims, excused = _shared(reading)
    criteria = _criteria(reading)
    if not criteria:
        reading.complain((), "a scheme needs one [[criterion]] or more.")
    reading.finish()
    return Scheme(name, title, kind, version, criteria, gates, claims, excused, text)


def read_need(text: str, *, scheme: Scheme | None = None, source: str = "need") -> Need:
    """Read a need.

    Args:
        text: TOML in plain terms (`usable_wh`, `hold_w`, `mass_g`, `may_fly`, `price` with `currency` ...) with
            `[[gate]]` for anything else; `[weights]` by a criterion's title, or `[[criterion]]` of its own.
        scheme: Whose criteria and gates hold where the need states no criteria of its own.
        source: Its file, for messages.

    Raises:
        NeedRefused: With every mistake and its line.
    """
    reading = _Reading(text, source)
    reading.check_keys(reading.data, _NEED)
    title, kind, gates, claims, excused = _shared(reading)
    plain = _plain_gates(reading)
    criteria = _criteria(reading)
    key = _written(reading, "borderline")
    borderline = reading.text(reading.data, key, (), "keep")
    if borderline not in {"keep", "exclude", *_OLDER_EXCLUDE}:
        reading.complain((key,), f'`{key}` is "keep" or "exclude": devices too close to call at a gate.')
    named = ""
    if not criteria and scheme is not None:
        if scheme.kind != kind:
            reading.complain(("kind",), f"the scheme {scheme.name} is for each {scheme.kind}, the need for a {kind}.")
        criteria = _reweighted(reading, scheme.criteria)
        gates = (*scheme.gates, *gates)
        named = f"{scheme.name}, version {scheme.version}"
    if not plain and not gates and not criteria:
        reading.complain((), "it states no requirement: add usable_wh, mass_g, price or the like, or a [[criterion]].")
    reading.finish()
    return Need(title, kind, (*plain, *gates), criteria, claims, excused, borderline == "keep", named)


def _reweighted(reading: _Reading, criteria: tuple[Criterion, ...]) -> tuple[Criterion, ...]:
    weights = reading.data.get("weights", {})
    titles = {criterion.title: criterion for criterion in criteria}
    if not isinstance(weights, dict):
        reading.complain(("weights",), "write weights under a header [weights], one per criterion's title.")
        return criteria
    if not weights:
        return criteria
    reading.check_keys(weights, set(titles), ("weights",))
    stated = {key: reading.number(weights, key, ("weights",)) for key in weights if key in titles}
    chosen = {title: max(stated.get(title) or 0.0, 0.0) for title in titles}
    total = sum(chosen.values())
    if total <= 0.0:
        reading.complain(("weights",), "the weights add up to zero.")
        return criteria
    return tuple(replace(titles[title], weight=weight / total) for title, weight in chosen.items())
