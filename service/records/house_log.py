"""Queries about the house's log."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import aliased

from service.records.listing import narrow, page
from service.records.saving import saving
from service.records.store import UnitOfWork
from service.records.tables import HouseLogEntry


async def insert_log_entry(uow: UnitOfWork, entry: HouseLogEntry) -> None:
    """Append to a house's log."""
    async with saving(uow):
        uow.session.add(entry)


async def correction_of(uow: UnitOfWork, entry_id: int) -> HouseLogEntry | None:
    """Return the entry that corrects another one, if there is one."""
    found: HouseLogEntry | None = await uow.session.scalar(
        select(HouseLogEntry).where(HouseLogEntry.supersedes_id == entry_id)
    )
    return found


async def page_log(
    uow: UnitOfWork,
    house_id: int,
    *,
    kind: str | None,
    since: datetime | None,
    before: datetime | None,
    holding: bool,
    after: int | None,
    limit: int,
) -> tuple[list[HouseLogEntry], int | None]:
    """Return a page of a house's log in the order of recording; ``holding``: only what holds."""
    statement = narrow(
        select(HouseLogEntry).where(HouseLogEntry.house_id == house_id), (HouseLogEntry.kind, kind)
    )
    if since is not None:
        statement = statement.where(HouseLogEntry.happened_at >= since)
    if before is not None:
        statement = statement.where(HouseLogEntry.happened_at < before)
    if holding:
        later = aliased(HouseLogEntry)
        corrected = select(later.id).where(later.supersedes_id == HouseLogEntry.id).exists()
        statement = statement.where(HouseLogEntry.void.is_(False), ~corrected)
    return await page(uow, statement, HouseLogEntry.id, after, limit)
