"""The course of tests: what is done, missing, suspect or to repeat."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from store.judge.course import CourseRefused, load_course, read_course
from store.judge.course_grid import CourseGrid, course_grid
from store.judge.measured import RunEvidence
from store.model.sheet import DeviceSheet, PortSheet

SHEET = DeviceSheet(
    "PB",
    "power bank",
    output_w=60,
    ports=(
        PortSheet("C1", "USB-C", "both", ("fixed 5/20 V 3 A", "PPS 3.3-21 V 3 A")),
        PortSheet("A1", "USB-A", "out", ("fixed 5 V 2 A",)),
    ),
)


def run(number: int, kind: str = "discharge", **facts: object) -> RunEvidence:
    return replace(RunEvidence(number, "C1", "fixed 20 V", kind, "out", "30 W", 22.0), **facts)  # type: ignore[arg-type]


def grid(*runs: RunEvidence, sheet: DeviceSheet = SHEET) -> CourseGrid:
    return course_grid(sheet, runs, load_course())


def states(found: CourseGrid, test: str) -> list[str]:
    return [cell.state for row in found.rows if row.test.name == test for cell in row.cells]


def test_columns_are_what_the_ports_offer_and_the_device() -> None:
    assert grid().columns == (
        ("C1", "fixed 5 V"),
        ("C1", "fixed 20 V"),
        ("C1", "PPS 3.3\u201321 V"),
        ("A1", "fixed 5 V"),
        ("", ""),
    )


def test_everything_is_to_do_at_first() -> None:
    found = grid()
    assert states(found, "discharge") == ["to do", "to do", "to do", "to do", "not offered"]
    assert states(found, "recharge") == ["not offered", "to do", "not offered", "not offered", "not offered"]
    assert states(found, "heat")[-1] == "to do"
    assert found.count("done") == 0


def test_run_fills_its_cell_whatever_the_spelling_of_its_mode() -> None:
    found = grid(run(1, mode="20V"), run(2, port="A1", mode="default 5 V"), run(3, mode="PPS 9 V"))
    assert states(found, "discharge") == ["to do", "done", "done", "done", "not offered"]


def test_too_few_repeats_are_to_repeat() -> None:
    top = [run(number, load_set="60 W") for number in (1, 2)]
    assert states(grid(*top), "at full power")[1] == "repeat"
    assert states(grid(*top, run(3, load_set="60 W")), "at full power")[1] == "done"
    assert states(grid(run(1), run(2), run(3)), "at full power")[1] == "to do"


@pytest.mark.parametrize("quality", ["suspect", "rejected"])
def test_only_suspect_or_rejected_runs_are_suspect(quality: str) -> None:
    found = grid(run(1, quality=quality))
    assert states(found, "discharge")[1] == "suspect"
    assert any(test.name == "discharge" and cell.run_ids == (1,) for test, cell in found.next_steps)


def test_ambient_decides_between_room_cold_and_hot() -> None:
    found = grid(run(1, ambient_c=5.0))
    assert states(found, "cold")[-1] == "done"
    assert states(found, "hot")[-1] == "to do"
    assert states(found, "discharge")[1] == "to do"


def test_two_ports_at_once_are_a_test_of_their_own() -> None:
    pair = [run(1, group_id=3), run(2, group_id=3, port="A1", mode="fixed 5 V")]
    found = grid(*pair)
    assert states(found, "two at once")[-1] == "done"
    assert states(found, "discharge")[1] == "to do"
    single = replace(SHEET, ports=SHEET.ports[:1])
    assert states(grid(sheet=single), "two at once")[-1] == "not offered"


def test_tests_that_can_hurt_someone_carry_their_cautions() -> None:
    tests = {test.name: test for test in load_course()}
    for name in ("discharge", "at full power", "recharge", "overload", "heat", "cold", "hot", "standby", "efficiency"):
        assert tests[name].caution, name
    assert "fire" in tests["overload"].caution
    assert "licensed" in tests["efficiency"].caution


def test_cable_and_adapter_have_their_own_tests() -> None:
    cable = DeviceSheet("CB", "cable", current_a=5)
    assert [row.test.name for row in grid(sheet=cable).rows] == ["cable"]
    adapter = DeviceSheet(
        "AD", "adapter", ports=(PortSheet("mains", direction="in"), PortSheet("C1", offers=("5 V 3 A",)))
    )
    assert grid(sheet=adapter).columns == (("C1", "fixed 5 V"), ("", ""))


OWN = '[[test]]\nname = "soak"\nkind = "standby"\nfor = ["cable"]\nper = "device"\n'


def test_librarys_own_course_takes_the_place_of_the_one_that_ships(tmp_path: Path) -> None:
    assert len(load_course(tmp_path)) > 10
    (tmp_path / "course.toml").write_text(OWN, "utf-8")
    assert [test.name for test in load_course(tmp_path)] == ["soak"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("per =", "pre =", "line 1: `pre` is not a key of a test. Did you mean `per`?"),
        ('"standby"', '"standing"', "`kind` has `standing`"),
        ('"cable"', '"cabel"', "`for` has `cabel`"),
        ('"device"', '"devices"', "`per` has `devices`"),
        ('"soak"', "1", "wrong type"),
        ('name = "soak"\n', "", "needs `name`"),
        ("[[test]]", "[[test]", "not TOML"),
        (OWN, "edition = 1", "holds no test"),
        ('per = "device"', 'per = "device"\nrepeats = 0', "1 or more"),
    ],
)
def test_course_that_can_not_be_read_is_refused_with_its_line(old: str, new: str, words: str) -> None:
    with pytest.raises(CourseRefused) as caught:
        read_course(OWN.replace(old, new), "course.toml")
    assert words in str(caught.value)


def test_own_course_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "course.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CourseRefused, match="can't be read"):
        load_course(tmp_path)
