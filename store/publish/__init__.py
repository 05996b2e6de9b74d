"""What leaves the library for others to read: data with their description, and reports as frozen content."""

from store.publish.bdf import export_bdf
from store.publish.content import Report
from store.publish.export import export_runs
from store.publish.gather import gather_report
from store.publish.over_time import plot_runs
from store.publish.refusals import FolderInUse, NotPublished
from store.publish.reports import Issue, ReasonWanted, draft_of, issue_report, load_issue, own_id

__all__ = [
    "FolderInUse",
    "Issue",
    "NotPublished",
    "ReasonWanted",
    "Report",
    "draft_of",
    "export_bdf",
    "export_runs",
    "gather_report",
    "issue_report",
    "load_issue",
    "own_id",
    "plot_runs",
]
