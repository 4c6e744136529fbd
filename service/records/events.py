"""Queries about house events and pushed weather forecasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, cast

from sqlalchemy import Table, func, select

from service.records.listing import among, narrow, page
from service.records.store import UnitOfWork, upsert
from service.records.tables import Cultivar, House, HouseEvent, Sensor, Succession, WeatherForecast

_weather = cast(Table, WeatherForecast.__table__)


async def page_events(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    kind: str | None,
    active: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[HouseEvent], int | None]:
    """Return a page of house events."""
    statement = narrow(
        select(HouseEvent).join(House, House.id == HouseEvent.house_id),
        (House.farm_id, within_farm),
        (HouseEvent.house_id, house_id),
        (HouseEvent.kind, kind),
        (HouseEvent.active, active),
    )
    return await page(uow, statement, HouseEvent.id, after, limit)


async def events_of(uow: UnitOfWork, house_id: int) -> list[HouseEvent]:
    """Return the events of a house that were not called off, in order of their starts."""
    statement = (
        select(HouseEvent)
        .where(HouseEvent.house_id == house_id, HouseEvent.active)
        .order_by(HouseEvent.starts_on, HouseEvent.id)
    )
    return list(await uow.session.scalars(statement))


async def seasons_of(uow: UnitOfWork, successions: Sequence[Succession]) -> dict[int, list[int]]:
    """Return the months in which all cultivars of a succession are in season; only of those that have one."""
    of = {s.id: {s.cultivar_id, *(part.cultivar_id for part in s.cultivars)} - {None} for s in successions}
    known = {cultivar_id for ids in of.values() for cultivar_id in ids if cultivar_id is not None}
    statement = select(Cultivar.id, Cultivar.season_months).where(among(uow, Cultivar.id, known))
    seasons = {
        row.id: set(row.season_months) for row in await uow.session.execute(statement) if row.season_months
    }
    return {
        succession_id: sorted(set.intersection(*months))
        for succession_id, ids in of.items()
        if (months := [seasons[i] for i in ids if i in seasons])
    }


async def outdoor_sensors(uow: UnitOfWork, house_id: int, quantity: str) -> list[Sensor]:
    """Return the sensors of a quantity outdoors at a house, retired ones too."""
    statement = (
        select(Sensor)
        .where(Sensor.house_id == house_id, Sensor.zone_id.is_(None), Sensor.quantity == quantity)
        .order_by(Sensor.id)
    )
    return list(await uow.session.scalars(statement))


async def save_weather(uow: UnitOfWork, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store hours of a weather forecast; those of the same issue are overwritten."""
    await upsert(
        uow,
        _weather,
        rows,
        key=("house_id", "at", "issued_at"),
        update=("global_w_m2", "temp_out_c"),
    )


async def newest_weather(
    uow: UnitOfWork, house_id: int, since: datetime, issued_by: datetime
) -> list[WeatherForecast]:
    """Return each hour from ``since`` on as its newest issue up to ``issued_by`` says it, in order of time."""
    newest = (
        select(WeatherForecast.at, func.max(WeatherForecast.issued_at).label("issued_at"))
        .where(
            WeatherForecast.house_id == house_id,
            WeatherForecast.at >= since,
            WeatherForecast.issued_at <= issued_by,
        )
        .group_by(WeatherForecast.at)
        .subquery()
    )
    statement = (
        select(WeatherForecast)
        .join(newest, (WeatherForecast.at == newest.c.at) & (WeatherForecast.issued_at == newest.c.issued_at))
        .where(WeatherForecast.house_id == house_id)
        .order_by(WeatherForecast.at)
    )
    return list(await uow.session.scalars(statement))
