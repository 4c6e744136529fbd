"""A house's light and temperature by local day, and which of its sensors speak."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import conditions as records
from service.records.places import zones_of
from service.records.store import UnitOfWork
from service.records.tables import Hour, Sensor, Zone
from service.work.access import Access
from service.work.errors import impossible
from service.work.listing import MAX_LIMIT
from service.work.places import get_house
from service.work.sensors import list_sensors
from service.work.times import day_begin, local_day

DLI_TARGET_MOL = 17.0
"""Light for heads of lettuce, mol m⁻² d⁻¹: Both et al. 1997, as cited by Hernandez, Timmons and Mattson 2020,
Horticulturae 6:7."""
LONGEST_DAYS = 400
_SILENT_INTERVALS = 3
_SILENT_AT_LEAST = timedelta(hours=1)


@dataclass(frozen=True, kw_only=True)
class DayConditions:
    """One local day of a zone. What was not measured is none; light is what the measured hours add up to."""

    on: date
    dli_mol: float | None
    light_coverage: float
    """Share of the day, up to now, that was measured, 0 to 1."""
    temp_mean_c: float | None
    temp_min_c: float | None
    temp_max_c: float | None
    temp_coverage: float


@dataclass(frozen=True)
class ZoneConditions:
    """The days of one zone."""

    zone: Zone
    days: Sequence[DayConditions]


@dataclass(frozen=True)
class SensorState:
    """A sensor and what it said last."""

    sensor: Sensor
    last_at: datetime | None
    last_value: float | None
    silent: bool
    """In use, and nothing came for three of its intervals, at least an hour."""


async def daily_conditions(
    uow: UnitOfWork, clock: Clock, access: Access, house_id: int, first: date, last: date
) -> list[ZoneConditions]:
    """Return the light and temperature of every zone of a house by local day, both days included.

    Raises
    ------
    Impossible
        If the span is empty or longer than 400 days.
    """
    house = await get_house(uow, access, house_id)
    if first > last:
        raise impossible("first", f"it is after the last day, {last}")
    if (last - first).days >= LONGEST_DAYS:
        raise impossible("first", f"it is more than {LONGEST_DAYS} days before the last day")
    local = ZoneInfo(house.time_zone)
    zones = await zones_of(uow, house_id)
    begin, end = day_begin(first, local), day_begin(last + timedelta(days=1), local)
    hours: dict[tuple[int, date], list[Hour]] = defaultdict(list)
    for hour in await records.hours_between(uow, [zone.id for zone in zones], begin, end):
        hours[hour.zone_id, local_day(hour.at, local)].append(hour)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    now = clock.now()
    spans = {day: _elapsed_h(day, local, now) for day in days}
    return [
        ZoneConditions(zone, [_day(day, hours.get((zone.id, day), []), spans[day]) for day in days])
        for zone in zones
    ]


def _day(on: date, hours: Sequence[Hour], elapsed_h: float) -> DayConditions:
    lit = [h for h in hours if h.light_mol is not None]
    means = [(h.temp_mean_c, h.temp_coverage) for h in hours if h.temp_mean_c is not None]
    weight = sum(coverage for _, coverage in means)
    lowest = [h.temp_min_c for h in hours if h.temp_min_c is not None]
    highest = [h.temp_max_c for h in hours if h.temp_max_c is not None]
    return DayConditions(
        on=on,
        dli_mol=sum(h.light_mol or 0.0 for h in lit) if lit else None,
        light_coverage=min(1.0, sum(h.light_coverage for h in lit) / elapsed_h) if elapsed_h else 0.0,
        temp_mean_c=sum(mean * coverage for mean, coverage in means) / weight if weight else None,
        temp_min_c=min(lowest, default=None),
        temp_max_c=max(highest, default=None),
        temp_coverage=min(1.0, weight / elapsed_h) if elapsed_h else 0.0,
    )


def _elapsed_h(day: date, zone: ZoneInfo, now: datetime) -> float:
    """Return how much of a local day has passed, in hours: 23 to 25 of a whole one."""
    begin = day_begin(day, zone)
    return max(0.0, (min(day_begin(day + timedelta(days=1), zone), now) - begin) / timedelta(hours=1))


async def sensor_states(uow: UnitOfWork, clock: Clock, access: Access, house_id: int) -> list[SensorState]:
    """Return the sensors of a house with what they said last; the silent ones first."""
    await get_house(uow, access, house_id)
    sensors, _ = await list_sensors(uow, access, house_id=house_id, limit=MAX_LIMIT)
    last = await records.last_readings(uow, [sensor.id for sensor in sensors])
    now = clock.now()
    found = []
    for sensor in sensors:
        at, value = last.get(sensor.id, (None, None))
        patience = max(_SILENT_INTERVALS * timedelta(seconds=sensor.interval_s), _SILENT_AT_LEAST)
        found.append(SensorState(sensor, at, value, sensor.active and (at is None or now - at > patience)))
    return sorted(found, key=lambda s: (not s.silent, not s.sensor.active, s.sensor.name, s.sensor.id))
