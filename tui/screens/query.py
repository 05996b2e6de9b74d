"""Query: SQL on top, its result below, as a table or plotted.

Knows Textual, the models and the library's queries; holds no SQL of its own.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Container
from textual.timer import Timer

from store.errors import QueryFailed, StoreError
from store.model.records import Answer
from tui.keys import bindings
from tui.render.answers import save
from tui.render.plain import plain
from tui.screens.base import BaseScreen
from tui.screens.pick import PickScreen
from tui.screens.prompt import PromptScreen
from tui.state import answer as answers
from tui.state.lines import line
from tui.state.pick_list import PickEntry, PickList
from tui.state.saved_queries import SavedQuery, save_query, saved_queries, shipped_queries
from tui.state.sql_words import place_of_complaint
from tui.widgets.column_plot import ColumnPlot
from tui.widgets.lines_view import LinesView, RuleLine
from tui.widgets.query_area import QueryArea
from tui.widgets.result_table import ResultTable

__all__ = ["QueryScreen"]

FORMS = {".csv": "csv", ".json": "json", ".parquet": "parquet", ".arrow": "arrow", ".txt": "table"}
"""Forms in which an answer is written, by the ending of the file."""

LIMIT = 10_000
"""Rows of an answer that are fetched."""


class QueryScreen(BaseScreen):
    """SQL queries."""

    PLACE: ClassVar[str] = "query"
    NAME: ClassVar[str] = "Query"
    CSS_PATH = "query.tcss"
    BINDINGS = bindings("query")

    def body(self) -> ComposeResult:
        """Query, what may follow the begun word, result."""
        yield QueryArea(self.joulebook.query_text)
        yield LinesView(id="words")
        yield RuleLine(self.joulebook.look.signs.rule)
        with Container(id="answer"):
            yield LinesView(id="answer-note")

    def on_mount(self) -> None:
        """Begin typing; learn the views."""
        self._views: dict[str, list[tuple[str, str]]] = {}
        self._answer: Answer | None = None
        self._names: list[str] = []
        self._asked_at = 0.0
        self._ticker: Timer | None = None
        self._back = 0
        self.area.focus()
        self.area.move_cursor(self.area.document.end)
        library = self.joulebook.library
        self.ask_library("views", lambda: library.sql.views(), self._take_views)  # noqa: PLW0108 (a service loads off the event loop)
        self._note(
            "a query over the views devices, ports, claims, meters, runs, samples, results, events, verdicts ..."
        )

    @property
    def area(self) -> QueryArea:
        """The editor."""
        return self.query_one(QueryArea)

    def _take_views(self, views: dict[str, list[tuple[str, str]]]) -> None:
        self._views = views
        self.area.know({name: [column for column, _ in columns] for name, columns in views.items()})

    def _note(self, text: str, role: str = "dim") -> None:
        self.query_one("#answer-note", LinesView).show([line((f" {text}", role))])

    def on_question_area_offered(self, message: QueryArea.Offered) -> None:
        """Show how the begun word may go on."""
        message.stop()
        words = message.words
        parts = [("tab ", "key"), (words[0], "accent"), ("   " + "  ".join(words[1:]), "dim")] if words else []
        self.query_one("#words", LinesView).show([line(" ", *parts)] if parts else [])

    def on_question_area_asked(self, message: QueryArea.Sent) -> None:
        """Enter after a semicolon."""
        message.stop()
        self.action_run()

    # asking
    def action_run(self) -> None:
        """Run the query; a running one is interrupted for it."""
        sql = self.area.text.strip()
        if not sql:
            return
        self.joulebook.query_text = self.area.text
        self.joulebook.settings.remember_query(sql)
        self._back = 0
        self.tell("")
        library = self.joulebook.library
        try:
            query = library.sql.query(sql, limit=LIMIT)
        except StoreError as error:
            self._refused(error)
            return
        self._asked_at = time.monotonic()
        if self._ticker is None:
            self._ticker = self.set_interval(0.1, self._tick)
        self._tick()

        def call() -> tuple[Answer, object]:
            answer = query.run()
            return answer, answers.as_texts(answer.table, self.joulebook.look.signs)

        self.ask_library("answer", call, self._take_answer, failed=self._refused, interrupt=query.interrupt)

    def _tick(self) -> None:
        passed = time.monotonic() - self._asked_at
        self._note(f"asking, {passed:.1f} s; esc interrupts", "accent")

    def _settled(self) -> None:
        if self._ticker is not None:
            self._ticker.stop()
            self._ticker = None

    @property
    def is_asking(self) -> bool:
        """Whether a query runs."""
        return self._ticker is not None

    def _refused(self, error: Exception) -> None:
        self._settled()
        if isinstance(error, QueryFailed) and error.was_interrupted:
            self._note("interrupted", "warn")
            return
        self._note("no answer", "dim")
        self.tell_failure(error)
        place = error.position if isinstance(error, QueryFailed) else None
        if place is None:
            place = place_of_complaint(str(error), self.area.text.strip())
        if place is not None:
            self._point_at(place)

    def _point_at(self, position: int) -> None:
        """Select the word at a place of the query as it was run."""
        text = self.area.text
        position += len(text) - len(text.lstrip())
        before = text[:position]
        row, column = before.count("\n"), position - (before.rfind("\n") + 1)
        end = column
        rest = text[position:]
        while end - column < len(rest) and (rest[end - column].isalnum() or rest[end - column] == "_"):
            end += 1
        self.area.selection = type(self.area.selection)((row, column), (row, max(end, column + 1)))

    def _take_answer(self, came: tuple[Answer, object]) -> None:
        self._settled()
        self._answer, texts = came
        self._names = list(self._answer.table.schema.names)
        self._note(answers.counted(self._answer), "head")
        self._put(ResultTable(texts, self._names))

    def _put(self, widget: ResultTable | ColumnPlot) -> None:
        box = self.query_one("#answer", Container)
        for old in [*box.query(ResultTable), *box.query(ColumnPlot)]:
            old.remove()
        box.mount(widget)

    # keys
    def back(self) -> None:
        """Interrupt a running query, leave a drawing, then the place."""
        if self.is_asking:
            self.joulebook.jobs.drop(f"{self.PLACE}.answer")
            self._settled()
            self._note("interrupted", "warn")
        elif self.query(ColumnPlot):
            self._show_table()
        else:
            self.joulebook.query_text = self.area.text
            super().back()

    def _show_table(self) -> None:
        if self._answer is not None:
            texts = answers.as_texts(self._answer.table, self.joulebook.look.signs)
            self._note(answers.counted(self._answer), "head")
            self._put(ResultTable(texts, self._names))

    def action_switch(self) -> None:
        """Between the query and its result."""
        tables = self.query(ResultTable)
        if self.area.has_focus and tables:
            tables.first().focus()
        else:
            self.area.focus()

    def action_history(self, step: int) -> None:
        """A query run before or after."""
        asked = self.joulebook.settings.queries
        if not asked:
            return
        self._back = min(max(self._back - step, 1), len(asked))
        self._replace(asked[-self._back])

    def _replace(self, sql: str) -> None:
        self.area.text = sql
        self.area.move_cursor(self.area.document.end)
        self.area.focus()

    def action_named(self) -> None:
        """Choose a saved query."""
        path = self.joulebook.library.path

        def done(found: list[SavedQuery]) -> None:
            choices = [PickEntry(str(i), q.name, "" if q.is_shipped else "saved here") for i, q in enumerate(found)]
            model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)

            def take(values: tuple[str, ...] | None) -> None:
                if values:
                    self._replace(found[int(values[0])].sql)

            self.app.push_screen(PickScreen("saved queries", model), take)

        self.ask_library("named", lambda: [*saved_queries(path), *shipped_queries()], done)

    def action_columns(self) -> None:
        """Insert a view or column name."""
        choices = []
        for view, columns in self._views.items():
            choices.append(PickEntry(view, view, f"view of {len(columns)} columns"))
            choices += [PickEntry(column, f"  {column}", f"{view}, {kind.lower()}") for column, kind in columns]
        model = PickList(choices, is_many=False, signs=self.joulebook.look.signs)

        def take(values: tuple[str, ...] | None) -> None:
            if values:
                self.area.insert(values[0])
                self.area.focus()

        self.app.push_screen(PickScreen("views and columns", model), take)

    def action_keep(self) -> None:
        """Save the query."""
        sql = self.area.text.strip()
        if not sql:
            return
        path = self.joulebook.library.path

        def take(name: str | None) -> None:
            if name:
                self.ask_library(
                    "keep",
                    lambda: save_query(path, name, sql),
                    lambda _: self.tell(f"saved as {name}", is_problem=False),
                    must_run=True,
                )

        self.app.push_screen(PromptScreen("name of the query"), take)

    def action_draw(self) -> None:
        """Choose a number column to draw, then what to draw it over."""
        if self._answer is None:
            self.tell("run a query first", is_problem=False)
            return
        table = self._answer.table
        names = answers.drawable_columns(table)
        if not names:
            self.tell("this result has no column of numbers", is_problem=False)
            return
        signs = self.joulebook.look.signs

        def take_x(y: str, values: tuple[str, ...] | None) -> None:
            if values is None:
                return
            x = values[0] if values and values[0] != "row" else None
            self._note(f"{plain(y)} over {plain(x or 'row')}; esc brings the table back", "head")
            self._put(ColumnPlot(table, y, x, self.joulebook.look))

        def take_y(values: tuple[str, ...] | None) -> None:
            if values:
                rest = [PickEntry(n, n) for n in names if n != values[0]]
                model = PickList([*rest, PickEntry("row", "row", "the order of rows")], is_many=False, signs=signs)
                self.app.push_screen(PickScreen("over", model), lambda v: take_x(values[0], v))

        self.app.push_screen(
            PickScreen("draw", PickList([PickEntry(n, n) for n in names], is_many=False, signs=signs)), take_y
        )

    def action_save(self) -> None:
        """Save the result to a file, by its ending; ask before one is written over."""
        if self._answer is None:
            self.tell("run a query first", is_problem=False)
            return

        def take(typed: str | None) -> None:
            if not typed:
                return
            path = Path(typed).expanduser()
            if path.suffix.lower() not in FORMS:
                self.tell(f"{path.name}: end the name in {', '.join(FORMS)}")
            elif path.exists():
                choices = [PickEntry("no", "keep it"), PickEntry("yes", "overwrite it")]
                self.app.push_screen(
                    PickScreen(f"{plain(path.name)} is there already", PickList(choices, is_many=False)),
                    lambda values: self._write(path) if values == ("yes",) else None,
                )
            else:
                self._write(path)

        prompt = PromptScreen("save the result to (.csv, .json or .parquet)", "result.csv", paths=self.joulebook.jobs)
        self.app.push_screen(prompt, take)

    def _write(self, path: Path) -> None:
        if self._answer is None:
            return
        table, form = self._answer.table, FORMS[path.suffix.lower()]

        def failed(error: Exception) -> None:
            if isinstance(error, OSError):
                self.tell(f"{path} can't be written: {error.strerror or error}. Name another place.")
            else:
                self.tell_failure(error)

        self.ask_library(
            "save",
            lambda: save(table, form, path),
            lambda _: self.tell(f"written to {path}", is_problem=False),
            failed=failed,
            must_run=True,
        )
