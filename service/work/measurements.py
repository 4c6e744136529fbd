"""What was measured, for those who ask: readings, hours, and what could not be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from operator import attrgetter
from typing import TypeVar
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import conditions as records
from service.records import days as day_records
from service.records import places as places_of
from service.records import sensors as sensor_records
from service.records.store import UnitOfWork
from service.records.tables import DeadLetter, Hour, Reading, SensorHour, UnknownTopic
from service.work.access import Access
from service.work.conditions import REASONS
from service.work.errors import NotAllowed, impossible
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import get_house, get_zone
from service.work.sensors import get_sensor
from service.work.times import day_begin, local_day

Row = TypeVar("Row")
Key = TypeVar("Key")

MAX_SAMPLES = 10_000
"""Most readings or hours in one answer."""


async def list_readings(
    uow: UnitOfWork,
    access: Access,
    sensor_id: int,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    after: datetime | None = None,
    limit: int = 1000,
) -> tuple[Sequence[Reading], datetime | None]:
    """Return readings of a sensor in order of time, ``start <= at < end``, and the moment to go on after."""
    _check_span(start, end, limit)
    await get_sensor(uow, access, sensor_id)
    rows = await records.readings_page(uow, sensor_id, start=start, end=end, after=after, limit=limit + 1)
    return _page(rows, limit, attrgetter("at"))


async def list_hours(
    uow: UnitOfWork,
    access: Access,
    zone_id: int,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    after: datetime | None = None,
    limit: int = 1000,
) -> tuple[Sequence[Hour], datetime | None]:
    """Return hours of a zone in order of time, ``start <= at < end``, and the moment to go on after."""
    _check_span(start, end, limit)
    await get_zone(uow, access, zone_id)
    rows = await records.hours_page(uow, zone_id, start=start, end=end, after=after, limit=limit + 1)
    return _page(rows, limit, attrgetter("at"))


async def list_sensor_hours(
    uow: UnitOfWork,
    access: Access,
    sensor_id: int,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    after: datetime | None = None,
    limit: int = 1000,
) -> tuple[Sequence[SensorHour], datetime | None]:
    """Return what is left of a sensor's dropped readings by hour, ``start <= at < end``, and where to go on after."""
    _check_span(start, end, limit)
    await get_sensor(uow, access, sensor_id)
    rows = await sensor_records.sensor_hours_page(
        uow, sensor_id, start=start, end=end, after=after, limit=limit + 1
    )
    return _page(rows, limit, attrgetter("at"))


MAX_DAYS = 400
"""Most local days in one answer."""


@dataclass(frozen=True, slots=True)
class ZoneDayConditions:
    """A zone's conditions over one local day, from the hours that begin in it."""

    zone_id: int
    on: date
    dli_mol: float | None
    """Light measured. [mol m⁻² d⁻¹]"""
    light_coverage: float
    """Share of the day (23 to 25 hours long) of which light was measured."""
    temp_mean_c: float | None
    temp_min_c: float | None
    temp_max_c: float | None
    temp_coverage: float


