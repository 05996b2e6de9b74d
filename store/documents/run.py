"""One run as a document: facts, traces, results, events, origin. Knows run views; no catalogue."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from store.documents.figures import amount
from store.methods.specs import mean_of
from store.model.document import (
    Amount,
    Block,
    Cell,
    Document,
    FactList,
    Heading,
    Panel,
    Paragraph,
    Plot,
    Role,
    Series,
    Table,
    TableColumn,
    words,
)
from store.model.records import EventRow, ResultRow, RunView
from store.model.spec import Shown
from store.words.clock import local_time
from store.words.numbers import clock_time, figure_text, significant, size, span_words

__all__ = ["TRACES", "result_cell", "run_document"]

TRACES = "traces"
"""The id of the plot of the run's preview."""


def run_document(view: RunView) -> Document:
    """Everything about a run."""
    parts: list[tuple[str, Iterable[Block]]] = [
        ("facts", [FactList(tuple(_facts(view)))]),
        ("traces", [_traces(view)] if view.preview.strips else []),
        ("results", _results(view)),
        ("events", [_events(view.events)]),
        ("origin", [FactList(tuple(_origin(view)))]),
        ("how columns were read", [_conversions(view)]),
        ("amendments", [_amendments(view)]),
    ]
    blocks: list[Block] = []
    for title, made in parts:
        kept = [block for block in made if not (isinstance(block, Table) and not block.rows)]
        if kept:
            blocks += [Heading(title, id=title.replace(" ", "-")), *kept]
    return Document(_headline(view), tuple(blocks))


def _headline(view: RunView) -> str:
    facts = view.facts
    what = facts.kind or "kind not stated"
    parts = [
        f"Run {facts.run_id}",
        " ".join(filter(None, [facts.device, facts.port, facts.mode])) or "device not stated",
        f"{what} at {facts.load_set}" if facts.load_set else what,
        local_time(facts.started_at, missing="date not known"),
    ]
    if facts.ambient_c is not None:
        parts.append(f"{significant(facts.ambient_c)} °C")
    if facts.meter:
        parts.append(f"meter {facts.meter}")
    if facts.quality != "ok":
        parts.append(facts.quality.upper())
    return "   ".join(parts)


def _facts(view: RunView) -> Iterator[tuple[str, Cell]]:
    facts = view.facts
    yield "direction", Cell(facts.direction or "")
    yield "length", Cell(f"{span_words(view.duration_s)} ({clock_time(view.duration_s)})")
    step = "" if view.interval_s is None else f", {significant(view.interval_s)} s interval"
    yield "samples", Cell(f"{view.samples:,}{step}")
    yield "channels", Cell(", ".join(view.channels))
    yield "group", Cell("" if facts.group_id is None else str(facts.group_id))
    yield "quality", Cell(facts.quality + (f": {facts.quality_reason}" if facts.quality_reason else ""))
    yield "voltage measured at", Cell(facts.measured_at or "")
    yield "cable", Cell("" if facts.cable_mohm is None else f"{significant(facts.cable_mohm)} mΩ")
    yield "note", Cell(facts.note)
    if view.amendments:
        last = max(a.at for a in view.amendments)
        yield "amended", Cell(f"{len(view.amendments):,} times, last on {local_time(last)}")


def _traces(view: RunView) -> Plot:
    """The preview's bands, a panel a channel."""
    preview = view.preview
    step = (preview.to_s - preview.from_s) / max(preview.buckets, 1)
    moments = tuple(preview.from_s + (index + 0.5) * step for index in range(preview.buckets))

    def filled(values: Sequence[float]) -> tuple[float | None, ...]:
        return tuple(None if value != value else float(value) for value in values)  # noqa: PLR0124 (NaN)

    panels = tuple(
        Panel(
            f"{strip.channel}, {strip.unit}",
            (
                Series(
                    strip.channel,
                    moments,
                    filled(strip.mean.tolist()),
                    filled(strip.lowest.tolist()),
                    filled(strip.highest.tolist()),
                ),
            ),
        )
        for strip in preview.strips
    )
    title = f"Traces of run {view.facts.run_id}"
    return Plot(TRACES, title, ", ".join(s.channel for s in preview.strips), panels, run_ids=(view.facts.run_id,))


def result_cell(result: ResultRow) -> Cell:
    """A result as people read it: value with ±, words as they are, absent as such."""
    if result.text is not None:
        return Cell(result.text, result=result.name)
    if result.value is None:
        return Cell("absent", role=Role.DIM, result=result.name)
    if result.unit == "1" and result.uncertainty == 0.0 and result.value == round(result.value):
        return Cell(quantity=Amount(result.value, "1", 0.0, Shown.COUNT), result=result.name)
    found = amount(result.name, result.value, result.unit, result.uncertainty, result.dof)
    return Cell(quantity=found, result=result.name)


