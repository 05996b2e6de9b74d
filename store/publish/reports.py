"""Reports as they were issued: an id and versions, what changed and why, the old ones kept.

Knows the catalogue's table of reports; renders nothing.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from store.catalogue.connection import rows
from store.errors import NotFound
from store.model.document import Cell, FactList, Manner, Paragraph, Table
from store.publish.content import Report, Section
from store.publish.refusals import NotPublished
from store.publish.report_ids import library_uid, own_id, report_id
from store.sql.session import SqlSession
from store.version import __version__
from store.words.clock import as_utc, now_utc, to_stored

if TYPE_CHECKING:
    from store.core import Store

__all__ = [
    "HistoryStep",
    "Issue",
    "ReasonWanted",
    "changes_between",
    "draft_of",
    "issue_report",
    "issued_reports",
    "load_issue",
    "own_id",
    "report_id",
]

MOST_CHANGES = 40


@dataclass(frozen=True, slots=True)
class HistoryStep:
    """One version in a report's history."""

    version: int
    issued_at: datetime
    issued_by: str
    reason: str
    content_sha256: str


@dataclass(frozen=True, slots=True)
class Issue:
    """A report as issued: its content, and what belongs to this version of it."""

    report: str
    version: int
    issued_at: datetime
    """UTC."""
    issued_by: str
    program_version: str
    replaces: int | None
    reason: str
    """Why there is a new version; empty for the first."""
    changes: tuple[str, ...]
    """What differs from the version before, a sentence each."""
    chain: str
    """Head of the library's chain of amendments at that moment; empty where nothing was ever amended."""
    content: Report
    history: tuple[HistoryStep, ...]
    """Every version up to this one."""


class ReasonWanted(NotPublished):
    """A report's content changed since it was issued, and nobody said why."""

    def __init__(self, report: str, version: int, changes: Sequence[str]) -> None:
        shown = "\n".join(f"  {text}" for text in changes[:10])
        more = f"\n  and {len(changes) - 10} more" if len(changes) > 10 else ""
        super().__init__(
            f"Report {report}, version {version}, differs from this:\n{shown}{more}\n"
            "Give a reason with --reason TEXT; it is then issued as a new version, and the old one is kept."
        )
        self.changes = tuple(changes)


def issue_report(library: Store, content: Report, *, who: str = "", reason: str = "") -> Issue:
    """Give a report its version: the one it has where nothing changed, else a new one that replaces it.

    Raises:
        ReasonWanted: It changed, and `reason` is empty; holds what changed.
    """
    with library.catalogue.reader() as cursor:
        report = report_id(library_uid(cursor), content.devices, content.lang)
    last = _last(library, report)
    if last is not None and last.content.sha256 == content.sha256:
        return last
    changes = changes_between(last.content, content) if last is not None else ()
    if last is not None and not reason.strip():
        raise ReasonWanted(report, last.version, changes)
    version = last.version + 1 if last is not None else 1
    with library.catalogue.writer() as cursor:
        newest: list[Any] = rows(cursor, "SELECT max(version) FROM catalogue.report WHERE report = ?", [report])
        if newest[0][0] is not None and newest[0][0] >= version:
            raise NotPublished(f"Somebody issued report {report} meanwhile. Run the same command again.")
        head: list[Any] = rows(cursor, "SELECT chain FROM catalogue.amendment ORDER BY seq DESC LIMIT 1")
        cursor.execute(
            "INSERT INTO catalogue.report VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                report,
                version,
                list(content.devices),
                content.lang,
                content.title,
                to_stored(now_utc().replace(microsecond=0)),
                who or content.tester or "not stated",
                __version__,
                last.version if last is not None else None,
                reason.strip() if last is not None else "",
                json.dumps(changes, ensure_ascii=False),
                head[0][0] if head else "",
                content.sha256,
                list(content.run_ids),
                zlib.compress(content.as_json().encode(), 9),
            ],
        )
    return load_issue(library, report, version)


def _last(library: Store, report: str) -> Issue | None:
    try:
        return load_issue(library, report)
    except NotFound:
        return None


_COLUMNS = (
    "report, version, issued_at, issued_by, program_version, replaces, reason, changes, chain, content, content_sha256"
)


def load_issue(library: Store, report: str, version: int | None = None) -> Issue:
    """A report as it was issued; its latest version where none is named.

    Raises:
        NotFound: No such report, or no such version.
    """
    with library.catalogue.reader() as cursor:
        found: list[Any] = rows(
            cursor, f"SELECT {_COLUMNS} FROM catalogue.report WHERE report = ? ORDER BY version", [report]
        )
        known: list[Any] = rows(cursor, "SELECT DISTINCT report FROM catalogue.report ORDER BY report")
    if not found:
        raise NotFound.of("report", report, [row[0] for row in known])
    wanted = version if version is not None else found[-1][1]
    kept = [row for row in found if row[1] <= wanted]
    if not kept or kept[-1][1] != wanted:
        raise NotFound.of("version", wanted, [row[1] for row in found])
    row = kept[-1]
    moment = as_utc(row[2])
    if moment is None:
        raise NotFound.of("report", report)
    return Issue(
        report=row[0],
        version=row[1],
        issued_at=moment,
        issued_by=row[3],
        program_version=row[4],
        replaces=row[5],
        reason=row[6],
        changes=tuple(json.loads(row[7])),
        chain=row[8],
        content=Report.from_json(zlib.decompress(row[9]).decode()),
        history=tuple(HistoryStep(r[1], as_utc(r[2]) or moment, r[3], r[6], r[10]) for r in kept),
    )


