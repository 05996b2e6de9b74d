"""A report as Markdown (GFM) with SVG and PNG beside it: every text escaped. Knows words only."""

from __future__ import annotations

import re
from collections.abc import Iterable

from store.publish.content import Block, Cell, Column, Plot, Query, Section, Table, Text
from store.publish.reports import Issue
from tui.render.pages.html import SIGNS
from tui.render.pages.numbers import cell_text, head_text, safe

__all__ = ["as_markdown", "escaped"]

_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "@": "&#64;"}
_SPECIAL = re.compile(r"([\\`*_{}\[\]()#+!|~$])")


def escaped(text: str) -> str:
    """Text that Markdown shows as it is: no markup, no cell border, no link that makes itself."""
    shown = "".join(_ENTITIES.get(character, character) for character in safe(text))
    shown = _SPECIAL.sub(r"\\\1", shown.replace("&#64;", "\x00")).replace("\x00", "&#64;")
    shown = shown.replace("://", "&#58;//")
    shown = re.sub(r"(?i)\bwww\.", lambda match: f"{match[0][:3]}&#46;", shown)
    return re.sub(r"^(\d+)([.)])", r"\1\\\2", re.sub(r"^-", r"\\-", shown))


def as_markdown(issue: Issue) -> str:
    """The page; pictures are looked for in `figures/`."""
    report = issue.content
    head = f"Report {issue.report}, version {issue.version}" if issue.version else "Draft: not issued, may change"
    lines = [f"# {escaped(report.title)}", "", head, ""]
    lines += [f"- {name}: {escaped(value)}" for name, value in _facts(issue)]
    lines += ["", "Results relate only to the items tested. ± is the expanded uncertainty U, k = 2.", ""]
    if issue.replaces:
        lines += [f"**This version replaces version {issue.replaces}.** Reason: {escaped(issue.reason)}", ""]
        lines += [*(f"- {escaped(change)}" for change in issue.changes), ""]
    for section in report.sections:
        lines += _section(section)
    lines += _foot(issue)
    return "\n".join(lines).rstrip("\n") + "\n"


def _facts(issue: Issue) -> Iterable[tuple[str, str]]:
    report = issue.content
    if issue.version:
        yield "issued", issue.issued_at.strftime("%Y-%m-%d %H:%M UTC")
    yield "tested and issued by", ", ".join(part for part in (report.tester, report.contact) if part)
    yield "place", report.place or "not stated"
    yield "samples", ", ".join(report.devices)
    yield "program", f"Joulebook {issue.program_version}"


def _section(section: Section) -> list[str]:
    lines = [f"## {escaped(section.title)}", ""]
    for block in section.blocks:
        lines += [*_block(block), ""]
    return lines


def _block(block: Block) -> list[str]:
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Plot):
        return _plot(block)
    if isinstance(block, Query):
        return _query(block)
    return _text(block)


def _text(block: Text) -> list[str]:
    if block.manner == "list":
        return [f"- {escaped(paragraph)}" for paragraph in block.paragraphs]
    lines: list[str] = []
    quoted = {"caution": "**Caution** ", "opinion": ""}
    for paragraph in block.paragraphs:
        begin = f"> {quoted[block.manner]}" if block.manner in quoted else ""
        lines += [begin + escaped(paragraph), ""]
    return lines[:-1]


def _table(table: Table) -> list[str]:
    heads = [escaped(head_text(column)) or " " for column in table.columns]
    rule = ["---:" if column.is_number else "---" for column in table.columns]
    lines = [f"**{escaped(table.caption)}**", "", _row(heads), _row(rule)]
    lines += [_row([_cell(c, column) for c, column in zip(row, table.columns, strict=True)]) for row in table.rows]
    return [*lines, "", escaped(table.note)] if table.note else lines


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _cell(cell: Cell, column: Column) -> str:
    text = escaped(cell_text(cell, column))
    if cell.mark in ("best", "worst"):
        text = f"{text} ({cell.mark} {SIGNS[cell.mark]})"
    note = f" ({escaped(cell.note)})" if cell.note else ""
    return f"{text}{note}" or " "


def _plot(plot: Plot) -> list[str]:
    picture = f"![{escaped(plot.alt)}](figures/{plot.id}.svg)"
    runs = f" Runs {', '.join(map(str, plot.run_ids))}." if plot.run_ids else ""
    return [picture, "", f"**{escaped(plot.title)}.** {escaped(plot.note)}{runs} [PNG](figures/{plot.id}.png)"]


def _query(query: Query) -> list[str]:
    lines = [f"### {escaped(query.name)}", ""]
    if query.note:
        lines += [escaped(query.note), ""]
    if query.sql:
        longest = max((len(run) for run in re.findall(r"`+", query.sql)), default=0)
        fence = "`" * max(3, longest + 1)
        lines += [f"{fence}sql", query.sql, fence]
    return lines


def _foot(issue: Issue) -> list[str]:
    if not issue.version:
        return ["End of draft."]
    lines = [
        "**Versions of this report**",
        "",
        "| version | issued | by | why | SHA-256 of the content |",
        "| --- | --- | --- | --- | --- |",
    ]
    for step in issue.history:
        moment = step.issued_at.strftime("%Y-%m-%d %H:%M UTC")
        why = escaped(step.reason or "first issue")
        lines.append(f"| {step.version} | {moment} | {escaped(step.issued_by)} | {why} | {step.content_sha256} |")
    chain = f"Head of its chain of amendments: {issue.chain}." if issue.chain else "No fact had been amended."
    return [
        *lines,
        "",
        f"Every version is kept in the library. {chain}",
        "",
        f"End of report {issue.report}, version {issue.version}.",
    ]
