"""Traces reduced to results: pure functions over arrays. Knows no file, no catalogue, no screen.

The reducers are loaded when one of these names is first used: a list of runs needs none of them.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from store.methods.registry import METHODS, REDUCERS, Reducer, reduce_run

__all__ = ["METHODS", "REDUCERS", "Reducer", "reduce_run"]


def __getattr__(name: str) -> object:
    if name in __all__:
        return getattr(import_module("store.methods.registry"), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
