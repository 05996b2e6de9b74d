"""Questions and answers: an answer that means nothing is refused with the right form; none drops another question."""

from __future__ import annotations

import pytest

from importers import ImportRefused, inspect, read
from tests.exports.judge import Kept

PLAIN = "Time (s),Voltage (V),Current (A)\n" + "".join(f"{i},5.0{i % 7},1.2{i % 5}\n" for i in range(40))


def _file(folder, text):
    path = folder / "log.csv"
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("foo", "1", "no such question"),
        ("column.9", "voltage_v", r"no column 9; it has 3.*column\.1"),
        ("unit.2", "banana", r"Write unit\.2="),
        ("unit.2", "A", r"is voltage.*unit\.2=V"),
        ("interval", "1s", "interval=1"),
        ("interval", "1", "changes nothing.*`Time \\(s\\)` is the clock"),
        ("3.unit", "mA", r"Write unit\.3=mA"),
        ("column.2", "volts", r"Write column\.2=voltage_v"),
        ("decimal", ";", "decimal=. or decimal=,"),
        ("time-unit", "V", "time-unit=s"),
        ("date-ordre", "day-first", "date-order=day-first"),
    ],
)
def test_an_answer_that_does_nothing_is_refused_with_the_right_form(name, value, said, tmp_path):
    with pytest.raises(ImportRefused, match=said) as refused:
        inspect(_file(tmp_path, PLAIN), answers={name: value})
    assert refused.value.problems[0].code == "bad-answer"


def test_one_answer_drops_no_other_question(tmp_path):
    text = "when,one,two\n" + "".join(
        f"{i * 2},{9 + (i * 13) % 17 / 100:.3f},{1.2 + (i * 29) % 23 / 50:.3f}\n" for i in range(60)
    )
    path = _file(tmp_path, text)
    answers: dict[str, str] = {}
    asked: list[str] = []
    right = {"clock-column": "1", "time-unit": "s", "column.2": "voltage_v", "column.3": "current_a", "unit.3": "A"}
    for _ in range(6):
        found = inspect(path, answers=answers)
        if not found.questions:
            break
        first = found.questions[0]
        later = {q.id for q in found.questions[1:]}
        answers[first.id] = right[first.id]
        asked.append(first.id)
        still = {q.id for q in inspect(path, answers=answers).questions}
        assert later <= still, (first.id, later, still)
    sink = Kept()
    read(path, inspect(path, answers=answers), sink)
    (frame,) = sink.frames().values()
    assert {"voltage_v", "current_a"} <= set(frame.columns), asked


def test_a_question_quotes_the_column_and_what_each_answer_does(tmp_path):
    text = "Time (s),Voltage (V),Current (A),Zorb\n" + "".join(
        f"{i},5.0,1.0,{(i * 37) % 101 / 10:.1f}\n" for i in range(60)
    )
    found = inspect(_file(tmp_path, text))
    (question,) = found.questions
    assert "`Zorb`" in question.text
    assert "0.0, 3.7, 7.4" in question.text
    assert all(choice.label for choice in question.choices)
    (told,) = found.as_json()["questions"]
    assert told["id"] == "column.4"
    assert {"value", "label"} == set(told["choices"][0])


def test_many_unknown_columns_are_one_question(tmp_path):
    names = ["Zorb", "Quux", "Blarg", "Fnord"]
    text = "Time (s),Voltage (V),Current (A)," + ",".join(names) + "\n"
    text += "".join(
        f"{i},5.0,1.0," + ",".join(f"{(i * k) % 101 / 10:.1f}" for k in (37, 41, 43, 53)) + "\n" for i in range(60)
    )
    path = _file(tmp_path, text)
    (question,) = inspect(path).questions
    assert question.id == "others"
    assert all(f"`{n}`" in question.text for n in names)
    assert inspect(path, answers={"others": "unused"}).is_sure


def test_a_unit_answered_for_one_port_holds_for_the_other(tmp_path):
    text = "Time (s),C1 voltage (V),C1 current,A1 voltage (V),A1 current\n"
    text += "".join(f"{i},5.0,{2 + i % 3 / 10},5.1,{1 + i % 4 / 10}\n" for i in range(40))
    path = _file(tmp_path, text)
    assert [q.id for q in inspect(path).questions][:1] == ["unit.3"]
    found = inspect(path, answers={"unit.3": "mA"})
    assert found.is_sure, found.questions
    assert [c.factor for c in found.columns if c.channel == "current_a"] == [1e-3, 1e-3]


def test_rows_without_a_clock_are_counted_once_the_interval_is_said(tmp_path):
    text = "Voltage (V),Current (A)\n" + "".join(f"5.0{i % 7},1.2{i % 5}\n" for i in range(40))
    path = _file(tmp_path, text)
    assert [q.id for q in inspect(path).questions] == ["interval"]
    sink = Kept()
    outcome = read(path, inspect(path, answers={"interval": "2"}), sink)
    (frame,) = sink.frames().values()
    assert frame["t_s"].to_list() == [2.0 * i for i in range(40)]
    assert outcome.account.samples == 40
