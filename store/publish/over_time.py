"""Channels of runs over time: the data of a plot by one question in SQL, so that others can draw it again.

Knows the library's views; draws nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from importers.schema import CHANNELS
from store.errors import NotFound
from store.methods.discharge import ENERGY_OUT_WH
from store.methods.recharge import ENERGY_IN_WH
from store.methods.summary import POWER_PLATEAU_W
from store.model.document import Panel, Plot, Series
from store.publish.checked import check_traces
from store.publish.refusals import NotPublished
from store.publish.shown import run_list
from store.runs.run_store import RunStore
from store.sql.session import SqlSession

if TYPE_CHECKING:
    from store.core import Store

__all__ = ["ask_rows", "plot_runs", "time_plot"]

ANCHORS = {"discharge": ENERGY_OUT_WH.name, "recharge": ENERGY_IN_WH.name}
"""The result whose span begins when load was applied, by kind of test."""

MOST_RUNS = 6
"""As many as there are dashes and markers."""
POINTS = 240
"""Points of a line over the longest run: more than a page shows."""


def ask_rows(library: Store, sql: str) -> list[dict[str, Any]]:
    """Every row that a question gives."""
    found: list[dict[str, Any]] = library.service(SqlSession).run(sql, limit=None).table.to_pylist()
    return found


def over_time_sql(run_ids: Sequence[int], channel: str, bucket_s: int, anchor: str = "") -> str:
    """Mean, lowest and highest of a channel per span of time, from load applied where a result says when."""
    value = "coalesce(s.power_w, s.voltage_v * s.current_a)" if channel == "power_w" else f"s.{channel}"
    begin = "0"
    join = ""
    if anchor:
        begin = "coalesce(w.from_s, 0)"
        join = f"\nLEFT JOIN results w ON w.run_id = s.run_id AND w.name = '{anchor}' AND w.\"current\""
    return (
        f"SELECT s.run_id, floor((s.t_s - {begin}) / {bucket_s}) * {bucket_s} AS from_s,\n"
        f"  round(avg({value}), 4) AS mean, round(min({value}), 4) AS lowest, round(max({value}), 4) AS highest\n"
        f"FROM samples s{join}\nWHERE s.run_id IN ({run_list(run_ids)}) AND {value} IS NOT NULL\n"
        "GROUP BY ALL ORDER BY s.run_id, from_s"
    )


def bucket_for(library: Store, run_ids: Sequence[int]) -> int:
    """Length of a span [s] in whole seconds, so that the longest run has about POINTS of them."""
    sql = f"SELECT max(duration_s) AS longest, max(interval_s) AS step FROM runs WHERE run_id IN ({run_list(run_ids)})"
    found = ask_rows(library, sql)[0]
    longest, step = float(found["longest"] or 0.0), float(found["step"] or 1.0)
    for size in (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600):
        if size >= step and longest / size <= POINTS:
            return size
    return 1800


def _time_series(
    library: Store, channel: str, labels: Mapping[int, str], *, anchor: str, bucket_s: int
) -> tuple[tuple[Series, ...], str]:
    run_ids = tuple(labels)
    sql = over_time_sql(run_ids, channel, bucket_s, anchor)
    by_run: dict[int, list[dict[str, Any]]] = {}
    for row in ask_rows(library, sql):
        by_run.setdefault(row["run_id"], []).append(row)
    series = []
    for style, run_id in enumerate(run_ids):
        rows = by_run.get(run_id)
        if rows:
            series.append(
                Series(
                    labels[run_id],
                    tuple(round((row["from_s"] + bucket_s / 2) / 60, 4) for row in rows),
                    tuple(row["mean"] for row in rows),
                    tuple(row["lowest"] for row in rows),
                    tuple(row["highest"] for row in rows),
                    style,
                )
            )
    return tuple(series), sql


def time_plot(
    library: Store,
    plot_id: str,
    title: str,
    labels: Mapping[int, str],
    channels: Mapping[str, str],
    *,
    anchor: str = "",
    alt: str = "",
) -> Plot | None:
    """Channels of several runs over each other, one panel per channel, from load applied.

    Args:
        library: The library.
        plot_id: Stable word.
        title: Of the figure.
        labels: Run to its label, in the order of styles.
        channels: Channel to the y axis's label.
        anchor: The result whose span begins when load was applied; empty for the log's own begin.
        alt: Words instead of the picture; made from the data where empty.
    """
    run_ids = tuple(labels)
    bucket_s = bucket_for(library, run_ids)
    panels, texts, told = [], [], []
    for channel, y_label in channels.items():
        series, sql = _time_series(library, channel, labels, anchor=anchor, bucket_s=bucket_s)
        if series:
            panels.append(Panel(y_label, series, from_zero=channel == "power_w"))
            texts.append(sql)
            told += [_in_words(y_label, item) for item in series]
    if not panels:
        return None
    start = {"": "the log's first sample", ENERGY_IN_WH.name: "charging begun"}.get(anchor, "load applied")
    last = panels.pop()
    x_label = f"time from {start} / min"
    panels.append(Panel(last.y_label, last.series, last.bands, last.title, x_label, last.from_zero))
    note = f"Mean of every {bucket_s} s, shaded from lowest to highest sample; the first run of each condition."
    return Plot(
        plot_id,
        title,
        alt or f"{title}. {' '.join(told)}",
        tuple(panels),
        note=note,
        sql=";\n\n".join(texts),
        run_ids=run_ids,
    )


def _in_words(y_label: str, series: Series) -> str:
    values = [value for value in series.y if value is not None]
    unit = y_label.partition(" / ")[2]
    quantity = y_label.partition(" / ")[0]
    return (
        f"{series.label}: {quantity} {min(values):.4g} to {max(values):.4g} {unit} over {series.x[-1]:.0f} min."
        if values
        else ""
    )


def plot_runs(library: Store, run_ids: Sequence[int], channels: Sequence[str], *, title: str = "") -> Plot:
    """Any runs over each other, any channels, from load applied where a run has such a moment.

    Args:
        library: The library.
        run_ids: At most `MOST_RUNS`: more lines than that nobody tells apart.
        channels: Channels of the trace; power is voltage times current where it was not logged.
        title: Of the figure; made from the runs where empty.

    Raises:
        NotPublished: Too many runs, no such channel, or none of the runs has it.
        TraceDamaged: A trace's hash is wrong.
    """
    if len(set(run_ids)) > MOST_RUNS:
        raise NotPublished(f"{len(set(run_ids))} runs are too many for one plot; {MOST_RUNS} can be distinguished.")
    check_traces(library, run_ids)
    known: dict[str, str] = {channel.name: f"{channel.label} / {channel.unit}" for channel in CHANNELS}
    labels = {}
    for name in channels:
        if name not in known:
            raise NotFound.of("channel", name, known)
    for run_id in dict.fromkeys(run_ids):
        facts = library.service(RunStore).get(run_id).facts
        condition = ", ".join(
            part for part in (facts.device, facts.port, facts.mode, facts.load_set, facts.kind) if part
        )
        labels[run_id] = f"run {run_id}: {condition}" if condition else f"run {run_id}"
    kinds = {library.service(RunStore).get(run_id).facts.kind for run_id in run_ids}
    anchor = ANCHORS.get(next(iter(kinds)) or "", POWER_PLATEAU_W.name)
    wanted = {name: known[name] for name in channels}
    head = title or f"{' and '.join(known[name].partition(' / ')[0] for name in channels)} of " + (
        f"run {run_ids[0]}" if len(run_ids) == 1 else f"runs {run_list(run_ids)}"
    )
    drawn = time_plot(library, "plot", head[0].upper() + head[1:], labels, wanted, anchor=anchor)
    if drawn is None:
        raise NotPublished(f"None of these runs has {' or '.join(channels)}.")
    return drawn
