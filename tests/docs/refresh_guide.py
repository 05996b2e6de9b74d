"""Writes the generated pages of the guide: `python tests/docs/refresh_guide.py`. A test fails while they are stale.

Results are described by their specs and methods; which method makes which result, and what its uncertainty is made of,
is read from a demo library.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from importers.schema import CHANNEL_NAMES, KINDS
from store import Library
from store.catalogue.connection import rows
from store.methods.method import EVERY
from store.methods.registry import METHODS, REDUCERS
from store.methods.specs import filter_numbers, specs
from store.model.spec import ResultSpec, Shown
from store.runs.filters import FIELDS
from store.runs.filters import numbers as filter_words
from store.signal.thresholds import THRESHOLDS
from store.sql.views import COMPUTED_VIEWS, VIEW_ORDER
from store.words.glossary import GLOSSARY
from tests.docs.command_words import commands_table
from tui.keys import as_markdown

GUIDE = Path(__file__).resolve().parents[2] / "tui" / "guide"

_FILTERS = (
    "The filter line (`/` in the list of runs) and `joulebook runs` take the same words. All words must fit; `-` in "
    "front leaves runs out; text without a colon is looked for in names and notes. Quote `>` and `<` from the shell."
)
_ABOUT_VIEWS = (
    "`F4`, `joulebook sql` and `Library.sql` take one SELECT over these views. It can only read. Units are in the "
    "names: `energy_wh`, `mass_g`, `resistance_mohm`."
)
_ABOUT_RESULTS = (
    "A result is a number reduced from traces, with its standard uncertainty, method, version and the span it was "
    "taken over. Printed behind ± is the expanded uncertainty: 95 %, by Student's t where degrees of freedom are few. "
    "`joulebook why RUN NAME` shows all of it for one run."
)
_ABOUT_CONSTANTS = (
    "What counts as a cut-off, a gap or a held load is told by named constants. `joulebook thresholds` lists them "
    "with the values of your library and sets them; `--dry-run` first says which results would move and which "
    "verdicts would flip."
)

_FIELD_WORDS = {
    "port": ("the port by its marking", "port:C1"),
    "mode": ("what was negotiated; `20V` finds `fixed 20 V`", "mode:20V"),
    "kind": ("the kind of test", "kind:discharge"),
    "device": ("the device's code", "device:PB-03"),
    "load": ("the set load", "load:30W"),
    "meter": ("the meter", "meter:M2"),
    "quality": ("ok, suspect or rejected", "-quality:rejected"),
    "direction": ("in, out or both", "direction:in"),
    "group": ("runs of one group", "group:4"),
    "run": ("runs by number", "run:12,14"),
    "file": ("the export's name", "file:slab"),
    "profile": ("the profile it was read by", "profile:bench-meter"),
    "since": ("started on that day or later", "since:2026-02"),
    "until": ("started on that day or earlier", "until:2026-02-14"),
}

_VIEWS = {
    "devices": "One row per device, from its sheet.",
    "ports": "One row per port of a device, with its offers.",
    "claims": "One row per claim of the maker.",
    "meters": "One row per meter, with its accuracy and calibration.",
    "runs": "One row per run: facts, and the most wanted results as columns.",
    "samples": "One row per sample of every run: `t_s` from the run's first sample, then a column per channel.",
    "results": "One row per result of a run, older versions too (`current` is false). `run_id` is empty for those of a "
    "device as a whole. `uncertainty` is standard (k = 1); `expanded` is what pages print behind ±.",
    "events": "One row per event: load applied, cut-off, gap, dropout, trip.",
    "verdicts": "One row per claim, held against what was measured.",
    "amendments": "One row per changed fact: who, when, old and new value, reason.",
    "calibrations": "One row per calibration of a meter.",
    "originals": "One row per export as it came.",
    "reports": "One row per version of a page that was issued.",
    "schemes": "One row per version of a scoring scheme.",
    "deleted": "One row per deleted run.",
}


def _cell(text: str) -> str:
    return text.replace("|", "/").replace("\n", " ").strip()


def filters() -> str:
    """Every filter word with its unit."""
    missing = set(FIELDS) ^ set(_FIELD_WORDS)
    if missing:
        message = f"say what these filter words are about: {missing}"
        raise ValueError(message)
    lines = [
        "# Filter words",
        "",
        _FILTERS,
        "",
        "| word | keeps runs by | example |",
        "| --- | --- | --- |",
        *(f"| `{word}:` | {about} | `{example}` |" for word, (about, example) in _FIELD_WORDS.items()),
        "",
        "Kinds of test: " + ", ".join(f"`{kind}`" for kind in KINDS) + ".",
        "",
        "## Numbers",
        "",
        "Compared by `>`, `<`, `>=`, `<=` and `=`: `'wh>50'`.",
        "",
        "| word | quantity | unit |",
        "| --- | --- | --- |",
    ]
    for word in filter_words():
        found = filter_numbers().get(word)
        if found is None:
            label, unit = {"ambient": ("ambient temperature", "°C"), "run": ("run number", "")}[word]
        else:
            spec, by = found
            label, unit = spec.label, _unit(spec, by)
        lines.append(f"| `{word}` | {label} | {unit} |")
    return "\n".join(lines) + "\n"


def _unit(spec: ResultSpec, by: float = 1.0) -> str:
    unit = {"degC": "°C", "1": "a plain number", "ohm": "Ω", "mohm": "mΩ"}.get(spec.unit, spec.unit)
    scaled = {("s", 60.0): "min", ("s", 3600.0): "h", ("a plain number", 0.01): "%", ("A", 0.001): "mA"}
    return unit if by == 1.0 else scaled.get((unit, by), f"{by:g} {unit}")


def views(library: Library) -> str:
    """Every view and column."""
    found = library.sql.views()
    lines = [
        "# Views and columns",
        "",
        _ABOUT_VIEWS,
    ]
    for name in [*VIEW_ORDER, *(n for n in found if n not in VIEW_ORDER)]:
        if name not in found:
            continue
        lines += ["", f"## {name}", "", _VIEWS.get(name, ""), ""]
        lines += [", ".join(f"`{column}` {kind.lower()}" for column, kind in found[name])]
    lines += ["", f"Channels of `samples`: {', '.join(CHANNEL_NAMES)}. NULL where a run has none."]
    missing = sorted({*found, *COMPUTED_VIEWS} - set(_VIEWS))
    if missing:
        message = f"say what these views hold: {missing}"
        raise ValueError(message)
    return "\n".join(lines) + "\n"


def results(library: Library) -> str:
    """Every result: definition, formula, source, what its uncertainty is made of, how to get it."""
    with library.catalogue.reader() as cursor:
        made = rows(
            cursor, "SELECT name, min(method) FROM catalogue.result WHERE is_current GROUP BY name ORDER BY name"
        )
        parts = rows(cursor, "SELECT DISTINCT name, budget FROM catalogue.result WHERE is_current AND budget <> '[]'")
    methods = {_general(str(name)): str(method) for name, method in made}
    budget: dict[str, dict[str, None]] = {}
    for name, text in sorted(parts, key=str):
        held = budget.setdefault(_general(str(name)), {})
        for part in json.loads(str(text)):
            held.setdefault(part["name"])
    lines = [
        "# Results",
        "",
        _ABOUT_RESULTS,
    ]
    by_kind: dict[str, list[ResultSpec]] = {}
    for spec in specs().values():
        home = "of a device as a whole" if spec.is_of_device else _kind(spec, methods.get(spec.name, ""))
        by_kind.setdefault(home, []).append(spec)
    order = ["every run", *KINDS, "of a device as a whole"]
    for home in sorted(by_kind, key=lambda kind: order.index(kind) if kind in order else len(order)):
        lines += ["", f"## {home[:1].upper()}{home[1:]}"]
        for spec in by_kind[home]:
            lines += ["", f"### {spec.label}", "", *_about(spec, methods.get(spec.name), budget.get(spec.name, {}))]
    return "\n".join(lines) + "\n"


def _kind(spec: ResultSpec, method: str) -> str:
    if spec.kinds:
        return spec.kinds[0]
    kinds = [reducer.kinds for reducer in REDUCERS if any(m.name == method for m in reducer.methods)]
    return kinds[0][0] if kinds and kinds[0] != EVERY else "every run"


def _about(spec: ResultSpec, method: str | None, budget: Iterable[str]) -> Iterable[str]:
    unit = "words" if spec.shown is Shown.TEXT or not spec.unit else _unit(spec)
    yield f"`{spec.name}`, {unit}."
    known = METHODS.get(method or "")
    if known is not None:
        yield ""
        yield f"Formula: {_cell(known.formula)}. Method `{known.name}`, version {known.version}."
    source = "; ".join(dict.fromkeys(text for text in (spec.source, known.source if known else "") if text))
    if source:
        yield ""
        yield f"Source: {_cell(source)}."
    held = list(budget)
    if held:
        yield ""
        yield f"Its ± holds: {', '.join(held)}."
    if spec.to_get_it:
        yield ""
        yield f"To get it: {spec.to_get_it}"


def _general(name: str) -> str:
    for spec in specs():
        if "#" in spec:
            front, _, back = spec.partition("#")
            if name.startswith(front) and name.endswith(back) and name[len(front) : len(name) - len(back)].isdigit():
                return spec
    return name


def constants() -> str:
    """Every constant of detection with its reason."""
    lines = [
        "# Constants of detection",
        "",
        _ABOUT_CONSTANTS,
        "",
        "| constant | default | reason |",
        "| --- | --- | --- |",
    ]
    for threshold in THRESHOLDS.values():
        unit = {"1": "", "degC": " °C"}.get(threshold.unit, f" {threshold.unit}")
        lines.append(f"| `{threshold.name}` | {threshold.value:g}{unit} | {_cell(threshold.reason)} |")
    return "\n".join(lines) + "\n"


def glossary() -> str:
    """Every term with its meaning and where it is from."""
    lines = ["# Glossary", "", "One term for one thing, on screen, in help and on pages.", ""]
    lines += ["| term | meaning | source |", "| --- | --- | --- |"]
    lines += [f"| {term.word} | {_cell(term.meaning)} | {term.source} |" for term in GLOSSARY]
    return "\n".join(lines) + "\n"


def keys() -> str:
    """Every key of every place."""
    return "# Keys\n\n`?` shows the keys of the place where you are. All of them:\n\n" + as_markdown()


def commands() -> str:
    """Every command."""
    return (
        "# Commands\n\nEverything can be done without the interface too. Each command has `--help` with examples; "
        "`--json` prints one JSON document on standard output, messages go to standard error. Exit status: 0 done, "
        "1 something could not be done, 2 wrong usage, 3 the library is busy.\n\n" + commands_table() + "\n"
    )


def made(library: Library) -> Mapping[str, str]:
    """The generated pages by file name."""
    return {
        "04_filters.md": filters(),
        "05_views.md": views(library),
        "06_results.md": results(library),
        "07_keys.md": keys(),
        "08_commands.md": commands(),
        "09_constants.md": constants(),
        "13_glossary.md": glossary(),
    }


if __name__ == "__main__":
    from tui.cli.demo_library import build_demo

    with tempfile.TemporaryDirectory() as folder:
        build_demo(Path(folder) / "demo", lambda _done, _total: None)
        for file, text in made(Library.open(Path(folder) / "demo")).items():
            (GUIDE / file).write_text(text, "utf-8")
