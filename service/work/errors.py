"""What a use case says when it cannot do what was asked. The interfaces turn these into their own answers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FieldProblem:
    """What is wrong with one field, and what would be right."""

    field: str  # snake_case name, for example "seeded_on"; "" for the whole
    problem: str
    line: int | None = None  # of the file, if that is what was brought


class WorkError(Exception):
    """A use case was asked for something it cannot do; nothing was changed."""

    def __init__(self, detail: str, *problems: FieldProblem) -> None:
        super().__init__(detail)
        self.detail = detail
        self.problems = problems


class NotFound(WorkError):  # noqa: N818 - read as an answer, not as a class of accident
    """There is no such thing, or the asker may not know of it."""


class Impossible(WorkError):  # noqa: N818
    """Well-formed, but it cannot be: a date, a count or a reference that contradicts what is recorded."""


class Conflict(WorkError):  # noqa: N818
    """It clashes with what is there now: a name taken, a row changed by someone else."""

    current: object | None = None
    """What is there now, where that helps the asker to go on."""


class StaleVersion(Conflict):
    """The row is no longer at the version that the asker had seen."""


class NotAllowed(WorkError):  # noqa: N818
    """The asker is known, but may not do this."""


def impossible(field: str, problem: str) -> Impossible:
    """Return an :class:`Impossible` about one field."""
    return Impossible(problem, FieldProblem(field, problem))
