"""Reading rows by id and in pages."""

from __future__ import annotations

from typing import Any, TypeVar

from sqlalchemy import Select
from sqlalchemy.orm import InstrumentedAttribute

from service.records.store import UnitOfWork
from service.records.tables import Base

Row = TypeVar("Row", bound=Base)

MAX_ID = 2**63 - 1


async def find(uow: UnitOfWork, table: type[Row], row_id: int) -> Row | None:
    """Return the row with an id, if there is one."""
    if not 0 < row_id <= MAX_ID:
        return None
    return await uow.session.get(table, row_id)


async def known(uow: UnitOfWork, table: type[Row], row_id: int) -> Row:
    """Return the row that another row refers to, so that it must be there."""
    return await uow.session.get_one(table, row_id)


def narrow(statement: Select[Row], *filters: tuple[Any, Any]) -> Select[Row]:
    """Keep the rows where each column has its value; a value of None leaves that column free."""
    for column, value in filters:
        if value is not None:
            statement = statement.where(column == value)
    return statement


async def page(
    uow: UnitOfWork,
    statement: Select[Row],
    key: InstrumentedAttribute[int],
    after: int | None,
    limit: int,
    *,
    newest_first: bool = False,
) -> tuple[list[Row], int | None]:
    """Return up to ``limit`` rows that come after the id ``after``, and the id to go on after if there are more.

    Ids rise from row to row, or fall with ``newest_first``.
    """
    if after is not None:
        statement = statement.where(key < after if newest_first else key > after)
    order = key.desc() if newest_first else key
    rows = list(await uow.session.scalars(statement.order_by(order).limit(limit + 1)))
    if len(rows) <= limit:
        return rows, None
    kept = rows[:limit]
    return kept, int(getattr(kept[-1], key.key))
