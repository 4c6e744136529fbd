"""The calendar: parsed back, with the same entries when their days move."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import pytest
from icalendar import Calendar
from litestar import Litestar

from service.app import create_app
from service.papers.calendar import Entry, calendar, digest
from service.records.store import Store
from service.records.tables import Forecast, HouseEvent, Task
from service.settings import Settings
from service.work.access import SYSTEM
from service.work.batches import create_batch
from service.work.calendar_feeds import create_feed, revoke_feed
from service.work.notices_conclusions import tell_conclusions
from service.work.places import create_house
from service.work.tasks import change_task
from tests.deliver.rig import MovingClock
from tests.work.conftest import Place


def forecast(batch_id: int, transplant: datetime, harvest: datetime | None) -> Forecast:
    """Return a forecast."""
    points: dict[str, Any] = {
        "transplant": dict.fromkeys(("p10", "p50", "p90"), transplant.isoformat()),
        "harvest": dict.fromkeys(("p10", "p50", "p90"), harvest and harvest.isoformat()),
    }
    return Forecast(
        batch_id=batch_id,
        made_at=transplant,
        input_key="x",
        horizon_days=120,
        points=points,
        state={},
        parameters={},
        reasons=[],
    )


async def expect(store: Store, clock: Any, place: Place, *forecasts: Forecast) -> None:
    """Keep forecasts as a re-forecast does."""
    async with store.write() as uow:
        uow.session.add_all(forecasts)
        await uow.flush()
        await tell_conclusions(uow, clock, place.house, forecasts, [], {})


@pytest.fixture
def app(store: Store, moving: MovingClock) -> Litestar:
    """Return the application."""
    return create_app(store, moving, Settings())


async def read(app: Litestar, path: str, **headers: str) -> httpx.Response:
    """Read a path without a token."""
    transport = httpx.ASGITransport(app=app)
    async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
        return await client.get(path, headers={k.replace("_", "-"): v for k, v in headers.items()})


async def test_dates_that_move_keep_their_entry(
    app: Litestar, store: Store, moving: MovingClock, place: Place
) -> None:
    async with store.write() as uow:
        made = await create_batch(uow, moving, SYSTEM, {"succession_id": place.succession.id})
        uow.session.add_all(
            [
                Task(
                    house_id=place.house.id, kind="seed", due_on=date(2026, 9, 15), title="Seed; 200, cells"
                ),
                HouseEvent(
                    house_id=place.house.id,
                    kind="closed",
                    starts_on=date(2026, 12, 24),
                    ends_on=date(2026, 12, 26),
                ),
            ]
        )
        feed, secret = await create_feed(uow, moving, SYSTEM, "Alder", place.farm.id, None)
    batch = made.batch
    # 22:30 UTC is the next day in Amsterdam.
    first = forecast(
        batch.id, datetime(2026, 9, 27, 22, 30, tzinfo=UTC), datetime(2026, 10, 27, 12, tzinfo=UTC)
    )
    await expect(store, moving, place, first)
    path = f"/calendars/{secret}.ics"
    answer = await read(app, path)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    before = {str(e["uid"]): e for e in Calendar.from_ical(answer.content).walk("VEVENT")}
    by_summary = {str(e["summary"]): e for e in before.values()}
    harvest = by_summary[f"Harvest Butterhead {batch.code} (forecast)"]
    assert (harvest["dtstart"].dt, harvest["dtend"].dt) == (date(2026, 10, 27), date(2026, 10, 28))
    assert harvest["sequence"] == 0
    assert by_summary[f"Transplant Butterhead {batch.code} (forecast)"]["dtstart"].dt == date(2026, 9, 28)
    assert by_summary["Seed; 200, cells"]["dtstart"].dt == date(2026, 9, 15)
    closed = by_summary["Closed"]
    assert (closed["dtstart"].dt, closed["dtend"].dt) == (date(2026, 12, 24), date(2026, 12, 27))
    assert all(type(e["dtstart"].dt) is date for e in before.values())
    assert (await read(app, path, if_none_match=answer.headers["etag"])).status_code == 304

    moving.move(days=1)
    await expect(
        store,
        moving,
        place,
        forecast(batch.id, datetime(2026, 9, 28, 9, tzinfo=UTC), datetime(2026, 10, 30, 12, tzinfo=UTC)),
    )
    async with store.write() as uow:
        await change_task(uow, SYSTEM, 1, {"due_on": date(2026, 9, 17)})
    moved = await read(app, path, if_none_match=answer.headers["etag"])
    assert moved.status_code == 200
    after = {str(e["uid"]): e for e in Calendar.from_ical(moved.content).walk("VEVENT")}
    assert after.keys() == before.keys()
    changed = {
        uid: (after[uid]["dtstart"].dt, after[uid]["sequence"] - before[uid]["sequence"])
        for uid in after
        if after[uid]["dtstart"].dt != before[uid]["dtstart"].dt
    }
    assert sorted(changed.values()) == [(date(2026, 9, 17), 1), (date(2026, 10, 30), 1)]
    assert all(after[u]["sequence"] == before[u]["sequence"] for u in after.keys() - changed.keys())

    # Not within the horizon any more: the entry is gone, and comes back under its old name, further on.
    await expect(store, moving, place, forecast(batch.id, datetime(2026, 9, 28, 9, tzinfo=UTC), None))
    left = {str(e["uid"]) for e in Calendar.from_ical((await read(app, path)).content).walk("VEVENT")}
    assert before.keys() - left == {str(harvest["uid"])}
    again = forecast(batch.id, datetime(2026, 9, 28, 9, tzinfo=UTC), datetime(2026, 10, 30, 12, tzinfo=UTC))
    await expect(store, moving, place, again)
    back = {str(e["uid"]): e for e in Calendar.from_ical((await read(app, path)).content).walk("VEVENT")}
    assert back[str(harvest["uid"])]["sequence"] == 3

    async with store.write() as uow:
        await revoke_feed(uow, moving, SYSTEM, feed.id)
    for gone in (path, "/calendars/none.ics", "/calendars/%F0%9F%A5%AC.ics"):
        answer = await read(app, gone)
        assert answer.status_code == 404
        assert answer.headers["content-type"] == "application/problem+json"


async def test_a_feed_of_a_house_shows_no_other(
    app: Litestar, store: Store, moving: MovingClock, place: Place
) -> None:
    async with store.write() as uow:
        other = await create_house(uow, SYSTEM, {**place.house_values, "name": "South house", "code": "S1"})
        for house in (place.house, other):
            uow.session.add(
                Task(house_id=house.id, kind="clean", due_on=date(2026, 9, 15), title=f"Clean {house.name}")
            )
        _, secret = await create_feed(uow, moving, SYSTEM, "South", place.farm.id, other.id)
    found = Calendar.from_ical((await read(app, f"/calendars/{secret}.ics")).content)
    assert [str(e["summary"]) for e in found.walk("VEVENT")] == ["Clean South house"]


def test_what_is_written_is_read_back() -> None:
    at = datetime(2026, 9, 14, 6, tzinfo=UTC)
    entries = [
        Entry(
            uid="a@evenleaf",
            sequence=2,
            begins=date(2026, 3, 29),
            summary='Grün; "a, b"\\ \n' + "long " * 60,
            description="Line one\nLine two",
            location="North, house",
            category="Work",
            changed_at=at - timedelta(days=1),
        )
    ]
    found = Calendar.from_ical(calendar("Alder, Farm", "Europe/Amsterdam", entries, at))
    assert str(found["x-wr-calname"]) == "Alder, Farm"
    (event,) = found.walk("VEVENT")
    assert str(event["summary"]) == entries[0].summary[:200]
    assert str(event["description"]) == "Line one\nLine two"
    assert event["dtstamp"].dt == at - timedelta(days=1)
    assert (event["dtstart"].dt, event["dtend"].dt) == (date(2026, 3, 29), date(2026, 3, 30))
    assert digest("A", entries) == digest("A", list(entries)) != digest("B", entries)
    assert all(len(line) <= 75 for line in calendar("A", "UTC", entries, at).split(b"\r\n"))
