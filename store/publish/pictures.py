"""Pictures for articles and videos, as data: what is drawn, a title that says what is seen, where it comes from.

Names of models instead of inventory codes; the codes stand in the source line. Knows the library; draws nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from store.devices.device_store import DeviceStore
from store.devices.page import device_page
from store.devices.records import ComparisonRow, DevicePage
from store.documents.figures import amount, figure_cell
from store.documents.glance import at_room
from store.errors import NotFound
from store.judge.comparison import compare_devices
from store.judge.measured import Measured
from store.methods.discharge import ENERGY_OUT_WH, FIRST_CUTBACK_S, HELD_S, RUNTIME_S
from store.methods.recharge import TIME_TO_FULL_S
from store.methods.specs import label_of
from store.model.document import Band, Panel, Plot, Series
from store.model.records import RunFacts
from store.model.sheet import DeviceSheet
from store.publish.over_time import plot_runs
from store.publish.package import slug
from store.publish.refusals import NotPublished
from store.runs.result_store import ResultStore
from store.runs.run_store import RunStore
from store.words.facts import parse_load
from store.words.numbers import duration_text, shown_in

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["Picture", "names_of", "picture_of_comparison", "picture_of_device", "picture_of_runs"]

MOST_BARS = 9
"""Bars that a picture shows with type that is still read."""
_HOURS_FROM_MIN = 150.0
"""From here on a time axis is in hours."""
_MINUTES_FROM_S = 300.0
"""From here on an axis of times is in minutes."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A plot with one message."""

    plot: Plot
    subtitle: str
    """Under what all of it was measured."""
    source: str
    """Codes, runs and days."""


def names_of(sheets: Iterable[DeviceSheet]) -> dict[str, str]:
    """What each device is called: maker and model; with its code where two share a name, the code alone without one."""
    called = {sheet.device: " ".join(p for p in (sheet.maker, sheet.model) if p) for sheet in sheets}
    count = Counter(called.values())
    return {
        device: device if not name else f"{name} ({device})" if count[name] > 1 else name
        for device, name in called.items()
    }


def picture_of_runs(library: Store, run_ids: Sequence[int], channels: Sequence[str], *, title: str = "") -> Picture:
    """One run, or several over each other.

    Args:
        library: The library.
        run_ids: At most six.
        channels: Channels of the trace, one panel each.
        title: Instead of the one made from results.

    Raises:
        NotPublished: Too many runs, no such channel, or none of the runs has it.
        TraceDamaged: A trace's hash is wrong.
    """
    drawn = plot_runs(library, run_ids, channels)
    facts = [library.service(RunStore).get(run_id).facts for run_id in dict.fromkeys(run_ids)]
    names = names_of(_sheets(library, [f.device for f in facts if f.device]))
    labels, common = _labels(facts, names)
    results = library.service(ResultStore).measured([f.run_id for f in facts])
    head = title or _title_of_runs(facts, names, results, drawn, channels)
    panels = tuple(_renamed(panel, labels, is_single=len(facts) == 1) for panel in drawn.panels)
    panels = _in_hours(panels)
    if len(facts) == 1:
        panels = _with_cutback(panels, results.get(facts[0].run_id, {}))
    plot = replace(drawn, id="picture", title=head, alt=f"{head}. {drawn.alt}", panels=panels)
    return Picture(plot, common, _source(facts))


def _sheets(library: Store, devices: Sequence[str]) -> list[DeviceSheet]:
    found = []
    for device in dict.fromkeys(devices):
        try:
            found.append(library.service(DeviceStore).get(device))
        except NotFound:
            found.append(DeviceSheet(device, ""))
    return found


def _labels(facts: Sequence[RunFacts], names: Mapping[str, str]) -> tuple[dict[int, str], str]:
    """What tells the runs apart, by run; and what they share."""

    def parts(f: RunFacts) -> tuple[str, ...]:
        ambient = f"{f.ambient_c:.0f} °C ambient" if f.ambient_c is not None else ""
        return names.get(f.device or "", f.device or ""), f.port or "", f.mode or "", f.load_set or "", ambient

    each = [parts(f) for f in facts]
    shared = [all(row[k] == each[0][k] for row in each) for k in range(len(each[0]))]
    common = ", ".join(word for word, is_shared in zip(each[0][1:], shared[1:], strict=True) if is_shared and word)
    labels = {}
    for f, row in zip(facts, each, strict=True):
        own = ", ".join(word for word, is_shared in zip(row, shared, strict=True) if not is_shared and word)
        labels[f.run_id] = own or f"run {f.run_id}"
    count = Counter(labels.values())
    return {run: f"{text}, run {run}" if count[text] > 1 else text for run, text in labels.items()}, common