def issued_reports(library: Store) -> pa.Table:
    """Every issued version: report, version, issued_at, issued_by, title, reason."""
    return (
        library.service(SqlSession)
        .run("SELECT report, version, issued_at, issued_by, title, reason FROM reports", limit=None)
        .table
    )


def draft_of(content: Report) -> Issue:
    """A report that is not issued: no id, no date, kept nowhere."""
    zero = datetime(1970, 1, 1)  # noqa: DTZ001 (never shown)
    return Issue("draft", 0, zero, "", __version__, None, "", (), "", content, ())


def changes_between(before: Report, after: Report) -> tuple[str, ...]:
    """What differs, a sentence each: rows of tables by their first cells, runs, texts."""
    told = []
    added = sorted(set(after.run_ids) - set(before.run_ids))
    gone = sorted(set(before.run_ids) - set(after.run_ids))
    if added:
        told.append(f"Runs added: {', '.join(map(str, added))}.")
    if gone:
        told.append(f"Runs no longer in it: {', '.join(map(str, gone))}.")
    if before.opinions != after.opinions:
        told.append("The opinions were changed.")
    for field, word in (("tester", "tester"), ("contact", "contact"), ("place", "place")):
        old, new = getattr(before, field), getattr(after, field)
        if old != new:
            told.append(f"The {word} was {old or 'not stated'}, is {new or 'not stated'}.")
    told += _changed_sections(before.sections, after.sections)
    if not told:
        told.append("Only plots or queries changed.")
    if len(told) > MOST_CHANGES:
        told = [*told[:MOST_CHANGES], f"And {len(told) - MOST_CHANGES} more."]
    return tuple(told)


def _changed_sections(before: Sequence[Section], after: Sequence[Section]) -> Iterator[str]:
    old = {section.id: section for section in before}
    new = {section.id: section for section in after}
    for key in [*old, *(k for k in new if k not in old)]:
        if key in ("data", "opinions"):
            continue
        if key not in new:
            yield f"The part `{old[key].title}` is gone."
        elif key not in old:
            yield f"The part `{new[key].title}` is new."
        else:
            yield from _changed_tables(old[key], new[key])


def _changed_tables(before: Section, after: Section) -> Iterator[str]:
    texts = [
        [b.text for b in s.blocks if isinstance(b, Paragraph) and b.manner is not Manner.LEAD] for s in (before, after)
    ]
    if texts[0] != texts[1]:
        yield f"{after.title}: the text was changed."
    old, new = _tables(before), _tables(after)
    for caption in [*old, *(c for c in new if c not in old)]:
        rows_old, rows_new = old.get(caption, {}), new.get(caption, {})
        for key in [*rows_old, *(k for k in rows_new if k not in rows_old)]:
            if key not in rows_new:
                yield f"{caption}: the row {key} is gone."
            elif key not in rows_old:
                yield f"{caption}: the row {key} is new: {'; '.join(v for v in rows_new[key].values() if v)}."
            else:
                for head, value in rows_new[key].items():
                    was = rows_old[key].get(head, "")
                    if was != value:
                        yield f"{caption}, {key}: {head} was {_bare(was)}, is {_bare(value)}."


def _bare(text: str) -> str:
    """A cell's text within a sentence: without its own full stop."""
    return text.removesuffix(".") or "empty"


def _tables(section: Section) -> dict[str, dict[str, dict[str, str]]]:
    """Tables and facts by their captions: rows by what names them, cells as text."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    for block in section.blocks:
        if isinstance(block, Table):
            found[block.caption] = _by_row(block)
        elif isinstance(block, FactList):
            found[block.caption or section.title] = {name: {"value": cell.shown()} for name, cell in block.pairs}
    return found


def _by_row(table: Table) -> dict[str, dict[str, str]]:
    """Rows by their first cells, each cell as short text."""
    found: dict[str, dict[str, str]] = {}
    for row in table.rows:
        first = row[: table.titles]
        key = ", ".join(text for text in [*(cell.shown() for cell in first), _small_print(first)] if text)
        number = 2
        while key in found:
            key, number = f"{key.partition(' #')[0]} #{number}", number + 1
        rest = list(zip(table.columns, row, strict=True))[table.titles :]
        found[key] = {column.head or "value": cell.shown() for column, cell in rest}
    return found


def _small_print(cells: Sequence[Cell]) -> str:
    return ", ".join(cell.note for cell in cells if cell.note)
