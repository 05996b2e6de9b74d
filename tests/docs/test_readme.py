"""README is true: its commands are the ones that work, its examples run, it is short."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.docs.command_words import commands

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
TEXT = README.read_text("utf-8")


def blocks(language: str) -> list[str]:
    """Code blocks of a language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", TEXT, re.DOTALL | re.MULTILINE)


def test_it_is_read_in_a_few_minutes() -> None:
    """What is longer stands in the guide."""
    assert len(TEXT.splitlines()) < 150


def test_the_two_commands_stand_as_one_line_each() -> None:
    """One line sets up and opens the demo, one runs the tests; .ci/run takes the second from here."""
    lines = [line for block in blocks("sh") for line in block.splitlines() if line.startswith("python3 -m venv .venv")]
    assert [line.rsplit("/", 1)[-1] for line in lines] == ["joulebook demo", "pytest"]
    pattern = re.search(r"grep -m 1 -E '([^']+)' README.md", (ROOT / ".ci" / "run").read_text("utf-8"))
    assert pattern
    found = [line for line in TEXT.splitlines() if re.search(pattern[1], line)]
    assert found == lines[1:]


def test_pictures_and_linked_files_exist() -> None:
    """Every relative link leads somewhere."""
    links = re.findall(r"\]\(([^)#:]+)\)", TEXT)
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_every_command_in_an_example_exists() -> None:
    """A command that README shows is one that the program has."""
    known = {name.removeprefix("joulebook ") for name, _ in commands()}
    shown = {
        found[1]
        for block in blocks("sh")
        for line in block.splitlines()
        if (found := re.match(r"(?:echo .*\| )?joulebook (?:--\S+ \S+ )?([a-z]+)", line))
    }
    assert shown
    assert {word for word in shown if not any(name.split()[0] == word for name in known)} == set()


def test_no_registry_and_no_machine_is_named() -> None:
    """README and DEVELOPERS name no package registry host and no path of one machine."""
    for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", ".ci/run", "pyproject.toml"):
        text = (ROOT / name).read_text("utf-8").lower()
        assert not re.search(r"index-url|/root/|/home/\w|pip install \S*://", text), name


@pytest.mark.parametrize("sql", blocks("sql"), ids=lambda sql: sql.splitlines()[0][3:40])
def test_sql_examples_answer_on_the_demo(sql: str, demo_library: Path) -> None:
    """Each of README's questions has an answer in the demo library."""
    from store import Library

    answer = Library.open(demo_library).sql.run(sql)
    assert answer.table.num_rows > 0
    assert not answer.is_cut


def test_there_is_a_sql_example() -> None:
    """One to begin with; the guide and the saved queries have more."""
    assert blocks("sql")


def test_python_example_runs(demo_library: Path) -> None:
    """The lines of README, on the demo library: runs as a frame, a trace, SQL as Arrow."""
    (code,) = blocks("python")
    assert len([line for line in code.splitlines() if line.strip()]) == 6
    names: dict[str, object] = {}
    exec(compile(code.replace('"survey-store"', repr(str(demo_library))), "README.md", "exec"), names)
    assert names["runs"].height >= 20  # type: ignore[attr-defined]
    assert names["trace"].height > 100  # type: ignore[attr-defined]
    assert names["best"].num_rows >= 9  # type: ignore[attr-defined]
