"""A log that is imported again after it grew takes the place of its shorter version, and that can be taken back."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from importers.schema import Facts
from store import Library, NotFound
from store.files import durable
from store.imports.grown import hash_with_beginnings
from tests.builders import STARTED

FACTS = Facts(device="PB-01", port="C1", mode="fixed 20 V", kind="discharge", load="30 W", ambient_c=22.0, meter="M1")


class Killed(BaseException):
    """The process ends here."""


def new_library(folder: Path) -> Library:
    folder.mkdir(parents=True, exist_ok=True)
    return Library.create(folder / "store", zone="UTC", who="tester")


def log_lines(count: int, *, seed: int = 1, is_dated: bool = True, volts: float = 20.0) -> list[str]:
    """An invented export: a discharge at about 30 W, line by line."""
    rng = np.random.default_rng(seed)
    amps = 1.5 + 0.01 * rng.standard_normal(count)
    level = volts + 0.02 * rng.standard_normal(count)
    lines = ["Time,Voltage [V],Current [A]" if is_dated else "Elapsed [s],Voltage [V],Current [A]"]
    for row in range(count):
        moment = f"{STARTED + timedelta(seconds=row):%Y-%m-%d %H:%M:%S}" if is_dated else str(row)
        lines.append(f"{moment},{level[row]:.4f},{amps[row]:.4f}")
    return lines


def write(path: Path, lines: Sequence[str], *, cut: int = 0) -> Path:
    """The lines as a file; the last `cut` bytes are not written yet."""
    data = ("\n".join(lines) + "\n").encode()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data[: len(data) - cut])
    return path


def add(library: Library, path: Path, facts: Facts | None = FACTS) -> tuple[str, tuple[int, ...]]:
    (outcome,) = library.imports.add(path, facts)
    return outcome.status, outcome.run_ids


def ids_of(library: Library) -> list[int]:
    return sorted(library.sql.run("SELECT run_id FROM runs").table["run_id"].to_pylist())


@pytest.mark.parametrize("is_dated", [True, False])
@pytest.mark.parametrize("cut", [0, 1, 5])
def test_a_grown_log_is_one_run_and_gives_what_the_whole_gives(tmp_path: Path, is_dated: bool, cut: int) -> None:
    """Drawn lengths, with the last line whole, without its end, and half written."""
    seed = secrets.randbits(32)
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    lines = log_lines(900, seed=seed, is_dated=is_dated)
    library = new_library(tmp_path)
    steps = [*sorted({int(n) for n in rng.integers(60, 880, 3)}), len(lines)]
    for step in steps:
        status, _ = add(library, write(tmp_path / "log.csv", lines[:step], cut=cut if step < len(lines) else 0))
        assert status == "imported"
        assert len(ids_of(library)) == 1, step
    whole = new_library(tmp_path / "whole")
    add(whole, tmp_path / "log.csv")
    (run_id,) = ids_of(library)
    expected = {r.name: r.value if r.value is not None else r.text for r in whole.runs.get(1).results if r.is_current}
    found = {
        r.name: r.value if r.value is not None else r.text for r in library.runs.get(run_id).results if r.is_current
    }
    assert found == expected
    assert library.runs.get(run_id).samples == len(lines) - 1
    assert library.maintenance.verify(results=True) == []
    library.runs.part(run_id)
    assert library.maintenance.verify(results=True) == []


def test_facts_notes_groups_and_pairs_go_over(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    lines = log_lines(600)
    _, (first,) = add(library, write(tmp_path / "a" / "log.csv", lines[:300]))
    other = log_lines(300, seed=2, volts=9.0)
    _, (second,) = add(
        library, write(tmp_path / "b" / "other.csv", other), Facts(device="PB-01", port="C2", kind="discharge")
    )
    _, (third,) = add(
        library, write(tmp_path / "c" / "in.csv", log_lines(200, seed=3)), Facts(device="PB-01", kind="recharge")
    )
    library.runs.edit([first], {"load_set": "29 W", "note": "fan on", "quality": "suspect"}, reason="looked again")
    library.runs.group([first, second])
    library.runs.pair([first, third])
    _, (grown,) = add(library, write(tmp_path / "a" / "log.csv", lines), None)
    facts = library.runs.get(grown).facts
    assert (facts.device, facts.port, facts.mode, facts.kind, facts.load_set) == (
        "PB-01", "C1", "fixed 20 V", "discharge", "29 W",
    )  # fmt: skip
    assert (facts.note, facts.quality, facts.quality_reason, facts.ambient_c, facts.meter) == (
        "fan on", "suspect", library.runs.get(grown).facts.quality_reason, 22.0, "M1",
    )  # fmt: skip
    assert facts.group_id == library.runs.get(second).facts.group_id is not None
    assert [(p.discharge_id, p.recharge_id) for p in library.runs.pairs()] == [(grown, third)]
    assert [(a.field, a.new_value) for a in library.runs.get(grown).amendments] == [("grown from", str(first))]
    with pytest.raises(NotFound, match=f"grew into run {grown}"):
        library.runs.get(first)
    # what a person is told to do, done: all is as before
    assert library.runs.part(grown).runs == (first,)
    assert ids_of(library) == [first, second, third]
    back = library.runs.get(first).facts
    assert (back.load_set, back.note, back.group_id) == ("29 W", "fan on", facts.group_id)
    assert [(p.discharge_id, p.recharge_id) for p in library.runs.pairs()] == [(first, third)]
    assert library.maintenance.verify(results=True) == []


def test_a_stated_fact_goes_before_what_was_known(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    lines = log_lines(300)
    add(library, write(tmp_path / "log.csv", lines[:100]))
    _, (grown,) = add(library, write(tmp_path / "log.csv", lines), Facts(load="45 W", note="second try"))
    facts = library.runs.get(grown).facts
    assert (facts.load_set, facts.note, facts.device) == ("45 W", "second try", "PB-01")


def test_bytes_of_before_and_shorter_copies_are_known(tmp_path: Path) -> None:
    """However often a log grew, each of its versions leads to the one run; so does a copy that was never imported."""
    library = new_library(tmp_path)
    lines = log_lines(400)
    for step in (100, 200, 300, 401):
        add(library, write(tmp_path / "log.csv", lines[:step]))
    (run_id,) = ids_of(library)
    for step in (100, 200, 300):
        assert add(library, write(tmp_path / "log.csv", lines[:step])) == ("already", (run_id,))
    (outcome,) = library.imports.add(write(tmp_path / "log.csv", lines[:150]), FACTS)
    assert (outcome.status, outcome.run_ids, outcome.is_beginning) == ("already", (run_id,), True)


def test_versions_in_one_import_are_one_run(tmp_path: Path) -> None:
    """Files of a folder are imported in order of name, several a transaction."""
    lines = log_lines(400)
    for number, step in enumerate((401, 100, 300, 200)):
        write(tmp_path / "in" / f"copy-{number}.csv", lines[:step])
    library = new_library(tmp_path)
    outcomes = library.imports.add(tmp_path / "in", FACTS)
    assert [o.status for o in outcomes] == ["imported", "already", "already", "already"]
    backwards = new_library(tmp_path / "backwards")
    for number, step in enumerate((100, 200, 300, 401)):
        write(tmp_path / "in2" / f"copy-{number}.csv", lines[:step])
    outcomes = backwards.imports.add(tmp_path / "in2", FACTS)
    assert [o.status for o in outcomes] == ["imported"] * 4
    assert ids_of(backwards) == [outcomes[-1].run_ids[0]]
    assert backwards.maintenance.verify(results=True) == []


def test_what_is_no_longer_version_stays_a_run_of_its_own(tmp_path: Path) -> None:
    """Another log of the same name, of the same start, of a stated other device; a log that stands still; a wish."""
    library = new_library(tmp_path)
    lines = log_lines(300)
    add(library, write(tmp_path / "log.csv", lines[:100]))
    add(library, write(tmp_path / "log.csv", log_lines(300, seed=9)))  # same name and start, other samples
    add(library, write(tmp_path / "log.csv", lines), Facts(device="PB-02", port="C1", kind="discharge"))
    assert len(ids_of(library)) == 3
    still = ["Elapsed [s],Voltage [V],Current [A]", *(f"{row},5.0000,0.0000" for row in range(400))]
    add(library, write(tmp_path / "idle.csv", still[:100]), Facts(device="AD-01"))
    add(library, write(tmp_path / "later" / "idle.txt", [*still[:200], "200,5.0000,0.1000"]), Facts(device="AD-02"))
    assert len(ids_of(library)) == 5
    write(tmp_path / "other" / "standing.csv", still[:300])
    (outcome,) = library.imports.add(tmp_path / "other")  # without facts, a date or a name alike
    assert outcome.status == "imported"
    assert len(ids_of(library)) == 6
    (outcome,) = library.imports.add(write(tmp_path / "log.csv", [*lines[:100], "x"]), FACTS)
    assert outcome.status in {"imported", "refused"}


def test_a_run_of_its_own_on_request(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    lines = log_lines(300)
    add(library, write(tmp_path / "log.csv", lines[:100]))
    with library.imports.begin(write(tmp_path / "log.csv", lines), FACTS, is_own=True) as job:
        assert not job.already
    assert len(ids_of(library)) == 1


@pytest.mark.parametrize(
    "every", [pytest.param(9, id="every ninth"), pytest.param(1, id="every step", marks=pytest.mark.long)]
)
def test_killed_at_any_step_there_is_one_whole_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, every: int) -> None:
    """The shorter run lies in a pack with another; the same import again finishes what was begun."""
    lines = log_lines(120)
    log = tmp_path / "log.csv"
    model = new_library(tmp_path / "model")
    add(model, write(log, lines[:60]))
    add(model, write(tmp_path / "beside.csv", log_lines(50, seed=5)), Facts(device="PB-09"))
    model.maintenance.pack()
    write(log, lines)
    steps, is_done = 0, False
    while not is_done:
        copy = tmp_path / f"at-{steps}"
        shutil.copytree(model.path, copy)
        library, left = Library.open(copy), steps

        def step(*_: object) -> None:
            nonlocal left
            left -= 1
            if left < 0:
                raise Killed

        with monkeypatch.context() as patched:
            patched.setattr(durable, "step", step)
            try:
                add(library, log)
                is_done = True
            except Killed:
                pass
        again = Library.open(copy)
        assert len(ids_of(again)) == 2
        add(again, log)
        assert sorted(again.runs.get(i).samples for i in ids_of(again)) == [50, 120]
        again.maintenance.verify(repair=True)
        assert again.maintenance.verify() == []
        shutil.rmtree(copy)
        steps += every
    assert steps > 20


def test_a_damaged_trace_of_a_grown_log_is_made_again(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    lines = log_lines(300)
    add(library, write(tmp_path / "log.csv", lines[:100]))
    _, (grown,) = add(library, write(tmp_path / "log.csv", lines))
    before = library.samples.lazy(grown).collect()
    path = library.layout.absolute(library.runs.get(grown).provenance.trace_file)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(bytes(data))
    library.maintenance.verify(repair=True)
    assert library.samples.lazy(grown).collect().equals(before)
    assert library.maintenance.verify() == []


def test_a_lost_catalogue_knows_of_it(tmp_path: Path) -> None:
    library = new_library(tmp_path)
    lines = log_lines(300)
    _, (first,) = add(library, write(tmp_path / "log.csv", lines[:100]))
    _, (grown,) = add(library, write(tmp_path / "log.csv", lines))
    library.layout.catalogue.unlink()
    rebuilt, _ = Library.rebuilt(library.path)
    assert ids_of(rebuilt) == [grown]
    assert rebuilt.runs.part(grown).runs == (first,)


def test_beginnings_are_hashed_in_one_reading(tmp_path: Path) -> None:
    """Against hashing each beginning alone, over blocks' borders too."""
    import hashlib

    seed = secrets.randbits(32)
    print(f"seed {seed}")
    rng = np.random.default_rng(seed)
    data = b"".join(b"x" * int(n) + b"\n" for n in rng.integers(1, 90_000, 80))
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    ends = [i + 1 for i, byte in enumerate(data) if byte == 10]
    sizes = {*ends, *(end - 1 for end in ends), 1 << 20, 7, 0, len(data) + 5}
    whole, found = hash_with_beginnings(path, sizes)
    assert whole == hashlib.sha256(data).hexdigest()
    assert {*ends, *(end - 1 for end in ends)} - {len(data)} <= found.keys()
    for size, sha256 in found.items():
        assert sha256 == hashlib.sha256(data[:size]).hexdigest(), size
