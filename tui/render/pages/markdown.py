"""A report as Markdown (GFM) with SVG and PNG beside it: every text escaped. Knows words only."""

from __future__ import annotations

import re
from collections.abc import Iterable

from store.model.document import (
    Bars,
    Block,
    Cell,
    Document,
    FactList,
    Heading,
    Manner,
    Matrix,
    Paragraph,
    Plot,
    Role,
    Sql,
    Table,
)
from store.publish.content import Section
from store.publish.reports import Issue
from store.version import __version__
from tui.render.pages.html import SIGNS, sections_of
from tui.render.pages.numbers import cell_text, heads_of, safe, safe_lines, units_of

__all__ = ["as_markdown", "document_as_markdown", "escaped"]

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


def document_as_markdown(document: Document) -> str:
    """Any document; pictures are looked for in `figures/`."""
    lines = [f"# {escaped(document.title)}", ""]
    for section in sections_of(document):
        lines += _section(section) if section.title else _blocks(section.blocks)
    lines += ["Results relate only to the items tested. ± is the expanded uncertainty U, k = 2.", ""]
    return "\n".join([*lines, f"Joulebook {__version__}"]) + "\n"


def _facts(issue: Issue) -> Iterable[tuple[str, str]]:
    report = issue.content
    if issue.version:
        yield "issued", issue.issued_at.strftime("%Y-%m-%d %H:%M UTC")
    yield "responsible tester", ", ".join(part for part in (report.tester, report.contact) if part) or "not stated"
    yield "place", report.place or "not stated"
    yield "samples", ", ".join(report.devices)
    yield "program", f"Joulebook {issue.program_version}"


def _section(section: Section) -> list[str]:
    return [f"## {escaped(section.title)}", "", *_blocks(section.blocks)]


def _blocks(blocks: Iterable[Block]) -> list[str]:
    lines: list[str] = []
    before: Block | None = None
    for block in blocks:
        if _is_item(before) and not _is_item(block):
            lines.append("")
        lines += _block(block)
        lines += [] if _is_item(block) else [""]
        before = block
    return [*lines, ""] if _is_item(before) else lines


def _is_item(block: Block | None) -> bool:
    return isinstance(block, Paragraph) and block.manner is Manner.ITEM


def _block(block: Block) -> list[str]:
    match block:
        case Table():
            return _table(block)
        case Plot():
            return _plot(block)
        case Sql():
            return _query(block)
        case Bars():
            return _bars(block)
        case FactList():
            return _facts_table(block)
        case Matrix():
            return _matrix(block)
        case Heading():
            return [f"### {escaped(block.text)}"]
        case Paragraph():
            return _paragraph(block)


def _paragraph(block: Paragraph) -> list[str]:
    head = f"**{escaped(block.head)}** " if block.head else ""
    begin = {Manner.CAUTION: "> **Caution** ", Manner.OPINION: "> ", Manner.ITEM: "- "}.get(block.manner, "")
    return [f"{begin}{head}{escaped(block.text)}"]


def _facts_table(block: FactList) -> list[str]:
    caption = [f"**{escaped(block.caption)}**", ""] if block.caption else []
    rows = [_row([escaped(name), _cell(cell)]) for name, cell in block.pairs if cell.shown()]
    return [*caption, _row([" ", " "]), _row(["---", "---"]), *rows]


def _bars(block: Bars) -> list[str]:
    heads = ["what", "measured"] if block.has_one_scale else ["claim", "measured", "verdict"]
    rows = []
    for bar in block.bars:
        label = f"{bar.label} ({bar.promised})" if bar.promised else bar.label
        verdict = [] if block.has_one_scale else [escaped(bar.verdict.shown()) if bar.verdict else " "]
        rows.append(_row([escaped(label), _cell(bar.cell), *verdict]))
    lines = [f"**{escaped(block.caption)}**", "", _row(heads), _row(["---"] * len(heads)), *rows]
    return [*lines, "", escaped(block.note)] if block.note else lines


def _matrix(block: Matrix) -> list[str]:
    heads = ["test", *(escaped(" ".join(part for part in pair if part) or "device") for pair in block.columns)]
    rows = [_row([escaped(row.label), *(escaped(cell.shown()) for cell in row.cells)]) for row in block.rows]
    return [_row(heads), _row(["---"] * len(heads)), *rows]


def _table(table: Table) -> list[str]:
    units = units_of(table)
    heads = [escaped(head) or " " for head in heads_of(table, units)]
    rule = ["---:" if column.is_number else "---" for column in table.columns]
    lines = [f"**{escaped(table.caption)}**", "", _row(heads), _row(rule)]
    lines += [_row([_cell(c, with_unit=not unit) for c, unit in zip(row, units, strict=True)]) for row in table.rows]
    return [*lines, "", escaped(table.note)] if table.note else lines


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _cell(cell: Cell, *, with_unit: bool = True) -> str:
    text = escaped(cell_text(cell, with_unit=with_unit))
    if cell.role in (Role.BEST, Role.WORST):
        text = f"{text} ({cell.role.value} {SIGNS[cell.role]})"
    note = f" ({escaped(cell.note)})" if cell.note else ""
    return f"{text}{note}" or " "


def _plot(plot: Plot) -> list[str]:
    picture = f"![{escaped(plot.alt)}](figures/{plot.id}.svg)"
    runs = f" Runs {', '.join(map(str, plot.run_ids))}." if plot.run_ids else ""
    return [picture, "", f"**{escaped(plot.title)}.** {escaped(plot.note)}{runs} [PNG](figures/{plot.id}.png)"]


def _query(query: Sql) -> list[str]:
    lines = [f"### {escaped(query.name)}", ""]
    if query.note:
        lines += [escaped(query.note), ""]
    if query.sql:
        longest = max((len(run) for run in re.findall(r"`+", query.sql)), default=0)
        fence = "`" * max(3, longest + 1)
        lines += [f"{fence}sql", safe_lines(query.sql), fence]
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
