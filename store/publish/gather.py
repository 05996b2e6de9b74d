"""A report's content out of a library: every trace checked, every number from the same pages that the screen shows.

Knows the library; renders nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from store.care.results_check import refuse_altered
from store.devices.page import device_page
from store.devices.records import DevicePage
from store.judge.comparison import compare_devices
from store.judge.evidence import read_evidence
from store.model.document import Block, Manner, Plot, words
from store.publish.appendix import conditions_section, data_section, methods_section
from store.publish.checked import check_traces
from store.publish.content import Report, Section
from store.publish.device_plots import comparison_plots, decisive_plot, device_plots
from store.publish.refusals import NotPublished
from store.publish.report_ids import own_id
from store.publish.sections import (
    SCOPE,
    claims_section,
    course_section,
    first_screen,
    results_section,
    sample_section,
)
from store.publish.side_by_side import comparison_sections

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["LANGUAGES", "gather_report"]

LANGUAGES = ("en",)

_CAUTIONS = (
    (
        "These tests were done by a person who knows the hazards. Overload tests can set lithium cells on fire, hot "
        "cells are nearer to it, and short circuits belong in a laboratory. Do not repeat them at home."
    ),
    (
        "Work on mains wiring belongs to those licensed for it. Local codes, and a carrier's rules for air travel, "
        "come first."
    ),
    "Stop using a power bank that swells, smells, hisses or grows hot while idle.",
)


def gather_report(
    library: Store,
    devices: Sequence[str],
    *,
    lang: str = "en",
    tester: str = "",
    contact: str = "",
    place: str = "",
    opinions: Sequence[str] = (),
) -> Report:
    """Everything that a report on one or several devices says.

    Args:
        library: The library.
        devices: Inventory codes; several are also set side by side.
        lang: `en`.
        tester: Who answers for it.
        contact: How to reach them.
        place: Where it was tested.
        opinions: Paragraphs of the tester's own view, set apart.

    Raises:
        NotFound: No such device.
        NotPublished: No run of theirs, or no such language.
        TraceDamaged: A trace's hash is wrong; names it.
    """
    if lang not in LANGUAGES:
        raise NotPublished(f"Reports are written in English only (en), not in `{lang}`.")
    names = tuple(dict.fromkeys(devices))
    if not names:
        raise NotPublished("Name the device, or devices, that the report is about.")
    pages = [device_page(library, name) for name in names]
    run_ids = _runs_of(library, names)
    if not run_ids:
        raise NotPublished(f"{' and '.join(names)}: no run in this library, so there is nothing to report.")
    check_traces(library, run_ids)
    refuse_altered(library, run_ids)
    evidence = read_evidence(library, names)
    sections: list[Section] = []
    plots: list[Plot] = []
    if len(pages) > 1:
        comparison = compare_devices(library, names)
        plots += comparison_plots(library, comparison)
        reports = {name: own_id(library, [name], lang) for name in names}
        sections += comparison_sections(comparison, plots, reports)
        sections.append(conditions_section(library, run_ids))
    else:
        page = pages[0]
        decisive = decisive_plot(library, page)
        plots += device_plots(library, page)
        sections += [
            first_screen(page, decisive),
            conditions_section(library, run_ids),
            results_section(page),
            claims_section(page),
        ]
        sections += [_plots_section(page, plots), sample_section(page), course_section(page)]
        plots += [decisive] if decisive is not None else []
    flight = [_flight_words(page) for page in pages]
    sections += [
        Section("cautions", "Cautions and scope", (*words(SCOPE), *words(*_CAUTIONS, *flight, manner=Manner.CAUTION))),
        methods_section(),
    ]
    said = tuple(text.strip() for text in opinions if text.strip())
    if said:
        sections.append(_opinions(said))
    sections.append(data_section(library, pages, evidence, plots, run_ids))
    days = sorted({day for page in pages for day in (page.first_run, page.last_run) if day})
    return Report(
        title=_title(pages),
        devices=names,
        lang=lang,
        tester=tester,
        contact=contact,
        place=place,
        opinions=said,
        sections=tuple(section for section in sections if section.blocks),
        run_ids=run_ids,
        tested=" to ".join(dict.fromkeys((days[0], days[-1]))) if days else "",
    )


def _title(pages: Sequence[DevicePage]) -> str:
    if len(pages) == 1:
        sheet = pages[0].sheet
        model = " ".join(part for part in (sheet.maker, sheet.model) if part) or sheet.kind
        return f"{sheet.device}{f' · {model}' if model else ''}"
    kinds = {page.sheet.kind for page in pages}
    what = f"{next(iter(kinds))}s" if len(kinds) == 1 else "devices"
    return f"{len(pages)} {what} compared: {', '.join(page.sheet.device for page in pages)}"


def _runs_of(library: Store, names: Sequence[str]) -> tuple[int, ...]:
    with library.catalogue.reader() as cursor:
        found = cursor.execute(
            "SELECT run_id FROM catalogue.run WHERE device IN (SELECT unnest(?)) ORDER BY run_id", [list(names)]
        ).fetchall()
    return tuple(int(row[0]) for row in found)


def _plots_section(page: DevicePage, plots: Sequence[Plot]) -> Section:
    blocks: tuple[Block, ...] = tuple(plots)
    return Section(f"{page.sheet.device.lower()}-plots", "Plots", blocks)


def _flight_words(page: DevicePage) -> str:
    if page.flight is None:
        return ""
    return (
        f"Air travel, {page.sheet.device}, by the rated energy of {page.flight.rated_wh:g} Wh: {page.flight.words}; "
        f"{page.flight.count}. {page.flight.edition}. {page.flight.caution}"
    )


def _opinions(said: Sequence[str]) -> Section:
    first = words(
        "What follows is the tester's opinion, not a result; it is based on the results above and on use.",
        manner=Manner.NOTE,
    )
    return Section("opinions", "Opinions", (*first, *words(*said, manner=Manner.OPINION)))
