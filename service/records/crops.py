"""Queries about crops and cultivars."""

from __future__ import annotations

from sqlalchemy import select

from service.records.listing import narrow, page
from service.records.store import UnitOfWork
from service.records.tables import Crop, Cultivar


async def page_crops(
    uow: UnitOfWork, *, within_farm: int | None, farm_id: int | None, after: int | None, limit: int
) -> tuple[list[Crop], int | None]:
    """Return a page of crops."""
    statement = narrow(select(Crop), (Crop.farm_id, within_farm), (Crop.farm_id, farm_id))
    return await page(uow, statement, Crop.id, after, limit)


async def page_cultivars(
    uow: UnitOfWork, *, within_farm: int | None, crop_id: int | None, after: int | None, limit: int
) -> tuple[list[Cultivar], int | None]:
    """Return a page of cultivars."""
    statement = narrow(
        select(Cultivar).join(Crop, Crop.id == Cultivar.crop_id),
        (Crop.farm_id, within_farm),
        (Cultivar.crop_id, crop_id),
    )
    return await page(uow, statement, Cultivar.id, after, limit)
