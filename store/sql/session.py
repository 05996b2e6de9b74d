"""Queries in SQL over one library's views."""

from __future__ import annotations

from store.core import Store
from store.devices.figure_store import FigureStore
from store.devices.verdict_store import VerdictStore
from store.model.records import Answer
from store.sql.query import Query, QueryEngine
from store.sql.view_source import ViewSource

__all__ = ["SqlSession"]


class SqlSession:
    """SQL over a library; what its queries read is kept until something is committed."""

    def __init__(self, store: Store) -> None:
        self._engine = QueryEngine(store.layout.root / "traces")
        self._source = ViewSource(
            store.catalogue,
            store.checks,
            lambda: store.service(VerdictStore).table(),
            lambda: store.service(FigureStore).table(),
        )

    def query(self, sql: str, *, limit: int | None = 10_000, timeout_s: float | None = None) -> Query:
        """A query, not yet run: `.run()`, and `.interrupt()` from any thread.

        Args:
            sql: One reading statement.
            limit: Most rows of the answer; None for all.
            timeout_s: Most time [s]; None for any.

        Raises:
            QueryRefused: Not one reading statement.
            QueryFailed: No SQL.
        """
        return Query(self._engine, self._source, sql, limit=limit, timeout_s=timeout_s)

    def run(self, sql: str, *, limit: int | None = 10_000, timeout_s: float | None = None) -> Answer:
        """Run and wait: see `query`."""
        return self.query(sql, limit=limit, timeout_s=timeout_s).run()

    def __call__(self, sql: str, *, limit: int | None = 10_000, timeout_s: float | None = None) -> Answer:
        """Run a query and wait: `library.sql("SELECT device, max(energy_wh) FROM runs GROUP BY ALL")`."""
        return self.run(sql, limit=limit, timeout_s=timeout_s)

    def views(self) -> dict[str, list[tuple[str, str]]]:
        """Columns and types of every view, by name."""
        return {name: list(outline.columns) for name, outline in self._source.outlines().items()}