def _renamed(panel: Panel, labels: Mapping[int, str], *, is_single: bool) -> Panel:
    """The panel with names instead of codes; a single run's line is called what it shows."""
    series = []
    for one in panel.series:
        run = int(one.label.removeprefix("run ").partition(":")[0])
        series.append(replace(one, label=panel.y_label.partition(" / ")[0] if is_single else labels[run]))
    return replace(panel, series=tuple(series))


def _in_hours(panels: Sequence[Panel]) -> tuple[Panel, ...]:
    longest = max((x for panel in panels for series in panel.series for x in series.x), default=0.0)
    if longest < _HOURS_FROM_MIN:
        return tuple(panels)
    return tuple(
        replace(
            panel,
            x_label=panel.x_label.replace(" / min", " / h"),
            series=tuple(replace(one, x=tuple(round(x / 60, 6) for x in one.x)) for one in panel.series),
        )
        for panel in panels
    )


def _with_cutback(panels: Sequence[Panel], results: Mapping[str, Measured]) -> tuple[Panel, ...]:
    """The moment at which power was cut back; each line of its own colour."""
    at = results.get(FIRST_CUTBACK_S.name)
    per = 3600.0 if any("/ h" in panel.x_label for panel in panels) else 60.0
    made = []
    for place, panel in enumerate(panels):
        marks = ((at.value / per, "cutback" if place == 0 else ""),) if at is not None else panel.marks
        made.append(replace(panel, marks=marks, series=tuple(replace(s, style=place) for s in panel.series)))
    return tuple(made)


def _title_of_runs(
    facts: Sequence[RunFacts],
    names: Mapping[str, str],
    results: Mapping[int, Mapping[str, Measured]],
    drawn: Plot,
    channels: Sequence[str],
) -> str:
    kinds = {f.kind for f in facts}
    devices = list(dict.fromkeys(f.device for f in facts if f.device))
    name = names.get(devices[0], devices[0]) if devices else f"Run {facts[0].run_id}"
    if "power_w" in channels and kinds == {"discharge"}:
        if len(facts) == 1:
            return _discharge_title(name, facts[0], results.get(facts[0].run_id, {}))
        told = _runtimes_title(name, devices, facts, results)
        if told:
            return told
    if "power_w" in channels and kinds == {"recharge"} and len(facts) == 1:
        full = results.get(facts[0].run_id, {}).get(TIME_TO_FULL_S.name)
        if full is not None:
            return f"{name} is full in {_about(full.value)}"
    if tuple(channels) == ("temperature_c",) and len(devices) == 1:
        top = max(v for series in drawn.panels[0].series for v in (*series.y, *series.high) if v is not None)
        return f"{name}: the case reaches {top:.0f} °C"
    what = " and ".join(panel.y_label.partition(" / ")[0] for panel in drawn.panels)
    whose = name if len(devices) < 2 else f"{len(devices)} devices"
    return f"{whose}: {what} over time"


def _discharge_title(name: str, facts: RunFacts, results: Mapping[str, Measured]) -> str:
    load = parse_load(facts.load_set or "")
    at = f" {facts.load_set}" if load is not None and facts.load_set else ""
    held, cut = results.get(HELD_S.name), results.get(FIRST_CUTBACK_S.name)
    if cut is not None and held is not None and at:
        return f"{name} holds{at} for {_about(held.value)}, then cuts back"
    energy, runtime = results.get(ENERGY_OUT_WH.name), results.get(RUNTIME_S.name)
    if energy is None:
        return f"{name}: power over time"
    told = amount(ENERGY_OUT_WH.name, energy.value, energy.unit).text()
    during = f" in {_about(runtime.value)}" if runtime is not None else ""
    return f"{name} delivers {told}{f' at{at}' if at else ''}{during}"


def _runtimes_title(
    name: str, devices: Sequence[str], facts: Sequence[RunFacts], results: Mapping[int, Mapping[str, Measured]]
) -> str:
    """How long each load, or each device, runs; from the shortest to the longest. Empty where one is not known."""
    times = [results.get(f.run_id, {}).get(RUNTIME_S.name) for f in facts]
    known = [(time.value, f) for time, f in zip(times, facts, strict=True) if time is not None]
    loads = {f.load_set for f in facts}
    is_alike = len({(f.ambient_c, f.mode if len(devices) > 1 else "") for f in facts}) == 1
    if len(known) < len(facts) or not all(loads) or not is_alike:
        return ""
    known.sort(key=lambda item: item[0])
    (short, first), (long, last) = known[0], known[-1]
    if len(devices) == 1 and len(loads) > 1:
        return f"{name} runs {_about(short)} at {first.load_set}, {_about(long)} at {last.load_set}"
    if len(loads) == 1:
        return f"At {facts[0].load_set} the shortest runs {_about(short)}, the longest {_about(long)}"
    return ""


