"""Bars with their ± and their limits, drawn with characters. Knows documents and text: no library, no Textual."""

from __future__ import annotations

from collections.abc import Sequence

from store.model.document import Bar, Bars, Role
from tui.render.format import Signs
from tui.render.plain import cut, plain, width_of
from tui.render.tables import hanging
from tui.state.lines import Line, Span, line

__all__ = ["are_beside", "bar_lines", "draw_bar", "grid_lines"]

_EIGHTHS = " ▏▎▍▌▋▊▉"
WIDEST_BAR = 40
LEAST_BAR = 8
WIDEST_IN_GRID, LEAST_IN_GRID = 16, 4


def bar_lines(block: Bars, signs: Signs, width: int | None) -> list[Line]:
    """One line a bar: what it is, the bar with whisker and limit, the value, the verdict."""
    if not block.bars:
        return []
    room = width or 100
    label = min(max(width_of(bar.label) for bar in block.bars), max(room // 3, 12))
    value = max(width_of(bar.cell.shown()) for bar in block.bars)
    verdict = max(width_of(bar.verdict.shown()) if bar.verdict else 0 for bar in block.bars)
    across = min(room - label - value - verdict - 10, WIDEST_BAR)
    top = max(map(_reach, block.bars), default=0.0) if block.has_one_scale else 0.0
    lines: list[Line] = []
    if block.caption:
        lines += [((text, "dim"),) for text in hanging("  ", plain(block.caption), room)]
    for bar in block.bars:
        name = cut(plain(bar.label), label, ellipsis=signs.ellipsis)
        spans: list[Span] = [(f"  {name}{' ' * (label - width_of(name))}  ", "")]
        if across >= LEAST_BAR and block.is_comparable:
            drawn = draw_bar(bar, top or _reach(bar), across, is_ascii=signs.is_ascii)
            spans += [(drawn, _style(bar)), ("  ", "")]
        shown = _with_mark(bar, signs)
        spans += [(" " * (value + 2 - width_of(shown)), ""), (shown, _style(bar))]
        if bar.verdict is not None:
            spans += [("  ", ""), (bar.verdict.shown(), _verdict_style(bar.verdict.role))]
        lines.append(line(*spans))
    if block.note:
        lines += [((text, "dim"),) for text in hanging("  ", plain(block.note), room)]
    return lines


def _style(bar: Bar) -> str:
    return {Role.BEST: "accent", Role.WORST: "warn"}.get(bar.cell.role, "")


def _verdict_style(role: Role) -> str:
    return {Role.MET: "accent", Role.NOT_MET: "warn", Role.TOO_CLOSE: "head"}.get(role, "dim")


def _reach(bar: Bar) -> float:
    """The largest number that a bar must show: its value with its ±, and its limits."""
    found = bar.cell.quantity
    half = found.coverage * (found.uncertainty or 0.0) if found is not None else 0.0
    tops = [abs(found.value) + half if found is not None else 0.0, bar.lower or 0.0, bar.upper or 0.0]
    return max(tops)


def draw_bar(bar: Bar, top: float, cells: int, *, is_ascii: bool = False) -> str:
    """A bar from zero to its value on a scale that ends at `top`, its limit as a line, its ± as a whisker.

    Args:
        bar: What is drawn.
        top: The value at the right end.
        cells: How wide the scale is.
        is_ascii: Draw with ASCII alone.

    Returns:
        Exactly `cells` characters.
    """
    found = bar.cell.quantity
    if found is None or top <= 0:
        return " " * cells
    share = max(min(found.value / top, 1.0), 0.0) * cells
    whole = int(share)
    part = "" if is_ascii else _EIGHTHS[int((share - whole) * 8)].strip()
    drawn = list((("#" if is_ascii else "█") * whole + part).ljust(cells)[:cells])
    half = found.coverage * (found.uncertainty or 0.0) / top * cells
    if half >= 1.0:
        for at in range(max(int(share - half), 0), min(int(share + half) + 1, cells)):
            drawn[at] = drawn[at] if drawn[at].strip() and at < share - half else ("-" if is_ascii else "─")
    for limit in (bar.lower, bar.upper):
        if limit is not None and top > 0:
            at = min(max(round(limit / top * cells) - 1, 0), cells - 1)
            drawn[at] = "|" if is_ascii else "┃"
    return "".join(drawn)


def are_beside(first: Bars, second: Bars) -> bool:
    """Whether two sets of bars belong under one another in one grid: the same devices, one scale a quantity."""
    same = [bar.label for bar in first.bars] == [bar.label for bar in second.bars]
    return first.has_one_scale and second.has_one_scale and same


def grid_lines(blocks: Sequence[Bars], signs: Signs, width: int | None) -> list[Line]:
    """A line per quantity, a column per device, each with its bar where there is room; blocks of bars where not.

    Args:
        blocks: Sets of bars of the same devices, each on a scale of its own.
        signs: What the terminal can draw.
        width: Cells that a line may take; None for as many as needed.
    """
    names = [plain(bar.label) for bar in blocks[0].bars]
    label = max(width_of(plain(block.caption)) for block in blocks)
    texts = [[_with_mark(bar, signs) for bar in block.bars] for block in blocks]
    values = [max(width_of(row[i]) for row in texts) for i in range(len(names))]
    room = width or 130
    spare = room - 2 - label - sum(values) - 2 * len(names)
    across = min(spare // len(names) - 1, WIDEST_IN_GRID)
    if across < LEAST_IN_GRID:
        across = 0
    drawn_cells = across + 1 if across else 0
    columns = [max(value + drawn_cells, width_of(name)) for value, name in zip(values, names, strict=True)]
    if 2 + label + sum(columns) + 2 * len(columns) > room:
        return [found for block in blocks for found in (*bar_lines(block, signs, width), ())][:-1]
    head = "".join(f"  {name.rjust(column)}" for name, column in zip(names, columns, strict=True))
    lines: list[Line] = [((f"  {' ' * label}{head}", "dim"),)]
    for block, row in zip(blocks, texts, strict=True):
        caption = plain(block.caption)
        top = max(map(_reach, block.bars), default=0.0)
        spans: list[Span] = [(f"  {caption}{' ' * (label - width_of(caption))}", "")]
        for bar, text, column, value in zip(block.bars, row, columns, values, strict=True):
            drawn = f"{draw_bar(bar, top, across, is_ascii=signs.is_ascii)} " if across and block.is_comparable else ""
            before = " " * (column - value - width_of(drawn))
            role = _style(bar) or ("dim" if bar.cell.quantity is None else "")
            spans += [(f"  {before}{drawn}", role), (" " * (value - width_of(text)), ""), (text, role)]
        lines.append(line(*spans))
    return lines


def _with_mark(bar: Bar, signs: Signs) -> str:
    mark = {Role.BEST: "▲", Role.WORST: "▼"}.get(bar.cell.role, " ")
    if signs.is_ascii:
        mark = {"▲": "+", "▼": "-"}.get(mark, mark)
    return f"{plain(bar.cell.shown())} {mark}"
