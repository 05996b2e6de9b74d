"""The filter line: what each word finds, and how a wrong one is told."""

from __future__ import annotations

import random
import re
from collections import Counter

import duckdb
import pytest

from store import FilterError, Library
from store.runs.filters import parse_filter
from tests.builders import make_store


@pytest.fixture(scope="module")
def library(tmp_path_factory) -> Library:
    """Runs 1 to 6: PB-01 C1 20 V, PB-02 C2 9 V, PB-03 A1 5 V, and so again; one a day from 2026-02-11."""
    library = make_store(tmp_path_factory.mktemp("filtered"), 6, samples=300)
    library.runs.edit([2], {"note": "50% [hot] case_1", "quality": "suspect"}, reason="fan fell over")
    return library


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("", [1, 2, 3, 4, 5, 6]),
        ("port:C1", [1, 4]),
        ("port:c1 port:A1", [1, 3, 4, 6]),
        ("port:C1,A1", [1, 3, 4, 6]),
        ("-port:C1", [2, 3, 5, 6]),
        ("mode:20V", [1, 4]),
        ('mode:"fixed 20 V"', [1, 4]),
        ("mode:0V", []),
        ("mode:fixed", [1, 2, 4, 5]),
        ("device:PB-03 kind:discharge", [3, 6]),
        ("device:PB-*", [1, 2, 3, 4, 5, 6]),
        ("load:30W", [1, 4]),
        ('load:"30 w"', [1, 4]),
        ("wh>2", [1, 4]),
        ("wh>2 wh<1", []),
        ("temp>=1000", []),
        ("hours<1", [1, 2, 3, 4, 5, 6]),
        ("since:2026-02-13", [3, 4, 5, 6]),
        ("until:2026-02-12", [1, 2]),
        ("since:2026-03", []),
        ("until:2026-02", [1, 2, 3, 4, 5, 6]),
        ("since:2026 until:2026", [1, 2, 3, 4, 5, 6]),
        ("quality:ok", [1, 3, 4, 5, 6]),
        ("-quality:ok", [2]),
        ("meter:M1 run:2", [2]),
        ("group:none", [1, 2, 3, 4, 5, 6]),
        ("ambient:22", None),
        ('"50% [hot]"', [2]),
        ("50%", [2]),
        ("case_1", [2]),
        ("case%1", []),
        ("-hot", [1, 3, 4, 5, 6]),
        ("FAN", [2]),
        ("'; DROP TABLE run; --", []),
    ],
)
def test_words_find_the_runs_they_mean(library: Library, line: str, expected: list[int] | None):
    if expected is None:
        with pytest.raises(FilterError):
            library.runs.page(line)
        return
    page = library.runs.page(line, sort="run_id")
    assert page.table["run_id"].to_pylist() == expected
    assert (page.shown, page.total) == (len(expected), 6)


@pytest.mark.parametrize(
    ("line", "position", "word", "suggestion"),
    [
        ("port:C1 prot:C2", 8, "prot:C2", "port:C2"),
        ("kind:dischrge", 0, "kind:dischrge", "kind:discharge"),
        ("  wh:50", 2, "wh:50", "wh>50"),
        ("port>C1", 0, "port>C1", "port:C1"),
        ("tmp>50", 0, "tmp>50", "temp>50"),
        ('note "open', 5, '"open', '"open"'),
        ("since:soon", 0, "since:soon", None),
        ("since:2026-13", 0, "since:2026-13", None),
        ("wh>much", 0, "wh>much", None),
        ("port:", 0, "port:", None),
    ],
)
def test_a_wrong_word_is_told_where_it_stands(library: Library, line, position, word, suggestion):
    with pytest.raises(FilterError) as caught:
        library.runs.page(line)
    assert (caught.value.position, caught.value.word, caught.value.suggestion) == (position, word, suggestion)


def test_facets_leave_their_own_word_out(library: Library):
    assert [(f.value, f.count) for f in library.runs.facets("port", "port:C1 since:2026-02-13")] == [
        ("A1", 2),
        ("C1", 1),
        ("C2", 1),
    ]


def test_sorting_puts_empty_values_last_either_way(library: Library):
    for sort in ("rise_k", "-rise_k", "-started_at,device"):
        assert library.runs.page(sort=sort).table.num_rows == 6
    assert library.runs.page(sort="-run_id", limit=2, offset=1).table["run_id"].to_pylist() == [5, 4]


@pytest.mark.parametrize("columns", [None, ("device",), ("run_id", "meter_overdue")])
@pytest.mark.parametrize("line", ["", "kind:discharge", "-port:C1 PB", "nothing-like-it"])
@pytest.mark.parametrize("sort", ["-energy_wh", "device,-port", "-meter_overdue,run_id", "-run_id,run_id"])
def test_pages_laid_together_are_the_list(library: Library, line: str, sort: str, columns):
    whole = library.runs.page(line, sort=sort, limit=None)
    chosen = whole.table.select(list(columns or whole.table.column_names)).to_pylist()
    pages = [library.runs.page(line, sort=sort, limit=2, offset=offset, columns=columns) for offset in (0, 2, 4, 6)]
    assert [row for page in pages for row in page.table.to_pylist()] == chosen
    assert {(page.shown, page.total) for page in pages} == {(whole.table.num_rows, 6)}
    assert library.runs.page(line, sort=sort, limit=0, columns=columns).shown == whole.shown
    assert library.runs.page(line, sort=sort, limit=None, offset=1, columns=columns).table.to_pylist() == chosen[1:]


def test_a_number_in_a_mode_is_found_as_a_whole_word():
    """The pattern against Python's regular expressions, over random texts that hold every special character."""
    rng, tried = random.Random(20), Counter()
    letters = "20v-.,aéz\u2013[*?\\]!w^"
    engine = duckdb.connect()
    for _ in range(600):
        typed = "2" + "".join(rng.choices(letters.replace(",", ""), k=rng.randint(0, 3)))
        before, after = ("".join(rng.choices(letters, k=rng.randint(0, 3))) for _ in range(2))
        text = before + typed + after
        condition = parse_filter(f'mode:"{typed}"')
        sql = f"SELECT {condition.sql} FROM (SELECT CAST(? AS VARCHAR) AS mode)"
        (found,) = engine.execute(sql, [*condition.values, text]).fetchall()[0]
        plain = re.escape(typed.replace("\u2013", "-"))
        expected = re.search(rf"(^|[^0-9.,-]){plain}($|[^a-z0-9])", text.replace("\u2013", "-")) is not None
        assert found is expected, (text, typed)
        tried[expected] += 1
    assert min(tried[True], tried[False]) > 50