def _about(seconds: float) -> str:
    """A time to the minute, as people say it."""
    return (
        duration_text(60.0 * round(seconds / 60), 0.0) if seconds >= 90 else duration_text(float(round(seconds)), 0.0)
    )


def _source(facts: Sequence[RunFacts]) -> str:
    """`PB-03, run 32, tested 2026-01-16`."""
    codes = list(dict.fromkeys(f.device for f in facts if f.device))
    days = sorted({f.started_at.date().isoformat() for f in facts if f.started_at is not None})
    runs = [f.run_id for f in facts]
    told = [*codes, f"run{'s' if len(runs) > 1 else ''} {', '.join(map(str, runs))}"]
    if days:
        told.append(f"tested {' to '.join(dict.fromkeys((days[0], days[-1])))}")
    return ", ".join(told)


def picture_of_device(library: Store, device: str, *, title: str = "") -> Picture:
    """A device's delivered energy over the load, each port and mode as points with ±, the rated energy as a line.

    Raises:
        NotFound: No such device.
        NotPublished: No discharge at room temperature.
    """
    page = device_page(library, device)
    name = names_of([page.sheet])[page.sheet.device]
    places = _energies(page)
    if not places:
        raise NotPublished(f"{device} has no discharge at room temperature with its load noted, so nothing is drawn.")
    series, told, runs = [], [], []
    for k, (place, points) in enumerate(places.items()):
        points.sort(key=lambda point: point[0])
        series.append(_points(place, points, k))
        runs += [run for point in points for run in point[3]]
        told.append(f"{place}: " + ", ".join(f"{y:.4g} Wh at {x:g} W" for x, y, _, _ in points) + ".")
    rated = page.sheet.energy_wh
    bands = (Band(f"rated {rated:g} Wh", rated, rated),) if rated is not None else ()
    panel = Panel("delivered energy / Wh", tuple(series), bands, x_label="load / W", from_zero=True, x_from_zero=True)
    head = title or _energy_title(name, places, rated)
    plot = Plot("picture", head, f"{head}. {' '.join(told)}", (panel,), run_ids=tuple(sorted(runs)))
    days = " to ".join(dict.fromkeys(day for day in (page.first_run, page.last_run) if day))
    source = f"{device}, {len(set(runs))} discharges" + (f", tested {days}" if days else "")
    return Picture(plot, "at room temperature; bars: ± U, about 95 %", source)


_Point = tuple[float, float, float | None, tuple[int, ...]]


def _energies(page: DevicePage) -> dict[str, list[_Point]]:
    found: dict[str, list[_Point]] = {}
    for table in page.tables:
        for row in table.rows if table.kind == "discharge" else ():
            load = parse_load(row.load)
            figure = next((f for f in row.figures if f.name == ENERGY_OUT_WH.name), None)
            if load is None or load.unit != "W" or figure is None or figure.value is None:
                continue
            if row.is_shared or not at_room(row):
                continue
            place = ", ".join(part for part in (row.port, row.mode) if part) or "port not stated"
            u = figure.expanded
            found.setdefault(place, []).append((load.value, figure.value, u, row.run_ids))
    return found


def _points(label: str, points: Sequence[_Point], style: int) -> Series:
    edges = [None if u is None else (round(y - u, 5), round(y + u, 5)) for _, y, u, _ in points]
    return Series(
        label,
        tuple(x for x, _, _, _ in points),
        tuple(round(y, 5) for _, y, _, _ in points),
        tuple(None if edge is None else edge[0] for edge in edges),
        tuple(None if edge is None else edge[1] for edge in edges),
        style,
        "line and points" if len(points) > 1 else "points",
    )


def _energy_title(name: str, places: Mapping[str, Sequence[_Point]], rated: float | None) -> str:
    values = [y for points in places.values() for _, y, _, _ in points]
    low, high = min(values), max(values)
    if rated:
        spans = f"{100 * low / rated:.0f}", f"{100 * high / rated:.0f}"
        return f"{name} delivers {' to '.join(dict.fromkeys(spans))} % of its rated {rated:g} Wh"
    spans = f"{low:.3g}", f"{high:.3g}"
    return f"{name} delivers {' to '.join(dict.fromkeys(spans))} Wh, by the load"


