"""What a use case says when it refuses."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from service.work.errors import WorkError


@contextmanager
def refused(kind: type[WorkError], *fields: str) -> Iterator[None]:
    """Expect a refusal of exactly this kind that names just these fields."""
    answer: WorkError | None = None
    try:
        yield
    except WorkError as error:
        answer = error
    assert type(answer) is kind, f"{kind.__name__} about {fields} was expected, not {answer!r}"
    assert sorted(problem.field for problem in answer.problems) == sorted(fields), answer.problems
    assert answer.detail
