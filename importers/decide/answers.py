"""The tester's answers: each must mean something for this file, and each goes before what labels say.

Knows columns and the vocabulary. What is asked is worded in `asking`.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from importers.clock.clockwork import Clockwork
from importers.decide.channels import channel_of
from importers.decide.columns import Column
from importers.decide.grouping import with_label
from importers.problems import ImportRefused
from importers.schema import CHANNEL_NAMES, CHANNELS, Problem
from importers.vocabulary.stated import ROLES
from importers.vocabulary.words import Vocabulary

__all__ = ["answered", "check_answers", "check_clock_answers"]

_FIXED = {
    "decimal": (".", ","),
    "date-order": ("day-first", "month-first", "year-first"),
    "clock-parts": ("hours:minutes", "minutes:seconds"),
    "restart": ("split", "join"),
    "rows": ("part", "keep"),
    "others": ("unused",),
}
"""Answers of few values."""
_FORMS = (
    *(f"{name}={values[0]}" for name, values in _FIXED.items()),
    "interval=1",
    "time-unit=s",
    "clock-column=1",
    "column.3=current_a",
    "unit.3=mA",
)
_MEANS = (*CHANNEL_NAMES, "t_s", "port", "unused")
_QUANTITY = {"power factor": "power_factor", "state of charge": "percent"}


def check_answers(answers: Mapping[str, str], names: Sequence[str], words: Vocabulary, file: str) -> None:
    """Refuse answers that mean nothing, with the form that does.

    Args:
        answers: by question id.
        names: the file's columns.
        words: for units.
        file: name for the message.

    Raises:
        ImportRefused: an id, a column or a value that there is not.
    """
    for name, value in answers.items():
        wrong = _wrong(name, value, names, words)
        if wrong:
            raise bad_answer(name, value, wrong, file=file)


def bad_answer(name: str, value: str, what: str, *, file: str = "", column: str | None = None) -> ImportRefused:
    """A refusal of one answer: what is wrong with it and the form that is right."""
    message = f"--answer {name}={value}: {what}"
    return ImportRefused([Problem("bad-answer", "error", message, file, column=column, raw=name)])


def _wrong(name: str, value: str, names: Sequence[str], words: Vocabulary) -> str:
    if name in _FIXED:
        known = _FIXED[name]
        return "" if value in known else f"write {' or '.join(f'{name}={v}' for v in known)}."
    if name == "delimiter":
        return ""
    if name == "interval":
        return _wrong_interval(value)
    if name == "time-unit":
        found = words.unit(value)
        is_time = found is not None and found[0].quantity == "time"
        return "" if is_time else "that is not a unit of time. Write time-unit=s, or ms, min or h."
    if name == "clock-column":
        return _no_column(value, names, "clock-column")
    kind, _, at = name.partition(".")
    if kind in {"column", "unit"} and at:
        return _no_column(at, names, kind) or (
            _wrong_channel(name, value) if kind == "column" else _wrong_unit(name, value, words)
        )
    turned = f"{at}.{kind}={value}" if at in {"unit", "column"} else ""
    near = difflib.get_close_matches(f"{name}=", [f.partition("=")[0] + "=" for f in _FORMS], 1)
    hint = turned or next((f for f in _FORMS if near and f.startswith(near[0])), "")
    return f"there is no such question. {f'Write {hint}.' if hint else f'Answers are {_listed(_FORMS)}.'}"


def _wrong_interval(value: str) -> str:
    try:
        seconds = float(value.replace(",", "."))
    except ValueError:
        bare = value.strip().rstrip("second ").strip()
        hint = bare if bare.replace(".", "", 1).replace(",", "", 1).isdigit() else "1"
        return f"the interval is a number of seconds. Write interval={hint}."
    return "" if 0 < seconds < 1e9 else "the interval is a number of seconds above zero. Write interval=1."


def _no_column(at: str, names: Sequence[str], kind: str) -> str:
    if (at.isdigit() and 1 <= int(at) <= len(names)) or at in names:
        return ""
    first = names[0].strip() if names else ""
    example = f"{kind}.1" if kind != "clock-column" else "clock-column=1"
    called = f" (`{first}`)" if first else ""
    return f"the file has no column {at}; it has {len(names)}. The first{called} is {example}."


def _wrong_channel(name: str, value: str) -> str:
    if value in {*_MEANS, "none", ""}:
        return ""
    near = difflib.get_close_matches(value.casefold(), _MEANS, 1, 0.5)
    return f"a column is {_listed(_MEANS)}. Write {name}={near[0] if near else 'unused'}."


def _wrong_unit(name: str, value: str, words: Vocabulary) -> str:
    if words.unit(value) is not None:
        return ""
    symbols = list(dict.fromkeys(u.symbol for u in words.units.values()))
    near = difflib.get_close_matches(value, symbols, 1, 0.5)
    return f"that unit is not known; known are {_listed(symbols)}. Write {name}={near[0] if near else 'V'}."


def _listed(items: Iterable[str]) -> str:
    return ", ".join(items)


def check_clock_answers(answers: Mapping[str, str], clock: Clockwork, columns: Sequence[Column]) -> None:
    """Refuse answers about a clock that this file does not have.

    Raises:
        ImportRefused: with what the clock is.
    """
    form = clock.form
    if form is None:
        return
    names = " and ".join(f"`{columns[i].name}`" for i in form.columns) or "the count of the rows"
    is_number = not form.format and form.source == "elapsed"
    for name, is_used in (
        ("interval", form.source == "sample number"),
        ("time-unit", is_number),
        ("clock-parts", form.format.lstrip("~.") in {"h:m", "m:s"}),
    ):
        if name in answers and not is_used:
            what = f"it changes nothing, for {names} is the clock: {clock.reason}."
            raise bad_answer(name, answers[name], f"{what} Leave it out, or name another clock with clock-column=N.")


def answered(columns: list[Column], answers: Mapping[str, str], words: Vocabulary) -> list[Column]:
    """Put the tester's answers before the labels' words; an answered unit holds for columns like it.

    Raises:
        ImportRefused: a unit that the column's quantity does not have.
    """
    if not answers:
        return columns
    columns = [_answered(c, answers, words) for c in columns]
    for column in [c for c in columns if _given(answers, "unit", c) is not None]:
        columns = [_following(c, column) for c in columns]
    return columns


def _given(answers: Mapping[str, str], kind: str, column: Column) -> str | None:
    return answers.get(f"{kind}.{column.index + 1}", answers.get(f"{kind}.{column.name}"))


def _following(column: Column, answered_one: Column) -> Column:
    """Take the unit of a column of the same quantity, where nothing tells this one's own."""
    mine, other = column.label, answered_one.label
    is_alike = mine.quantity == other.quantity and mine.role == other.role and mine.mains == other.mains
    if column is answered_one or not is_alike or mine.unit is not None or column.cell_units or mine.unused:
        return column
    return with_label(column, unit=other.unit, unit_sure=True, terms=(*mine.terms, "answer"))


