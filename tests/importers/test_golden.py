"""Golden files: every shipped profile knows its own export and gives the figures that were reviewed by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from importers import ImportRefused, Profile, check_profiles, inspect, read, shipped_profiles
from tests.exports.judge import Kept

HOME = Path(__file__).parents[1] / "golden"
CASES = sorted(HOME.glob("*/*.csv"))


def test_six_profiles_ship_and_each_has_a_golden_file():
    assert len(shipped_profiles()) == 6
    assert {p.name for p in shipped_profiles()} == {case.parent.name for case in CASES}


@pytest.mark.parametrize("case", CASES, ids=[c.parent.name for c in CASES])
def test_export_gives_what_was_reviewed(case):
    expected = json.loads(case.with_suffix(".expected.json").read_text("utf-8"))
    found = inspect(case)
    assert found.profile == expected["profile"] == case.parent.name
    sink = Kept()
    outcome = read(case, found, sink)
    assert {k: getattr(outcome.account, k) for k in expected["account"]} == expected["account"]
    assert len(outcome.runs) == len(expected["runs"])
    for run, truth in zip(outcome.runs, expected["runs"], strict=True):
        assert (run.start.part, run.start.port, run.samples) == (truth["part"], truth["port"], truth["samples"])
        assert (run.start.direction, run.sign_turned) == (truth["direction"], truth["sign_turned"])
        assert (run.started_at and run.started_at.isoformat()) == truth["started_at"]
        frame = sink.frames()[run.start.part]
        for at, row in ((0, truth["first"]), (-1, truth["last"])):
            got = {k: v for k, v in frame.row(at, named=True).items() if v is not None}
            assert got == pytest.approx(row, rel=1e-12)


@pytest.mark.parametrize("case", CASES, ids=[c.parent.name for c in CASES])
def test_profile_says_the_same_as_the_evidence(case, monkeypatch):
    """Worked out without a profile, the same channels come out, to the last digit."""
    with_profile, without = Kept(), Kept()
    read(case, inspect(case), with_profile)
    monkeypatch.setattr("importers.reading.inspecting.shipped_profiles", tuple)
    found = inspect(case)
    assert found.profile is None
    assert found.is_sure, found.questions
    read(case, found, without)
    for a, b in zip(with_profile.frames().values(), without.frames().values(), strict=True):
        assert a.equals(b)


@pytest.mark.parametrize("profile", shipped_profiles(), ids=lambda p: p.name)
def test_profile_survives_its_own_text(profile):
    again = Profile.from_toml(profile.to_toml(), profile.source)
    assert again == profile


def test_a_file_that_fits_two_profiles_is_refused_by_both_names():
    case = HOME / "bench-seconds" / "plain.csv"
    other = Profile.from_toml(shipped_profiles()[0].to_toml().replace('"bench-seconds"', '"bench-too"', 1))
    with pytest.raises(ImportRefused, match=r"bench-seconds.*bench-too|bench-too.*bench-seconds"):
        inspect(case, profiles=[other])


def test_check_tries_every_profile():
    checks = check_profiles(HOME / "two-ports-ms" / "plain.csv")
    assert [c.profile for c in checks if c.fits] == ["two-ports-ms"]
    assert len(checks) == 6
    assert all(c.finding for c in checks)
