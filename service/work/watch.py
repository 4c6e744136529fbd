"""Watching a house between re-forecasts: solution and pumps, climate, silent sensors, space, harvests to come.

Each look makes the open alerts match what holds now. What is open already is judged with a nearer threshold, so that
it does not come and go. These alerts help to plan and to notice; they are no safety system, and say so.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.agronomy.sensor_health import Sending
from service.clock import Clock
from service.records import batches as batch_records
from service.records import conditions as condition_records
from service.records import events as event_records
from service.records import places as place_records
from service.records import reforecast as conclusion_records
from service.records import watch as records
from service.records.store import Store, UnitOfWork
from service.records.tables import (
    Advice,
    Alert,
    Batch,
    Forecast,
    House,
    HouseEvent,
    Sensor,
    Succession,
    Task,
    Zone,
    ZoneLimit,
)
from service.work.access import SYSTEM
from service.work.alerts import settle_alerts
from service.work.ledger import LedgerState, derive
from service.work.notices import remind
from service.work.notices_retained import keep_retained
from service.work.places import get_house
from service.work.silence import sendings
from service.work.times import local_day
from service.work.watch_climate import CLIMATE_KINDS, climate_conditions
from service.work.watch_line import LINE_KINDS, line_conditions
from service.work.watch_readings import READING_KINDS, reading_conditions

log = logging.getLogger(__name__)

KINDS = READING_KINDS | CLIMATE_KINDS | LINE_KINDS
_READINGS = timedelta(hours=3)
_USUAL = timedelta(days=1)
_LAST = timedelta(days=2)
_WEEK = timedelta(days=8)
_CUT = timedelta(days=60)


@dataclass(frozen=True)
class Seen:
    """Everything a look at a house judges by."""

    now: datetime
    house: House
    zones: dict[int, Zone]
    open: dict[tuple[str, str], Alert]
    sensors: list[Sensor] = field(default_factory=list)
    readings: dict[int, tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]] = field(default_factory=dict)
    """By sensor: epoch minutes and values, rising."""
    sends: dict[int, Sending] = field(default_factory=dict)
    """How each sensor's device sends, as far as it is known."""
    last: dict[int, datetime] = field(default_factory=dict)
    """When each sensor was last read, of those read within two days."""
    most: dict[int, float] = field(default_factory=dict)
    """The most each sensor read within a day."""
    limits: dict[tuple[int, str], ZoneLimit] = field(default_factory=dict)
    hours: dict[int, list[tuple[datetime, float | None, float | None]]] = field(default_factory=dict)
    """By zone: start of the hour, mean temperature, light of the whole hour."""
    events: list[HouseEvent] = field(default_factory=list)
    successions: dict[int, Succession] = field(default_factory=dict)
    profiles: dict[int, str] = field(default_factory=dict)
    """Crop profile by succession."""
    live: list[tuple[Batch, LedgerState]] = field(default_factory=list)
    forecasts: dict[int, Forecast] = field(default_factory=dict)
    advice: dict[int, Advice] = field(default_factory=dict)
    last_harvest: dict[int, datetime] = field(default_factory=dict)
    transplants: list[Task] = field(default_factory=list)

    @cached_property
    def zone_info(self) -> ZoneInfo:
        """The house's time zone."""
        return ZoneInfo(self.house.time_zone)

    def day(self, at: datetime) -> str:
        """Return a moment's local day as it is said."""
        day = local_day(at, self.zone_info)
        return f"{day.day} {day:%b}"

    def clock(self, at: datetime) -> str:
        """Return a moment's local time as it is said."""
        return f"{at.astimezone(self.zone_info):%H:%M}"

    def was(self, kind: str, subject: str) -> Alert | None:
        """Return the alert that is open of something."""
        return self.open.get((kind, subject))

    def crops_of(self, zone_id: int | None) -> set[str]:
        """Return the crop profiles that are grown in a zone, or in the house."""
        return {
            self.profiles[s.id]
            for s in self.successions.values()
            if s.active and zone_id in {None, s.nursery_zone_id, s.channels_zone_id}
        }


