"""How a stored result came about: all that is kept with it. Knows the catalogue's table of results."""

from __future__ import annotations

import json
from collections.abc import Mapping
from enum import StrEnum
from typing import Any

import duckdb

from store.catalogue.connection import rows
from store.errors import NotFound
from store.methods.specs import canonical
from store.model.results import (
    Account,
    Ambient,
    Contribution,
    Correction,
    Counted,
    Flag,
    FoundMoment,
    How,
    Power,
    Result,
    Rule,
)

__all__ = ["account_fields", "account_from", "load_account"]

_PLAIN = ("name", "value", "unit", "uncertainty", "method", "method_version", "from_s", "to_s", "text", "reason")
_COLUMNS = ", ".join((*_PLAIN, "warnings", "budget", "account", "formula", "flags", "dof"))


def load_account(cursor: duckdb.DuckDBPyConnection, run_id: int, name: str) -> Result:
    """A run's current result with formula, inputs and uncertainty budget.

    Raises:
        NotFound: No such run, or no such result of it; names the nearest.
    """
    found: list[Any] = rows(
        cursor,
        f"SELECT {_COLUMNS} FROM catalogue.result WHERE run_id = ? AND name = ? AND is_current",
        [run_id, canonical(name)],
    )
    if not found:
        known = rows(
            cursor, "SELECT name FROM catalogue.result WHERE run_id = ? AND is_current ORDER BY rowid", [run_id]
        )
        if not known and not rows(cursor, "SELECT 1 FROM catalogue.run WHERE run_id = ?", [run_id]):
            raise NotFound.of("run", run_id)
        raise NotFound.of(f"result of run {run_id} named", name, [str(row[0]) for row in known])
    row = found[0]
    return Result(
        **dict(zip(_PLAIN, row[:10], strict=True)),
        warnings=tuple(json.loads(row[10])),
        budget=tuple(Contribution(**part) for part in json.loads(row[11])),
        account=account_from(json.loads(row[12])),
        formula=row[13],
        flags=frozenset(map(Flag, row[14])),
        dof=row[15],
    )


_WORDS: Mapping[str, type[StrEnum]] = {
    "power": Power,
    "counted": Counted,
    "ambient": Ambient,
    "rule": Rule,
    "base_rule": Rule,
}


def account_fields(account: Account) -> dict[str, Any]:
    """An account as JSON holds it; what it has not is left out."""
    fields: dict[str, Any] = {name: getattr(account, name) for name in (*_WORDS, "direction", "probe")}
    fields |= {
        "numbers": dict(account.numbers),
        "spans": [list(span) for span in account.spans],
        "moments": {word: [m.at_s, m.how.name, m.of, m.from_s, m.to_s, m.level] for word, m in account.moments.items()},
        "constants": dict(account.constants),
        "corrections": [
            {"channel": c.channel, "gain": c.gain, "offset": c.offset, "source": c.source} for c in account.corrections
        ],
        "told": dict(account.told),
    }
    return {name: value for name, value in fields.items() if value}


def account_from(fields: Mapping[str, Any]) -> Account:
    """The inverse of `account_fields`."""
    words: dict[str, Any] = {name: kind(fields[name]) for name, kind in _WORDS.items() if name in fields}
    return Account(
        **words,
        direction=fields.get("direction", ""),
        probe=fields.get("probe", ""),
        numbers=fields.get("numbers", {}),
        spans=tuple(tuple(span) for span in fields.get("spans", ())),
        moments={
            word: FoundMoment(at, How[how], of, low, high, level)
            for word, (at, how, of, low, high, level) in fields.get("moments", {}).items()
        },
        constants=fields.get("constants", {}),
        corrections=tuple(Correction(**item) for item in fields.get("corrections", ())),
        told=fields.get("told", {}),
    )
