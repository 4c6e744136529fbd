"""What was measured, for those who ask: readings, hours, and what could not be read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.records import conditions as records
from service.records.store import UnitOfWork
from service.records.tables import DeadLetter, Hour, Reading, UnknownTopic
from service.work.access import Access
from service.work.conditions import REASONS
from service.work.errors import NotAllowed, impossible
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import get_zone
from service.work.sensors import get_sensor

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
    return rows[:limit], rows[limit - 1].at if len(rows) > limit else None


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
    return rows[:limit], rows[limit - 1].at if len(rows) > limit else None


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
    return rows[:limit], rows[limit - 1].id if len(rows) > limit else None


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
    return rows[:limit], rows[limit - 1].topic if len(rows) > limit else None


def _check_span(start: datetime | None, end: datetime | None, limit: int) -> None:
    if not 1 <= limit <= MAX_SAMPLES:
        raise impossible("limit", f"it must be a whole number from 1 to {MAX_SAMPLES}")
    if start is not None and end is not None and start >= end:
        raise impossible("to", "it must be later than from")
