"""Queries about tasks."""

from __future__ import annotations

from datetime import date

from sqlalchemy import select

from service.records.listing import narrow, page
from service.records.store import UnitOfWork
from service.records.tables import House, Task


async def page_tasks(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    kind: str | None,
    batch_id: int | None,
    due_from: date | None,
    due_to: date | None,
    open_: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Task], int | None]:
    """Return a page of tasks, ``due_from <= due_on <= due_to``."""
    statement = narrow(
        select(Task).join(House, House.id == Task.house_id),
        (House.farm_id, within_farm),
        (Task.house_id, house_id),
        (Task.kind, kind),
        (Task.batch_id, batch_id),
    )
    if due_from is not None:
        statement = statement.where(Task.due_on >= due_from)
    if due_to is not None:
        statement = statement.where(Task.due_on <= due_to)
    if open_ is not None:
        statement = statement.where(Task.done_at.is_(None) if open_ else Task.done_at.is_not(None))
    return await page(uow, statement, Task.id, after, limit)
