"""Queries about farms, houses, zones and what is programmed in them."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import func, select

from service.records.listing import among, known, narrow, page
from service.records.store import UnitOfWork
from service.records.tables import Farm, House, Section, Succession, Zone


async def house_of(uow: UnitOfWork, house_id: int) -> House:
    """Return a house that is known to be there."""
    return await known(uow, House, house_id)


async def houses_of(uow: UnitOfWork, farm_id: int) -> list[House]:
    """Return the houses of a farm, by id."""
    return list(await uow.session.scalars(select(House).where(House.farm_id == farm_id).order_by(House.id)))


async def zones_of(uow: UnitOfWork, house_id: int) -> list[Zone]:
    """Return the zones of a house, by id."""
    return list(await uow.session.scalars(select(Zone).where(Zone.house_id == house_id).order_by(Zone.id)))


async def sections_of(uow: UnitOfWork, house_id: int) -> list[Section]:
    """Return the sections of a house, those out of use included, by id."""
    statement = (
        select(Section)
        .join(Zone, Zone.id == Section.zone_id)
        .where(Zone.house_id == house_id)
        .order_by(Section.id)
    )
    return list(await uow.session.scalars(statement))


async def lock_sections(uow: UnitOfWork, section_ids: Collection[int]) -> list[Section]:
    """Return sections on which nobody else can put plants until this transaction ends, by id.

    PostgreSQL locks the rows, in the order of their ids; on SQLite the transaction holds the only write lock.
    """
    statement = (
        select(Section)
        .where(among(uow, Section.id, section_ids))
        .order_by(Section.id)
        .with_for_update(key_share=True)
        .execution_options(populate_existing=True)
    )
    return list(await uow.session.scalars(statement))


async def lock_zone(uow: UnitOfWork, zone_id: int) -> None:
    """Let nobody else change the zone or its sections until this transaction ends."""
    await uow.session.execute(select(Zone.id).where(Zone.id == zone_id).with_for_update(key_share=True))


async def sites_in_sections(uow: UnitOfWork, zone_id: int, *, but: int | None = None) -> int:
    """Return the sites of a zone's sections in use, leaving out one of them."""
    statement = select(func.coalesce(func.sum(Section.sites), 0)).where(
        Section.zone_id == zone_id, Section.active
    )
    if but is not None:
        statement = statement.where(Section.id != but)
    return int(await uow.session.scalar(statement) or 0)


async def successions_of(uow: UnitOfWork, house_id: int) -> list[Succession]:
    """Return the successions of a house, inactive ones included, by id."""
    return list(
        await uow.session.scalars(
            select(Succession).where(Succession.house_id == house_id).order_by(Succession.id)
        )
    )


async def all_house_ids(uow: UnitOfWork) -> list[int]:
    """Return the ids of every house."""
    return list(await uow.session.scalars(select(House.id).order_by(House.id)))


async def house_ids_named(uow: UnitOfWork, name: str) -> list[int]:
    """Return the ids of the houses with a code; where none has it, of the one with that id."""
    found = list(await uow.session.scalars(select(House.id).where(House.code == name).order_by(House.id)))
    if not found and name.isascii() and name.isdecimal() and len(name) <= 9:
        found = list(await uow.session.scalars(select(House.id).where(House.id == int(name))))
    return found


async def page_farms(
    uow: UnitOfWork, *, farm_id: int | None, after: int | None, limit: int
) -> tuple[list[Farm], int | None]:
    """Return a page of farms, or of the one farm an asker is limited to."""
    return await page(uow, narrow(select(Farm), (Farm.id, farm_id)), Farm.id, after, limit)


async def page_houses(
    uow: UnitOfWork, *, within_farm: int | None, farm_id: int | None, after: int | None, limit: int
) -> tuple[list[House], int | None]:
    """Return a page of houses."""
    statement = narrow(select(House), (House.farm_id, within_farm), (House.farm_id, farm_id))
    return await page(uow, statement, House.id, after, limit)


async def page_zones(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    kind: str | None,
    after: int | None,
    limit: int,
) -> tuple[list[Zone], int | None]:
    """Return a page of zones."""
    statement = narrow(
        select(Zone).join(House, House.id == Zone.house_id),
        (House.farm_id, within_farm),
        (Zone.house_id, house_id),
        (Zone.kind, kind),
    )
    return await page(uow, statement, Zone.id, after, limit)


async def page_sections(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    zone_id: int | None,
    active: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Section], int | None]:
    """Return a page of sections."""
    statement = narrow(
        select(Section).join(Zone, Zone.id == Section.zone_id).join(House, House.id == Zone.house_id),
        (House.farm_id, within_farm),
        (Zone.house_id, house_id),
        (Section.zone_id, zone_id),
        (Section.active, active),
    )
    return await page(uow, statement, Section.id, after, limit)


async def page_successions(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    crop_id: int | None,
    active: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Succession], int | None]:
    """Return a page of successions."""
    statement = narrow(
        select(Succession).join(House, House.id == Succession.house_id),
        (House.farm_id, within_farm),
        (Succession.house_id, house_id),
        (Succession.crop_id, crop_id),
        (Succession.active, active),
    )
    return await page(uow, statement, Succession.id, after, limit)
