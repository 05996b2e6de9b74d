"""What leaves the library for others to read: data with their description, and reports as frozen content."""

from store.publish.bdf import export_bdf
from store.publish.export import export_runs
from store.publish.refusals import FolderInUse, NotPublished

__all__ = ["FolderInUse", "NotPublished", "export_bdf", "export_runs"]
