"""A report's content out of a library: every trace checked, every number from the same pages that the screen shows.

Knows the library; renders nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from store.devices.records import DevicePage
from store.judge.evidence import read_evidence
from store.publish.appendix import conditions_section, data_section, methods_section
from store.publish.checked import check_traces
from store.publish.content import Block, Plot, Report, Section, words
from store.publish.device_plots import comparison_plots, device_plots
from store.publish.refusals import NotPublished
from store.publish.sections import (
    SCOPE,
    claims_section,
    course_section,
    figures_section,
    results_section,
    sample_section,
)
from store.publish.side_by_side import comparison_sections

if TYPE_CHECKING:
    from store.library import Library

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
    library: Library,
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
        tester: Who answers for it; the library's user where empty.
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
    pages = [library.device_page(name) for name in names]
    run_ids = _runs_of(library, names)
    if not run_ids:
        raise NotPublished(f"{' and '.join(names)}: no run in this library, so there is nothing to report.")
    check_traces(library, run_ids)
    evidence = read_evidence(library, names)
    sections: list[Section] = []
    plots: list[Plot] = []
    if len(pages) > 1:
        comparison = library.compare_devices(names)
        side = list(comparison_sections(comparison))
        drawn = comparison_plots(library, comparison)
        side[0] = replace(side[0], blocks=(*side[0].blocks, *drawn))
        plots += drawn
        sections += side
    for page in pages:
        added = device_plots(library, page)
        plots += added
        sections += _device_sections(page, added, alone=len(pages) == 1)
    sections += [
        conditions_section(library, run_ids),
        methods_section(library, run_ids),
        Section("cautions", "Cautions and scope", (words(SCOPE), words(*_CAUTIONS, manner="caution"))),
    ]
    said = tuple(text.strip() for text in opinions if text.strip())
    if said:
        sections.append(_opinions(said))
    sections.append(data_section(library, pages, evidence, plots, run_ids))
    return Report(
        title=_title(pages),
        devices=names,
        lang=lang,
        tester=tester or library.who,
        contact=contact,
        place=place,
        opinions=said,
        sections=tuple(sections),
        run_ids=run_ids,
    )


def _title(pages: Sequence[DevicePage]) -> str:
    if len(pages) == 1:
        sheet = pages[0].sheet
        return f"Bench test of {sheet.device}{f', {sheet.kind}' if sheet.kind else ''}"
    kinds = {page.sheet.kind for page in pages}
    what = f"{next(iter(kinds))}s" if len(kinds) == 1 else "devices"
    return f"Bench test of {len(pages)} {what}: {', '.join(page.sheet.device for page in pages)}"


def _runs_of(library: Library, names: Sequence[str]) -> tuple[int, ...]:
    with library.catalogue.reader() as cursor:
        found = cursor.execute(
            "SELECT run_id FROM catalogue.run WHERE device IN (SELECT unnest(?)) ORDER BY run_id", [list(names)]
        ).fetchall()
    return tuple(int(row[0]) for row in found)


def _device_sections(page: DevicePage, plots: Sequence[Plot], *, alone: bool) -> list[Section]:
    name = page.sheet.device
    if alone:
        made = [
            figures_section(page),
            claims_section(page),
            _plots_section(page, plots, "Plots"),
            results_section(page),
            sample_section(page),
            course_section(page),
        ]
        return [section for section in made if section.blocks]
    made = [
        figures_section(page, f"{name}: figures"),
        claims_section(page, f"{name}: claims and verdicts"),
        _plots_section(page, plots, f"{name}: plots"),
        results_section(page, f"{name}: results by test"),
        sample_section(page, f"{name}: the sample"),
        course_section(page, f"{name}: course of tests"),
    ]
    return [section for section in made if section.blocks]


def _plots_section(page: DevicePage, plots: Sequence[Plot], title: str) -> Section:
    blocks: tuple[Block, ...] = tuple(plots)
    return Section(f"{page.sheet.device.lower()}-plots", title, blocks)


def _opinions(said: Sequence[str]) -> Section:
    first = words(
        "What follows is the tester's view. It is no result; it rests on the results above and on use.", manner="note"
    )
    return Section("opinions", "Opinions", (first, words(*said, manner="opinion")))
