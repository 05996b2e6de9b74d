"""Aligned tables: figures on the decimal point, hostile text harmless, wide signs counted in cells."""

from __future__ import annotations

from tui.render.plain import width_of
from tui.render.tables import Head, facts_block, tabbed, table


def test_numbers_stand_on_their_decimal_point() -> None:
    """61.2 and 7.44 have their points under each other."""
    lines = table([Head("Wh", is_number=True)], [["61.2"], ["7.44"], [None]])
    assert lines == ["   Wh", "61.2", " 7.44", ""]


def test_brackets_and_escapes_are_shown_as_they_are() -> None:
    """`Current [mA]` keeps its unit, an escape sequence loses its power."""
    (_, line) = table([Head("column")], [["Current [mA] \x1b[31m[/]"]])
    assert "Current [mA]" in line
    assert "[/]" in line
    assert "\x1b" not in line


def test_a_line_fits_the_terminal_by_cutting_what_may_shrink() -> None:
    """The long column is cut with a mark; the others stay whole."""
    columns = [Head("run", is_number=True), Head("device", may_shrink=True), Head("kind")]
    lines = table(columns, [["417", "P" * 60, "discharge"]], width=40)
    assert all(width_of(line) <= 40 for line in lines)
    assert "417" in lines[1]
    assert lines[1].endswith("discharge")
    assert "…" in lines[1]


def test_without_a_width_nothing_is_cut() -> None:
    """A pipe gets every character."""
    (_, line) = table([Head("device", may_shrink=True)], [["P" * 300]])
    assert line == "P" * 300


def test_wide_signs_take_two_cells() -> None:
    """Columns stay aligned where a name holds East Asian wide characters."""
    lines = table([Head("name"), Head("x")], [["電池", "1"], ["ab", "2"]])
    assert [width_of(line[: line.rindex(mark)]) for line, mark in zip(lines[1:], "12", strict=True)] == [6, 6]


def test_tabs_part_the_cells_of_plain_output() -> None:
    """One record per line; a tab or line end inside a cell can't break the record."""
    lines = tabbed([Head("a"), Head("b")], [["x\ty", "p\nq"]])
    assert lines[0] == "a\tb"
    assert lines[1].count("\t") == 1
    assert len(lines) == 2


def test_facts_without_a_value_are_left_out() -> None:
    """No name stands before nothing."""
    assert facts_block([("port", "C1"), ("note", None), ("meter", "")]) == ["  port  C1"]


def test_a_sentence_goes_on_below_where_the_line_is_narrow():
    """Nothing of a reason is lost at any width; a pipe gets it in one line."""
    columns = [Head("device"), Head("because", wraps=True)]
    reason = "the load was cut back after 33 minutes and the case was still getting warmer"
    rows = [("PB-03", reason), ("PB-04", "short")]
    assert len(table(columns, rows)) == 3
    for width in (30, 40, 60):
        lines = table(columns, rows, width=width)
        assert max(map(len, lines)) <= width
        assert " ".join(" ".join(lines[1:-1]).split()) == f"PB-03 {reason}"
        assert lines[-1].split() == ["PB-04", "short"]
