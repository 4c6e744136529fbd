"""Which sensors of a house speak, and what they said last."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.clock import Clock
from service.records import conditions as records
from service.records.store import UnitOfWork
from service.records.tables import Sensor
from service.work.access import Access
from service.work.listing import MAX_LIMIT
from service.work.places import get_house
from service.work.sensors import list_sensors
from service.work.silence import sendings, silent_after


@dataclass(frozen=True)
class SensorState:
    """A sensor and what it said last."""

    sensor: Sensor
    last_at: datetime | None
    last_value: float | None
    silent: bool
    """In use, and silent by the one rule; what was never heard of is not silent but new."""


async def sensor_states(uow: UnitOfWork, clock: Clock, access: Access, house_id: int) -> list[SensorState]:
    """Return the sensors of a house with what they said last; the silent ones first."""
    await get_house(uow, access, house_id)
    sensors, _ = await list_sensors(uow, access, house_id=house_id, limit=MAX_LIMIT)
    last = await records.last_readings(uow, [sensor.id for sensor in sensors])
    now = clock.now()
    sends = await sendings(uow, [sensor.id for sensor in sensors], now)
    found = []
    for sensor in sensors:
        at, value = last.get(sensor.id, (None, None))
        silent = at is not None and now - at > silent_after(sensor, sends.get(sensor.id))
        found.append(SensorState(sensor, at, value, sensor.active and silent))
    return sorted(found, key=lambda s: (not s.silent, not s.sensor.active, s.sensor.name, s.sensor.id))
