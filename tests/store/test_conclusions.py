"""Of each batch and succession the newest forecast and advice, found without walking through the others."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, event, insert, text

from service.clock import FixedClock
from service.records import reforecast as records
from service.records.store import Store, UnitOfWork
from service.records.tables import Advice, Forecast
from service.work.access import SYSTEM
from service.work.batches import create_batch
from service.work.programme import create_succession
from tests.work.conftest import Place, make_place

BEGIN = datetime(2026, 9, 1, tzinfo=UTC)
HOURS = 300
Query = Callable[[UnitOfWork, Place, list[int], list[int]], Awaitable[Any]]


def forecast(batch_id: int, at: datetime) -> dict[str, Any]:
    return {
        "batch_id": batch_id,
        "made_at": at,
        "input_key": "key",
        "horizon_days": 90,
        "points": {},
        "state": {},
        "parameters": {},
        "reasons": [],
    }


def advice(succession_id: int, at: datetime) -> dict[str, Any]:
    return {
        "succession_id": succession_id,
        "made_at": at,
        "input_key": "key",
        "decision": "hold",
        "binding": "sites",
        "interval_days": 7.0,
        "advised_interval_days": 7.0,
        "cells_per_seeding": 200,
        "from_on": date(2026, 9, 21),
        "probability": 0.9,
        "seedings": [],
        "outcome": {},
        "reasons": [],
    }


@pytest.fixture
async def line(store: Store, clock: FixedClock) -> tuple[Place, list[int], list[int]]:
    """Have ten batches and ten successions with forecasts and advice of 300 hours each."""
    place = await make_place(store, clock, "Alder Farm")
    async with store.write() as uow:
        successions = [place.succession.id]
        for n in range(9):
            values = {**place.succession_values, "name": f"No. {n}"}
            successions.append((await create_succession(uow, SYSTEM, values)).id)
        batches = []
        for n in range(10):
            seeding = {"succession_id": place.succession.id, "seeded_on": BEGIN.date(), "code": f"B{n}"}
            batches.append((await create_batch(uow, clock, SYSTEM, seeding)).batch.id)
        moments = [BEGIN + timedelta(hours=h) for h in range(HOURS)]
        connection = await uow.session.connection()
        await connection.execute(insert(Forecast), [forecast(b, at) for at in moments for b in batches])
        await connection.execute(insert(Advice), [advice(s, at) for at in moments for s in successions])
    async with store.write() as uow:
        await uow.session.execute(text("ANALYZE"))
    return place, batches, successions


@contextmanager
def statements_of(store: Store) -> Iterator[list[tuple[str, Any]]]:
    """Have the statements that are run meanwhile."""
    seen: list[tuple[str, Any]] = []

    def saw(_connection: Connection, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        seen.append((statement, parameters))

    event.listen(store.engine.sync_engine, "before_cursor_execute", saw)
    try:
        yield seen
    finally:
        event.remove(store.engine.sync_engine, "before_cursor_execute", saw)


async def plan_of(uow: UnitOfWork, statement: str, parameters: Any) -> str:
    explain = "EXPLAIN " if uow.dialect == "postgresql" else "EXPLAIN QUERY PLAN "
    found = await (await uow.session.connection()).exec_driver_sql(explain + statement, parameters)
    return "\n".join(str(row[-1]) for row in found)


QUERIES: dict[str, tuple[str, Query]] = {
    "latest forecasts": ("forecast", lambda uow, _, batches, __: records.latest_forecasts(uow, batches)),
    "newest forecasts": ("forecast", lambda uow, _, batches, __: records.newest_forecasts(uow, batches)),
    "latest advice": ("advice", lambda uow, _, __, successions: records.latest_advice(uow, successions)),
    "advice in force": ("advice", lambda uow, place, _, __: records.advice_in_force(uow, place.house.id)),
}


@pytest.mark.parametrize("name", QUERIES)
async def test_the_newest_are_found_by_their_index(
    store: Store, line: tuple[Place, list[int], list[int]], name: str
) -> None:
    table, query = QUERIES[name]
    index = {"forecast": "ix_forecast_batch_id_made_at", "advice": "ix_advice_succession_id_made_at"}[table]
    async with store.read() as uow:
        with statements_of(store) as seen:
            found = await query(uow, *line)
        assert len(found) == 10
        [(statement, parameters)] = [s for s in seen if "SELECT" in s[0]]
        plan = await plan_of(uow, statement, parameters)
    assert index in plan
    assert "Seq Scan on " + table not in plan
    assert "SCAN " + table not in plan


async def test_the_newest_are_those_made_last(store: Store, line: tuple[Place, list[int], list[int]]) -> None:
    place, batches, successions = line
    last = BEGIN + timedelta(hours=HOURS - 1)
    async with store.read() as uow:
        newest = await records.newest_forecasts(uow, batches)
        latest = await records.latest_forecasts(uow, batches)
        told = await records.latest_advice(uow, successions)
        in_force = await records.advice_in_force(uow, place.house.id)
        assert await records.newest_forecasts(uow, [0]) == await records.latest_forecasts(uow, []) == {}
    assert {b: f.id for b, f in latest.items()} == newest
    assert {f.made_at for f in latest.values()} == {a.made_at for a in told.values()} == {last}
    assert [a.id for _, a in in_force] == [told[s].id for s in successions]