def _results(view: RunView) -> Iterator[Block]:
    current = [r for r in view.results if r.is_current]
    present = [r for r in current if r.value is not None or r.text is not None]
    notes = list(dict.fromkeys(warning for result in present for warning in result.warnings))
    if present:
        yield FactList(tuple((r.name, _with_marks(r, notes)) for r in present))
        yield from (Paragraph(note, head=f"[{number}]") for number, note in enumerate(notes, 1))
        yield Paragraph(f"± is twice the standard uncertainty.{_window(present)}")
    yield from _by_reason(
        "No uncertainty is known for:", [r for r in present if r.value is not None and r.uncertainty is None]
    )
    absent = [r for r in current if r.value is None and r.text is None]
    yield from _by_reason("Not available from this run:", absent)
    old = sum(not r.is_current for r in view.results)
    if old:
        told = f"{old:,} older values are superseded; `joulebook show {view.facts.run_id} --json` lists them."
        yield from words(told)


def _with_marks(result: ResultRow, notes: list[str]) -> Cell:
    """A result with the numbers of its warnings, which stand below."""
    cell = result_cell(result)
    marks = " ".join(f"[{notes.index(warning) + 1}]" for warning in result.warnings)
    return Cell(cell.text, cell.quantity, cell.role, marks, (), result.name)


def _window(results: Sequence[ResultRow]) -> str:
    """Over which part of the log means, extremes and spreads are taken."""
    mean = next((r for r in results if r.name in (mean_of("power_w"), mean_of("voltage_v"))), None)
    if mean is None or mean.from_s is None or mean.to_s is None:
        return ""
    span = f"{clock_time(mean.from_s)} to {clock_time(mean.to_s)}"
    return f" Mean, min, max and sd of voltage, current and power: {span}."


def _by_reason(title: str, results: Sequence[ResultRow]) -> Iterator[Block]:
    """Results that share a reason, named together, each reason once."""
    groups: dict[str, list[str]] = {}
    for result in results:
        groups.setdefault(result.reason or "no reason was kept", []).append(result.name)
    if groups:
        yield from words(title)
        yield from words(*(f"{', '.join(names)}: {reason}" for reason, names in groups.items()))


def _events(events: Sequence[EventRow]) -> Table:
    rows = tuple(
        (
            Cell(clock_time(event.from_s)),
            Cell(clock_time(event.to_s) if event.to_s > event.from_s else ""),
            Cell(event.kind),
            Cell("" if event.value is None else figure_text(event.value, None, event.unit)),
            Cell(event.detail),
        )
        for event in sorted(events, key=lambda event: event.from_s)
    )
    columns = (
        TableColumn("from"),
        TableColumn("to"),
        TableColumn("event"),
        TableColumn("value"),
        TableColumn("", wraps=True),
    )
    return Table(columns, rows, titles=3)


def _origin(view: RunView) -> Iterator[tuple[str, Cell]]:
    origin = view.provenance
    yield "file", Cell(origin.source_file + (f" ({size(origin.source_bytes)})" if origin.source_bytes else ""))
    yield "sha256", Cell(origin.source_sha256 or "")
    yield "part", Cell("" if origin.part is None else str(origin.part))
    by = f"by {origin.imported_by}, Joulebook {origin.program_version}"
    yield "imported", Cell(f"{local_time(origin.imported_at)} {by}")
    yield "profile", Cell(origin.profile or "")
    clock = origin.clock
    yield (
        "clock",
        Cell(" ".join(filter(None, [clock.source, clock.unit, clock.zone and f"in {clock.zone}", clock.note]))),
    )
    yield "sign", Cell("signs of current and power were reversed" if origin.sign_turned else "")
    account = origin.account
    named = (("samples", account.samples), ("header", account.header), ("preamble", account.preamble),
             ("blank", account.blank), ("totals", account.totals), ("problems", account.problems),
             ("within quoted cells", account.continued))  # fmt: skip
    yield "lines", Cell(f"{account.lines:,}: " + ", ".join(f"{n:,} {name}" for name, n in named if n))
    yield "trace", Cell(origin.trace_file)
    for warning in origin.warnings:
        yield "warning", Cell(warning)


def _conversions(view: RunView) -> Table:
    rows = tuple(
        (
            Cell(conversion.column),
            Cell(conversion.channel or "not used"),
            Cell(conversion.unit),
            Cell("" if conversion.channel is None else f"{conversion.factor:g}"),
            Cell(conversion.reason),
        )
        for conversion in view.provenance.conversions
    )
    columns = (
        TableColumn("column"),
        TableColumn("taken for"),
        TableColumn("unit"),
        TableColumn("factor", is_number=True),
        TableColumn("reason", wraps=True),
    )
    return Table(columns, rows)


def _amendments(view: RunView) -> Table:
    rows = tuple(
        (
            Cell(local_time(change.at)),
            Cell(change.who),
            Cell(f"{change.field}: {change.old_value or 'nothing'} became {change.new_value or 'nothing'}"),
            Cell(change.reason or ""),
        )
        for change in view.amendments
    )
    columns = (TableColumn(""), TableColumn(""), TableColumn("", wraps=True), TableColumn("", wraps=True))
    return Table(columns, rows, titles=2)
