"""The library: catalogue, traces, results, queries. Knows no file format of a meter and no screen."""

from store.errors import (
    CatalogueDamaged,
    DiskFault,
    FilterError,
    LibraryBusy,
    LibraryTooNew,
    NotALibrary,
    NotFound,
    QueryFailed,
    QueryRefused,
    StoreError,
    TraceDamaged,
    WrongFact,
)
from store.library import Library
from store.version import __version__

__all__ = [
    "CatalogueDamaged",
    "DiskFault",
    "FilterError",
    "Library",
    "LibraryBusy",
    "LibraryTooNew",
    "NotALibrary",
    "NotFound",
    "QueryFailed",
    "QueryRefused",
    "StoreError",
    "TraceDamaged",
    "WrongFact",
    "__version__",
]
