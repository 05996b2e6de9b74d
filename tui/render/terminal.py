"""A document as lines with roles: what the command line prints and a screen paints, from one place.

Knows documents and text: no library, no Textual.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

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
from tui.render.bars import are_beside, bar_lines, grid_lines
from tui.render.format import UNICODE_SIGNS, Signs, align_on_point
from tui.render.plain import plain, width_of
from tui.render.tables import GAP, hanging
from tui.render.units import unit_in_head
from tui.state.lines import Line, Span, line, line_width, text_of

__all__ = ["document_lines", "document_text"]

WIDEST = 100
"""Cells of a line of prose, however wide the terminal is."""

SIGNS_OF_STATE = {
    Role.DONE: ("■", "#"),
    Role.REPEAT: ("+", "+"),
    Role.SUSPECT: ("~", "~"),
    Role.TO_DO: ("□", "o"),
    Role.NOT_OFFERED: ("·", "."),
}
"""The cells of a matrix, and the same where only ASCII is drawn."""

COMFORTABLE = 26
"""Cells down to which a column of sentences gives way before heads take two lines."""

LONGEST_NAME = 40
"""Cells of a fact's name that may stand in a column of names."""

LEAST_WRAPPED = 14
"""Cells under which a column of sentences is no longer read well."""


def document_text(
    document: Document,
    *,
    signs: Signs = UNICODE_SIGNS,
    width: int | None = None,
    drawings: Mapping[str, Sequence[Line]] | None = None,
) -> Iterator[str]:
    """The document line by line, harmless to any terminal."""
    found = document_lines(document, signs=signs, width=width, drawings=drawings)
    return (text_of(line).rstrip() for line in found)


def _grouped(blocks: Sequence[Block]) -> Iterator[list[Block | None]]:
    """Each block after the one before it; sets of bars of the same devices together."""
    index = 0
    while index < len(blocks):
        end = index + 1
        first = blocks[index]
        while isinstance(first, Bars) and end < len(blocks):
            following = blocks[end]
            if not isinstance(following, Bars) or not are_beside(first, following):
                break
            end += 1
        yield [blocks[index - 1] if index else None, *blocks[index:end]]
        index = end


def document_lines(
    document: Document,
    *,
    signs: Signs = UNICODE_SIGNS,
    width: int | None = None,
    titled: bool = True,
    drawings: Mapping[str, Sequence[Line]] | None = None,
) -> list[Line]:
    """The document as lines with roles.

    Args:
        document: The page.
        signs: What the terminal can draw.
        width: Cells that a line may take; None for as many as it needs (a pipe).
        titled: Whether its title stands over it.
        drawings: Plots drawn with characters, by their ids; others are told in words.
    """
    lines: list[Line] = []
    if titled and document.title:
        lines += [((text, "head"),) for text in _prose(document.title, width, "")]
    for group in _grouped(document.blocks):
        before, block = group[0], group[1]
        if lines and _needs_gap(before, block):
            lines.append(())
        bars = [found for found in group[1:] if isinstance(found, Bars)]
        if len(bars) > 1:
            lines += grid_lines(bars, signs, width)
        elif isinstance(block, Plot) and drawings is not None and block.id in drawings:
            lines += drawings[block.id]
        elif block is not None:
            lines += _block(block, signs, width)
    return [_in_signs(found, signs) for found in lines]


def _needs_gap(before: Block | None, block: Block | None) -> bool:
    if before is None or isinstance(block, Heading):
        return not (before is None and isinstance(block, Paragraph))
    return not isinstance(before, Heading | Paragraph) and not isinstance(block, Paragraph)


def _in_signs(found: Line, signs: Signs) -> Line:
    return tuple((plain(text, ascii_only=signs.is_ascii), role) for text, role in found)


def _block(block: Block, signs: Signs, width: int | None) -> list[Line]:
    match block:
        case Heading():
            return [((text, "head"),) for text in _prose(block.text, width, "")]
        case FactList():
            return _facts(block, width)
        case Table():
            return _table(block, signs, width)
        case Paragraph():
            return _paragraph(block, width)
        case Matrix():
            return _matrix(block, signs, width)
        case Bars():
            return bar_lines(block, signs, width)
        case Sql():
            return _sql(block, width)
        case Plot():
            return [((f"  {text}", "dim"),) for text in _prose(f"{block.title}. {block.alt}", width, "")]


