"""Old forecasts and advice are thinned to one a day, and what is in force or asked for by a report stays."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import insert, select

from service.clock import FixedClock, SimulatedClock
from service.records import conclusions as conclusion_records
from service.records import reports as report_records
from service.records.store import Store
from service.records.tables import Advice, Entry, Forecast
from service.scheduler import thinning as thinning_of
from service.work import thinning
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from service.work.reports import LEADS_DAYS, moments_judged
from service.work.thinning import superfluous, thin_conclusions
from tests.store.test_conclusions import advice, forecast
from tests.work.conftest import Place

SEEDED = datetime(2026, 8, 1, 6, tzinfo=UTC)
NOW = datetime(2026, 9, 20, 9, 30, tzinfo=UTC)
WHOLE_FROM = datetime(2026, 9, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
async def batches(store: Store, place: Place) -> list[int]:
    """Have batches with a forecast, and their succession with advice, every hour of fifty days."""
    made = []
    for code in ("cut", "live", "ended"):
        values = {"succession_id": place.succession.id, "seeded_at": SEEDED, "cells": 100, "code": code}
        async with store.write() as uow:
            made.append((await create_batch(uow, FixedClock(SEEDED), SYSTEM, values)).batch.id)
    hours = [SEEDED + n * HOUR for n in range(int((NOW - SEEDED) / HOUR) + 1)]
    ended = [at for at in hours if at < datetime(2026, 8, 20, 12, tzinfo=UTC)]
    async with store.write() as uow:
        rows = [forecast(b, at) for at in hours for b in made[:2]] + [forecast(made[2], at) for at in ended]
        await uow.session.execute(insert(Forecast), rows)
        await uow.session.execute(insert(Advice), [advice(place.succession.id, at) for at in hours])
    return made


async def made_at(store: Store, table: type[Forecast] | type[Advice], **of: int) -> list[datetime]:
    """Return when what is left was made."""
    async with store.read() as uow:
        statement = select(table.made_at).filter_by(**of).order_by(table.made_at)
        return list(await uow.session.scalars(statement))


async def write_down(store: Store, batch_id: int, kind: str, at: datetime, **more: Any) -> None:
    """Append to a batch's ledger."""
    async with store.write() as uow:
        await append_entry(uow, FixedClock(NOW), SYSTEM, batch_id, {"kind": kind, "happened_at": at, **more})


async def judged(store: Store, batch_id: int) -> Mapping[tuple[int, datetime], Any]:
    """Return which forecasts a report reads of a batch."""
    async with store.read() as uow:
        entries = await uow.session.scalars(
            select(Entry).where(Entry.batch_id == batch_id).order_by(Entry.id)
        )
        moments = [(batch_id, at) for at in moments_judged(entries)]
        return await report_records.forecasts_that_held(uow, moments)


async def test_of_old_days_the_last_stays(store: Store, place: Place, batches: list[int]) -> None:
    before = await made_at(store, Forecast, batch_id=batches[1])
    done = await thin_conclusions(store, NOW)
    assert done is not None
    assert done.before == WHOLE_FROM
    days = [datetime(2026, 8, 1, 23, tzinfo=UTC) + timedelta(days=n) for n in range(36)]
    whole = [at for at in before if at >= WHOLE_FROM]
    assert await made_at(store, Forecast, batch_id=batches[1]) == days + whole
    assert await made_at(store, Advice, succession_id=place.succession.id) == days + whole
    ended = await made_at(store, Forecast, batch_id=batches[2])
    assert ended == [*days[:19], datetime(2026, 8, 20, 11, tzinfo=UTC)], "what was said last stays"
    # What is thinned is not looked at again, and the next day is one more.
    assert await thin_conclusions(store, NOW, done.before) == thinning.Thinned(0, 0, done.before)
    assert await thin_conclusions(store, NOW) == thinning.Thinned(0, 0, done.before)
    later = await thin_conclusions(store, NOW + timedelta(days=1), done.before)
    assert later == thinning.Thinned(2 * 23, 23, WHOLE_FROM + timedelta(days=1))


async def test_what_a_report_asks_for_stays(store: Store, batches: list[int]) -> None:
    cut = batches[0]
    async with store.write() as uow:
        for row in await uow.session.scalars(select(Forecast).where(Forecast.batch_id == cut)):
            row.points = {"id": row.id}
    await write_down(store, cut, "transplanted", datetime(2026, 8, 20, 10, 20, tzinfo=UTC), plants=100)
    await write_down(store, cut, "harvested", datetime(2026, 9, 18, 9, 40, tzinfo=UTC), plants=60)
    await write_down(store, cut, "harvested", datetime(2026, 9, 19, 9, 40, tzinfo=UTC), plants=40)
    before = await judged(store, cut)
    assert len(before) == 1 + len(LEADS_DAYS)
    await thin_conclusions(store, NOW)
    assert await judged(store, cut) == before
    assert await made_at(store, Forecast, batch_id=cut) != await made_at(store, Forecast, batch_id=batches[1])


async def test_it_is_done_in_bites_and_can_be_stopped(
    store: Store, batches: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    bites: list[int] = []
    stop = asyncio.Event()
    drop = conclusion_records.drop

    async def seen(uow: Any, table: Any, ids: Any) -> None:
        bites.append(len(ids))
        await drop(uow, table, ids)
        if len(bites) == 3:
            stop.set()

    monkeypatch.setattr(conclusion_records, "drop", seen)
    monkeypatch.setattr(thinning, "_DROPPED_AT_A_TIME", 100)
    monkeypatch.setattr(thinning, "_AT_A_TIME", 2)
    assert await thin_conclusions(store, NOW, stop=stop) is None
    assert bites == [100, 100, 100]
    assert await thin_conclusions(store, NOW) is not None
    assert max(bites) == 100
    assert [len(await made_at(store, Forecast, batch_id=b)) for b in batches] == [382, 382, 20]


async def test_the_service_does_it_now_and_then(
    store: Store, batches: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.scheduler.SHORTEST_INTERVAL_S", 0.05)
    clock = SimulatedClock(NOW, 60.0, time.time())
    async with thinning_of(store, clock, minutes=0.05), asyncio.timeout(20):
        while len(await made_at(store, Advice)) > 382:  # noqa: ASYNC110 - there is no event
            await asyncio.sleep(0.05)
    assert [len(await made_at(store, Forecast, batch_id=b)) for b in batches] == [382, 382, 20]


def test_the_newest_is_never_superfluous() -> None:
    day = datetime(2026, 8, 1, tzinfo=UTC)
    made = [(day + 7 * n * HOUR, n) for n in range(8)]  # 0 7 14 21 | 4 11 18 | 1
    assert superfluous(made) == [0, 1, 2, 4, 5]
    assert superfluous(made, [day - HOUR, day + 8 * HOUR, day + 900 * HOUR]) == [0, 2, 4, 5]
    assert superfluous(made[:1]) == superfluous([]) == []
    twice = [(day, 1), (day, 2)]
    assert superfluous(twice, [day]) == [1]
