"""Saving rows, with the database's refusals turned into answers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Protocol

from service.records import saving
from service.records.store import UnitOfWork
from service.work.errors import Conflict, FieldProblem, StaleVersion


class Versioned(Protocol):
    """A row that counts its changes."""

    @property
    def version(self) -> int:
        """The number of times it was written."""
        ...


@contextmanager
def refusals(taken: FieldProblem, expected_version: int | None = None) -> Iterator[None]:
    """Turn a unique value in use and a row changed meanwhile into :class:`Conflict`."""
    try:
        yield
    except saving.Taken as error:
        raise Conflict(taken.problem, taken) from error
    except saving.Stale as error:
        kind = Conflict if expected_version is None else StaleVersion
        raise kind("it was changed by someone else at the same time; read it again") from error


def check_version(row: Versioned, expected_version: int | None) -> None:
    """Refuse a change that was made from another version of the row than the one that holds."""
    if expected_version is not None and row.version != expected_version:
        raise StaleVersion(f"it is at version {row.version} now, not {expected_version}; read it again")


async def insert(uow: UnitOfWork, row: object, taken: FieldProblem) -> None:
    """Add a row, saying ``taken`` if its name or code is in use."""
    with refusals(taken):
        await saving.insert(uow, row)


async def update(
    uow: UnitOfWork,
    row: Versioned,
    changes: Mapping[str, Any],
    expected_version: int | None,
    taken: FieldProblem,
) -> None:
    """Change columns of a row, saying ``taken`` if its new name or code is in use."""
    check_version(row, expected_version)
    with refusals(taken, expected_version):
        async with saving.saving(uow):
            saving.change(row, changes)
