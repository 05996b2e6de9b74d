"""What is kept for next time: columns, order, theme, strips, the last filters.

Knows one small JSON file whose path is handed in; no Textual. A file that can't be read or written is no reason to
fail: then the usual settings hold and nothing is kept.
"""

from __future__ import annotations

import json
import logging
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from tui.state.run_columns import DEFAULT_COLUMNS

__all__ = ["Settings", "load_settings", "pages_folder", "save_settings"]

_log = logging.getLogger(__name__)

MOST_FILTERS = 50

_OLDER = {"queries": "questions"}
"""What a setting was called before."""


@dataclass(slots=True)
class Settings:
    """A person's choices in the terminal interface."""

    theme: str = "joulebook-dark"
    strips: str = "auto"
    columns: tuple[str, ...] = DEFAULT_COLUMNS
    sort: str = "-started_at"
    filters: tuple[str, ...] = ()
    """Filters used before, the newest last."""
    queries: tuple[str, ...] = ()
    """Queries run before, the newest last."""

    def remember_filter(self, text: str) -> None:
        """Put a filter at the end of those used before."""
        text = text.strip()
        if text:
            self.filters = (*[f for f in self.filters if f != text], text)[-MOST_FILTERS:]

    def remember_query(self, text: str) -> None:
        """Put a query at the end of those run before."""
        text = text.strip()
        if text:
            self.queries = (*[q for q in self.queries if q != text], text)[-MOST_FILTERS:]


def pages_folder(path: Path | None) -> Path | None:
    """Where first pages are kept: beside the settings; None where nothing is kept."""
    return None if path is None else path.with_name("first-pages")


def load_settings(path: Path | None) -> Settings:
    """Read the settings; whatever is missing or of another kind takes its usual value."""
    settings = Settings()
    if path is None:
        return settings
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return settings
    if isinstance(found, dict):
        for of in fields(Settings):
            _take(settings, of.name, found.get(of.name, found.get(_OLDER.get(of.name, ""))))
    return settings


def _take(settings: Settings, name: str, value: Any) -> None:
    usual = getattr(settings, name)
    if isinstance(usual, tuple):
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            setattr(settings, name, tuple(value))
    elif isinstance(value, str):
        setattr(settings, name, value)


def save_settings(path: Path | None, settings: Settings) -> None:
    """Write the settings whole: a reader never sees half of them."""
    if path is None:
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        half = path.with_suffix(".half")
        half.write_text(json.dumps(asdict(settings), indent=1, ensure_ascii=False), encoding="utf-8")
        half.replace(path)
    except OSError:
        _log.info("settings could not be kept", exc_info=True)
