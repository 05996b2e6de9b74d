"""From Python: services, the most wanted of them called as they are; a name that is elsewhere is pointed to."""

from __future__ import annotations

import pickle

import polars as pl
import pytest

from store import Library
from tests.builders import make_store


@pytest.fixture
def library(tmp_path) -> Library:
    return make_store(tmp_path, runs=3)


def test_runs_and_queries_are_called_as_they_are(library):
    with Library.open(library.path) as opened:
        assert opened.runs("kind:discharge", limit=2).table.num_rows == 2
        assert opened.runs().table == opened.runs.page().table
        assert pl.DataFrame(opened.sql("SELECT count(*) AS n FROM runs"))["n"].to_list() == [3]


@pytest.mark.parametrize(
    ("name", "home"),
    [
        ("verify", "library.maintenance.verify"),
        ("backup", "library.maintenance.backup"),
        ("course", "library.devices.course"),
    ],
)
def test_a_name_of_a_service_is_pointed_to(library, name, home):
    with pytest.raises(AttributeError, match=home):
        getattr(library, name)


def test_any_other_name_is_none(library):
    assert not hasattr(library, "nonsense")
    assert not hasattr(library, "_repr_html_")
    with pytest.raises((TypeError, AttributeError, pickle.PicklingError)):
        pickle.dumps(library)
