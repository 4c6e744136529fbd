"""Writing rows, and what the database says when it will not take them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any

from sqlalchemy import inspect
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm.attributes import flag_modified
from sqlalchemy.orm.exc import StaleDataError

from service.records.store import UnitOfWork

_UNIQUE_SQLSTATE = "23505"
_UNIQUE_SQLITE = "SQLITE_CONSTRAINT_UNIQUE"


class Taken(Exception):  # noqa: N818 - an answer of the database, not an accident
    """Another row has this unique value already."""


class Stale(Exception):  # noqa: N818
    """The row was changed by someone else since it was read."""


@asynccontextmanager
async def saving(uow: UnitOfWork) -> AsyncIterator[None]:
    """Send what is added and changed inside; if it clashes, take just that back.

    Raises
    ------
    Taken
        If a unique value is in use.
    Stale
        If a row changed since it was read.
    """
    try:
        async with uow.session.begin_nested():
            yield
            await uow.flush()
    except IntegrityError as error:
        if _is_unique_violation(error):
            raise Taken from error
        raise
    except StaleDataError as error:
        raise Stale from error


async def insert(uow: UnitOfWork, row: Any) -> None:
    """Add a row; its id is known afterwards."""
    async with saving(uow):
        uow.session.add(row)


def change(row: Any, changes: Mapping[str, Any]) -> None:
    """Change a row; its version also counts a change of the rows that hang on it."""
    for name, value in changes.items():
        setattr(row, name, value)
    mapper = inspect(type(row))
    if mapper.relationships.keys() & changes.keys():
        flag_modified(row, next(c.key for c in mapper.column_attrs if not c.columns[0].primary_key))


def _is_unique_violation(error: IntegrityError) -> bool:
    # SQLAlchemy wraps asyncpg's errors; the driver's own sits behind it.
    driver = getattr(error.orig, "driver_exception", None) or error.orig
    return (
        getattr(driver, "sqlstate", None) == _UNIQUE_SQLSTATE
        or getattr(driver, "sqlite_errorname", None) == _UNIQUE_SQLITE
    )
