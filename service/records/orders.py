"""Queries about orders."""

from __future__ import annotations

from sqlalchemy import select

from service.records.listing import narrow, page
from service.records.store import UnitOfWork
from service.records.tables import Order


async def page_orders(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    farm_id: int | None,
    crop_id: int | None,
    active: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Order], int | None]:
    """Return a page of orders."""
    statement = narrow(
        select(Order),
        (Order.farm_id, within_farm),
        (Order.farm_id, farm_id),
        (Order.crop_id, crop_id),
        (Order.active, active),
    )
    return await page(uow, statement, Order.id, after, limit)


async def orders_of(uow: UnitOfWork, farm_id: int) -> list[Order]:
    """Return every order of a farm, those called off included, by id."""
    return list(await uow.session.scalars(select(Order).where(Order.farm_id == farm_id).order_by(Order.id)))
