"""What a report says of one device, section by section, from its finished page. Knows pages; no catalogue."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from store.devices.records import DevicePage, Figure, TestTable
from store.judge.course_grid import CourseCell
from store.judge.derived.sustained import SUSTAINED_POWER_W
from store.methods.specs import is_share, label_of, page_tables
from store.model.sheet import DeviceSheet
from store.publish.content import Cell, Column, Section, Table, Text, number, words
from store.publish.shown import cell_of, column_of, runs_cell, scale_of
from store.uncertainty.decision import VERDICTS, Verdict
from store.usb.offers import offer_words

__all__ = [
    "DECISION_RULE",
    "SCOPE",
    "claims_section",
    "course_section",
    "figures_section",
    "results_section",
    "sample_section",
]

SCOPE = (
    "Every result is of this sample, the one unit that was tested. Another unit of the same model may differ; nothing "
    "here speaks for a model as such."
)

DECISION_RULE = (
    "Decision rule, fixed before the tests: a claim is met where the measured value lies inside the claimed bound by "
    "at least its expanded uncertainty U (k = 2, about 95 % coverage), not met where it lies outside by at least U, "
    "and too close to call otherwise, with the probability of conformity (guard band w = U, after ILAC-G8:09/2019; "
    "probabilities after JCGM 106:2012). So the risk of a wrong verdict is under 2.5 %. Where the meter's "
    "accuracy is unknown no guard band can be set, and the row says so. Not tested: no run fits the condition that the "
    "claim names."
)


def sample_section(page: DevicePage, name: str = "The sample") -> Section:
    """The item tested, and what its maker supplied."""
    sheet = page.sheet
    own = [
        ("inventory code", sheet.device),
        ("kind", sheet.kind),
        ("condition, as noted on receipt", sheet.note or "nothing noted"),
        ("date of receipt", "not recorded"),
        ("tested", f"{page.first_run} to {page.last_run}" if page.first_run else "dates not logged"),
        ("runs", str(page.runs)),
        ("other samples of the model in the library", ", ".join(page.same_model) or "none: one unit"),
    ]
    rows = [(Cell(name), Cell(value)) for name, value in own]
    if sheet.mass_g is not None:
        rows.append((Cell("mass, weighed"), number(sheet.mass_g, 1 / 3**0.5, unit="g")))
    if sheet.volume_cm3 is not None:
        sides = f"{sheet.length_mm:g} × {sheet.width_mm:g} × {sheet.height_mm:g} mm"  # noqa: RUF001
        rows.append((Cell("size, measured"), Cell(sides)))
    identity = Table("The item tested", (Column("", ""), Column("", "")), tuple(rows))
    supplied = [
        ("maker", sheet.maker or "not stated"),
        ("model", sheet.model or "not stated"),
        ("serial number", sheet.serial or "not stated"),
        ("made on", sheet.made_on.isoformat() if sheet.made_on else "not stated"),
        *_rated(sheet),
        ("price", _price(sheet)),
        *((f"port {port.name}", _port(port.connector, port.direction, port.modes)) for port in page.ports),
        *((f"mark: {mark.name}", f"certificate listing {mark.listing}") for mark in sheet.marks),
    ]
    maker = Table(
        "Supplied by the maker or the seller, not measured",
        (Column("", ""), Column("", "")),
        tuple((Cell(name), Cell(value)) for name, value in supplied if value),
    )
    blocks: list[Text | Table] = [identity, maker]
    if page.flight is not None:
        blocks.append(
            words(
                f"Air travel, by the rated energy of {page.flight.rated_wh:g} Wh: {page.flight.words}; "
                f"{page.flight.count}. {page.flight.edition}. {page.flight.caution}",
                manner="caution",
            )
        )
    lacking = [f"Port {port.name}: {text}" for port in page.ports for text in port.shortfalls]
    if lacking:
        blocks.append(words(SOURCE_RULE))
        blocks.append(words(*lacking, manner="list"))
    return Section(_anchor(sheet, "sample"), name, tuple(blocks))


SOURCE_RULE = (
    "USB Power Delivery's rules for sources oblige a port to offer certain fixed voltages and currents by its rated "
    "power. Of those, as advertised:"
)


def _anchor(sheet: DeviceSheet, word: str) -> str:
    safe = "".join(c if c.isascii() and c.isalnum() else "-" for c in sheet.device.lower())
    return f"{safe}-{word}"


def _rated(sheet: DeviceSheet) -> Iterable[tuple[str, str]]:
    for name, value, unit in (
        ("rated charge", sheet.capacity_mah, "mAh"),
        ("nominal cell voltage", sheet.cell_voltage_v, "V"),
        ("rated energy", sheet.energy_wh, "Wh"),
        ("rated output", sheet.output_w, "W"),
        ("rated current", sheet.current_a, "A"),
    ):
        if value is not None:
            yield name, f"{value:g} {unit}"


def _price(sheet: DeviceSheet) -> str:
    if sheet.price is None:
        return ""
    day = f", on {sheet.price_on.isoformat()}" if sheet.price_on else ""
    return f"{sheet.price:.2f} {sheet.currency}{day}"


def _port(connector: str, direction: str, modes: Sequence[str]) -> str:
    way = {"out": "output", "in": "input", "both": "input and output"}.get(direction, direction)
    offered = f"; advertises {', '.join(map(offer_words, modes))}" if modes else ""
    return f"{connector or 'connector not stated'}, {way}{offered}"


def figures_section(page: DevicePage, title: str = "In short") -> Section:
    """Headline figures with uncertainty, and how many claims hold."""
    sheet = page.sheet
    rows = []
    for figure in page.figures:
        unit, scale = (
            ("%", 100.0) if figure.unit == "1" and is_share(figure.name) else scale_of(figure.unit, (figure.value,))
        )
        cell = Cell(text=figure.reason or "not measured")
        if figure.value is not None:
            u = None if figure.uncertainty is None else figure.uncertainty * scale
            # Sustained power is the largest set load that held: a step of the course, not a reading.
            u = None if figure.name == SUSTAINED_POWER_W.name else u
            cell = number(figure.value * scale, u, unit="" if unit == "1" else unit)
        rest = "; ".join(part for part in (figure.condition, figure.note) if part)
        repeats = f"mean of {figure.count}, spread {figure.spread:.2g}" if figure.count > 1 and figure.spread else ""
        condition = "; ".join(part for part in (rest, repeats) if part)
        rows.append((Cell(label_of(figure.name)), cell, Cell(condition), runs_cell(figure.run_ids)))
    table = Table(
        f"Figures of {sheet.device}",
        (Column("quantity"), Column("value ± U", is_number=True), Column("condition"), Column("runs")),
        tuple(rows),
        note="± U is the expanded uncertainty, k = 2, about 95 % coverage. Without it the uncertainty is unknown, or "
        "the figure is a set value.",
    )
    return Section(_anchor(sheet, "short"), title, (words(*_lead(page), manner="lead"), table))


def _lead(page: DevicePage) -> Iterable[str]:
    """What was found, in sentences; no opinion."""
    tally = Counter(verdict.verdict for verdict in page.verdicts)
    if tally:
        parts = [f"{tally[word]} {word}" for word in VERDICTS if tally[word]]
        yield f"Of {len(page.verdicts)} claims: {', '.join(parts)}."
    for verdict in page.verdicts:
        if verdict.verdict == "not met":
            claim = page.sheet.claims[verdict.position - 1].said()
            yield f"Not met: {claim}. {verdict.reason}".strip()


def _scaled(verdict: Verdict) -> tuple[str, float]:
    return scale_of(verdict.unit, (verdict.measured,))


def claims_section(page: DevicePage, title: str = "Claims and verdicts") -> Section:
    """Every claim with its verdict, and the rule by which it was given."""
    rows = []
    for verdict in page.verdicts:
        claim = page.sheet.claims[verdict.position - 1]
        unit, scale = _scaled(verdict)
        cell = Cell(verdict.measured_text)
        if verdict.measured is not None:
            u = None if verdict.uncertainty is None else verdict.uncertainty * scale
            cell = number(verdict.measured * scale, u, unit="" if unit == "1" else unit)
        rows.append(
            (
                Cell(claim.said(), note=claim.narrowed()),
                Cell(verdict.printed_on or "not noted"),
                cell,
                Cell(verdict.verdict, mark=verdict.verdict),
                Cell(verdict.reason),
                runs_cell(verdict.run_ids),
            )
        )
    if not rows:
        return Section(_anchor(page.sheet, "claims"), title, (words("No claim of the maker is on record."),))
    heads = ("claim", "printed on", "measured ± U", "verdict", "because", "runs")
    columns = tuple(Column(head, is_number=head.startswith("measured")) for head in heads)
    caption = f"The maker's claims for {page.sheet.device}, held against the results"
    table = Table(caption, columns, tuple(rows), is_wide=True)
    return Section(_anchor(page.sheet, "claims"), title, (table, words(DECISION_RULE, manner="note")))


def results_section(page: DevicePage, title: str = "Results by test") -> Section:
    """A table per kind of test: every condition with its figures; repeats as means."""
    tables = [_results_table(table, page) for table in page.tables]
    blocks: tuple[Text | Table, ...] = tuple(tables)
    if page.limits:
        blocks = (*blocks, _limits_table(page))
    runtimes = _runtimes_table(page)
    if runtimes is not None:
        blocks = (*blocks, runtimes)
    return Section(_anchor(page.sheet, "results"), title, blocks or (words("Nothing was measured."),))


def _results_table(table: TestTable, page: DevicePage) -> Table:
    names = [
        name
        for index, name in enumerate(page_tables()[table.kind])
        if any(row.figures[index].value is not None for row in table.rows)
    ]
    by_name = {name: [_figure(row.figures, name) for row in table.rows] for name in names}
    columns = (
        Column("condition"),
        *(column_of(name, by_name[name]) for name in names),
        Column("runs"),
    )
    rows = []
    for index, row in enumerate(table.rows):
        cells = [cell_of(by_name[name][index]) for name in names]
        ambient = "" if row.ambient_c is None else f"{row.ambient_c:.0f} °C"
        beside = "other ports loaded too" if row.is_shared else ""
        condition = ", ".join(part for part in (row.port, row.mode, row.load, ambient, beside) if part)
        rows.append((Cell(condition), *cells, runs_cell(row.run_ids)))
    repeats = any(row.count > 1 for row in table.rows)
    note = ""
    if repeats:
        note = "Repeats under one condition: mean; U is the larger of what they scatter and the full budget. "
    title = f"{table.kind.replace('-', ' ').capitalize()} runs of {page.sheet.device}"
    return Table(title, columns, tuple(rows), note=f"{note}± U, k = 2.", is_wide=True)


def _figure(figures: Sequence[Figure], name: str) -> Figure:
    return next(figure for figure in figures if figure.name == name)


def _limits_table(page: DevicePage) -> Table:
    rows = tuple(
        (
            Cell(line.standard),
            Cell(f"{line.edition}{'' if line.holds else ' (not in force on its day of manufacture)'}"),
            Cell(line.measure),
            Cell(line.mode),
            Cell(f"{line.limit:g}"),
            cell_of(line.figure),
            Cell(line.verdict, mark=line.verdict),
        )
        for line in page.limits
    )
    heads = ("rule", "edition", "measure", "mode", "limit", "measured ± U", "verdict")
    columns = tuple(Column(head, is_number=head in ("limit", "measured ± U")) for head in heads)
    return Table(f"{page.sheet.device} against limits of efficiency rules", columns, rows, is_wide=True)


def _runtimes_table(page: DevicePage) -> Table | None:
    lines = [line for line in page.runtimes if line.figure.value is not None]
    if not lines:
        return None
    rows = tuple(
        (Cell(f"{line.load_w:g} W"), Cell(line.condition), cell_of(line.figure), Cell(line.figure.note))
        for line in lines
    )
    columns = (Column("load"), Column("at"), Column("runtime", "h", is_number=True), Column("how known"))
    note = "± U, k = 2. Between tested loads: interpolated; never beyond."
    return Table("How long it lasts", columns, rows, note=note)


def course_section(page: DevicePage, title: str = "Course of tests") -> Section:
    """What was done, and what was not."""
    rows = []
    for row in page.course.rows:
        done = [cell for cell in row.cells if cell.state == "done"]
        left = [cell for cell in row.cells if cell.state in ("to do", "repeat", "suspect")]
        if not done and not left:
            continue
        rows.append(
            (
                Cell(row.test.name, note=row.test.how),
                Cell("; ".join(_place(cell.port, cell.mode) for cell in done) or "nothing"),
                Cell("; ".join(_left(cell) for cell in left) or "nothing left"),
            )
        )
    table = Table(
        f"Course of tests of {page.sheet.device}",
        (Column("test"), Column("done"), Column("not done")),
        tuple(rows),
        note="What was not done is no finding for or against the device.",
        is_wide=True,
    )
    return Section(_anchor(page.sheet, "course"), title, (table,))


def _place(port: str, mode: str) -> str:
    return ", ".join(part for part in (port, mode) if part) or "once"


def _left(cell: CourseCell) -> str:
    """What is to do, with how much of it is done."""
    if cell.state == "suspect":
        return f"{_place(cell.port, cell.mode)} (only suspect runs)"
    return _place(cell.port, cell.mode) + (f" ({cell.done} of {cell.wanted})" if cell.done else "")
