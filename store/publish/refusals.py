"""Why something is not published, as sentences for people. Knows words only."""

from __future__ import annotations

from pathlib import Path

from store.errors import StoreError

__all__ = ["FolderInUse", "NotPublished"]


class NotPublished(StoreError):  # noqa: N818 (a statement, not a fault)
    """Something that can't be published as asked."""


class FolderInUse(NotPublished):
    """The folder named for the output holds something already."""

    @classmethod
    def of(cls, folder: Path, names: list[str]) -> FolderInUse:
        """Name the folder and what lies there."""
        shown = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
        return cls(f"{folder} holds {shown} already. Name another folder, or replace what is written with --force.")