def _prose(text: str, width: int | None, indent: str) -> list[str]:
    """A sentence over as many lines as the width asks for."""
    shown = plain(text)
    if width is None:
        return [indent + shown]
    return hanging(indent, shown, max(min(width, WIDEST), 20))


def _paragraph(block: Paragraph, width: int | None) -> list[Line]:
    caution = block.manner is Manner.CAUTION
    head = "CAUTION: " if caution else f"{block.head} " if block.head else ""
    role = {Manner.CAUTION: "warn", Manner.NOTE: "dim", Manner.LEAD: "head"}.get(block.manner, "")
    indent = "    " if caution else "" if block.manner is Manner.LEAD else "  "
    room = None if width is None else max(min(width, WIDEST) - len(indent) - (2 if head else 0), 20)
    first, *rest = _pieces(head + block.text, room)
    hang = indent if caution or not head else indent + "  "
    cut = min(len(head), len(first)) if not caution else 0
    opening = line(indent, (first[:cut], "dim"), (first[cut:], role))
    return [opening, *(line(hang, (text, role)) for text in rest)]


def _facts(block: FactList, width: int | None) -> list[Line]:
    shown = [(plain(name), cell) for name, cell in block.pairs if cell.shown()]
    most = LONGEST_NAME if width is None else min(LONGEST_NAME, width // 2 - 2)
    widest = max((width_of(name) for name, _ in shown if width_of(name) <= most), default=0)
    lines: list[Line] = []
    for name, cell in shown:
        if width_of(name) > most:
            told = _prose(f"{name}: {' '.join(filter(None, [cell.shown(), cell.note]))}", width, "  ")
            lines += [line((text, _role(cell))) for text in told]
            continue
        head = f"  {name}{' ' * (widest - width_of(name))}{GAP}"
        texts = _pieces(" ".join(filter(None, [cell.shown(), cell.note])), None if width is None else width - len(head))
        lines.append(line((head, "dim"), (texts[0], _role(cell))))
        lines += [line(" " * len(head), (text, _role(cell))) for text in texts[1:]]
    return lines


def _pieces(text: str, room: int | None) -> list[str]:
    shown = plain(text)
    return [shown] if room is None else hanging("", shown, max(room, 1), least=1)


_STYLES = {
    Role.MET: "accent",
    Role.NOT_MET: "warn",
    Role.NOT_TESTED: "dim",
    Role.NOT_CHECKABLE: "dim",
    Role.NOT_AT_PORT: "dim",
    Role.AS_MARKED: "dim",
    Role.TOO_CLOSE: "head",
    Role.BEST: "accent",
    Role.WORST: "warn",
    Role.OVERDUE: "warn",
    Role.CAUTION: "warn",
    Role.TO_DO: "",
    Role.DONE: "accent",
    Role.SUSPECT: "warn",
    Role.NOT_OFFERED: "dim",
}


def _role(cell: Cell) -> str:
    return _STYLES.get(cell.role, cell.role.value if cell.role in (Role.HEAD, Role.DIM, Role.WARN) else "")


_MARKS = {Role.BEST: " +", Role.WORST: " -"}


def _cell_text(cell: Cell, *, with_unit: bool) -> str:
    return plain(cell.shown(with_unit=with_unit)) + _MARKS.get(cell.role, "")


def _table(block: Table, signs: Signs, width: int | None) -> list[Line]:
    block = _without_empty(block)
    if not block.rows:
        return []
    heads, texts = _shown_cells(block)
    widths = [max(map(width_of, (head, *column))) for head, column in zip(heads, texts, strict=True)]
    room = None if width is None else width - 2
    lines = (
        _rows(block, heads, texts, widths, width)
        if _fit(block, heads, texts, widths, room)
        else _as_blocks(block, signs, width)
    )
    if block.caption:
        lines = [((f"  {plain(block.caption)}", "dim"),), *lines]
    return lines + [((text, "dim"),) for text in (_prose(block.note, width, "  ") if block.note else [])]


def _without_empty(block: Table) -> Table:
    """The table without columns in which no row has anything."""
    kept = [i for i in range(len(block.columns)) if any(row[i].shown() or row[i].note for row in block.rows)]
    return replace(
        block,
        columns=tuple(block.columns[i] for i in kept),
        rows=tuple(tuple(row[i] for i in kept) for row in block.rows),
    )


def _shown_cells(block: Table) -> tuple[list[str], list[list[str]]]:
    """Heads with the units that whole columns share, and each column's texts."""
    heads, texts = [], []
    for index, column in enumerate(block.columns):
        cells = [row[index] for row in block.rows]
        unit = unit_in_head(cells)
        heads.append(plain(f"{column.head}, {unit}" if unit and column.head else unit or column.head))
        shown = [_cell_text(cell, with_unit=not unit) for cell in cells]
        texts.append(align_on_point(shown) if column.is_number and _is_aligned(cells) else shown)
    return heads, texts


def _is_aligned(cells: Sequence[Cell]) -> bool:
    """Whether a column's figures can stand on the decimal point: no words and no durations among them."""
    return not any(cell.text or " min" in cell.shown() for cell in cells)


def _fit(block: Table, heads: list[str], texts: list[list[str]], widths: list[int], room: int | None) -> bool:
    """Take cells from columns that wrap until a line fits; heads of several words may stand on two lines."""
    if room is None:
        return True
    if _give_way(block, widths, room, COMFORTABLE):
        return True
    for index, (head, column) in enumerate(zip(heads, texts, strict=True)):
        if not block.columns[index].wraps:
            body = max(map(width_of, column), default=0)
            longest_word = max(map(width_of, head.split(" ")), default=0)
            widths[index] = max(body, longest_word, min(widths[index], (width_of(head) + 1) // 2 + 2))
    return _give_way(block, widths, room, LEAST_WRAPPED)


def _give_way(block: Table, widths: list[int], room: int, least: int) -> bool:
    """Take cells from the widest columns that wrap, down to `least`; whether the line fits then."""
    while sum(widths) + len(GAP) * (len(widths) - 1) > room:
        able = [i for i, column in enumerate(block.columns) if column.wraps and widths[i] > least]
        if not able:
            return False
        widths[max(able, key=lambda i: widths[i])] -= 1
    return True


def _rows(block: Table, heads: list[str], texts: list[list[str]], widths: list[int], width: int | None) -> list[Line]:
    head = [_pieces(text, w) for text, w in zip(heads, widths, strict=True)]
    lines = [((text, "dim"),) for text in _set(block, head, widths)] if any(heads) else []
    found: list[Line] = list(lines)
    for index, row in enumerate(block.rows):
        pieces = []
        for k, column in enumerate(block.columns):
            text = texts[k][index]
            pieces.append(_pieces(text, widths[k]) if column.wraps else [text])
        found += _set_roles(block, pieces, widths, [_role(cell) for cell in row])
        notes = _notes(row)
        following = _notes(block.rows[index + 1]) if index + 1 < len(block.rows) else ""
        if notes and notes != following:
            found += [((text, "dim"),) for text in _prose(notes, width, "      ")]
    return found


def _notes(row: Sequence[Cell]) -> str:
    return " ".join(dict.fromkeys(_ended(cell.note) for cell in row if cell.note))


def _ended(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _set(block: Table, pieces: list[list[str]], widths: list[int]) -> list[str]:
    return [text_of(found).rstrip() for found in _set_roles(block, pieces, widths, [""] * len(widths), bottom=True)]


def _set_roles(
    block: Table, pieces: list[list[str]], widths: list[int], roles: list[str], *, bottom: bool = False
) -> list[Line]:
    """One row of a table, which takes several lines where a cell wraps."""
    tall = max(map(len, pieces), default=0)
    if bottom:
        pieces = [[""] * (tall - len(piece)) + piece for piece in pieces]
    lines: list[Line] = []
    for k in range(tall):
        spans: list[Span] = [("  ", "")]
        for index, (piece, width) in enumerate(zip(pieces, widths, strict=True)):
            text = piece[k] if k < len(piece) else ""
            pad = " " * max(width - width_of(text), 0)
            gap = GAP if index + 1 < len(widths) else ""
            if block.columns[index].is_number:
                spans += [(pad, ""), (text, roles[index]), (gap, "")]
            else:
                spans += [(text, roles[index]), (pad + gap, "")]
        lines.append(_trimmed(line(*spans)))
    return lines


def _trimmed(found: Line) -> Line:
    spans = list(found)
    while spans and not spans[-1][0].strip():
        spans.pop()
    if spans:
        text, role = spans[-1]
        spans[-1] = (text.rstrip(), role)
    return tuple(spans)


def _as_blocks(block: Table, signs: Signs, width: int | None) -> list[Line]:
    """A block per row: its first cells as a title, the others named below it."""
    del signs
    lines: list[Line] = []
    for row in block.rows:
        title: list[Span] = [("  ", "")]
        for cell in row[: block.titles]:
            if cell.shown():
                title += [(_cell_text(cell, with_unit=True), _role(cell) or "head"), (GAP, "")]
        found = _trimmed(line(*title))
        fits = width is None or line_width(found) <= width
        lines += [found] if fits else [((text, "head"),) for text in _prose(text_of(found), width, "")]
        named = zip((c.head for c in block.columns[block.titles :]), row[block.titles :], strict=True)
        inner = FactList(tuple((name, cell) for name, cell in named if cell.shown() or cell.note))
        lines += [line("  ", *found) for found in _facts(inner, None if width is None else width - 2)]
    return lines


def _matrix(block: Matrix, signs: Signs, width: int | None) -> list[Line]:
    if not block.rows:
        return []
    picked: Iterable[list[int]] = [list(range(len(block.columns)))]
    whole = _matrix_rows(block, list(range(len(block.columns))), "", signs)
    lines = whole
    if width is not None and max(map(line_width, whole)) > width:
        groups = list(dict.fromkeys(group for group, _ in block.columns))
        picked = [[i for i, (group, _) in enumerate(block.columns) if group == wanted] for wanted in groups]
        lines = []
        for group, columns in zip(groups, picked, strict=True):
            lines += [*_matrix_rows(block, columns, group, signs), ()]
        lines = lines[:-1]
    used = [role for role in SIGNS_OF_STATE if any(cell.role is role for row in block.rows for cell in row.cells)]
    legend = "  ".join(f"{SIGNS_OF_STATE[role][signs.is_ascii]} {role.value}" for role in used)
    found = [*lines, line(f"  {legend}")]
    return found + [((text, "dim"),) for text in (_prose(block.note, width, "  ") if block.note else [])]


def _matrix_rows(block: Matrix, picked: Sequence[int], group: str, signs: Signs) -> list[Line]:
    rows = [row for row in block.rows if any(row.cells[i].role is not Role.NOT_OFFERED for i in picked)]
    if not rows:
        return []
    first = plain(group or block.caption or "test")
    label = max(width_of(text) for text in (first, *(row.label for row in rows)))
    heads = [" ".join(part for part in (("" if group else of), name) if part) or "device" for of, name in
             (block.columns[i] for i in picked)]  # fmt: skip
    head = f"  {first}{' ' * (label - width_of(first))}" + "".join(f"{GAP}{plain(text)}" for text in heads)
    lines: list[Line] = [((head, "dim"),)]
    for row in rows:
        spans: list[Span] = [(f"  {row.label}{' ' * (label - width_of(row.label))}", "")]
        for text, index in zip(heads, picked, strict=True):
            cell = row.cells[index]
            sign = SIGNS_OF_STATE.get(cell.role, (cell.text[:1], cell.text[:1]))[signs.is_ascii]
            spans += [(GAP, ""), (sign, _role(cell)), (" " * (width_of(text) - 1), "")]
        lines.append(_trimmed(line(*spans)))
    return lines


def _sql(block: Sql, width: int | None) -> list[Line]:
    lines: list[Line] = [((f"  {plain(block.name)}", "dim"),)] if block.name else []
    lines += [((text, ""),) for text in (_prose(block.note, width, "  ") if block.note else [])]
    return lines + [((f"  {plain(text)}", ""),) for text in block.sql.splitlines()]
