"""A farm to look at: a house in September with batches at every stage, made through the use cases and forecast."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.clock import FixedClock
from service.records.conditions import save_hours
from service.records.store import Store
from service.records.tables import Alert, Succession
from service.work.access import SYSTEM, Access
from service.work.batches import append_entry, create_batch
from service.work.crops import create_crop, create_cultivar
from service.work.places import create_farm, create_house, create_zone
from service.work.programme import create_succession
from service.work.reforecast import Reforecaster
from service.work.tasks import create_task
from tests.web.goods import Goods, make_goods

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
PEOPLE = Access("Robin", frozenset({"read", "write"}), None)
MEMBERS, HORIZON_DAYS = 12, 120


@dataclass(frozen=True)
class Made:
    """What there is."""

    farm_id: int
    house_id: int
    nursery_id: int
    channels_id: int
    succession_ids: tuple[int, ...]
    batch_ids: tuple[int, ...]
    goods: Goods | None = None


async def make_farm(store: Store, name: str = "Alder Farm", *, batches: bool = True) -> Made:
    """Make a farm with one house, two successions and, if asked for, a season of batches with forecasts."""
    clock = FixedClock(NOW)
    async with store.write() as uow:
        farm = await create_farm(uow, clock, SYSTEM, {"name": name})
        house = await create_house(
            uow,
            SYSTEM,
            {
                "farm_id": farm.id,
                "name": "North house",
                "code": "N1",
                "latitude_deg": 43.3,
                "longitude_deg": -1.9,
                "time_zone": "Europe/Madrid",
                "lamp_ppfd_umol": 120.0,
                "lamp_start_h": 5.0,
                "lamp_hours": 14.0,
            },
        )
        nursery = await create_zone(
            uow,
            SYSTEM,
            {
                "house_id": house.id,
                "name": "Table",
                "code": "table",
                "kind": "nursery",
                "capacity": 4000,
                "plants_m2": 650.0,
            },
        )
        channels = await create_zone(
            uow,
            SYSTEM,
            {
                "house_id": house.id,
                "name": "Channels",
                "code": "ch",
                "kind": "channels",
                "capacity": 2600,
                "plants_m2": 25.0,
            },
        )
        successions = [
            await _succession(uow, farm.id, house.id, nursery.id, channels.id, *given)
            for given in (
                ("Butterhead", "butterhead", "Alder green", 7.0, [1, 4], 240),
                ("Basil", "basil", "Wide leaf", 10.0, [2, 5], 180),
            )
        ]
    batch_ids: list[int] = []
    goods = None
    if batches:
        async with store.write() as uow:
            await save_hours(uow, _hours((nursery.id, channels.id)))
        for succession, days in (
            (successions[0], (42, 38, 35, 28, 21, 14, 7, 1)),
            (successions[1], (47, 36, 25, 16, 4)),
        ):
            batch_ids += [await _batch(store, succession, NOW - timedelta(days=d)) for d in days]
        goods = await make_goods(store, clock, PEOPLE, successions[0], channels.id, farm.id)
        async with store.write() as uow:
            await _work(uow, house.id, successions[0], batch_ids)
        await Reforecaster(store, clock, MEMBERS, HORIZON_DAYS).house(house.id)
        async with store.write() as uow:
            uow.session.add(_alert(house.id))
    return Made(
        farm.id, house.id, nursery.id, channels.id, tuple(s.id for s in successions), tuple(batch_ids), goods
    )


async def _succession(
    uow: Any,
    farm_id: int,
    house_id: int,
    nursery_id: int,
    channels_id: int,
    crop_name: str,
    profile: str,
    cultivar: str,
    interval: float,
    weekdays: list[int],
    cells: int,
) -> Succession:
    crop = await create_crop(uow, SYSTEM, {"farm_id": farm_id, "name": crop_name, "profile": profile})
    variety = await create_cultivar(uow, SYSTEM, {"crop_id": crop.id, "name": cultivar})
    return await create_succession(
        uow,
        SYSTEM,
        {
            "house_id": house_id,
            "crop_id": crop.id,
            "cultivar_id": variety.id,
            "nursery_zone_id": nursery_id,
            "channels_zone_id": channels_id,
            "name": f"{crop_name}, every {interval:g} days",
            "heads_per_harvest": round(0.8 * cells),
            "harvest_interval_days": interval,
            "seeding_interval_days": interval,
            "seeding_weekdays": weekdays,
            "cells_per_seeding": cells,
            "keep_share": 0.8,
        },
    )


async def _batch(store: Store, succession: Succession, seeded_at: datetime) -> int:
    clock = FixedClock(NOW)
    async with store.write() as uow:
        batch = (
            await create_batch(uow, clock, PEOPLE, {"succession_id": succession.id, "seeded_at": seeded_at})
        ).batch
        facts: list[tuple[float, dict[str, Any]]] = [
            (5, {"kind": "emergence_counted", "plants": round(0.95 * batch.cells)}),
            (11, {"kind": "leaves_counted", "leaves": 3.2, "plants": 10}),
            (16, {"kind": "transplanted", "plants": round(0.8 * batch.cells)}),
            (16.01, {"kind": "discarded", "plants": round(0.15 * batch.cells), "reason": "grade-out"}),
        ]
        for after, values in facts:
            at = seeded_at + timedelta(days=after)
            if at <= NOW:
                await append_entry(uow, clock, PEOPLE, batch.id, {**values, "happened_at": at})
        return batch.id


async def _work(uow: Any, house_id: int, succession: Succession, batch_ids: list[int]) -> None:
    for kind, title, due, batch_id in (
        ("seed", "Seed 240 cells of Butterhead", date(2026, 9, 14), None),
        ("count", "Count leaves of the oldest batch in the nursery", date(2026, 9, 12), batch_ids[5]),
        ("clean", "Clean the trays that came back", date(2026, 9, 14), None),
        ("check", "Look at the seedlings for damping off", date(2026, 9, 16), None),
    ):
        values: dict[str, Any] = {"house_id": house_id, "kind": kind, "title": title, "due_on": due}
        if batch_id:
            values["batch_id"] = batch_id
        if kind == "seed":
            values |= {"succession_id": succession.id, "cells": 240}
        await create_task(uow, SYSTEM, values)


def _alert(house_id: int) -> Alert:
    return Alert(
        house_id=house_id,
        kind="sensor_silent",
        subject="sensor:1",
        severity="urgent",
        title="Canopy light has been silent for three hours",
        detail="The last reading of the light sensor came on Monday at 05:00.",
        next_step="Look at the sensor's power and its line to the broker.",
        evidence={},
        opened_at=NOW - timedelta(hours=1),
        updated_at=NOW,
    )


def _hours(zone_ids: tuple[int, ...]) -> list[dict[str, Any]]:
    """Return sixty days of light and temperature that decline towards autumn."""
    rows = []
    for zone_id in zone_ids:
        for n in range(60 * 24):
            at = NOW - timedelta(hours=n + 1)
            sun = max(0.0, math.sin(math.pi * (at.hour - 5) / 14)) if 5 <= at.hour <= 19 else 0.0
            light = (14.0 + n / 24 * 0.1) / 8.9 * sun
            temp = 18.5 + 5.0 * sun + n / 24 * 0.03
            rows.append(
                {
                    "zone_id": zone_id,
                    "at": at,
                    "temp_mean_c": temp,
                    "temp_min_c": temp - 0.5,
                    "temp_max_c": temp + 0.5,
                    "temp_coverage": 1.0,
                    "light_mol": light,
                    "light_coverage": 1.0,
                }
            )
    return rows