async def list_days(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    house_id: int,
    *,
    first: date | None = None,
    last: date | None = None,
    zone_ids: Sequence[int] | None = None,
) -> list[ZoneDayConditions]:
    """Return the local days of a house's zones, by zone and day; days of which nothing was measured are left out.

    Parameters
    ----------
    uow, clock, access, house_id
        The transaction, the time, who asks, and which house.
    first, last
        Local days, both included; today and the 29 days before it if not said.
    zone_ids
        Only of these.

    Raises
    ------
    NotFound
        If there is no such house.
    Impossible
        If the span is none or too long, or a zone is not of the house.
    """
    house = await get_house(uow, access, house_id)
    zone = ZoneInfo(house.time_zone)
    last = last or local_day(clock.now(), zone)
    first = first or last - timedelta(days=29)
    if not timedelta(0) <= last - first < timedelta(days=MAX_DAYS):
        raise impossible("from", f"it must be 0 to {MAX_DAYS - 1} days before to, {last}")
    known = [row.id for row in await places_of.zones_of(uow, house.id)]
    if zone_ids is not None:
        for zone_id in zone_ids:
            if zone_id not in known:
                raise impossible("zone_id", f"zone {zone_id} is not one of house {house.id}")
        known = sorted(set(zone_ids))
    try:
        begins = [day_begin(first + timedelta(days=n), zone) for n in range((last - first).days + 2)]
    except OverflowError:
        raise impossible("to", "it lies at the end of the calendar") from None
    kept = await day_records.kept_days(uow, known, begins[0], begins[-1])
    place = {at: n for n, at in enumerate(begins[:-1])}
    found = {
        (sums.zone_id, place[at]): sums
        for (_, at, ends), sums in kept.items()
        if at in place and ends == begins[place[at] + 1]
    }
    for run in _runs([n for n in place.values() if any((z, n) not in found for z in known)]):
        bare = [z for z in known if any((z, n) not in found for n in run)]
        for sums in await day_records.summed_days(uow, bare, begins[run[0] : run[-1] + 2]):
            found.setdefault((sums.zone_id, place[sums.begins_at]), sums)
    days = []
    for (zone_id, n), sums in sorted(found.items(), key=lambda item: item[0]):
        length_h = (begins[n + 1] - begins[n]) / timedelta(hours=1)
        covered = (sums.light_covered_h or 0.0, sums.temp_covered_h or 0.0)
        if not any(covered):
            continue
        days.append(
            ZoneDayConditions(
                zone_id=zone_id,
                on=first + timedelta(days=n),
                dli_mol=sums.light_mol,
                light_coverage=min(covered[0] / length_h, 1.0),
                temp_mean_c=None if sums.temp_sum is None or not covered[1] else sums.temp_sum / covered[1],
                temp_min_c=sums.temp_min_c,
                temp_max_c=sums.temp_max_c,
                temp_coverage=min(covered[1] / length_h, 1.0),
            )
        )
    return days


def _runs(numbers: Sequence[int]) -> Iterator[list[int]]:
    """Split rising numbers into runs without gaps."""
    run: list[int] = []
    for number in numbers:
        if run and number != run[-1] + 1:
            yield run
            run = []
        run.append(number)
    if run:
        yield run


async def list_dead_letters(
    uow: UnitOfWork,
    access: Access,
    *,
    reason: str | None = None,
    topic: str | None = None,
    sensor_id: int | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[Sequence[DeadLetter], int | None]:
    """Return dead letters, newest first, and the id to go on after; to a farm's token only of its sensors."""
    check_page(after, limit, sensor_id=sensor_id)
    check_choice("reason", reason, tuple(REASONS))
    rows = await records.dead_letters_page(
        uow,
        within_farm=access.farm_id,
        reason=reason,
        topic=topic,
        sensor_id=sensor_id,
        after=after,
        limit=limit + 1,
    )
    return _page(rows, limit, attrgetter("id"))


async def list_unknown_topics(
    uow: UnitOfWork, access: Access, *, after: str | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[Sequence[UnknownTopic], str | None]:
    """Return topics that no sensor claims, by name, and the topic to go on after.

    Raises
    ------
    NotAllowed
        If the asker is limited to a farm: nobody knows yet whose these topics are.
    """
    if access.farm_id is not None:
        raise NotAllowed(f"these topics belong to no farm yet, and you are limited to farm {access.farm_id}")
    check_page(None, limit)
    rows = await records.unknown_topics_page(uow, after, limit + 1)
    return _page(rows, limit, attrgetter("topic"))


def _page(rows: Sequence[Row], limit: int, key: Callable[[Row], Key]) -> tuple[Sequence[Row], Key | None]:
    """Split off what is beyond a page: its rows, and the key to go on after where some were."""
    return rows[:limit], key(rows[limit - 1]) if len(rows) > limit else None


def _check_span(start: datetime | None, end: datetime | None, limit: int) -> None:
    if not 1 <= limit <= MAX_SAMPLES:
        raise impossible("limit", f"it must be a whole number from 1 to {MAX_SAMPLES}")
    if start is not None and end is not None and start >= end:
        raise impossible("to", "it must be later than from")
