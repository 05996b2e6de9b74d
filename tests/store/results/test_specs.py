"""What is declared of each result: words, units, places; and what is made from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from importers.schema import KINDS
from store import Library
from store.methods.registry import REDUCERS
from store.methods.specs import compared, filter_numbers, label_of, page_tables, spec_of, specs
from store.model.sheet import DEVICE_KINDS
from store.sql.views import MAIN_RESULTS, MAIN_TEXTS
from store.words.quantities import unit_of

NEVER_MADE = {"efficiency"}
"""A column of `runs` since the first schema that no reducer fills."""


@pytest.mark.parametrize(
    ("name", "words", "brief"),
    [
        ("energy_wh", "energy", "energy"),
        ("voltage_min_v", "minimum voltage", "minimum voltage"),
        ("drop_3a_v", "voltage drop at 3 A", "drop at 3 A"),
        ("level_01_voltage_v", "level 1 voltage", "level 1 voltage"),
        ("level_12_error_percent", "level 12 error", "level 12 error"),
        ("temperature_ambient_final_c", "final ambient temperature", "final ambient temp."),
        ("temperature_2_max_c", "maximum second temperature", "max. second temp."),
        ("temperature_cell_max_c", "maximum cell temperature", "max. cell temp."),
        ("temperature_max_c", "maximum temperature", "max. temperature"),
        ("counter_energy_wh", "energy by the meter's counter", "meter's energy"),
        ("wall_to_load", "mains-to-load efficiency", "mains to load"),
        ("time_to_80_s", "time to 80 %", "time to 80 %"),
        ("made_by_a_later_version_v", "made by a later version v", "made by a later version v"),
    ],
)
def test_a_result_is_called_as_people_call_it(name: str, words: str, brief: str) -> None:
    """One labeller, with a short form for narrow columns."""
    assert label_of(name) == words
    assert label_of(name, is_short=True) == brief


def test_words_are_told_apart_and_short_ones_fit() -> None:
    """No two results have one label; what a narrow column shows fits into 20 cells."""
    by_label: dict[str, list[str]] = {}
    for spec in specs().values():
        by_label.setdefault(spec.label, []).append(spec.name)
        assert len(spec.brief) <= 20, spec.name
    assert {label: names for label, names in by_label.items() if len(names) > 1} == {
        "runtime": ["runtime_s", "runtime_h"]
    }


def test_places_and_kinds_are_known_words() -> None:
    """Kinds of test and of device are those of the program; no two figures share a place."""
    for spec in specs().values():
        assert set(spec.kinds) <= set(KINDS), spec.name
        assert set(spec.on_page) <= set(KINDS), spec.name
        assert set(spec.compared_for) <= set(DEVICE_KINDS), spec.name
    for field in ("on_page", "compared_for"):
        places = [(kind, place) for spec in specs().values() for kind, place in getattr(spec, field).items()]
        assert len(places) == len(set(places)), field
    assert set(page_tables()) == set(KINDS)
    assert all(compared(kind) for kind in DEVICE_KINDS)
    assert {"wh", "hours", "held", "temp"} <= set(filter_numbers())


def test_columns_of_runs_are_those_that_specs_name() -> None:
    """A result becomes a column by its spec and a migration; each must know of the other."""
    assert {spec.name for spec in specs().values() if spec.runs_column} == set(MAIN_RESULTS) - NEVER_MADE
    assert set(MAIN_TEXTS.values()) <= set(specs())


def test_every_result_of_the_demo_has_a_spec_with_its_unit(demo_library: Path) -> None:
    """And every number a statement that gets it again; a share is a plain number."""
    library = Library.open(demo_library)
    sql = (
        "SELECT DISTINCT name, unit, value IS NULL OR run_id IS NULL AS is_absent, currency "
        "FROM results LEFT JOIN devices USING (device)"
    )
    made = library.sql.run(sql, limit=None).table  # statements of devices' figures are told by `why`
    for row in made.to_pylist():
        spec = spec_of(row["name"])
        assert spec is not None, row["name"]
        assert row["unit"] in {spec.unit, spec.unit.replace("1/", f"{row['currency']}/")}, row["name"]
        assert row["is_absent"] or spec.redo is not None, row["name"]


def test_units_follow_from_names() -> None:
    """A name ends in its unit; shares named by a percentage of load are plain numbers."""
    for spec in specs().values():
        if spec.unit and not spec.name.startswith("efficiency_"):
            assert unit_of(spec.name) == spec.unit, spec.name


def test_every_kind_of_test_but_the_adapters_has_a_reducer() -> None:
    """Found by listing the folder; what every run gets comes first."""
    of_kinds = {kind for reducer in REDUCERS for kind in reducer.kinds} - {"*"}
    assert set(KINDS) - of_kinds == {"efficiency"}, "an adapter's efficiency rests on two runs"
    assert [reducer.name for reducer in REDUCERS][:3] == ["summary", "temperatures", "energy"]
