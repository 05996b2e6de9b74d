"""A device's page as a document: facts, claims with verdicts, figures, course of tests, results by test.

Each part is a function of its own, so that a report is made of the same parts. Knows finished pages; no catalogue.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from store.devices.records import DevicePage, RuntimeLine, TestTable
from store.documents.figures import (
    PLUS_MINUS_NOTE,
    figure_cell,
    mode_words,
    place_words,
    repeats_words,
    runs_cell,
    runs_words,
    stated,
    verdict_amount,
)
from store.judge.course_grid import CourseCell, CourseGrid
from store.model.document import (
    Amount,
    Block,
    Cell,
    Document,
    FactList,
    Heading,
    Manner,
    Matrix,
    MatrixRow,
    Paragraph,
    Role,
    Table,
    TableColumn,
    words,
)

__all__ = [
    "claims_table",
    "course_matrix",
    "device_document",
    "facts_of",
    "figures_table",
    "limits_table",
    "next_steps",
    "ports_table",
    "results_table",
    "runtimes_table",
]


def device_document(page: DevicePage) -> Document:
    """Everything that is known of one device."""
    parts: list[tuple[str, Iterable[Block]]] = [
        ("facts", [facts_of(page)]),
        ("claims", [claims_table(page)]),
        ("figures", [figures_table(page)]),
        ("runtime", [runtimes_table(page)]),
        ("course of tests", [course_matrix(page.course), *next_steps(page.course)]),
        *((table.kind, [results_table(table)]) for table in page.tables),
        ("limits", [limits_table(page)]),
        ("what the ports offer", [ports_table(page)]),
        ("notes", words(*_notes(page))),
    ]
    blocks: list[Block] = []
    for title, made in parts:
        kept = [block for block in made if not _is_empty(block)]
        if kept:
            blocks += [Heading(title, id=title.replace(" ", "-")), *kept]
    return Document(_headline(page), tuple(blocks))


def _is_empty(block: Block) -> bool:
    match block:
        case FactList():
            return not any(cell.shown() for _, cell in block.pairs)
        case Table() | Matrix():
            return not block.rows
        case _:
            return False


def _headline(page: DevicePage) -> str:
    sheet = page.sheet
    rated = f"{stated(sheet.energy_wh, 'Wh').shown()} rated" if sheet.energy_wh is not None else ""
    power = stated(sheet.output_w, "W").shown()
    amps = stated(sheet.current_a, "A").shown()
    ports = " ".join(port.name for port in sheet.ports)
    runs = f"{page.runs:,} run{'' if page.runs == 1 else 's'}"
    parts = [sheet.device, sheet.kind or "no sheet yet", rated, power, amps, ports, runs]
    return "   ".join(part for part in parts if part)


def facts_of(page: DevicePage) -> FactList:
    """What the sheet tells, what air travel rules say, and what it sustains."""
    return FactList(tuple(_facts(page)))


def _facts(page: DevicePage) -> Iterator[tuple[str, Cell]]:
    sheet = page.sheet
    yield "maker", Cell(sheet.maker)
    yield "model", Cell(sheet.model)
    yield "serial", Cell(sheet.serial)
    volts = f"at {sheet.cell_voltage_v:g} V" if sheet.cell_voltage_v is not None else ""
    yield "rated capacity", stated(sheet.capacity_mah, "mAh", after=volts)
    more = [("cable", sheet.mass_cable_g), ("packaging", sheet.mass_packaging_g)]
    yield "mass", stated(sheet.mass_g, "g", after=", ".join(f"{name} {value:g} g" for name, value in more if value))
    if sheet.volume_cm3 is not None:
        sides = f"{sheet.length_mm:g} × {sheet.width_mm:g} × {sheet.height_mm:g} mm"  # noqa: RUF001
        yield "size", Cell(f"{sides}, {sheet.volume_cm3:.0f} cm³")
    if sheet.price is not None:
        yield "price", Cell(f"{sheet.price:.2f} {sheet.currency}" + (f" on {sheet.price_on}" if sheet.price_on else ""))
    for mark in sheet.marks:
        yield "mark", Cell(f"{mark.name} (listing {mark.listing})")
    if page.first_run:
        yield (
            "tested",
            Cell(page.first_run if page.first_run == page.last_run else f"{page.first_run} to {page.last_run}"),
        )
    if page.flight is not None:
        yield "by air", Cell(f"{page.flight.words}; {page.flight.count}")
    for found, name in ((page.sustained_out, "sustained power"), (page.sustained_in, "sustained charging")):
        if found is not None and found.power_w is not None:
            ambient = f"{found.ambient_c:.0f} °C" if found.ambient_c is not None else ""
            where = ", ".join(part for part in (found.port, found.mode, ambient, runs_words(found.run_ids)) if part)
            cell = Cell(
                f"{where}. {found.reason}".rstrip(),
                Amount(found.power_w, "W", 0.0 if name == "sustained power" else None),
                runs=found.run_ids,
            )
            yield name, cell
        elif found is not None:
            yield name, Cell(f"not known. {found.reason}")
    yield "same model", Cell(", ".join(page.same_model))
    yield "peers", Cell(", ".join(page.peers))
    yield "note", Cell(sheet.note)


def claims_table(page: DevicePage) -> Table:
    """Claims with what was measured, the verdict, why, and the runs behind it."""
    rows = []
    for verdict in page.verdicts:
        claim = page.sheet.claims[verdict.position - 1]
        measured = Cell(verdict.measured_text, verdict_amount(verdict, claim.quantity), runs=verdict.run_ids)
        rows.append(
            (
                Cell(f"{verdict.position}."),
                Cell(claim.said(), note=claim.narrowed()),
                Cell(verdict.printed_on),
                measured if measured.quantity is not None or measured.text else Cell("-"),
                Cell(verdict.verdict, role=Role.of(verdict.verdict), note=verdict.reason),
                runs_cell(verdict.run_ids),
            )
        )
    columns = (
        TableColumn(""),
        TableColumn("claim", wraps=True),
        TableColumn("printed on"),
        TableColumn("measured", wraps=True),
        TableColumn("verdict"),
        TableColumn("runs", wraps=True),
    )
    return Table(columns, tuple(rows), titles=2)


def figures_table(page: DevicePage) -> Table:
    """Headline figures with uncertainty, condition and runs."""
    rows = []
    for figure in page.figures:
        is_absent = figure.value is None
        note = figure.reason if is_absent else figure.note
        rows.append(
            (
                Cell(figure.label),
                figure_cell(figure, note=note),
                Cell(figure.condition),
                Cell(repeats_words(figure)),
                runs_cell(figure.run_ids),
            )
        )
    columns = (
        TableColumn("figure"),
        TableColumn("value"),
        TableColumn("at", wraps=True),
        TableColumn("repeats", wraps=True),
        TableColumn("runs", wraps=True),
    )
    return Table(columns, tuple(rows), note=PLUS_MINUS_NOTE if rows else "")


def runtimes_table(page: DevicePage) -> Table:
    """How long it lasts at loads that are asked for."""
    rows = tuple(_runtime_row(line) for line in page.runtimes)
    columns = (
        TableColumn("load"),
        TableColumn("runtime"),
        TableColumn("at", wraps=True),
        TableColumn("how known", wraps=True),
        TableColumn("runs"),
    )
    return Table(columns, rows)


def _runtime_row(line: RuntimeLine) -> tuple[Cell, ...]:
    figure = line.figure
    how = figure.reason if figure.value is None else figure.note
    if figure.value is not None and figure.uncertainty is None:
        how = f"{how}; uncertainty not known"
    return (
        Cell(f"{line.load_w:g} W"),
        figure_cell(figure, missing="not known"),
        Cell(line.condition),
        Cell(how),
        runs_cell(figure.run_ids),
    )


def course_matrix(grid: CourseGrid) -> Matrix:
    """Which tests are done, to repeat, suspect, to do, by port and mode."""
    rows = tuple(
        MatrixRow(
            row.test.name,
            tuple(Cell(cell.state, role=Role.of(cell.state), runs=cell.run_ids) for cell in row.cells),
            row.test.how,
        )
        for row in grid.rows
    )
    return Matrix(tuple((port, mode_words(mode)) for port, mode in grid.columns), rows)


def next_steps(grid: CourseGrid) -> Iterator[Paragraph]:
    """What to do next, test by test, with the cautions that go with it."""
    steps: dict[str, list[str]] = {}
    told: dict[str, tuple[str, str]] = {}
    for test, cell in grid.next_steps:
        steps.setdefault(test.name, []).append(f"{place_words(cell.port, cell.mode)}{_again(cell)}")
        told[test.name] = (test.how, test.caution)
    for name, places in steps.items():
        how, caution = told[name]
        yield Paragraph(f"{', '.join(places)}. {how}", head=f"next, {name}:")
        if caution:
            yield Paragraph(caution, Manner.CAUTION)


def _again(cell: CourseCell) -> str:
    if cell.state == "repeat":
        return f" ({cell.done} of {cell.wanted})"
    return " (suspect)" if cell.state == "suspect" else ""


def results_table(table: TestTable) -> Table:
    """All conditions of one kind of test; figures that none of them has are left out."""
    picked = [
        index
        for index in range(len(table.rows[0].figures))
        if any(row.figures[index].value is not None for row in table.rows)
    ]
    rows = []
    for row in table.rows:
        load = row.load + (" beside another port" if row.is_shared else "")
        rows.append(
            (
                Cell(" ".join(part for part in (row.port, row.mode) if part)),
                Cell(load),
                stated(None if row.ambient_c is None else round(row.ambient_c), "°C"),
                *(figure_cell(row.figures[index]) for index in picked),
                Cell(str(row.count)),
                runs_cell(row.run_ids),
            )
        )
    heads = [table.rows[0].figures[index].label for index in picked]
    columns = (
        TableColumn("port, mode"),
        TableColumn("load"),
        TableColumn("ambient", is_number=True),
        *(TableColumn(head, is_number=True) for head in heads),
        TableColumn("n", is_number=True),
        TableColumn("runs"),
    )
    return Table(columns, tuple(rows), titles=2)


def limits_table(page: DevicePage) -> Table:
    """An adapter's results against the limits of efficiency rules."""
    rows = tuple(
        (
            Cell(line.standard),
            Cell(line.measure),
            Cell(line.mode),
            Cell(f"{'at most' if line.measure == 'no load' else 'at least'} {line.limit:.4g}"),
            figure_cell(line.figure),
            Cell(line.verdict, role=Role.of(line.verdict)),
            Cell(line.edition, note="" if line.holds else "Not in force on the day of manufacture."),
        )
        for line in page.limits
    )
    heads = ("rule", "measure", "mode", "limit", "measured", "verdict", "edition")
    columns = tuple(TableColumn(head, wraps=head in ("rule", "edition")) for head in heads)
    return Table(columns, rows, titles=3)


def ports_table(page: DevicePage) -> Table:
    """What each port advertises, and what its rating obliges it to offer."""
    rows = []
    for port in page.ports:
        lacking = " ".join([*port.shortfalls, *[f"Not read: {text}." for text in port.unread]])
        rows.append(
            (
                Cell(port.name),
                Cell(port.connector),
                Cell(port.direction),
                Cell(", ".join(port.modes), note=lacking),
                stated(port.top_w, "W"),
            )
        )
    columns = (
        TableColumn("port"),
        TableColumn("connector"),
        TableColumn("direction"),
        TableColumn("offers", wraps=True),
        TableColumn("at most"),
    )
    return Table(columns, tuple(rows), titles=3)


def _notes(page: DevicePage) -> Iterator[str]:
    yield from page.notes
    if page.flight is not None:
        yield f"By air ({page.flight.edition}): {page.flight.caution}"
