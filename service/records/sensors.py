"""Queries about sensors."""

from __future__ import annotations

from sqlalchemy import select

from service.records.listing import narrow, page
from service.records.store import UnitOfWork
from service.records.tables import House, Sensor


async def page_sensors(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    zone_id: int | None,
    quantity: str | None,
    active: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Sensor], int | None]:
    """Return a page of sensors."""
    statement = narrow(
        select(Sensor).join(House, House.id == Sensor.house_id),
        (House.farm_id, within_farm),
        (Sensor.house_id, house_id),
        (Sensor.zone_id, zone_id),
        (Sensor.quantity, quantity),
        (Sensor.active, active),
    )
    return await page(uow, statement, Sensor.id, after, limit)
