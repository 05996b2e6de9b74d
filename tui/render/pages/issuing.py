"""A report from the library to a folder: gathered, issued, written. What the command and the screen share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from store import Library, NotFound
from store.choose.decide import Ranking
from store.documents.choice import choice_document
from store.publish import Issue, draft_of, gather_report, issue_report, load_issue, own_id
from store.publish.evidence import write_evidence
from store.publish.folder import check_free
from store.publish.pictures import names_of
from store.publish.signature import FIELDS, keep_signature, kept_signature
from tui.render.pages.writing import need_extra, write_document, write_report

__all__ = ["Published", "publish", "write_choice"]


@dataclass(frozen=True, slots=True)
class Published:
    """A report that was written."""

    issue: Issue
    files: tuple[Path, ...]

    def words(self) -> str:
        """`Report R-0123456789, version 2: out/report.html`."""
        page = next(path for path in self.files if path.name.startswith("report."))
        name = f"Report {self.issue.report}, version {self.issue.version}" if self.issue.version else "Draft"
        return f"{name}: {page}"


def publish(
    library: Library,
    devices: Sequence[str],
    folder: Path,
    *,
    form: str = "html",
    lang: str = "en",
    said: Mapping[str, Any] | None = None,
    reason: str = "",
    is_draft: bool = False,
    replace: bool = False,
) -> Published:
    """Gather a report, give it its version, write it.

    Args:
        library: The library.
        devices: Inventory codes.
        folder: Where to; made whole or not at all.
        form: `html` or `md`.
        lang: `en`.
        said: `tester`, `contact`, `place`, `opinions`; what is None or missing is as in the version before.
        reason: Why there is a new version, where the content changed.
        is_draft: Issue nothing, keep nothing.
        replace: Write over files that are there.

    Raises:
        StoreError: Of its family: no such device, a damaged trace, a folder in use, a reason that is wanted ...
    """
    need_extra()
    check_free(folder, replace=replace)
    if not is_draft:
        keep_signature(library, {name: (said or {}).get(name) for name in FIELDS})
    content = gather_report(library, devices, lang=lang, **_kept(library, devices, lang, said or {}))
    issue = draft_of(content) if is_draft else issue_report(library, content, reason=reason)
    files = write_report(
        issue, folder, form, replace=replace, evidence=lambda data: write_evidence(library, content, data)
    )
    return Published(issue, tuple(files))


def _kept(library: Library, devices: Sequence[str], lang: str, said: Mapping[str, Any]) -> dict[str, Any]:
    """Tester, contact, place and opinions: as said now, else as before, else as the library keeps them."""
    try:
        before: Any = load_issue(library, own_id(library, devices, lang)).content
    except NotFound:
        before = None
    kept = {key: value for key, value in said.items() if value is not None}
    if before is not None:
        for key in ("tester", "contact", "place", "opinions"):
            if getattr(before, key):
                kept.setdefault(key, getattr(before, key))
    for key, text in kept_signature(library).items():
        kept.setdefault(key, text)
    return kept


def write_choice(
    library: Library, choice: Ranking, folder: Path, form: str = "html", *, replace: bool = False
) -> list[Path]:
    """Write the answer to a need as a page, devices called by their names.

    Raises:
        StoreError: Of its family: a folder in use, a format that there is not ...
    """
    sheets = [library.devices.get(name) for name in dict.fromkeys(outcome.device for outcome in choice.outcomes)]
    document = choice_document(choice, names_of(sheets))
    by = f", weighed by {choice.need.scheme}" if choice.need.scheme else ""
    above = f"Which one for a need{by}"
    return write_document(document, folder, "choice", form, above=above, replace=replace)
