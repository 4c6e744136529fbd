"""Answers that are kept: given again while nothing that they show has changed, and never a moment longer."""

from __future__ import annotations

import asyncio
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import httpx
import pytest
from litestar import Litestar
from sqlalchemy import event, update

from service.api.answers import LONGEST_S, Answers, Kept
from service.clock import FixedClock
from service.records import marks
from service.records.conditions import save_hours
from service.records.store import Store
from service.records.tables import Batch, metadata
from tests.api.farm import Json, Place, made, token_headers

_RENAME = """
import asyncio, sys
from service.records.store import Store
from service.records.tables import Batch

async def rename():
    store = Store.open(sys.argv[1])
    async with store.write() as uow:
        (await uow.session.get_one(Batch, int(sys.argv[2]))).code = "renamed elsewhere"
    await store.close()

asyncio.run(rename())
"""


@pytest.fixture
async def batch(client: httpx.AsyncClient, place: Place) -> Json:
    body = {"successionId": place.succession["id"], "seededOn": "2026-09-01", "cellsPerTray": 50}
    return await made(client, "/v1/batches", body)


def reads(place: Place) -> list[str]:
    """Return the paths of every operation whose answers are kept."""
    return [
        f"/v1/houses/{place.house['id']}/line",
        f"/v1/batches?houseId={place.house['id']}&limit=50",
        f"/v1/successions/{place.succession['id']}/advice?limit=1",
    ]


@contextmanager
def statements(store: Store) -> Iterator[list[str]]:
    """Collect what is asked of the database through the store."""
    asked: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        asked.append(statement)

    event.listen(store.engine.sync_engine, "before_cursor_execute", note)
    try:
        yield asked
    finally:
        event.remove(store.engine.sync_engine, "before_cursor_execute", note)


async def test_an_answer_is_given_again_without_reading_while_readings_come_in(
    client: httpx.AsyncClient, store: Store, place: Place, batch: Json, clock: FixedClock
) -> None:
    first = [(await client.get(path)).text for path in reads(place)]
    hour = {
        "zone_id": place.nursery["id"],
        "at": clock.now() - timedelta(hours=1),
        "temp_mean_c": 20.0,
        "temp_min_c": 19.0,
        "temp_max_c": 21.0,
        "temp_coverage": 1.0,
        "light_mol": 0.5,
        "light_coverage": 1.0,
    }
    async with store.write() as uow:
        await save_hours(uow, [hour])
    with statements(store) as asked:
        assert [(await client.get(path)).text for path in reads(place)] == first
    assert asked == []


async def test_what_another_process_changes_is_seen_at_once(
    client: httpx.AsyncClient, place: Place, batch: Json, database_url: str
) -> None:
    line, batches, _ = reads(place)
    for path in (line, batches):
        assert "renamed elsewhere" not in (await client.get(path)).text
    other = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _RENAME, database_url, str(batch["id"])
    )
    assert await other.wait() == 0
    for path in (line, batches):
        assert "renamed elsewhere" in (await client.get(path)).text


async def test_a_change_of_another_house_leaves_the_answers_of_this_one(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place, batch: Json
) -> None:
    line, batches, advice = reads(place)
    for path in (line, batches, advice):
        await client.get(path)
    there = {"successionId": other_place.succession["id"], "seededOn": "2026-09-01"}
    await made(client, "/v1/batches", there)
    await client.get("/v1/me")
    with statements(store) as asked:
        await client.get(line)
        await client.get(batches)
        assert asked == []
        await client.get(advice)  # of which house it is, only reading tells
        assert asked


async def test_a_change_in_bulk_is_seen(
    client: httpx.AsyncClient, store: Store, place: Place, batch: Json
) -> None:
    line, batches, _ = reads(place)
    for path in (line, batches):
        await client.get(path)
    async with store.write() as uow:
        await uow.session.execute(update(Batch).values(code="in bulk"))
    for path in (line, batches):
        assert "in bulk" in (await client.get(path)).text


async def test_answers_are_kept_for_some_seconds_only(
    client: httpx.AsyncClient, app: Litestar, place: Place, batch: Json, clock: FixedClock
) -> None:
    line = reads(place)[0]
    first = (await client.get(line)).json()
    app.state.clock = FixedClock(clock.moment + timedelta(seconds=LONGEST_S - 1))
    assert (await client.get(line)).json() == first
    app.state.clock = FixedClock(clock.moment + timedelta(seconds=LONGEST_S + 1))
    again = (await client.get(line)).json()
    assert again["at"] == "2026-09-14T06:00:11Z"
    assert {**again, "at": first["at"]} == first


async def test_whatever_kept_answers_are_made_from_is_counted(
    client: httpx.AsyncClient, store: Store, place: Place, batch: Json
) -> None:
    with statements(store) as asked:
        for path in reads(place):
            assert (await client.get(path)).status_code == 200
    tables = {found.strip('"') for text in asked for found in re.findall(r'\b(?:FROM|JOIN) ("?\w+"?)', text)}
    tables &= set(metadata.tables)
    assert {"batch", "entry", "forecast", "advice", "alert", "succession", "house"} <= tables
    assert tables - {"token", "user"} <= set(marks.SHOWN)


async def test_of_whom_a_kept_answer_is_stays_with_them(
    client: httpx.AsyncClient, place: Place, other_place: Place, batch: Json
) -> None:
    line = reads(place)[0]
    assert (await client.get(line)).status_code == 200
    there = await token_headers(client, scopes=["read"], farmId=other_place.farm["id"])
    assert (await client.get(line, headers=there)).status_code == 404
    assert (await client.get(line)).status_code == 200


async def test_a_token_is_out_at_once_although_it_is_remembered(
    client: httpx.AsyncClient, store: Store, place: Place, batch: Json
) -> None:
    token = await made(client, "/v1/tokens", {"name": "wall", "scopes": ["read"]})
    headers = {"authorization": f"Bearer {token['secret']}"}
    line = reads(place)[0]
    for _ in range(2):
        assert (await client.get(line, headers=headers)).status_code == 200
    with statements(store) as asked:
        assert (await client.get(line, headers=headers)).status_code == 200
    assert asked == []
    assert (await client.delete(f"/v1/tokens/{token['id']}")).status_code == 200
    assert (await client.get(line, headers=headers)).status_code == 401


def test_no_more_is_kept_than_there_is_room_for(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Answers()
    monkeypatch.setattr("service.api.answers.MOST", 3)
    monkeypatch.setattr("service.api.answers.MOST_BYTES", 100)

    def keep(key: int, size: int) -> None:
        kept.keep((key,), Kept((0,), 0.0, {}, {"body": b"x" * size}))  # type: ignore[arg-type,typeddict-item]

    for key in range(5):
        keep(key, 10)
    assert [key for (key,) in kept._answers] == [2, 3, 4]
    keep(4, 90)
    assert [key for (key,) in kept._answers] == [3, 4]
    keep(3, 101)
    assert not kept._answers
    assert kept._bytes == 0