def picture_of_comparison(library: Store, devices: Sequence[str], by: str | None = None, *, title: str = "") -> Picture:
    """Devices by one quantity, the best first: bars from zero, ± as whiskers, one condition for all.

    Args:
        library: The library.
        devices: Two or more codes.
        by: A result's name; the first quantity that all of them have under one condition where None.
        title: Instead of the one made from results.

    Raises:
        NotFound: No such device, or no such quantity in the comparison.
        NotPublished: Too many devices, or not measured alike.
    """
    if len(devices) > MOST_BARS:
        raise NotPublished(f"{len(devices)} bars are too many for one picture; {MOST_BARS} can be read.")
    page = compare_devices(library, devices, by=by)
    row = _row(page.rows, by)
    names = names_of(page.devices)
    if row is None:
        known = ", ".join(r.name for r in page.rows if any(f.value is not None for f in r.figures))
        raise NotPublished(f"`{by}` was not measured alike on two of these devices. Compared here: {known}.")
    if row.unlike:
        raise NotPublished(f"{row.label[0].upper()}{row.label[1:]} was not measured alike. {' '.join(row.unlike)}")
    pairs = [(sheet, figure) for sheet, figure in zip(page.devices, row.figures, strict=True)]
    with_value = [(s, f, f.value) for s, f in pairs if f.value is not None]
    with_value.sort(key=lambda item: item[2], reverse=row.better != "smaller")
    factor, unit = shown_in(row.unit, amount(row.name, 1.0, row.unit).shown)
    if row.unit == "s" and max(value for _, _, value in with_value) >= _MINUTES_FROM_S:
        factor, unit = 1 / 60, "min"
    low, high = [], []
    for _, figure, value in with_value:
        half = figure.expanded
        low.append(None if half is None else round(factor * (value - half), 6))
        high.append(None if half is None else round(factor * (value + half), 6))
    missing = [(s, f) for s, f in pairs if f.value is None]
    blanks = (None,) * len(missing)
    series = Series(
        row.label,
        tuple(range(len(pairs))),
        (*(round(factor * value, 6) for _, _, value in with_value), *blanks),
        (*low, *blanks) if any(edge is not None for edge in low) else (),
        (*high, *blanks) if any(edge is not None for edge in high) else (),
        0,
        "bars",
    )
    values = (*(figure_cell(f).shown() for _, f, _ in with_value), *("not tested" for _ in missing))
    order = [*(s.device for s, _, _ in with_value), *(s.device for s, _ in missing)]
    axis = f"{row.label} / {unit}" if unit and unit != "1" else row.label
    panel = Panel(axis, (series,), x_words=tuple(names[d] for d in order), values=values, from_zero=True)
    head = title or _comparison_title(row, names, [s.device for s in page.devices])
    alt = f"{head}. " + ". ".join(f"{names[d]}: {v}" for d, v in zip(order, values, strict=True)) + "."
    runs = tuple(sorted({run for _, f, _ in with_value for run in f.run_ids}))
    conditions = list(dict.fromkeys(f.condition for _, f, _ in with_value if f.condition))
    subtitle = conditions[0].replace("; ", " or ") if len(conditions) == 1 else ""
    whisker = "whiskers: ± U, about 95 %" if any(edge is not None for edge in high) else "uncertainty not known"
    subtitle = "; ".join(part for part in (subtitle, whisker) if part)
    days = _days(library, runs)
    return Picture(
        Plot(f"picture-{slug(row.name)}", head, alt, (panel,), run_ids=runs), subtitle, f"{', '.join(order)}{days}"
    )


def _row(rows: Sequence[ComparisonRow], by: str | None) -> ComparisonRow | None:
    full = [row for row in rows if sum(f.value is not None for f in row.figures) > 1]
    if by is not None:
        return next((row for row in full if row.name == by), None)
    alike = [row for row in full if not row.unlike and row.better]
    return next((r for r in alike if all(f.value is not None for f in r.figures)), alike[0] if alike else None)


def _comparison_title(row: ComparisonRow, names: Mapping[str, str], devices: Sequence[str]) -> str:
    """The one that is surely best, or that none is."""
    said = ("longest", "shortest") if row.unit == "s" else ("highest", "lowest")
    word = dict(zip(("larger", "smaller"), said, strict=True)).get(row.better, "")
    if len(row.best) == 1 and word:
        figure = row.figures[row.best[0]]
        short = amount(row.name, figure.value or 0.0, row.unit).text()
        return f"{names[devices[row.best[0]]]} has the {word} {row.label}: {short}"
    if 1 < len(row.best) < sum(f.value is not None for f in row.figures) and word:
        return f"{' and '.join(names[devices[k]] for k in row.best)} share the {word} {row.label}"
    return f"{row.label[0].upper()}{row.label[1:]}: no difference is shown" if row.better else label_of(row.name)


def _days(library: Store, runs: Sequence[int]) -> str:
    starts = [library.service(RunStore).get(run).facts.started_at for run in runs]
    days = sorted({start.date().isoformat() for start in starts if start is not None})
    return f", tested {' to '.join(dict.fromkeys((days[0], days[-1])))}" if days else ""
