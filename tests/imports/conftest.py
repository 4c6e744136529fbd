"""A small farm with sensors, made through the use cases, and files to bring."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Sensor
from service.work.access import SYSTEM
from service.work.imports import Imported, import_batches, import_readings
from service.work.sensors import create_sensor
from tests.api.conftest import app, client, open_client
from tests.work.conftest import Place, make_place

__all__ = ["app", "client", "open_client"]

LEAD = timedelta(seconds=300)


@pytest.fixture
async def place(store: Store, clock: FixedClock) -> Place:
    """Have a farm with one house and one succession."""
    return await make_place(store, clock, "Alder Farm")


@pytest.fixture
async def thermometer(store: Store, place: Place) -> Sensor:
    """Have an hourly thermometer over the nursery, in degrees Fahrenheit."""
    return await a_sensor(
        store, place, name="canopy", quantity="temp_air_c", unit="degF", sampling="mean", interval_s=3600
    )


@pytest.fixture
async def quantum_sensor(store: Store, place: Place) -> Sensor:
    """Have an hourly light sensor over the nursery."""
    return await a_sensor(
        store,
        place,
        name="light",
        quantity="ppfd_umol",
        unit="umol m-2 s-1",
        sampling="mean",
        interval_s=3600,
    )


async def a_sensor(store: Store, place: Place, **values: Any) -> Sensor:
    """Make a sensor in the nursery, unless told otherwise."""
    async with store.write() as uow:
        return await create_sensor(
            uow, SYSTEM, {"house_id": place.house.id, "zone_id": place.nursery.id, **values}
        )


async def bring_readings(
    store: Store, clock: FixedClock, place: Place, content: str | bytes, *, dry_run: bool = False
) -> Imported:
    """Import readings."""
    raw = content.encode() if isinstance(content, str) else content
    return await import_readings(store, clock, SYSTEM, place.house.id, raw, max_lead=LEAD, dry_run=dry_run)


async def bring_batches(
    store: Store, clock: FixedClock, place: Place, content: str | bytes, *, dry_run: bool = False
) -> Imported:
    """Import batches."""
    raw = content.encode() if isinstance(content, str) else content
    return await import_batches(store, clock, SYSTEM, place.house.id, raw, dry_run=dry_run)


def said(imported: Imported) -> list[tuple[int | None, str]]:
    """Return line and column of each fault."""
    return [(fault.line, fault.field) for fault in imported.faults]
