"""What a profile states, put in the place of what labels would say.

Knows profiles and columns. Physics still checks what a profile states.
"""

from __future__ import annotations

from dataclasses import replace

from importers.clock.clockwork import Clockwork
from importers.clock.forms import to_clock
from importers.decide.channels import channel_of
from importers.decide.columns import Column
from importers.profiles.profile import Profile, same_name
from importers.schema import CHANNELS
from importers.text.rowset import Rows, name_of
from importers.text.shape import TableLayout
from importers.vocabulary.labels import Label
from importers.vocabulary.words import Vocabulary

__all__ = ["ROLES", "by_profile", "stated_clock"]

ROLES = (None, "case", "cell", "plug", "meter", "ambient", "second", "far", "dp", "dm", "cc1", "cc2", "display")
_QUANTITIES = {"power factor": "power_factor", "state of charge": "percent"}


def by_profile(columns: list[Column], profile: Profile, words: Vocabulary) -> list[Column]:
    """Replace every label by what the profile says of that name; names that stand twice are taken in order."""
    stated = list(profile.columns)
    out = []
    for column in columns:
        found = next((s for s in stated if same_name(s.name, column.name)), None)
        if found is None:
            out.append(column)
            continue
        stated.remove(found)
        out.append(replace(column, label=_label(column, found.channel, found.unit, found.port, words)))
    return out


def _label(column: Column, channel: str | None, unit: str, port: str | None, words: Vocabulary) -> Label:
    if channel is None:
        return Label(column.name, quantity="text", unused="the profile leaves it out")
    kind = next(c for c in CHANNELS if c.name == channel)
    quantity = _QUANTITIES.get(kind.quantity, kind.quantity)
    role = next((r for r in ROLES if channel_of(quantity, r) == channel), None)
    found = words.unit(unit) if unit else None
    return Label(
        column.name,
        quantity,
        found[0] if found else None,
        role=role,
        port=port,
        mains="ac" if port == "mains" else None,
        terms=("profile",),
        reason="as the profile says",
    )


def stated_clock(profile: Profile, rows: Rows, layout: TableLayout) -> Clockwork:
    """Read the clock as the profile says."""
    form = profile.clock_form(layout)
    cells = [rows.cells[name_of(i)] for i in form.columns]
    raw = to_clock(form, cells, layout.decimal).cast(float).fill_null(float("nan")).to_numpy()
    return Clockwork(form, None, raw, (), 0.99, "as the profile says", (), frozenset(form.columns))
