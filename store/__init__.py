"""The library: catalogue, traces, results, queries. Knows no file format of a meter and no screen.

The parts are loaded when one of these names is first used: a screen that shows a kept page needs no engine yet.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from store.errors import (
        CatalogueDamaged,
        DiskFault,
        FilterError,
        ForeignCatalogue,
        LibraryBusy,
        LibraryTooNew,
        NotALibrary,
        NotFound,
        QueryFailed,
        QueryRefused,
        StoreError,
        TraceDamaged,
        UnsafePath,
        WrongFact,
    )
    from store.library import Library
    from store.version import __version__

__all__ = [
    "CatalogueDamaged",
    "DiskFault",
    "FilterError",
    "ForeignCatalogue",
    "Library",
    "LibraryBusy",
    "LibraryTooNew",
    "NotALibrary",
    "NotFound",
    "QueryFailed",
    "QueryRefused",
    "StoreError",
    "TraceDamaged",
    "UnsafePath",
    "WrongFact",
    "__version__",
]

_HOMES = {"Library": "store.library", "__version__": "store.version"}


def __getattr__(name: str) -> object:
    if name in __all__:
        return getattr(import_module(_HOMES.get(name, "store.errors")), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
