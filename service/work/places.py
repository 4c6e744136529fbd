"""Farms, houses and zones."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import places as records
from service.records.days import forget_days
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import Farm, House, Zone
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotAllowed, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page

ZONE_KINDS = ("nursery", "channels")


def _time_zone(value: Any) -> str:
    try:
        return ZoneInfo(value).key
    except (ValueError, TypeError, AttributeError, OSError, KeyError) as error:
        # ZoneInfo reads a file: a name that is a folder or no name at all fails in its own way.
        raise ValueError("it must be an IANA time zone, for example Europe/Paris") from error


_PHONE = re.compile(r"\+?[0-9 ()./-]+(?: ?(?:x|ext\.?) ?[0-9]{1,8})?")


def _phone(value: Any) -> str:
    text: str = fields.text(40)(value)
    # E.164 has at most 15 digits; no source says how few there may be.
    digits = sum(c.isdigit() for c in re.split("[xe]", text)[0])
    if not text.isascii() or not _PHONE.fullmatch(text) or not 5 <= digits <= 15:
        raise ValueError("it must be a telephone number of 5 to 15 digits, for example +1 555 010 0199")
    return text


_FARM = {
    "name": Field(fields.text(), required=True),
    "address": Field(fields.text(300), nullable=True),
    "phone": Field(_phone, nullable=True),
}
_FARM_TAKEN = FieldProblem("name", "another farm has this name")

HOUSE = {
    "farm_id": Field(fields.reference, required=True, fixed=True),
    "name": Field(fields.text(), required=True),
    "code": Field(fields.code, required=True),
    "latitude_deg": Field(fields.number(-90, 90, "degrees north"), required=True),
    "longitude_deg": Field(fields.number(-180, 180, "degrees east"), required=True),
    "elevation_m": Field(fields.number(-450, 6000, "m")),
    "time_zone": Field(_time_zone, required=True),
    "light_transmission": Field(fields.number(0, 1, "(inside over outside light)", above=True)),
    "co2_ppm": Field(fields.number(100, 3000, "ppm")),
    "temp_heat_day_c": Field(fields.number(-10, 45, "degC")),
    "temp_heat_night_c": Field(fields.number(-10, 45, "degC")),
    "temp_vent_c": Field(fields.number(-10, 50, "degC")),
    "lamp_ppfd_umol": Field(fields.number(0, 2000, "umol m-2 s-1")),
    "lamp_start_h": Field(fields.number(0, 24, "h (local clock)")),
    "lamp_hours": Field(fields.number(0, 24, "h a day")),
}
_HOUSE_TAKEN = FieldProblem("code", "another house of this farm has this code")

_ZONE = {
    "house_id": Field(fields.reference, required=True, fixed=True),
    "name": Field(fields.text(), required=True),
    "code": Field(fields.code, required=True),
    "kind": Field(fields.one_of(*ZONE_KINDS), required=True, fixed=True),
    "capacity": Field(fields.whole(1), required=True),
    "plants_m2": Field(fields.number(0, 5000, "plants m-2", above=True), required=True),
}
_ZONE_TAKEN = FieldProblem("code", "another zone of this house has this code")


# --------------------------------------------------------------------------- farms


async def create_farm(uow: UnitOfWork, clock: Clock, access: Access, values: Mapping[str, Any]) -> Farm:
    """Make a farm; only for those who may see every farm."""
    if access.farm_id is not None:
        raise NotAllowed(f"you are limited to farm {access.farm_id}")
    farm = Farm(**checked_new(_FARM, values), created_at=clock.now())
    await saving.insert(uow, farm, _FARM_TAKEN)
    return farm


async def get_farm(uow: UnitOfWork, access: Access, farm_id: int) -> Farm:
    """Return a farm."""
    farm = await find(uow, Farm, farm_id)
    if farm is None:
        raise NotFound(f"there is no farm {farm_id}")
    require(access, farm.id)
    return farm


async def list_farms(
    uow: UnitOfWork, access: Access, *, after: int | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[list[Farm], int | None]:
    """Return a page of farms and the id to go on after."""
    check_page(after, limit)
    return await records.page_farms(uow, farm_id=access.farm_id, after=after, limit=limit)


async def change_farm(
    uow: UnitOfWork,
    access: Access,
    farm_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Farm:
    """Change a farm."""
    farm = await get_farm(uow, access, farm_id)
    await saving.update(uow, farm, checked_changes(_FARM, farm, changes), expected_version, _FARM_TAKEN)
    return farm


# --------------------------------------------------------------------------- houses


async def create_house(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> House:
    """Make a house of a farm."""
    house = House(**checked_new(HOUSE, values))
    await referred_farm(uow, access, house.farm_id)
    _check_set_points(house)
    await saving.insert(uow, house, _HOUSE_TAKEN)
    return house


async def get_house(uow: UnitOfWork, access: Access, house_id: int) -> House:
    """Return a house."""
    house = await find(uow, House, house_id)
    if house is None:
        raise NotFound(f"there is no house {house_id}")
    require(access, house.farm_id)
    return house


async def list_houses(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[House], int | None]:
    """Return a page of houses and the id to go on after."""
    check_page(after, limit, farm_id=farm_id)
    return await records.page_houses(
        uow, within_farm=access.farm_id, farm_id=farm_id, after=after, limit=limit
    )


async def change_house(
    uow: UnitOfWork,
    access: Access,
    house_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> House:
    """Change a house."""
    house = await get_house(uow, access, house_id)
    cleaned = checked_changes(HOUSE, house, changes)
    _check_set_points(Merged(house, cleaned))
    if cleaned.get("time_zone", house.time_zone) != house.time_zone:
        await forget_days(uow, house.id)
    await saving.update(uow, house, cleaned, expected_version, _HOUSE_TAKEN)
    return house


def _check_set_points(house: House | Merged) -> None:
    for name in ("temp_heat_day_c", "temp_heat_night_c"):
        heat = getattr(house, name)
        if heat > house.temp_vent_c:
            raise impossible(
                name, f"it is {heat:g} degC, above the ventilation set point {house.temp_vent_c:g} degC"
            )


async def referred_farm(uow: UnitOfWork, access: Access, farm_id: int) -> Farm:
    """Return the farm that a field ``farm_id`` refers to."""
    farm = await find(uow, Farm, farm_id)
    if farm is None or access.farm_id not in {None, farm.id}:
        raise impossible("farm_id", f"there is no farm {farm_id}")
    return farm


async def referred_house(uow: UnitOfWork, access: Access, house_id: int) -> House:
    """Return the house that a field ``house_id`` refers to."""
    house = await find(uow, House, house_id)
    if house is None or access.farm_id not in {None, house.farm_id}:
        raise impossible("house_id", f"there is no house {house_id}")
    return house


# --------------------------------------------------------------------------- zones


async def create_zone(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> Zone:
    """Make a zone of a house."""
    zone = Zone(**checked_new(_ZONE, values))
    await referred_house(uow, access, zone.house_id)
    await saving.insert(uow, zone, _ZONE_TAKEN)
    return zone


async def get_zone(uow: UnitOfWork, access: Access, zone_id: int) -> Zone:
    """Return a zone."""
    zone = await find(uow, Zone, zone_id)
    if zone is None:
        raise NotFound(f"there is no zone {zone_id}")
    require(access, (await records.house_of(uow, zone.house_id)).farm_id)
    return zone


async def list_zones(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    kind: str | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Zone], int | None]:
    """Return a page of zones and the id to go on after."""
    check_page(after, limit, house_id=house_id)
    check_choice("kind", kind, ZONE_KINDS)
    return await records.page_zones(
        uow, within_farm=access.farm_id, house_id=house_id, kind=kind, after=after, limit=limit
    )


async def change_zone(
    uow: UnitOfWork,
    access: Access,
    zone_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Zone:
    """Change a zone."""
    zone = await get_zone(uow, access, zone_id)
    cleaned = checked_changes(_ZONE, zone, changes)
    if "capacity" in cleaned:
        await records.lock_zone(uow, zone.id)
        in_sections = await records.sites_in_sections(uow, zone.id)
        if cleaned["capacity"] < in_sections:
            raise impossible("capacity", f"its sections have {in_sections} sites already")
    await saving.update(uow, zone, cleaned, expected_version, _ZONE_TAKEN)
    return zone


async def referred_zone(
    uow: UnitOfWork, house_id: int, field: str, zone_id: int, kind: str | None = None
) -> Zone:
    """Return the zone that a field refers to, which must be of the house and, if said, of a kind."""
    zone = await find(uow, Zone, zone_id)
    if zone is None or zone.house_id != house_id:
        raise impossible(field, f"there is no zone {zone_id} in this house")
    if kind is not None and zone.kind != kind:
        raise impossible(field, f"zone {zone_id} is of kind {zone.kind}, and must be of kind {kind}")
    return zone
