"""What the shell offers while a command is typed: devices, ports, modes, meters and kinds of the library, filter words.

Never an error: a library that is missing or busy offers nothing.
"""

from __future__ import annotations

from pathlib import Path

import typer

from tui.cli.session import default_library

__all__ = ["offer_devices", "offer_filters", "offer_kinds", "offer_meters", "offer_modes", "offer_ports"]

_COLUMNS = {
    "device": "device FROM devices",
    "port": "port FROM ports",
    "mode": "mode FROM runs",
    "meter": "meter FROM meters",
}


def _held(context: typer.Context, what: str) -> list[str]:
    from store import Library, StoreError

    path = context.find_root().params.get("library") or default_library()
    try:
        table = Library.open(Path(path).expanduser()).sql.run(f"SELECT DISTINCT {_COLUMNS[what]} ORDER BY 1").table
    except (StoreError, OSError):
        return []
    return [str(value) for value in table.column(0).to_pylist() if value]


def _fitting(words: list[str], begun: str) -> list[str]:
    return [word for word in words if word.lower().startswith(begun.lower())]


def offer_devices(ctx: typer.Context, incomplete: str) -> list[str]:
    """The library's devices by their codes."""
    return _fitting(_held(ctx, "device"), incomplete)


def offer_ports(ctx: typer.Context, incomplete: str) -> list[str]:
    """Ports that stand on sheets."""
    return _fitting(_held(ctx, "port"), incomplete)


def offer_modes(ctx: typer.Context, incomplete: str) -> list[str]:
    """Modes that runs were taken in."""
    return _fitting(_held(ctx, "mode"), incomplete)


def offer_meters(ctx: typer.Context, incomplete: str) -> list[str]:
    """The library's meters."""
    return _fitting(_held(ctx, "meter"), incomplete)


def offer_kinds(incomplete: str) -> list[str]:
    """Kinds of test."""
    from importers.schema import KINDS

    return _fitting(list(KINDS), incomplete)


def offer_filters(ctx: typer.Context, incomplete: str) -> list[str]:
    """Filter words; behind the colon, what the library holds."""
    from store.runs.filters import FIELDS

    minus = "-" if incomplete.startswith("-") else ""
    field, colon, begun = incomplete.removeprefix("-").partition(":")
    if not colon:
        return [minus + word for word in _fitting([f"{name}:" for name in FIELDS], field)]
    values = offer_kinds(begun) if field == "kind" else _fitting(_held(ctx, field), begun) if field in _COLUMNS else []
    quoted = [f'"{value}"' if " " in value else value for value in values]
    return [f"{minus}{field}:{value}" for value in quoted]