class Watcher:
    """Looks at houses."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store, self._clock = store, clock

    async def house(self, house_id: int) -> tuple[int, int]:
        """Look at one house; return how many alerts were opened and how many closed.

        Raises
        ------
        NotFound
            If there is no such house.
        """
        async with self._store.read() as uow:
            seen = await look(uow, self._clock, house_id)
        found = [*reading_conditions(seen), *climate_conditions(seen), *line_conditions(seen)]
        async with self._store.write() as uow:
            changed = await settle_alerts(uow, self._clock, house_id, KINDS, found)
            await remind(uow, self._clock, seen.house)
            await keep_retained(uow, self._clock, seen.house)
            return changed

    async def all_houses(self, stop: asyncio.Event | None = None) -> tuple[int, int]:
        """Look at every house until told to stop; one that fails is logged and does not stop the others."""
        async with self._store.read() as uow:
            ids = await place_records.all_house_ids(uow)
        opened = closed = 0
        for house_id in ids:
            if stop is not None and stop.is_set():
                break
            try:
                changes = await self.house(house_id)
            except Exception:
                log.exception("watching house %s failed", house_id, extra={"action": "watch_failed"})
                continue
            opened, closed = opened + changes[0], closed + changes[1]
        return opened, closed


async def look(uow: UnitOfWork, clock: Clock, house_id: int) -> Seen:
    """Read all that a look at a house judges by."""
    now = clock.now()
    house = await get_house(uow, SYSTEM, house_id)
    zones = {z.id: z for z in await place_records.zones_of(uow, house_id)}
    sensors = await records.sensors_of(uow, house_id)
    ids = [s.id for s in sensors]
    readings: dict[int, tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]] = {}
    rows: dict[int, list[tuple[datetime, float]]] = {}
    for sensor_id, at, value in await condition_records.readings_between(uow, ids, now - _READINGS, now):
        rows.setdefault(sensor_id, []).append((at, value))
    for sensor_id, values in rows.items():
        values.sort()
        readings[sensor_id] = (
            np.array([at.timestamp() / 60.0 for at, _ in values]),
            np.array([value for _, value in values], dtype=np.float64),
        )
    last = await records.last_and_most(uow, ids, now - _LAST, now)
    day = await records.last_and_most(uow, ids, now - _USUAL, now)
    successions = {s.id: s for s in await place_records.successions_of(uow, house_id)}
    crops = {c.id: c.profile for c in await conclusion_records.crops_of(uow, house.farm_id)}
    live = await batch_records.live_batches(uow, house_id)
    entries = await batch_records.entries_of(uow, [b.id for b in live])
    return Seen(
        now=now,
        house=house,
        zones=zones,
        open={(a.kind, a.subject): a for a in await records.open_of_kinds(uow, house_id, sorted(KINDS))},
        sensors=sensors,
        readings=readings,
        sends=await sendings(uow, ids, now),
        last={sensor_id: at for sensor_id, (at, _) in last.items()},
        most={sensor_id: most for sensor_id, (_, most) in day.items()},
        limits=await records.limits_of(uow, house_id),
        hours={zone_id: await _hours(uow, zone_id, now) for zone_id in zones},
        events=await event_records.events_of(uow, house_id),
        successions=successions,
        profiles={s.id: crops[s.crop_id] for s in successions.values()},
        live=[(b, derive(entries[b.id])) for b in live],
        forecasts=await conclusion_records.latest_forecasts(uow, [b.id for b in live]),
        advice=await conclusion_records.latest_advice(uow, list(successions)),
        last_harvest=await records.last_harvests(uow, house_id, now - _CUT),
        transplants=await records.open_transplants(uow, house_id),
    )


async def _hours(
    uow: UnitOfWork, zone_id: int, now: datetime
) -> list[tuple[datetime, float | None, float | None]]:
    rows = await conclusion_records.hours_since(uow, zone_id, now - _WEEK, now)
    return [
        (
            at,
            temp if temp_share >= 0.5 else None,
            light / share if light is not None and share >= 0.5 else None,
        )
        for at, temp, temp_share, light, share in rows
    ]
