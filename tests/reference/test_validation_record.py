"""The reference cases that `joulebook check` runs."""

from __future__ import annotations

import pytest

from store.validation import Case, validate


@pytest.fixture(scope="module")
def record_cases() -> tuple[Case, ...]:
    return validate().cases


def test_every_published_case_passes(record_cases: tuple[Case, ...]) -> None:
    assert [case for case in record_cases if not case.passed] == []
    assert len(record_cases) > 100
    assert all(case.source and case.name for case in record_cases)
    assert len({(case.name, case.source) for case in record_cases}) == len(record_cases)


@pytest.mark.parametrize(
    ("case", "passed"),
    [
        (Case("x", "s", 1.0, 1.1, tolerance=0.2), True),
        (Case("x", "s", 1.0, 1.3, tolerance=0.2), False),
        (Case("x", "s", 1.0, None, tolerance=0.2), False),
        (Case("x", "s", 1.0, float("nan"), tolerance=0.2), False),
        (Case("x", "s", "refused", "believed"), False),
        (Case("x", "s", 1.0, "1.0"), False),
    ],
)
def test_what_passes(case: Case, passed: bool) -> None:
    assert case.passed is passed
