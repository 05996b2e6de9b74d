"""A growing export, followed: however its bytes arrive, what was read is what the whole file says.

The truth is drawn by `tests.exports.generator`, which shares no code with the importer.
"""

from __future__ import annotations

import random
import secrets
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from importers.problems import ImportRefused
from importers.reading.following import Following, FollowStep
from importers.reading.inspecting import inspect
from tests.exports.generator import Export, make

PENDING = 3
"""Rows at the end that may wait for the next: a clock is settled by what follows."""


def followed(following: Following) -> list[pl.DataFrame]:
    return [pl.concat(run.pieces, how="diagonal") for run in following.runs if run.pieces]


def grow(path: Path, data: bytes, rng: random.Random, following: Following) -> set[FollowStep]:
    """Write the bytes in pieces of any length, cut anywhere, and look after each."""
    steps = {following.look()}
    at = 0
    with path.open("wb") as file:
        while at < len(data):
            size = rng.choice([1, 7, 80, 500, 500, 3000])
            file.write(data[at : at + size])
            file.flush()
            at += size
            steps.add(following.look())
    steps.add(following.look())
    return steps


def exports(seed: int, count: int) -> list[Export]:
    """Those that a growing log can be: text, one after the other in time, nothing asked."""
    found: list[Export] = []
    while len(found) < count:
        export = make(seed, ("plain", "varied")[seed % 2])
        seed += 1
        if not export.may_ask and export.suffix in {".csv", ".txt", ".tsv", ".log"}:
            found.append(export)
    return found


@pytest.mark.parametrize("count", [25, pytest.param(600, marks=pytest.mark.long)])
def test_what_is_followed_is_what_the_file_says(tmp_path: Path, count: int) -> None:
    seed = secrets.randbelow(10**8)
    print(f"seed {seed}")
    checked = 0
    for export in exports(seed, count):
        path = tmp_path / f"log-{export.seed}{export.suffix}"
        path.write_bytes(export.data)
        try:
            whole = inspect(path)
        except ImportRefused:
            continue
        path.unlink()
        plan = whole.plan
        if plan is None or not whole.is_sure or whole.view.packing or whole.view.recast or plan.clock.is_descending:
            continue
        following = Following(path)
        steps = grow(path, export.data, random.Random(export.seed), following)
        frames = followed(following)
        told = f"seed {export.seed}, {export.features}, {steps}"
        assert FollowStep.ANEW not in steps, told
        if export.data.endswith(b"\n") and len(frames) == len(export.runs):
            for frame, truth in zip(frames, sorted(export.runs, key=lambda r: r.port or ""), strict=True):
                if len(export.runs) == 1:
                    n = frame.height
                    assert len(truth.t) - PENDING - 1 <= n <= len(truth.t), told
                    assert np.allclose(frame["t_s"], truth.t[:n], atol=truth.t_tolerance + 1e-6), told
                    for name, values in truth.channels.items():
                        if name in frame.columns:
                            found = frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
                            assert np.allclose(np.abs(found), np.abs(values[:n]), rtol=1e-9, equal_nan=True), (
                                told,
                                name,
                            )
                    checked += 1
    assert checked > count / 4


LINES = ["Elapsed (s);Voltage (V);Current (A)", *(f"{t};20.0{t % 10};1.5" for t in range(300))]


def text_of(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()


def test_no_file_then_a_head_then_samples(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    following = Following(path)
    assert following.look() is FollowStep.WAITING
    path.write_bytes(text_of(LINES[:1]))
    assert following.look() is FollowStep.WAITING
    path.write_bytes(text_of(LINES[:40]))
    assert following.look() is FollowStep.GROWN
    with path.open("ab") as file:
        file.write(text_of(LINES[40:60])[:-4])
    assert following.look() is FollowStep.GROWN
    assert following.look() is FollowStep.STILL
    assert 50 <= sum(frame.height for frame in followed(following)) <= 58


@pytest.mark.parametrize("how", ["shorter", "rewritten", "replaced"])
def test_a_file_that_is_written_anew_is_read_anew(tmp_path: Path, how: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(text_of(LINES[:200]))
    following = Following(path)
    following.look()
    other = [LINES[0], *(f"{t};9.0{t % 10};0.5" for t in range(50 if how == "shorter" else 250))]
    if how == "replaced":
        (tmp_path / "new").write_bytes(text_of(other))
        (tmp_path / "new").replace(path)
    else:
        path.write_bytes(text_of(other))
    assert following.look() is FollowStep.ANEW
    (frame,) = followed(following)
    assert frame["voltage_v"].max() < 10
    assert frame.height >= len(other) - 1 - PENDING


def test_a_file_that_goes_away_and_comes_back_is_followed_on(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(text_of(LINES[:100]))
    following = Following(path)
    following.look()
    path.rename(tmp_path / "away")
    assert following.look() is FollowStep.STILL
    with (tmp_path / "away").open("ab") as file:
        file.write(text_of(LINES[100:200]))
    (tmp_path / "away").rename(path)
    assert following.look() is FollowStep.GROWN
    (frame,) = followed(following)
    assert frame["t_s"].to_list() == [float(t) for t in range(frame.height)]


def test_room_that_is_taken_in_advance_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(text_of(LINES[:50]) + bytes(4000))
    following = Following(path)
    following.look()
    data = text_of(LINES[:120])
    path.write_bytes(data + bytes(4000))
    following.look()
    (frame,) = followed(following)
    assert frame.height >= 119 - PENDING


def test_what_asks_is_not_followed_until_a_profile_answers(tmp_path: Path) -> None:
    """What is the third column? The profile that the answer makes is what the next look reads by."""
    path = tmp_path / "log.csv"
    path.write_bytes(text_of(["Time (s);Voltage (V);Reading", *(f"{t};20.0{t % 10};{3 + t % 7}" for t in range(80))]))
    following = Following(path)
    assert following.look() is FollowStep.ASKS
    assert following.runs == []
    assert following.inspection is not None
    assert {question.id for question in following.inspection.questions} == {"rows", "column.3"}
    answered = inspect(path, answers={"rows": "keep", "column.3": "unused"})
    assert answered.is_sure
    again = Following(path, profiles=[answered.as_profile("bench-meter")])
    assert again.look() is FollowStep.GROWN
    (frame,) = followed(again)
    assert frame.height >= 80 - PENDING
    assert frame["voltage_v"].max() == 20.09
