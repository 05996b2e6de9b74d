"""Results and verdicts that changed, or would, as a page. Knows records and documents; no Textual."""

from __future__ import annotations

from typing import TYPE_CHECKING

from store.model.document import Block, Cell, Document, Heading, Table, words
from store.model.document import TableColumn as Head
from tui.render.answers import cell
from tui.state.actions.model import things

if TYPE_CHECKING:
    from store.runs.previews import RecomputePreview

__all__ = ["MOST_LINES", "changes_page"]

MOST_LINES = 500
"""More lines nobody reads on a screen; how many there are is said."""


def changes_page(title: str, found: RecomputePreview, *, would: bool) -> Document:
    """Results before and after, and the verdicts that flip with them."""
    verb = "would change" if would else "changed"
    lead = f"{things(len(found.changes), 'result')} {verb}, {things(len(found.verdicts), 'verdict')} with them."
    blocks: list[Block] = [*words(lead)]
    if found.verdicts:
        heads = (
            Head("device"),
            Head("claim", wraps=True),
            Head("before"),
            Head("after"),
            Head("runs"),
        )
        rows = tuple(
            tuple(Cell(text) for text in (v.device, v.claim, v.before, v.after, ", ".join(map(str, v.run_ids))))
            for v in found.verdicts
        )
        blocks += [Heading("verdicts"), Table(heads, rows)]
    if found.changes:
        columns = (
            Head("run", is_number=True), Head("result"), Head("before", is_number=True),
            Head("now", is_number=True), Head("by", is_number=True), Head("unit"),
        )  # fmt: skip
        lines = tuple(
            tuple(
                Cell(text)
                for text in (
                    *(str(c.run_id), c.name, cell(c.old_value), cell(c.new_value)),
                    *(_moved(c.old_value, c.new_value), "" if c.unit == "1" else c.unit),
                )
            )
            for c in found.changes[:MOST_LINES]
        )
        left = len(found.changes) - len(lines)
        note = f"and {things(left, 'result')} more" if left > 0 else ""
        blocks += [Heading("results"), Table(columns, lines, note=note, titles=2)]
    return Document(title, tuple(blocks))


def _moved(old: float | str | None, new: float | str | None) -> str:
    if not isinstance(old, (int, float)) or not isinstance(new, (int, float)):
        return ""
    return f"{new - old:+.3g}" if new != old else "same value"
