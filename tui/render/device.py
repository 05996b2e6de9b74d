"""A device's page as plain text that a tester could read out.

Knows view data and text: no library, no Textual.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from store.devices.records import ConditionRow, DevicePage, Figure
from store.judge.course_grid import CourseGrid
from store.uncertainty.decision import Verdict
from tui.render.format import UNICODE_SIGNS, Signs, count, hours_minutes, reading, significant
from tui.render.plain import plain, width_of
from tui.render.tables import Column, facts_block, table, table_or_blocks, titled
from tui.render.tables import wrapped as hung

__all__ = ["course_lines", "device_lines", "figure_text", "verdict_lines", "wrapped"]

STATE_SIGNS = {"done": "■", "repeat": "+", "suspect": "~", "to do": "□", "not offered": "·"}
ASCII_STATES = {"done": "#", "repeat": "+", "suspect": "~", "to do": "o", "not offered": "."}
WIDEST = 100
"""Cells of a line of prose where the output is no terminal."""


def device_lines(page: DevicePage, *, signs: Signs = UNICODE_SIGNS, width: int | None = None) -> Iterator[str]:
    """The whole page, line by line, harmless to any terminal."""
    yield from hung("", _headline(page), width)
    yield from titled("facts", facts_block(_facts(page, signs), width=width, is_wrapped=True))
    yield from titled("claims", verdict_lines(page.verdicts, signs=signs, width=width))
    yield from titled("figures", _figure_lines(page, signs, width))
    yield from titled("runtime", _runtime_lines(page, signs, width))
    yield from titled("course of tests", course_lines(page.course, signs=signs, width=width))
    for tested in page.tables:
        yield from titled(tested.kind, _table_lines(tested.rows, signs, width))
    yield from titled("limits", _limit_lines(page, signs, width))
    yield from titled("what the ports offer", _port_lines(page, signs, width))
    yield from titled("notes", [line for note in _notes(page) for line in wrapped(note, width)])


def wrapped(text: str, width: int | None, indent: str = "  ") -> list[str]:
    """Prose over several lines, harmless."""
    return textwrap.wrap(
        plain(text),
        min(width or WIDEST, WIDEST),
        initial_indent=indent,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )


def _headline(page: DevicePage) -> str:
    sheet = page.sheet
    rated = f"{sheet.energy_wh:.4g} Wh rated" if sheet.energy_wh is not None else ""
    power = f"{sheet.output_w:g} W" if sheet.output_w is not None else ""
    amps = f"{sheet.current_a:g} A" if sheet.current_a is not None else ""
    ports = " ".join(port.name for port in sheet.ports)
    parts = [sheet.device, sheet.kind or "no sheet yet", rated, power, amps, ports, f"{count(page.runs)} runs"]
    return plain("   ".join(part for part in parts if part))


def _facts(page: DevicePage, signs: Signs) -> Iterator[tuple[str, object]]:
    sheet = page.sheet
    yield "maker", sheet.maker
    yield "model", sheet.model
    yield "serial", sheet.serial
    if sheet.capacity_mah is not None:
        volts = f" at {sheet.cell_voltage_v:g} V" if sheet.cell_voltage_v is not None else ""
        yield "rated capacity", f"{sheet.capacity_mah:,.0f} mAh{volts}"
    if sheet.mass_g is not None:
        more = [("cable", sheet.mass_cable_g), ("packaging", sheet.mass_packaging_g)]
        yield "mass", f"{sheet.mass_g:g} g" + "".join(f", {name} {value:g} g" for name, value in more if value)
    if sheet.volume_cm3 is not None:
        yield "size", f"{sheet.length_mm:g} x {sheet.width_mm:g} x {sheet.height_mm:g} mm, {sheet.volume_cm3:.0f} cm3"
    if sheet.price is not None:
        on = f" on {sheet.price_on}" if sheet.price_on else ""
        yield "price", f"{sheet.price:.2f} {sheet.currency}{on}"
    for mark in sheet.marks:
        yield "mark", f"{mark.name} (listing {mark.listing})"
    if page.first_run:
        yield "tested", page.first_run if page.first_run == page.last_run else f"{page.first_run} to {page.last_run}"
    if page.flight is not None:
        yield "by air", f"{page.flight.words}; {page.flight.count}"
    for found, word in ((page.sustained_out, "sustained power"), (page.sustained_in, "sustained charging")):
        if found is not None and found.power_w is not None:
            where = ", ".join(part for part in (found.port, found.mode) if part)
            ambient = f" at {found.ambient_c:.0f} {signs.degree_c}" if found.ambient_c is not None else ""
            yield word, f"{found.power_w:.3g} W ({where}{ambient}; {_runs(found.run_ids)}). {found.reason}".rstrip()
        elif found is not None:
            yield word, f"none held. {found.reason}"
    yield "same model", ", ".join(page.same_model)
    yield "peers", ", ".join(page.peers)
    yield "note", sheet.note


def _runs(run_ids: tuple[int, ...]) -> str:
    return f"run{'s' if len(run_ids) > 1 else ''} {', '.join(map(str, run_ids))}" if run_ids else ""


def figure_text(figure: Figure, signs: Signs = UNICODE_SIGNS, *, missing: str = "-") -> str:
    """A figure as people read it; seconds over two minutes as hours and minutes."""
    if figure.value is None:
        return missing
    if figure.unit == "s" and abs(figure.value) >= 120:
        text = hours_minutes(figure.value)
        if figure.uncertainty and 2 * figure.uncertainty >= 60:
            text += f" {signs.plus_minus} {hours_minutes(2 * figure.uncertainty)}"
        return f"{text} h"
    if figure.uncertainty == 0.0:  # a count, or what is read off a case
        unit = signs.unit(figure.unit)
        return f"{figure.value:.10g} {unit}".rstrip()
    return reading(figure.value, figure.uncertainty, figure.unit, signs=signs)


def verdict_lines(
    verdicts: tuple[Verdict, ...], *, signs: Signs = UNICODE_SIGNS, width: int | None = None
) -> list[str]:
    """Claims with what was measured, the verdict, why, and the runs that it rests on."""
    lines: list[str] = []
    for verdict in verdicts:
        printed = f", on the {verdict.printed_on}" if verdict.printed_on else ""
        head = plain(f"  {verdict.position}. {verdict.verdict.upper():<18}")
        claim = plain(f"{verdict.claim}{printed}")
        lines += hung(head, claim, width)
        measured = verdict.measured_text
        if verdict.measured is not None:
            figure = Figure("", "", verdict.measured, verdict.unit, verdict.uncertainty)
            measured = figure_text(figure, signs) + (f", {measured}" if measured else "")
        found = "; ".join(part for part in (f"measured {measured}" if measured else "", _runs(verdict.run_ids)) if part)
        text = " ".join(part for part in (f"{found}." if found else "", verdict.reason) if part)
        lines += wrapped(text, width, " " * 23) if text else []
    return lines


def _figure_lines(page: DevicePage, signs: Signs, width: int | None) -> list[str]:
    if not page.figures:
        return []
    rows = []
    for figure in page.figures:
        repeats = ""
        if figure.spread is not None:
            repeats = f"{figure.count} tests, spread {significant(figure.spread, 2, most_decimals=9)}"
        text, lacking = (figure_text(figure, signs), "") if figure.value is not None else ("-", figure.reason)
        rows.append((figure.label, text, figure.condition, repeats, _runs(figure.run_ids), lacking, figure.note))
    columns = [Column("figure"), Column("value"), Column("at"), Column("repeats"), Column("from")]
    shown = [[*row[:5], " ".join(filter(None, row[5:]))] for row in rows]
    lines = table([*columns, Column("remark", wraps=True)], shown, width=width and width - 2, ellipsis=signs.ellipsis)
    lines = [f"  {line}".rstrip() for line in lines]
    if width is not None and max(map(width_of, lines)) > width:
        shown = [[*row[:2], "; ".join(filter(None, row[2:]))] for row in rows]
        columns = [*columns[:2], Column("at, from", wraps=True)]
        lines = table_or_blocks(columns, shown, titles=2, width=width, ellipsis=signs.ellipsis)
    told = (
        f"{signs.plus_minus} is twice the standard uncertainty. Without it counts, ratings and set loads are exact, "
        "times are known to the minute, and of other figures it is not known."
    )
    return [*lines, *wrapped(told, width)]


def _runtime_lines(page: DevicePage, signs: Signs, width: int | None) -> list[str]:
    lines: list[str] = []
    for line in page.runtimes:
        figure = line.figure
        head = f"  {line.load_w:g} W: "
        if figure.value is None:
            text = f"not known. {figure.reason}"
        else:
            text = f"{hours_minutes(3600 * figure.value)} h"
            if figure.uncertainty is not None:
                text += f" {signs.plus_minus} {max(2 * 60 * figure.uncertainty, 0.1):.1f} min"
            else:
                text += ", uncertainty not known"
            text += f" ({line.condition}; {figure.note}; {_runs(figure.run_ids)})"
        lines += hung(head, plain(text), width)
    return lines


def course_lines(grid: CourseGrid, *, signs: Signs = UNICODE_SIGNS, width: int | None = None) -> list[str]:
    """The grid, its legend, and what to do next with the cautions that go with it."""
    shown = ASCII_STATES if signs.is_ascii else STATE_SIGNS
    if not grid.rows:
        return []
    lines = _grid(grid, range(len(grid.columns)), shown)
    if width is not None and len(lines[0]) > width:
        # Too wide for the terminal: port by port, each under its own head.
        ports = list(dict.fromkeys(port for port, _ in grid.columns))
        blocks = [[i for i, (port, _) in enumerate(grid.columns) if port == wanted] for wanted in ports]
        drawn = [_grid(grid, block, shown, port) for port, block in zip(ports, blocks, strict=True)]
        lines = [line for block in drawn if len(block) > 1 for line in (*block, "")]
    lines.append("  " + "  ".join(f"{sign} {state}" for state, sign in shown.items()))
    steps: dict[str, list[str]] = {}
    cautions: dict[str, tuple[str, str]] = {}
    for test, cell in grid.next_steps:
        again = (
            f" ({cell.done} of {cell.wanted})"
            if cell.state == "repeat"
            else " (suspect)"
            if cell.state == "suspect"
            else ""
        )
        steps.setdefault(test.name, []).append(f"{_short(cell.port, cell.mode)}{again}")
        cautions[test.name] = (test.how, test.caution)
    for name, places in steps.items():
        how, caution = cautions[name]
        lines += wrapped(f"next, {name}: {', '.join(places)}. {how}", width)
        lines += wrapped(f"CAUTION: {caution}", width, "    ") if caution else []
    return lines


def _grid(grid: CourseGrid, picked: Sequence[int], shown: dict[str, str], port: str = "") -> list[str]:
    """The grid of some columns; of one port, whose name then stands at its head."""
    wanted = [grid.columns[i] for i in picked]
    names = [_short(of, mode).removeprefix(f"{port} ") if port else _short(of, mode) for of, mode in wanted]
    columns = [Column(port or "test"), *[Column(name) for name in names]]
    rows = [
        [row.test.name, *[shown[row.cells[i].state] for i in picked]]
        for row in grid.rows
        if any(row.cells[i].state != "not offered" for i in picked)
    ]
    return [f"  {line}".rstrip() for line in table(columns, rows)]


def _short(port: str, mode: str) -> str:
    if not port:
        return "device"
    return f"{port} {mode.removeprefix('fixed ').replace(' V', 'V')}".strip()


def _table_lines(rows: tuple[ConditionRow, ...], signs: Signs, width: int | None) -> list[str]:
    heads = [figure.label for figure in rows[0].figures]
    cells = []
    for row in rows:
        ambient = f"{row.ambient_c:.0f} {signs.degree_c}" if row.ambient_c is not None else ""
        load = row.load + (" beside another port" if row.is_shared else "")
        runs = ", ".join(map(str, row.run_ids))
        values = [figure_text(figure, signs) for figure in row.figures]
        cells.append((" ".join(part for part in (row.port, row.mode) if part), load, ambient, *values, row.count, runs))
    columns = [Column("port, mode"), Column("load", may_shrink=True), Column("ambient")]
    columns += [Column(head) for head in heads]
    columns += [Column("n", is_number=True), Column("runs", may_shrink=True)]
    return table_or_blocks(columns, cells, titles=2, width=width, ellipsis=signs.ellipsis)


def _limit_lines(page: DevicePage, signs: Signs, width: int | None) -> list[str]:
    rows = [
        (
            line.standard,
            line.measure,
            line.mode,
            f"{'at most' if line.measure == 'no load' else 'at least'} {line.limit:.4g}",
            figure_text(line.figure, signs),
            line.verdict,
            "" if line.holds else "not in force then",
            line.edition,
        )
        for line in page.limits
    ]
    columns = [Column(head) for head in ("rule", "measure", "mode", "limit", "measured", "verdict", "")]
    columns.append(Column("edition", wraps=True))
    return table_or_blocks(columns, rows, titles=3, width=width, ellipsis=signs.ellipsis)


def _port_lines(page: DevicePage, signs: Signs, width: int | None) -> list[str]:
    rows = []
    for port in page.ports:
        top = f"{port.top_w:g} W" if port.top_w is not None else ""
        lacking = " ".join([*port.shortfalls, *[f"Not read: {text}." for text in port.unread]])
        rows.append((port.name, port.connector, port.direction, ", ".join(port.modes), top, lacking))
    columns = [Column("port"), Column("connector"), Column("direction"), Column("offers", may_shrink=True)]
    columns += [Column("at most"), Column("due by its rating and missing", wraps=True)]
    return table_or_blocks(columns, rows, titles=3, width=width, ellipsis=signs.ellipsis)


def _notes(page: DevicePage) -> Iterator[str]:
    yield from page.notes
    if page.flight is not None:
        yield f"By air ({page.flight.edition}): {page.flight.caution}"
