"""What was concluded, for those who ask: forecasts, advice and alerts, newest first."""

from __future__ import annotations

from service.records import conclusions as records
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Forecast
from service.work.access import Access
from service.work.batches import get_batch
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.places import get_house
from service.work.programme import get_succession


async def list_forecasts(
    uow: UnitOfWork, access: Access, batch_id: int, *, after: int | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[list[Forecast], int | None]:
    """Return the forecasts of a batch and the id to go on after; the first one holds."""
    check_page(after, limit)
    await get_batch(uow, access, batch_id)
    return await records.page_forecasts(uow, batch_id, after=after, limit=limit)


async def list_advice(
    uow: UnitOfWork,
    access: Access,
    succession_id: int,
    *,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Advice], int | None]:
    """Return the advice for a succession and the id to go on after; the first one holds."""
    check_page(after, limit)
    await get_succession(uow, access, succession_id)
    return await records.page_advice(uow, succession_id, after=after, limit=limit)


async def list_alerts(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    open_: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Alert], int | None]:
    """Return alerts and the id to go on after."""
    check_page(after, limit, house_id=house_id)
    if house_id is not None:
        await get_house(uow, access, house_id)
    return await records.page_alerts(
        uow, within_farm=access.farm_id, house_id=house_id, open_=open_, after=after, limit=limit
    )
