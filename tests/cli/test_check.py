"""`joulebook check`: a dated record of published cases; a wrong program would be caught."""

from __future__ import annotations

import json

import numpy as np
import pytest

from store.model.results import Array
from tests.cli.conftest import Cli


def test_a_wrong_rule_of_integration_is_caught(monkeypatch: pytest.MonkeyPatch, cli: Cli) -> None:
    """With the trapezoid of V x I, which is wrong for two ramps, the command fails and says which cases."""

    def wrong(dt_s: Array, v: Array, i: Array) -> Array:
        p = v * i
        return np.asarray(dt_s * (p[:-1] + p[1:]) / 2.0)

    monkeypatch.setattr("store.signal.signals.bilinear_steps", wrong)
    monkeypatch.setattr("store.validation.closed_forms.bilinear_steps", wrong)
    said = cli("check")
    assert said.status == 1
    assert [line for line in said.out.splitlines() if "FAILED" in line and "5.7" in line]
    assert "do not publish" in " ".join(said.err.split())


def test_the_record_is_dated_and_names_the_program(cli: Cli) -> None:
    said = cli("check", "--json")
    document = json.loads(said.out)
    assert said.status == 0
    assert document["failed"] == 0
    assert document["passed"] == len(document["cases"])
    assert document["program_version"]
    assert document["checked_at"].startswith("20")
    text = cli("check").out
    assert text.startswith("Validation record, Joulebook")
    assert "Misra1a" in text
