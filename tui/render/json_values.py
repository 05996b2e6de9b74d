"""Values as JSON documents hold them. Knows Python's own types only."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

__all__ = ["jsonable"]


def jsonable(value: Any) -> Any:
    """A value as JSON can hold it: NaN and infinities as null, moments as ISO 8601 in UTC, tuples as lists."""
    match value:
        case None | bool() | int() | str():
            return value
        case float():
            return value if math.isfinite(value) else None
        case datetime():
            return value.isoformat()
        case date():
            return value.isoformat()
        case Mapping():
            return {str(key): jsonable(item) for key, item in value.items()}
        case Sequence() if not isinstance(value, bytes):
            return [jsonable(item) for item in value]
        case _:
            return _other(value)


def _other(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: jsonable(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if hasattr(value, "tolist"):
        return jsonable(value.tolist())
    if isinstance(value, bytes):
        return value.hex()
    return str(value)
