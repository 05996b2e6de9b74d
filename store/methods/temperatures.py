"""Each temperature that a run logged: how it began, its largest and its last value. Knows arrays only."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from importers.schema import CHANNEL_NAMES
from store.methods.method import EVERY, Found, Method, Reducer
from store.methods.sql_parts import Place, smooth
from store.model.results import Account, Result
from store.model.spec import Better, ResultSpec
from store.signal.prepared import Prepared
from store.signal.statistics import median_of_three
from store.uncertainty.budget import reading_budget

__all__ = ["METHODS", "REDUCERS", "SPECS", "TEMPERATURE", "reduce"]

TEMPERATURE = Method(
    "temperature", 1, "first, last and largest median of three neighbouring samples: single wild readings don't count"
)
METHODS = (TEMPERATURE,)


def reduce(run: Prepared) -> Found:
    """Section 2 of the results: start, maximum and last value of each temperature."""
    out: list[Result] = []
    for channel, series in run.signals.series.items():
        if not channel.startswith("temperature_"):
            continue
        stem = channel.removesuffix("_c")
        steady = median_of_three(series.y)
        top = int(np.argmax(steady))
        wild = float(series.y.max()) - float(steady[top])
        warnings = (f"a single reading {wild:.1f} K above its neighbours was left out",) if wild > 2.0 else ()
        values = {
            "start": (0, float(series.y[0])),
            "max": (top, float(steady[top])),
            "final": (-1, float(series.y[-1])),
        }
        for kind, (at, value) in values.items():
            out.append(
                TEMPERATURE.found(
                    f"{stem}_{kind}_c",
                    value,
                    "°C",
                    budget=reading_budget("T", run.meter.temperature, value, "°C", run.meter.label),
                    reason=run.meter.unknown("temperature"),
                    span=(float(series.t[0]), float(series.t[-1])),
                    account=Account(numbers={"at_s": float(series.t[at]), "samples_used": len(series)}),
                    warnings=warnings if kind == "max" else (),
                )
            )
    if "temperature_c" not in run.signals.series:
        out.extend(
            TEMPERATURE.absent(f"temperature_{k}_c", "°C", "no case temperature was logged")
            for k in ("start", "max", "final")
        )
    return Found(tuple(out))


def _temperature(place: Place) -> str:
    stem, kind = place.result.name.removesuffix("_c").rsplit("_", 1)
    channel = f"{stem}_c"
    take = {"start": "arg_min(t, n)", "final": "arg_max(t, n)", "max": "max(t3)"}[kind]
    return f"{smooth(place, channel)}\nSELECT {take} AS {place.result.name} FROM quiet"


TEMPERATURE_MAX_C = ResultSpec(
    "temperature_max_c",
    "maximum temperature",
    "°C",
    short="max. temperature",
    kinds=("heat", "discharge", "recharge"),
    better=Better.SMALLER,
    on_page={"discharge": 50, "recharge": 60, "heat": 10},
    compared_for={"power bank": 70, "adapter": 40},
    glance=80,
    runs_column=True,
    filter_words={"temp": 1.0},
    redo=_temperature,
)

CELL_MAX_C = "temperature_cell_max_c"
"""The largest temperature of a probe on a cell, beside the case's own."""


def _probe_specs(stem: str) -> Iterator[ResultSpec]:
    """Specs of one probe's three results; those of the case have the plain names."""
    role = stem.removeprefix("temperature").strip("_")
    probe = f"{ {'2': 'second'}.get(role, role) } temperature".strip()
    brief = f"{'second' if role == '2' else role} temp." if role else "temperature"
    for kind, word in (("start", "start"), ("max", "maximum"), ("final", "final")):
        name = f"{stem}_{kind}_c"
        if name != TEMPERATURE_MAX_C.name:
            first = "max." if kind == "max" else word
            yield ResultSpec(name, f"{word} {probe}", "°C", short=f"{first} {brief}", glance=None, redo=_temperature)


SPECS = (
    TEMPERATURE_MAX_C,
    *(s for name in CHANNEL_NAMES if name.startswith("temperature") for s in _probe_specs(name.removesuffix("_c"))),
)
REDUCERS = (Reducer("temperatures", EVERY, reduce, METHODS, place=1),)
