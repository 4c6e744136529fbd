"""Successions: the standing programmes of a house."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.records import places as records
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import Crop, Succession, SuccessionCultivar
from service.work import fields, saving
from service.work.access import Access
from service.work.crops import referred_cultivar
from service.work.errors import FieldProblem, Impossible, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.places import get_house, referred_house, referred_zone

_INTERVAL = fields.number(1, 60, "days")

MOST_CULTIVARS = 6
"""In a mix; three or four are usual."""
_SUM_WITHIN = 0.001

_MEMBER = {
    "cultivar_id": Field(fields.reference, required=True),
    "share": Field(fields.number(0, 1, "(share of a cell's weight)", above=True), required=True),
}


def _mix(value: Any) -> list[SuccessionCultivar]:
    """Check a mix: none, or several different cultivars whose shares add up to 1."""
    if not isinstance(value, list) or len(value) == 1 or len(value) > MOST_CULTIVARS:
        raise ValueError(f"it must be a list of 2 to {MOST_CULTIVARS} cultivars with their shares, or empty")
    try:
        members = [checked_new(_MEMBER, member) for member in value]
    except Impossible as refused:
        raise ValueError(refused.detail) from refused
    if len({m["cultivar_id"] for m in members}) < len(members):
        raise ValueError("each cultivar can be in it once")
    total = sum(m["share"] for m in members)
    if members and abs(total - 1.0) > _SUM_WITHIN:
        raise ValueError(f"the shares add up to {total:g}, and must add up to 1")
    return [
        SuccessionCultivar(cultivar_id=m["cultivar_id"], share=m["share"] / total, place=place)
        for place, m in enumerate(members)
    ]


_SUCCESSION = {
    "house_id": Field(fields.reference, required=True, fixed=True),
    "crop_id": Field(fields.reference, required=True, fixed=True),
    "cultivar_id": Field(fields.reference, nullable=True),
    "cultivars": Field(_mix),
    "nursery_zone_id": Field(fields.reference, required=True),
    "channels_zone_id": Field(fields.reference, required=True),
    "name": Field(fields.text(), required=True),
    "heads_per_harvest": Field(fields.whole(1), required=True),
    "harvest_interval_days": Field(_INTERVAL, required=True),
    "seeding_interval_days": Field(_INTERVAL, required=True),
    "seeding_weekdays": Field(fields.weekdays, required=True),
    "cells_per_seeding": Field(fields.whole(1), required=True),
    "keep_share": Field(fields.number(0, 1, "(share of the cells seeded)", above=True), required=True),
    "active": Field(fields.flag),
}
_TAKEN = FieldProblem("name", "another succession of this house has this name")


async def create_succession(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> Succession:
    """Make a succession of a house.

    ``cultivars`` makes it one of a mix: several cultivars in every cell, each with its share of the cell's weight.
    """
    succession = Succession(**{"cultivars": [], **checked_new(_SUCCESSION, values)})
    house = await referred_house(uow, access, succession.house_id)
    crop = await find(uow, Crop, succession.crop_id)
    if crop is None or crop.farm_id != house.farm_id:
        raise impossible("crop_id", f"there is no crop {succession.crop_id} of this farm")
    await _check_references(uow, succession)
    await saving.insert(uow, succession, _TAKEN)
    return succession


async def get_succession(uow: UnitOfWork, access: Access, succession_id: int) -> Succession:
    """Return a succession."""
    succession = await find(uow, Succession, succession_id)
    if succession is None:
        raise NotFound(f"there is no succession {succession_id}")
    await get_house(uow, access, succession.house_id)
    return succession


async def list_successions(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    crop_id: int | None = None,
    active: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Succession], int | None]:
    """Return a page of successions and the id to go on after."""
    check_page(after, limit, house_id=house_id, crop_id=crop_id)
    return await records.page_successions(
        uow,
        within_farm=access.farm_id,
        house_id=house_id,
        crop_id=crop_id,
        active=active,
        after=after,
        limit=limit,
    )


async def change_succession(
    uow: UnitOfWork,
    access: Access,
    succession_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Succession:
    """Change a succession."""
    succession = await get_succession(uow, access, succession_id)
    cleaned = checked_changes(_SUCCESSION, succession, changes)
    await _check_references(uow, Merged(succession, cleaned))
    await saving.update(uow, succession, cleaned, expected_version, _TAKEN)
    return succession


async def _check_references(uow: UnitOfWork, succession: Succession | Merged) -> None:
    house_id = succession.house_id
    nursery = await referred_zone(uow, house_id, "nursery_zone_id", succession.nursery_zone_id, "nursery")
    await referred_zone(uow, house_id, "channels_zone_id", succession.channels_zone_id, "channels")
    await referred_cultivar(uow, succession.crop_id, succession.cultivar_id)
    if succession.cultivars and succession.cultivar_id is not None:
        raise impossible("cultivars", "a succession has one cultivar_id or a mix of cultivars, not both")
    for member in succession.cultivars:
        await referred_cultivar(uow, succession.crop_id, member.cultivar_id, "cultivars")
    if succession.cells_per_seeding > nursery.capacity:
        raise impossible(
            "cells_per_seeding",
            f"it is {succession.cells_per_seeding}, and the nursery holds {nursery.capacity} cells",
        )
