"""Options by which an export is read, and what they mean to the importer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from tui.cli.base import wrong_use
from tui.cli.fact_options import (
    answers_of,
)

if TYPE_CHECKING:
    from importers.schema import Facts
    from store.imports.importer import Order

__all__ = ["ProfileName", "Zone", "import_order"]

ProfileName = Annotated[str | None, typer.Option("--profile", metavar="NAME", help="Use only this profile.")]


Zone = Annotated[
    str | None, typer.Option("--zone", metavar="ZONE", help="Zone of local times, as Europe/Oslo; else the library's.")
]


def import_order(
    facts: Facts,
    started: str | None,
    zone: str | None,
    profile: str | None,
    answers: Sequence[str] | None,
    *,
    is_dry: bool,
) -> Order:
    """How files are to be read, from the options as typed; raises Refusal where one is none."""
    from dataclasses import replace

    from store.imports.importer import Order

    moment = _moment(started)
    _check_zone(zone)
    return Order(
        replace(facts, started=moment), profile=profile, answers=answers_of(answers or []), zone=zone, is_dry=is_dry
    )


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        wrong_use(f"--started {text}: no ISO 8601 date and time. Write 2026-02-11T14:03, with +01:00 or Z where known.")


def _check_zone(zone: str | None) -> None:
    if zone is None:
        return
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        wrong_use(f"--zone {zone}: no such time zone. Write it as Europe/Oslo, Asia/Tokyo or UTC.")
