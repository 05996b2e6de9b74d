"""The first screen of a published page: two sentences, bars of claims against what was measured, good for, not for.

All of it is made from results by the rules below, never typed. Knows finished pages; no catalogue.

- Delivered: the mean of the reference discharges, beside the rated energy.
- Held: the largest load that every test held to the end; a larger one that was tested and not held is named with the
  time that it held.
- Good for: loads that were held, with the runtime measured at each. Not for: loads that were not held, for longer than
  they held. Nothing is said of loads beyond the largest tested.
- Not known: tests of the course of which nothing is done, and what one sample can't tell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from store.devices.records import ConditionRow, DevicePage, Figure
from store.documents.figures import figure_cell, stated, verdict_amount
from store.judge.derived.on_sheet import MASS_G
from store.judge.derived.sustained import HELD_SHARE
from store.judge.matching import ROOM_C
from store.methods.adapter import EFFICIENCY_AVERAGE, NO_LOAD_W
from store.methods.cable import RESISTANCE_MOHM
from store.methods.discharge import ENERGY_OUT_WH, HELD_S, RUNTIME_S
from store.model.document import Bar, Bars, Cell, FactList, Manner, Paragraph, Role
from store.uncertainty.decision import VERDICTS, Verdict
from store.words.facts import parse_load
from store.words.numbers import duration_text, figure_text

__all__ = ["HeldLoad", "at_room", "claim_bars", "decisive_load", "held_loads", "key_facts", "lead", "suits"]


@dataclass(frozen=True, slots=True)
class HeldLoad:
    """One set load at room temperature, alone at one port: how long it was held, and whether to the end."""

    load_w: float
    held: Figure
    runtime: Figure
    is_held: bool
    row: ConditionRow


def _figure(row: ConditionRow, name: str) -> Figure | None:
    return next((figure for figure in row.figures if figure.name == name and figure.value is not None), None)


def at_room(row: ConditionRow) -> bool:
    """Whether it was tested at room temperature, or nothing is known of that."""
    return row.ambient_c is None or ROOM_C[0] <= row.ambient_c <= ROOM_C[1]


def held_loads(page: DevicePage) -> tuple[HeldLoad, ...]:
    """Every load of a discharge at room temperature, the largest first."""
    found = []
    for table in page.tables:
        if table.kind != "discharge":
            continue
        for row in table.rows:
            load = parse_load(row.load)
            held, runtime = _figure(row, HELD_S.name), _figure(row, RUNTIME_S.name)
            if load is None or load.unit != "W" or held is None or runtime is None:
                continue
            if row.is_shared or not at_room(row):
                continue
            is_held = (held.value or 0.0) >= HELD_SHARE * (runtime.value or 0.0)
            found.append(HeldLoad(load.value, held, runtime, is_held, row))
    return tuple(sorted(found, key=lambda item: (-item.load_w, item.row.port, item.row.mode)))


def decisive_load(page: DevicePage) -> HeldLoad | None:
    """The load whose run tells the story: the largest tested."""
    return next(iter(held_loads(page)), None)


def lead(page: DevicePage) -> Iterator[Paragraph]:
    """What was found, in sentences; no opinion."""
    told = [*_of_kind(page), *_tally(page)]
    if told:
        yield Paragraph(" ".join(told), Manner.LEAD)


def _of_kind(page: DevicePage) -> Iterator[str]:
    figures = {figure.name: figure for figure in page.figures if figure.value is not None}
    energy = figures.get(ENERGY_OUT_WH.name)
    if energy is not None:
        rated = page.sheet.energy_wh
        of = f" of the {stated(rated, 'Wh').shown()} it is rated at" if rated is not None else ""
        yield f"Delivers {figure_cell(energy).shown()}{of}."
    loads = held_loads(page)
    if loads:
        yield _held_words(loads)
    if (average := figures.get(EFFICIENCY_AVERAGE.name)) is not None:
        yield f"Average efficiency {figure_cell(average).shown()}."
    if (idle := figures.get(NO_LOAD_W.name)) is not None:
        yield f"Draws {figure_cell(idle).shown()} with nothing plugged in."
    failed = [line for line in page.limits if line.verdict == "not met" and line.holds]
    if page.limits:
        names = list(dict.fromkeys(line.standard for line in failed))
        yield f"Fails {', '.join(names)}." if names else "Fails none of the efficiency rules it was compared with."
    if (ohms := figures.get(RESISTANCE_MOHM.name)) is not None:
        yield f"Resistance {figure_cell(ohms).shown()}, both ends measured."


def _held_words(loads: Sequence[HeldLoad]) -> str:
    largest = loads[0]
    broken = {item.load_w for item in loads if not item.is_held}
    held = [item.load_w for item in loads if item.load_w not in broken]
    if largest.is_held and largest.load_w not in broken:
        return f"Holds {largest.load_w:g} W, the largest load tested, until empty."
    first = next(item for item in loads if item.load_w == largest.load_w and not item.is_held)
    text = f"Holds {largest.load_w:g} W for {figure_cell(first.held).shown()}, then cuts back"
    return f"{text}; holds {max(held):g} W until empty." if held else f"{text}."


def _tally(page: DevicePage) -> Iterator[str]:
    tally = Counter(verdict.verdict for verdict in page.verdicts)
    if tally:
        met = tally.pop("met", 0)
        rest = "".join(f", {tally[word]} {word}" for word in VERDICTS if tally[word])
        yield f"{met} of {len(page.verdicts)} claims {'is' if met == 1 else 'are'} met{rest}."


def claim_bars(page: DevicePage) -> Bars:
    """Each claim with what was measured, on a scale of its own, and its verdict."""
    bars = []
    for verdict in sorted(page.verdicts, key=_place):
        claim = page.sheet.claims[verdict.position - 1]
        found = verdict_amount(verdict, claim.quantity)
        cell = Cell(verdict.measured_text, found, runs=verdict.run_ids)
        if found is None and not verdict.measured_text:
            cell = Cell("-")
        word = Cell(verdict.verdict, role=Role.of(verdict.verdict), note=verdict.reason)
        bars.append(Bar(claim.said(), cell, verdict.lower, verdict.upper, word, claim.narrowed()))
    return Bars(tuple(bars), caption="Claimed and measured")


def _place(verdict: Verdict) -> tuple[bool, int, int]:
    """Claims that runs decided stand first, the broken ones before the others."""
    order = ("not met", "too close to call", "met")
    place = order.index(verdict.verdict) if verdict.verdict in order else len(order)
    return not verdict.run_ids, place, verdict.position


def suits(page: DevicePage) -> Iterator[Paragraph]:
    """Good for, not for, not known: from the loads tested, never beyond the largest that held."""
    loads = held_loads(page)
    broken = {item.load_w for item in loads if not item.is_held}
    good: dict[float, HeldLoad] = {}
    for item in loads:
        if item.load_w not in broken:
            good.setdefault(item.load_w, item)
    if good:
        told = ", ".join(f"{_about(item.runtime)} at {watts:g} W" for watts, item in good.items())
        yield Paragraph(f"loads up to {max(good):g} W: about {told}", head="good for")
    for watts in sorted(broken, reverse=True):
        first = next(item for item in loads if item.load_w == watts and not item.is_held)
        yield Paragraph(f"{watts:g} W for longer than {_about(first.held)}", head="not for")
    undone = [row.test.name for row in page.course.rows if _is_undone([cell.state for cell in row.cells])]
    untold = [*(f"{name}: not tested" for name in undone), "ageing, and whether other samples are alike"]
    yield Paragraph("; ".join(untold), head="not known")


def _about(figure: Figure) -> str:
    """A time to the minute, without its uncertainty: for choosing, not for proving."""
    return duration_text(60.0 * round((figure.value or 0.0) / 60), 0.0)


def _is_undone(states: Sequence[str]) -> bool:
    return "to do" in states and "done" not in states and "repeat" not in states


def key_facts(page: DevicePage) -> FactList:
    """What a buyer asks first: model, price, mass, rating, when it was tested."""
    sheet = page.sheet
    model = " ".join(part for part in (sheet.maker, sheet.model) if part)
    price = "" if sheet.price is None else f"{sheet.price:.2f} {sheet.currency}".strip()
    on = f" on {sheet.price_on.isoformat()}" if sheet.price is not None and sheet.price_on else ""
    mass = next((figure for figure in page.figures if figure.name == MASS_G.name), None)
    ports = ", ".join(port.name for port in sheet.ports)
    rated = ", ".join(
        figure_text(value, 0.0, unit)
        for value, unit in ((sheet.energy_wh, "Wh"), (sheet.output_w, "W"), (sheet.current_a, "A"))
        if value is not None
    )
    samples = 1 + len(page.same_model)
    pairs = (
        ("model", Cell(model)),
        ("price", Cell(f"{price}{on}")),
        ("mass", figure_cell(mass, missing="") if mass is not None else Cell()),
        ("rated", Cell(rated)),
        ("ports", Cell(ports)),
        ("sample", Cell(f"{sheet.device}, 1 of {samples}" if samples > 1 else f"{sheet.device}, the only one tested")),
    )
    return FactList(tuple((name, cell) for name, cell in pairs if cell.shown()))
