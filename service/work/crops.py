"""Crops, cultivars, and which crop profiles there are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.records import crops as records
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import Crop, Cultivar
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.places import referred_farm
from service.work.profiles import profile, profile_names


def _profile(value: Any) -> str:
    return str(fields.one_of(*profile_names())(value))


_CROP = {
    "farm_id": Field(fields.reference, required=True, fixed=True),
    "name": Field(fields.text(), required=True),
    "profile": Field(_profile, required=True),
    "target_fresh_g": Field(fields.number(0, 5000, "g fresh weight a head", above=True), nullable=True),
    "window_open_leaves": Field(fields.number(0, 30, "true leaves", above=True), nullable=True),
    "window_close_leaves": Field(fields.number(0, 30, "true leaves", above=True), nullable=True),
}
_CROP_TAKEN = FieldProblem("name", "another crop of this farm has this name")

_CULTIVAR = {
    "crop_id": Field(fields.reference, required=True, fixed=True),
    "name": Field(fields.text(), required=True),
    "season_months": Field(fields.months, nullable=True),
}
_CULTIVAR_TAKEN = FieldProblem("name", "another cultivar of this crop has this name")


# --------------------------------------------------------------------------- crops


async def create_crop(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> Crop:
    """Make a crop of a farm."""
    crop = Crop(**checked_new(_CROP, values))
    await referred_farm(uow, access, crop.farm_id)
    _check_window(crop)
    await saving.insert(uow, crop, _CROP_TAKEN)
    return crop


async def get_crop(uow: UnitOfWork, access: Access, crop_id: int) -> Crop:
    """Return a crop."""
    crop = await find(uow, Crop, crop_id)
    if crop is None:
        raise NotFound(f"there is no crop {crop_id}")
    require(access, crop.farm_id)
    return crop


async def list_crops(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Crop], int | None]:
    """Return a page of crops and the id to go on after."""
    check_page(after, limit, farm_id=farm_id)
    return await records.page_crops(
        uow, within_farm=access.farm_id, farm_id=farm_id, after=after, limit=limit
    )


async def change_crop(
    uow: UnitOfWork,
    access: Access,
    crop_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Crop:
    """Change a crop."""
    crop = await get_crop(uow, access, crop_id)
    cleaned = checked_changes(_CROP, crop, changes)
    _check_window(Merged(crop, cleaned))
    await saving.update(uow, crop, cleaned, expected_version, _CROP_TAKEN)
    return crop


def _check_window(crop: Crop | Merged) -> None:
    usual = profile(crop.profile)
    opens = usual.window_open_leaves if crop.window_open_leaves is None else crop.window_open_leaves
    closes = usual.window_close_leaves if crop.window_close_leaves is None else crop.window_close_leaves
    if opens >= closes:
        field = "window_open_leaves" if crop.window_close_leaves is None else "window_close_leaves"
        raise impossible(field, f"the window opens at {opens:g} leaves, so it cannot close at {closes:g}")


# --------------------------------------------------------------------------- cultivars


async def create_cultivar(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> Cultivar:
    """Make a cultivar of a crop."""
    cultivar = Cultivar(**checked_new(_CULTIVAR, values))
    crop = await find(uow, Crop, cultivar.crop_id)
    if crop is None or access.farm_id not in {None, crop.farm_id}:
        raise impossible("crop_id", f"there is no crop {cultivar.crop_id}")
    await saving.insert(uow, cultivar, _CULTIVAR_TAKEN)
    return cultivar


async def get_cultivar(uow: UnitOfWork, access: Access, cultivar_id: int) -> Cultivar:
    """Return a cultivar."""
    cultivar = await find(uow, Cultivar, cultivar_id)
    if cultivar is None:
        raise NotFound(f"there is no cultivar {cultivar_id}")
    await get_crop(uow, access, cultivar.crop_id)
    return cultivar


async def list_cultivars(
    uow: UnitOfWork,
    access: Access,
    *,
    crop_id: int | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Cultivar], int | None]:
    """Return a page of cultivars and the id to go on after."""
    check_page(after, limit, crop_id=crop_id)
    return await records.page_cultivars(
        uow, within_farm=access.farm_id, crop_id=crop_id, after=after, limit=limit
    )


async def change_cultivar(
    uow: UnitOfWork,
    access: Access,
    cultivar_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Cultivar:
    """Change a cultivar."""
    cultivar = await get_cultivar(uow, access, cultivar_id)
    cleaned = checked_changes(_CULTIVAR, cultivar, changes)
    await saving.update(uow, cultivar, cleaned, expected_version, _CULTIVAR_TAKEN)
    return cultivar


async def referred_cultivar(
    uow: UnitOfWork, crop_id: int, cultivar_id: int | None, field: str = "cultivar_id"
) -> None:
    """Refuse a field that does not refer to a cultivar of the crop; none is allowed."""
    if cultivar_id is None:
        return
    cultivar = await find(uow, Cultivar, cultivar_id)
    if cultivar is None or cultivar.crop_id != crop_id:
        raise impossible(field, f"there is no cultivar {cultivar_id} of this crop")
