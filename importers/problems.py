"""What can be wrong with an export: one exception family, and problems as values with line and column.

Knows words only: no file is opened here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Self

from importers.schema import Problem

if TYPE_CHECKING:
    from importers.decide.plan import Question

__all__ = ["ImportProblem", "ImportRefused", "ProfileInvalid"]


class ImportProblem(Exception):  # noqa: N818 - the layer's family; the names below say what happened
    """Base of everything that importers raise for a person's input."""


class ImportRefused(ImportProblem):
    """An export can't be imported as it stands; `problems` says why and what to do."""

    def __init__(self, problems: Iterable[Problem], questions: Iterable[Question] = ()) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        self.questions: tuple[Question, ...] = tuple(questions)
        """What is to be answered first, where that is why."""
        super().__init__("; ".join(problem.message for problem in self.problems))

    @classmethod
    def because(
        cls, code: str, message: str, *, file: str = "", line: int | None = None, column: str | None = None
    ) -> Self:
        """Make a refusal of one problem."""
        return cls([Problem(code, "error", message, file=file, line=line, column=column)])

    def __reduce__(self) -> tuple[type[Self], tuple[tuple[Problem, ...], tuple[Question, ...]]]:
        """Let worker processes hand refusals back."""
        return type(self), (self.problems, self.questions)


class ProfileInvalid(ImportProblem):
    """A profile's text can't be used; the message names the line or key."""

    @classmethod
    def at(cls, source: str, what: str) -> Self:
        """Make the sentence: which profile, what is wrong, what to do."""
        return cls(f"Profile {source}: {what}. Correct the file, or remove it and import again with no profile.")
