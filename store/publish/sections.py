"""What a report says of one device, part by part: the device's own page, in the order that a reader asks.

Knows pages; no catalogue.
"""

from __future__ import annotations

from dataclasses import replace

from store.devices.records import DevicePage
from store.documents.device import (
    claims_table,
    figures_table,
    limits_table,
    results_table,
    runtimes_table,
)
from store.documents.figures import place_words
from store.documents.glance import claim_bars, key_facts, lead, suits
from store.judge.course_grid import CourseCell
from store.model.document import Amount, Block, Cell, FactList, Manner, Paragraph, Plot, Table, TableColumn, words
from store.publish.content import Section
from store.usb.offers import offer_words

__all__ = [
    "DECISION_RULE",
    "SCOPE",
    "claims_section",
    "course_section",
    "first_screen",
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

SOURCE_RULE = (
    "USB Power Delivery's rules for sources oblige a port to offer certain fixed voltages and currents by its rated "
    "power. Of those, as advertised:"
)


def anchor(page: DevicePage, word: str) -> str:
    """A part's stable id: `pb-03-claims`."""
    safe = "".join(c if c.isascii() and c.isalnum() else "-" for c in page.sheet.device.lower())
    return f"{safe}-{word}"


def first_screen(page: DevicePage, decisive: Plot | None) -> Section:
    """The answer: two sentences, bars, one plot, what it suits."""
    blocks: list[Block] = [*lead(page), key_facts(page)]
    bars = claim_bars(page)
    blocks += [bars] if bars.bars else list(words("No claim of the maker is on record."))
    blocks += [decisive] if decisive is not None else []
    blocks += suits(page)
    return Section(anchor(page, "short"), "At a glance", tuple(blocks))


def claims_section(page: DevicePage) -> Section:
    """Every claim with its verdict and why, and the rule by which it was given."""
    table = claims_table(page)
    if not table.rows:
        return Section(anchor(page, "claims"), "Claims and verdicts", ())
    caption = f"The maker's claims for {page.sheet.device}, held against the results"
    rule = Paragraph(DECISION_RULE, Manner.NOTE)
    return Section(anchor(page, "claims"), "Claims and verdicts", (replace(table, caption=caption), rule))


def results_section(page: DevicePage) -> Section:
    """Headline figures, then a table per kind of test: every condition with its figures; repeats as means."""
    name = page.sheet.device
    tables = [(f"Figures of {name}", figures_table(page))]
    for table in page.tables:
        title = table.kind.replace("-", " ").capitalize()
        made = results_table(table)
        note = "Repeats under one condition: their mean." if any(row.count > 1 for row in table.rows) else ""
        tables.append((f"{title} runs of {name}", replace(made, note=note)))
    tables += [
        (f"{name} against limits of efficiency rules", limits_table(page)),
        ("How long it lasts", runtimes_table(page)),
    ]
    blocks = tuple(replace(table, caption=caption) for caption, table in tables if table.rows)
    return Section(anchor(page, "results"), "Results by test", blocks or words("Nothing was measured."))


def sample_section(page: DevicePage) -> Section:
    """The item tested, and what its maker supplied."""
    sheet = page.sheet
    own: list[tuple[str, Cell]] = [
        ("inventory code", Cell(sheet.device)),
        ("kind", Cell(sheet.kind)),
        ("condition, as noted on receipt", Cell(sheet.note or "nothing noted")),
        ("tested", Cell(f"{page.first_run} to {page.last_run}" if page.first_run else "dates not logged")),
        ("runs", Cell(str(page.runs))),
        ("other samples of the model in the library", Cell(", ".join(page.same_model) or "none: one unit")),
    ]
    if sheet.mass_g is not None:
        own.append(("mass, weighed", Cell(quantity=Amount(sheet.mass_g, "g", 1 / 3**0.5))))
    if sheet.volume_cm3 is not None:
        sides = f"{sheet.length_mm:g} × {sheet.width_mm:g} × {sheet.height_mm:g} mm"  # noqa: RUF001
        own.append(("size, measured", Cell(sides)))
    supplied = [
        ("maker", sheet.maker or "not stated"),
        ("model", sheet.model or "not stated"),
        ("serial number", sheet.serial or "not stated"),
        ("made on", sheet.made_on.isoformat() if sheet.made_on else "not stated"),
        *_rated(page),
        *((f"port {port.name}", _port(port.connector, port.direction, port.modes)) for port in page.ports),
        *((f"mark: {mark.name}", f"certificate listing {mark.listing}") for mark in sheet.marks),
    ]
    blocks: list[Block] = [
        FactList(tuple(own), "The item tested"),
        FactList(
            tuple((name, Cell(value)) for name, value in supplied if value),
            "Supplied by the maker or the seller, not measured",
        ),
    ]
    lacking = [f"Port {port.name}: {text}" for port in page.ports for text in port.shortfalls]
    if lacking:
        blocks += [*words(SOURCE_RULE), *words(*lacking, manner=Manner.ITEM)]
    return Section(anchor(page, "sample"), "The sample", tuple(blocks))


def _rated(page: DevicePage) -> list[tuple[str, str]]:
    sheet = page.sheet
    found = [
        ("rated charge", sheet.capacity_mah, "mAh"),
        ("nominal cell voltage", sheet.cell_voltage_v, "V"),
        ("rated energy", sheet.energy_wh, "Wh"),
        ("rated output", sheet.output_w, "W"),
        ("rated current", sheet.current_a, "A"),
    ]
    return [(name, Amount(value, unit, 0.0).text()) for name, value, unit in found if value is not None]


def _port(connector: str, direction: str, modes: tuple[str, ...]) -> str:
    way = {"out": "output", "in": "input", "both": "input and output"}.get(direction, direction)
    offered = f"; advertises {', '.join(map(offer_words, modes))}" if modes else ""
    return f"{connector or 'connector not stated'}, {way}{offered}"


def course_section(page: DevicePage) -> Section:
    """What was done, and what was not."""
    rows = []
    for row in page.course.rows:
        done = [cell for cell in row.cells if cell.state == "done"]
        left = [cell for cell in row.cells if cell.state in ("to do", "repeat", "suspect")]
        if done or left:
            told = "; ".join(place_words(cell.port, cell.mode) for cell in done) or "nothing"
            rows.append((Cell(row.test.name), Cell(told), Cell("; ".join(map(_left, left)) or "nothing left")))
    table = Table(
        (TableColumn("test"), TableColumn("done", wraps=True), TableColumn("not done", wraps=True)),
        tuple(rows),
        f"Course of tests of {page.sheet.device}",
        "Tests not done count neither for nor against the device.",
    )
    return Section(anchor(page, "course"), "Course of tests", (table,) if rows else ())


def _left(cell: CourseCell) -> str:
    """What is to do, with how much of it is done."""
    place = place_words(cell.port, cell.mode)
    if cell.state == "suspect":
        return f"{place} (only suspect runs)"
    return place + (f" ({cell.done} of {cell.wanted})" if cell.done else "")
