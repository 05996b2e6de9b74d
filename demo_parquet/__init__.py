"""The demo library's data, and where its parts lie. Knows no store, no screen and none of the model that made it."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable

__all__ = ["devices", "exports", "folder", "manifest", "meters", "traces", "truth"]


def folder() -> Traversable:
    """The folder that holds all of the demo's data."""
    return files(__name__)


def traces() -> Traversable:
    """The folder with the Parquet packs of runs."""
    return folder() / "traces"


def devices() -> Traversable:
    """The folder with one device sheet (TOML) per device."""
    return folder() / "devices"


def meters() -> Traversable:
    """The TOML file with the meters, their accuracy and their calibrations."""
    return folder() / "meters.toml"


def exports() -> Traversable:
    """The folder with raw exports to try the importer on."""
    return folder() / "exports"


def manifest() -> Traversable:
    """The JSON file that lists every data file with its rows and SHA-256."""
    return folder() / "manifest.json"


def truth() -> Traversable:
    """The JSON file with what the model knows: verdicts with their reasons, and figures per run."""
    return folder() / "truth.json"
