"""Calendar feeds: secret addresses from which a calendar reads the work and harvests of a house or farm."""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import receivers as records
from service.records import reforecast as conclusion_records
from service.records.listing import find, known
from service.records.places import houses_of
from service.records.saving import insert
from service.records.store import UnitOfWork
from service.records.tables import Batch, CalendarFeed, Farm, ForecastDay, House, Succession
from service.work import fields
from service.work.access import Access, digest, require
from service.work.errors import NotFound, impossible
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.places import referred_farm
from service.work.times import local_day

PAST_DAYS = 30
_NAME = fields.text(100)
_SAID = {"cleaning": "Cleaning", "closed": "Closed"}


@dataclass(frozen=True)
class FeedEntry:
    """Something on a day, or on several, all local."""

    uid: str
    sequence: int
    begins: date
    ends: date | None
    summary: str
    description: str
    location: str
    category: str
    changed_at: datetime | None


@dataclass(frozen=True)
class Feed:
    """What a calendar shows."""

    name: str
    time_zone: str
    entries: list[FeedEntry]


async def create_feed(
    uow: UnitOfWork, clock: Clock, access: Access, name: str, farm_id: int, house_id: int | None
) -> tuple[CalendarFeed, str]:
    """Make a feed and return it with its secret, which is not kept and cannot be shown again.

    Raises
    ------
    Impossible
        If there is no such farm or house, or the name is none.
    """
    try:
        cleaned = _NAME(name)
    except ValueError as error:
        raise impossible("name", str(error)) from error
    await referred_farm(uow, access, farm_id)
    if house_id is not None:
        house = await find(uow, House, house_id)
        if house is None or house.farm_id != farm_id:
            raise impossible("house_id", f"there is no house {house_id} in this farm")
    secret = secrets.token_urlsafe(32)
    feed = CalendarFeed(
        farm_id=farm_id, house_id=house_id, name=cleaned, secret_hash=digest(secret), created_at=clock.now()
    )
    await insert(uow, feed)
    return feed, secret


async def list_feeds(
    uow: UnitOfWork, access: Access, *, after: int | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[list[CalendarFeed], int | None]:
    """Return a page of feeds, revoked ones included, and the id to go on after."""
    check_page(after, limit)
    return await records.page_feeds(uow, within_farm=access.farm_id, after=after, limit=limit)


async def revoke_feed(uow: UnitOfWork, clock: Clock, access: Access, feed_id: int) -> CalendarFeed:
    """End a feed for good; ending it twice is the same as once."""
    feed = await find(uow, CalendarFeed, feed_id)
    if feed is None:
        raise NotFound(f"there is no calendar {feed_id}")
    require(access, feed.farm_id)
    if feed.revoked_at is None:
        feed.revoked_at = clock.now()
        await uow.flush()
    return feed


async def read_feed(uow: UnitOfWork, clock: Clock, secret: str) -> Feed:
    """Return what the calendar at a secret shows.

    Raises
    ------
    NotFound
        If the secret is unknown or revoked; which of both is not said.
    """
    secret_hash = digest(secret)
    feed = await records.find_feed(uow, secret_hash)
    known_hash = feed.secret_hash if feed else ""
    if feed is None or not hmac.compare_digest(known_hash, secret_hash) or feed.revoked_at is not None:
        raise NotFound("there is no such calendar")
    farm = await known(uow, Farm, feed.farm_id)
    houses = [h for h in await houses_of(uow, farm.id) if feed.house_id is None or h.id == feed.house_id]
    by_id = {house.id: house for house in houses}
    zone = houses[0].time_zone if houses else "UTC"
    today = local_day(clock.now(), ZoneInfo(zone))
    # Farms of two services may have the same ids; when a farm was made tells them apart.
    tail = f"farm-{farm.id}-{int(farm.created_at.timestamp())}@evenleaf"
    entries = await _work(uow, by_id, today - timedelta(days=PAST_DAYS), tail)
    live = await records.live_with_days(uow, list(by_id))
    crops = {c.id: c.name for c in await conclusion_records.crops_of(uow, farm.id)}
    entries += [
        _expected(batch, succession, day, crops[succession.crop_id], by_id[batch.house_id], tail, today)
        for batch, succession, day in live
        if day.event == "harvest" or batch.stage == "nursery"
    ]
    return Feed(feed.name, zone, entries)


async def _work(uow: UnitOfWork, houses: dict[int, House], since: date, tail: str) -> list[FeedEntry]:
    """Return tasks, cleanings and closed days."""
    tasks = await records.tasks_since(uow, list(houses), since)
    entries = [
        FeedEntry(
            uid=f"task-{task.id}.{tail}",
            sequence=task.version - 1,
            begins=task.due_on,
            ends=None,
            summary=f"Done: {task.title}" if task.done_at else task.title,
            description="\n".join(
                line for line in (task.note, f"For {task.assigned_to}" if task.assigned_to else "") if line
            ),
            location=houses[task.house_id].name,
            category="Work",
            changed_at=task.done_at,
        )
        for task in tasks
    ]
    events = await records.events_since(uow, list(houses), since)
    return entries + [
        FeedEntry(
            uid=f"event-{event.id}.{tail}",
            sequence=event.version - 1,
            begins=event.starts_on,
            ends=event.ends_on,
            summary=_SAID[event.kind],
            description=event.note or "",
            location=houses[event.house_id].name,
            category="House",
            changed_at=None,
        )
        for event in events
        if event.active
    ]


def _expected(
    batch: Batch,
    succession: Succession,
    expected: ForecastDay,
    crop: str,
    house: House,
    tail: str,
    today: date,
) -> FeedEntry:
    assert expected.day is not None  # noqa: S101 - only those are read
    what = "Harvest" if expected.event == "harvest" else "Transplant"
    moved = f" Moved {expected.sequence} times so far." if expected.sequence else ""
    late = " It was expected earlier and is not recorded yet." if expected.day < today else ""
    return FeedEntry(
        uid=f"{expected.event}-{batch.id}.{tail}",
        sequence=expected.sequence,
        begins=expected.day,
        ends=None,
        summary=f"{what} {crop} {batch.code} (forecast)",
        description=f"{succession.name}: the day by which it is as likely as not.{moved}{late}",
        location=house.name,
        category=what,
        changed_at=expected.changed_at,
    )
