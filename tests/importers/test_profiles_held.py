"""A profile is recognised by names and held against the numbers; swapped or misnamed readings never pass in silence."""

from __future__ import annotations

import pytest

from importers import ImportRefused, Profile, inspect, read
from tests.exports.judge import Kept

PROFILE = """
name = "shed-bench"
[recognise]
header = ["when", "first", "second", "heat"]
[file]
decimal = "."
[clock]
source = "elapsed"
columns = ["when"]
unit = "s"
[[column]]
name = "first"
channel = "voltage_v"
unit = "{volts}"
[[column]]
name = "second"
channel = "current_a"
unit = "{amps}"
[[column]]
name = "heat"
channel = "temperature_c"
unit = "°C"
"""


def _profile(volts: str = "V", amps: str = "A") -> Profile:
    return Profile.from_toml(PROFILE.format(volts=volts, amps=amps))


def _rows(volts: float = 1.0, amps: float = 1.0, *, swap: bool = False) -> list[tuple[str, str, str, str]]:
    """A port of 9 V under a load that begins after five seconds and steps."""
    out = []
    for i in range(80):
        v, a = (9.0 - 0.05 * (i > 5) - i / 4000) * volts, (0.0 if i < 5 else 1.2 if i < 40 else 2.1 + i / 900) * amps
        first, second = (a, v) if swap else (v, a)
        out.append((str(i), f"{first:.3f}", f"{second:.3f}", f"{22 + i / 40:.1f}"))
    return out


def _file(folder, rows, names=("when", "first", "second", "heat")):
    path = folder / "log.csv"
    path.write_text("\n".join(",".join(r) for r in [names, *rows]) + "\n")
    return path


def test_it_fits_by_names_whatever_the_order_and_the_capitals(tmp_path):
    rows = [(h, b, t, a) for t, a, b, h in _rows()]
    path = _file(tmp_path, rows, ("Heat", "SECOND", "When", "first"))
    found = inspect(path, profiles=[_profile()])
    assert (found.profile, found.is_sure) == ("shed-bench", True)
    sink = Kept()
    read(path, found, sink)
    (frame,) = sink.frames().values()
    assert frame["current_a"][10] == 1.2
    assert frame["voltage_v"][0] == 9.0


def test_one_more_column_is_asked_about_and_nothing_else_is(tmp_path):
    rows = [(*r, f"{(i * 37) % 101 / 10:.1f}") for i, r in enumerate(_rows())]
    path = _file(tmp_path, rows, ("when", "first", "second", "heat", "zorb"))
    found = inspect(path, profiles=[_profile()])
    assert found.profile == "shed-bench"
    assert [q.id for q in found.questions] == ["column.5"]
    assert "`zorb`" in found.questions[0].text
    settled = inspect(path, profiles=[_profile()], answers={"column.5": "unused"})
    assert settled.is_sure
    assert {c.channel for c in settled.columns} == {"t_s", "voltage_v", "current_a", "temperature_c", None}


def test_a_new_column_with_a_known_name_needs_no_question(tmp_path):
    rows = [(*r, "21.5") for r in _rows()]
    path = _file(tmp_path, rows, ("when", "first", "second", "heat", "Room (°C)"))
    found = inspect(path, profiles=[_profile()])
    assert found.profile == "shed-bench"
    assert found.is_sure
    assert found.columns[4].channel == "temperature_ambient_c"


@pytest.mark.parametrize(
    ("profile", "volts", "amps", "column", "right"),
    [
        (_profile(volts="mV"), 1.0, 1.0, "unit.2", "V"),
        (_profile(volts="V"), 1000.0, 1.0, "unit.2", "mV"),
        (_profile(amps="mA"), 1.0, 1.0, "unit.3", "A"),
        (_profile(amps="A"), 1.0, 1000.0, "unit.3", "mA"),
    ],
)
def test_a_thousandfold_in_a_profile_is_asked_both_ways(profile, volts, amps, column, right, tmp_path):
    path = _file(tmp_path, _rows(volts, amps))
    found = inspect(path, profiles=[profile])
    assert [q.id for q in found.questions] == [column]
    assert found.confidence <= 0.5
    assert found.questions[0].choices[0].value == right
    with pytest.raises(ImportRefused, match=column):
        read(path, found, Kept())
    settled = inspect(path, profiles=[profile], answers={column: right})
    sink = Kept()
    read(path, settled, sink)
    (frame,) = sink.frames().values()
    assert frame["voltage_v"][0] == pytest.approx(9.0)
    assert frame["current_a"][10] == pytest.approx(1.2)


def test_swapped_volts_and_amps_do_not_pass(tmp_path):
    path = _file(tmp_path, _rows(swap=True))
    found = inspect(path, profiles=[_profile()])
    assert [q.id for q in found.questions] == ["column.2"]
    settled = inspect(path, profiles=[_profile()], answers={"column.2": "current_a"})
    assert settled.is_sure, settled.questions
    sink = Kept()
    read(path, settled, sink)
    (frame,) = sink.frames().values()
    assert frame["voltage_v"][0] == 9.0
    assert frame["current_a"][10] == 1.2
    assert "temperature_c" in frame.columns


def test_a_profile_of_a_few_names_does_not_claim_a_wide_file(tmp_path):
    names = ("when", "first", "second", "heat", *(f"other {c}" for c in "abcdefg"))
    path = _file(tmp_path, [(*r, *"1234567") for r in _rows()], names)
    assert inspect(path, profiles=[_profile()]).profile is None


def test_a_profile_that_lacks_a_column_says_which(tmp_path):
    path = _file(tmp_path, [r[:3] for r in _rows()], ("when", "first", "second"))
    with pytest.raises(ImportRefused, match="no column `heat`"):
        inspect(path, profiles=[_profile()], profile="shed-bench")
