"""A small farm, made through the use cases."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Crop, Cultivar, Entry, Farm, House, Succession, Zone
from service.work.access import SYSTEM
from service.work.crops import create_crop, create_cultivar
from service.work.places import create_farm, create_house, create_zone
from service.work.programme import create_succession


@dataclass(frozen=True)
class Place:
    """A farm with one house, one succession in it, and the values these were made from."""

    farm: Farm
    house: House
    nursery: Zone
    channels: Zone
    crop: Crop
    cultivar: Cultivar
    succession: Succession
    house_values: Mapping[str, Any]
    succession_values: Mapping[str, Any]


async def make_place(store: Store, clock: FixedClock, farm_name: str) -> Place:
    """Make a farm with one house and one succession in it."""
    async with store.write() as uow:
        farm = await create_farm(uow, clock, SYSTEM, {"name": farm_name})
        house_values = {
            "farm_id": farm.id,
            "name": "North house",
            "code": "N1",
            "latitude_deg": 52.1,
            "longitude_deg": 5.2,
            "time_zone": "Europe/Amsterdam",
        }
        house = await create_house(uow, SYSTEM, house_values)
        zone_values = {"house_id": house.id, "plants_m2": 25.0}
        nursery = await create_zone(
            uow,
            SYSTEM,
            {**zone_values, "name": "Table", "code": "table", "kind": "nursery", "capacity": 4000},
        )
        channels = await create_zone(
            uow,
            SYSTEM,
            {**zone_values, "name": "Channels", "code": "ch", "kind": "channels", "capacity": 9000},
        )
        crop = await create_crop(
            uow, SYSTEM, {"farm_id": farm.id, "name": "Butterhead", "profile": "butterhead"}
        )
        cultivar = await create_cultivar(uow, SYSTEM, {"crop_id": crop.id, "name": "Alder"})
        succession_values = {
            "house_id": house.id,
            "crop_id": crop.id,
            "cultivar_id": cultivar.id,
            "nursery_zone_id": nursery.id,
            "channels_zone_id": channels.id,
            "name": "Butterhead, weekly",
            "heads_per_harvest": 150,
            "harvest_interval_days": 7,
            "seeding_interval_days": 7,
            "seeding_weekdays": [1],
            "cells_per_seeding": 200,
            "keep_share": 0.8,
        }
        succession = await create_succession(uow, SYSTEM, succession_values)
    return Place(farm, house, nursery, channels, crop, cultivar, succession, house_values, succession_values)


@pytest.fixture
async def place(store: Store, clock: FixedClock) -> Place:
    """Have a farm with one house and one succession."""
    return await make_place(store, clock, "Alder Farm")


@pytest.fixture
async def other_place(store: Store, clock: FixedClock, place: Place) -> Place:
    """Have a second farm, with a house of the same code."""
    return await make_place(store, clock, "Birch Farm")


def ledger(*facts: tuple[str, datetime, dict[str, Any]]) -> list[Entry]:
    """Return entries about a hundred plants as the database would number them, each recorded when it happened."""
    entries = [
        Entry(batch_id=1, kind=kind, happened_at=at, recorded_at=at, recorded_by="crew", plants=100, **more)
        for kind, at, more in facts
    ]
    for number, entry in enumerate(entries, 1):
        entry.id = number
    return entries
