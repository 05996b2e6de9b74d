"""The fast table: the one place that adapts `textual_fastdatatable`.

Knows Textual and texts in an Arrow table; nothing is read as markup.
"""

from __future__ import annotations

from collections.abc import Sequence

import pyarrow as pa
from rich.text import Text
from textual_fastdatatable import ArrowBackend, DataTable

from tui.render.plain import plain

__all__ = ["ResultTable"]

WIDEST = 48
"""Cells of the widest column."""


class ResultTable(DataTable):
    """Texts in columns, as many rows as come.

    Args:
        texts: Every cell as text.
        names: Heads, one per column.
    """

    def __init__(self, texts: pa.Table, names: Sequence[str], *, id: str | None = None) -> None:  # noqa: A002 (Textual's word)
        super().__init__(
            backend=ArrowBackend(texts),
            column_labels=[Text(plain(name)) for name in names],
            max_column_content_width=WIDEST,
            cursor_type="cell",
            zebra_stripes=False,
            show_row_labels=False,
            render_markup=False,
            id=id,
        )
