"""A comparison of devices as plain text that a tester could read out.

Knows view data and text: no library, no Textual.
"""

from __future__ import annotations

from collections.abc import Iterator

from store.devices.records import ComparisonPage, ComparisonRow
from store.methods.specs import label_of
from tui.render.device import figure_text, wrapped
from tui.render.format import UNICODE_SIGNS, Signs, reading, significant
from tui.render.plain import fit, plain, width_of
from tui.render.tables import Column, hanging, table

__all__ = ["comparison_lines"]


def comparison_lines(page: ComparisonPage, *, signs: Signs = UNICODE_SIGNS, width: int | None = None) -> Iterator[str]:
    """Figures side by side, what may be said of them, pairs, models and notes."""
    names = [sheet.device for sheet in page.devices]
    order = f", ordered by {page.by}" if page.by else ""
    added = f"; peers added: {', '.join(page.peers_added)}" if page.peers_added else ""
    yield from _fitted("", f"{' against '.join(names)}{order}{added}", width)
    yield ""
    yield from _figure_lines(page, names, signs, width)
    marks = f"+ best, - worst, with all not told apart from them; {signs.plus_minus} is twice the standard uncertainty."
    yield from _fitted("  ", marks, width)
    yield from _titled("tested at", _condition_lines(page, width))
    yield from _titled("ranks", _rank_lines(page, names, width))
    yield from _titled(f"pairs by {label_of(page.pairs_by)}", _pair_lines(page, signs, width))
    yield from _titled("claims", _claim_lines(page, width))
    yield from _titled("samples of one model", _model_lines(page, signs, width))
    yield from _titled("notes", [line for note in page.notes for line in wrapped(note, width)])


LEAST_FINDING = 24
"""Cells under which a finding stands in a line of its own."""


def _figure_lines(page: ComparisonPage, names: list[str], signs: Signs, width: int | None) -> Iterator[str]:
    """A table with a column per device, findings beside or below it; a block per figure where no table fits."""
    rows = [[row.label, *_cells(row, signs)] for row in page.rows]
    columns = [Column("figure"), *[Column(name) for name in names]]
    bare = table(columns, rows, ellipsis=signs.ellipsis)
    findings = [row.finding or " ".join(row.unlike) for row in page.rows]
    room = None if width is None else width - max(map(width_of, bare)) - 2
    if room is None or room >= LEAST_FINDING:
        columns.append(Column("finding", wraps=True))
        yield from table(
            columns,
            [[*row, said] for row, said in zip(rows, findings, strict=True)],
            width=width,
            ellipsis=signs.ellipsis,
        )
        return
    if room >= -2:
        yield from bare
        yield ""
        for row, said in zip(rows, findings, strict=True):
            yield from hanging(f"  {row[0]}: ", said, width or 0) if said else ()
        yield ""
        return
    widest = max(map(width_of, names))
    for row, said in zip(rows, findings, strict=True):
        yield from hanging(f"{row[0]}: ", said, width or 0) if said else [plain(row[0])]
        yield from (f"  {fit(name, widest)}  {cell}" for name, cell in zip(names, row[1:], strict=True))


def _titled(title: str, lines: list[str]) -> Iterator[str]:
    if lines:
        yield ""
        yield plain(title)
        yield from lines


def _cells(row: ComparisonRow, signs: Signs) -> list[str]:
    cells = []
    for index, figure in enumerate(row.figures):
        mark = " +" if index in row.best else " -" if index in row.worst else ""
        again = f" (n={figure.count})" if figure.count > 1 else ""
        cells.append(figure_text(figure, signs) + again + mark)
    return cells


def _condition_lines(page: ComparisonPage, width: int | None) -> list[str]:
    told: dict[str, list[str]] = {}
    for row in page.rows:
        conditions = [figure.condition for figure in row.figures if figure.condition]
        if not conditions:
            continue
        if row.unlike:
            each = [
                f"{sheet.device} {figure.condition}"
                for sheet, figure in zip(page.devices, row.figures, strict=True)
                if figure.condition
            ]
            text = f"{'; '.join(each)}. Not like with like: nothing is marked."
        else:
            text = conditions[0]
        told.setdefault(text, []).append(row.label)
    return [line for text, labels in told.items() for line in wrapped(f"{', '.join(labels)}: {text}", width)]


def _fitted(head: str, text: str, width: int | None) -> list[str]:
    """A sentence on as many lines as the width asks for."""
    return [head + plain(text)] if width is None else hanging(head, plain(text), width)


def _rank_lines(page: ComparisonPage, names: list[str], width: int | None) -> list[str]:
    lines = []
    for row in page.rows:
        ranks = [f"{name} {rank.words()}" for name, rank in zip(names, row.ranks, strict=False) if rank is not None]
        if ranks and row.better:
            lines += _fitted("  ", f"{row.label} ({row.better} is better): {', '.join(ranks)}", width)
    return lines


def _pair_lines(page: ComparisonPage, signs: Signs, width: int | None) -> list[str]:
    unit = next((row.unit for row in page.rows if row.name == page.pairs_by), "1")
    rows = []
    for pair in page.pairs:
        needed = "not known" if pair.expanded is None else reading(pair.expanded, None, unit, signs=signs)
        word = "more" if pair.difference > 0 else "less"
        said = f"{pair.first} {word}" if pair.is_told_apart else "no difference shown"
        chance = "" if pair.chance_larger is None else _chance(pair.chance_larger)
        en = "" if pair.en is None else f"{pair.en:.2f}"
        rows.append(
            (
                f"{pair.first} - {pair.second}",
                reading(pair.difference, None, unit, signs=signs),
                needed,
                en,
                chance,
                said,
                pair.condition,
            )
        )
    columns = [
        Column(h)
        for h in ("pair", "difference", "must exceed", "En", "chance that the first is larger", "said", "tested at")
    ]
    if not rows:
        return []
    lines = [f"  {line}".rstrip() for line in table(columns, rows)]
    if width is None or max(map(width_of, lines)) <= width:
        return lines
    heads = ("", "", "must exceed ", "En ", "first larger ")
    told = [", ".join(h + cell for h, cell in zip(heads[1:], row[1:5], strict=True) if cell) for row in rows]
    return [
        line
        for row, text in zip(rows, told, strict=True)
        for line in _fitted("  ", f"{row[0]}: {text}: {row[5]}" + (f" ({row[6]})" if row[6] else ""), width)
    ]


def _chance(value: float) -> str:
    return "under 1 %" if value < 0.01 else "over 99 %" if value > 0.99 else f"{100 * value:.0f} %"


def _claim_lines(page: ComparisonPage, width: int | None) -> list[str]:
    told = [
        (device, ", ".join(f"{n} {word}" for word, n in tally.items()) or "none on its sheet")
        for device, tally in page.verdicts
    ]
    return [line for device, text in told for line in _fitted(f"  {plain(device)}: ", text, width)]


def _model_lines(page: ComparisonPage, signs: Signs, width: int | None) -> list[str]:
    told = [
        (
            f"{line.label} of {line.model} ({', '.join(line.devices)}): mean "
            f"{reading(line.mean, None, line.unit, signs=signs)}, spread {significant(line.spread)}, "
            f"{line.count} samples"
        )
        for line in page.models
    ]
    return [line for text in told for line in _fitted("  ", text, width)]