def _answered(column: Column, answers: Mapping[str, str], words: Vocabulary) -> Column:
    at = str(column.index + 1)
    what = _given(answers, "column", column)
    if answers.get("clock-column") in {at, column.name}:
        what = "t_s"
    if what in {"unused", "none", ""} and what is not None:
        return with_label(column, unused="not used, as answered", quantity=column.label.quantity or "text")
    if what == "port":
        return with_label(column, quantity="port", role=None, unit=None, unused="", conflict="")
    if what == "t_s":
        why = "the clock, as answered"
        column = with_label(
            column, quantity="elapsed", role=None, terms=("answer",), reason=why, unused="", conflict=""
        )
    if what in CHANNEL_NAMES:
        channel = next(c for c in CHANNELS if c.name == what)
        quantity = _QUANTITY.get(channel.quantity, channel.quantity)
        role = next((r for r in ROLES if channel_of(quantity, r) == what), None)
        kept = column.label.unit if column.label.unit is not None and column.label.unit.quantity == quantity else None
        label = replace(column.label, quantity=quantity, role=role, unit=kept, unused="", conflict="", unknown=())
        column = replace(column, label=replace(label, terms=("answer",), reason="as answered"))
    unit = _given(answers, "unit", column)
    found = words.unit(unit) if unit is not None else None
    if found is None:
        return column
    kind = "elapsed" if found[0].quantity == "time" else found[0].quantity
    said = column.label.quantity
    if said in {"voltage", "current", "power", "energy", "charge", "temperature"} and kind != said:
        symbols = [u.symbol for u in dict.fromkeys(words.units.values()) if u.quantity == said]
        name = f"unit.{at}" if f"unit.{at}" in answers else f"unit.{column.name}"
        what = f"column `{column.name}` is {said}, and {unit} is a unit of {kind}."
        right = f"Write unit.{at}={symbols[0]}, or say what the column holds with column.{at}=CHANNEL."
        raise bad_answer(name, str(unit), f"{what} {right}", column=column.name)
    why = f"{found[0].symbol}, as answered"
    column = with_label(
        column, unit=found[0], unit_sure=True, conflict="", terms=(*column.label.terms, "answer"), reason=why
    )
    return with_label(column, quantity=kind) if said is None else column
