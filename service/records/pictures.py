"""Queries about pictures of entries."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import func, select

from service.records.listing import among
from service.records.store import UnitOfWork
from service.records.tables import Entry, Picture


async def picture_ids(uow: UnitOfWork, batch_id: int) -> dict[int, list[int]]:
    """Return the ids of the pictures of a batch's entries, by entry, without reading the pictures."""
    rows = await uow.session.execute(
        select(Picture.entry_id, Picture.id)
        .join(Entry, Entry.id == Picture.entry_id)
        .where(Entry.batch_id == batch_id)
        .order_by(Picture.id)
    )
    found: dict[int, list[int]] = {}
    for entry_id, picture_id in rows:
        found.setdefault(entry_id, []).append(picture_id)
    return found


async def same_picture(uow: UnitOfWork, entry_id: int, sha256: str) -> Picture | None:
    """Return the picture of an entry with these bytes, if it is there."""
    found: Picture | None = await uow.session.scalar(
        select(Picture).where(Picture.entry_id == entry_id, Picture.sha256 == sha256)
    )
    return found


async def count_pictures(uow: UnitOfWork, entry_ids: Collection[int]) -> int:
    """Return how many pictures entries have."""
    statement = select(func.count(Picture.id)).where(among(uow, Picture.entry_id, entry_ids))
    return int(await uow.session.scalar(statement) or 0)
