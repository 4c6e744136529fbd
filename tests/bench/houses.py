"""How long many houses take: from cold, and when nothing is new.

Each house has its farm, two zones with measured hours, and batches of all ages on one succession. Seconds are those
of the processor, of all processes, so that what else runs on the machine counts little; the machine's own clock is
told beside them.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import Awaitable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psutil

from service.clock import FixedClock
from service.computing import running_computing
from service.records.conditions import save_hours
from service.records.migrate import upgrade
from service.records.store import Store
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from service.work.reforecast import Reforecaster
from tests.work.conftest import make_place

NOW = datetime(2025, 10, 1, 6, 30, tzinfo=UTC)
PAST_DAYS = 90
HORIZON_DAYS = 120


async def _fill(store: Store, houses: int, batches: int) -> None:
    for number in range(houses):
        place = await make_place(store, FixedClock(NOW - timedelta(days=PAST_DAYS)), f"Farm {number}")
        hours = [
            {
                "zone_id": zone.id,
                "at": NOW.replace(minute=0) - timedelta(hours=n + 1),
                "temp_mean_c": 19.0 + (n + number) % 5,
                "temp_min_c": 18.0,
                "temp_max_c": 25.0,
                "temp_coverage": 1.0,
                "light_mol": 1.2 if 6 <= (NOW - timedelta(hours=n + 1)).hour < 18 else 0.0,
                "light_coverage": 1.0,
            }
            for zone in (place.nursery, place.channels)
            for n in range(24 * PAST_DAYS)
        ]
        async with store.write() as uow:
            await save_hours(uow, hours)
            for n in range(batches):
                seeded = NOW - timedelta(days=PAST_DAYS * n / batches + 0.5)
                values = {
                    "succession_id": place.succession.id,
                    "seeded_on": seeded.date(),
                    "code": f"B{n}",
                    "cells": 60,
                }
                batch = (await create_batch(uow, FixedClock(NOW), SYSTEM, values)).batch
                if NOW - seeded > timedelta(days=25):
                    moved = {
                        "kind": "transplanted",
                        "happened_at": seeded + timedelta(days=24),
                        "plants": 50,
                    }
                    await append_entry(uow, FixedClock(NOW), SYSTEM, batch.id, moved)


def _processor_s() -> float:
    """Return the processor's seconds of this process and those it computes in, while they live."""
    workers = [child.cpu_times() for child in psutil.Process().children(recursive=True)]
    return time.process_time() + sum(times.user + times.system for times in workers)


async def _timed(work: Awaitable[Any]) -> tuple[Any, float, float]:
    wall, own = time.perf_counter(), _processor_s()
    found = await work
    return found, _processor_s() - own, time.perf_counter() - wall


async def _measure(url: str, houses: int, batches: int, members: int, processes: int) -> dict[str, float]:
    store = Store.open(url)
    try:
        await upgrade(store)
        await _fill(store, houses, batches)
        async with running_computing(processes) as computing:
            reforecaster = Reforecaster(
                store, FixedClock(NOW), members, HORIZON_DAYS, computing.run, computing.count
            )
            runs, cold, cold_wall = await _timed(reforecaster.all_houses())
            if sum(run.forecasts for run in runs) != houses * batches:
                raise RuntimeError(f"{houses} houses got {sum(run.forecasts for run in runs)} forecasts")
            await reforecaster.all_houses()  # sees that nothing but its own evidence is new
            ticks = [await _timed(reforecaster.all_houses()) for _ in range(5)]
        if any(run.changed for runs, _, _ in ticks for run in runs):
            raise RuntimeError("something changed in a tick with nothing new")
    finally:
        await store.close()
    return {
        "coldS": cold / houses,
        "coldWallS": cold_wall / houses,
        "tickMs": 1e3 * min(own for _, own, _ in ticks) / houses,
        "tickWallMs": 1e3 * min(wall for _, _, wall in ticks) / houses,
    }


def measure(
    houses: int, batches: int, members: int, processes: int, postgresql: str | None
) -> dict[str, Any]:
    """Measure, and return the figures under the names they are printed with."""

    of_each = (batches, members, processes)

    async def run() -> tuple[dict[str, float], dict[str, float]]:
        with tempfile.TemporaryDirectory() as folder:
            some = await _measure(
                f"sqlite+aiosqlite:///{Path(folder) / 'some'}", max(2, houses // 4), *of_each
            )
            all_ = await _measure(
                postgresql or f"sqlite+aiosqlite:///{Path(folder) / 'all'}", houses, *of_each
            )
            return some, all_

    some, found = asyncio.run(run())
    return {
        "houses": houses,
        "batches": batches,
        "members": members,
        "processes": processes,
        "coldMinutes": round(found["coldWallS"] * houses / 60, 1),
        "coldSecondsAHouse": round(found["coldS"], 3),
        "coldWallSecondsAHouse": round(found["coldWallS"], 3),
        "thousandHousesColdMinutesOnTwoCores": round(found["coldS"] * 1000 / 60 / 2, 1),
        "coldRatioToAQuarterOfTheHouses": round(found["coldS"] / some["coldS"], 2),
        "nothingNewMsAHouse": round(found["tickMs"], 3),
        "nothingNewWallMsAHouse": round(found["tickWallMs"], 3),
        "nothingNewRatioToCold": round(found["tickMs"] / 1e3 / found["coldS"], 6),
    }
