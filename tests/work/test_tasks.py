"""Tasks: put on the list, changed, ticked off, refused."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Batch, Task
from service.work import batches, tasks
from service.work.access import SYSTEM, Access
from service.work.errors import Conflict, Impossible, NotFound, StaleVersion
from service.work.programme import create_succession
from tests.work.conftest import Place
from tests.work.refusals import refused

MONDAY = date(2026, 9, 14)
SEED = {"kind": "seed", "due_on": MONDAY, "title": "Seed 200 cells"}


async def put(store: Store, place: Place, **more: Any) -> Task:
    async with store.write() as uow:
        return await tasks.create_task(uow, SYSTEM, {"house_id": place.house.id, **SEED, **more})


@pytest.fixture
async def batch(store: Store, clock: FixedClock, place: Place) -> Batch:
    async with store.write() as uow:
        return (await batches.create_batch(uow, clock, SYSTEM, {"succession_id": place.succession.id})).batch


async def test_what_was_put_on_the_list_is_read_back(store: Store, place: Place, batch: Batch) -> None:
    task = await put(
        store,
        place,
        kind="transplant",
        batch_id=batch.id,
        succession_id=place.succession.id,
        plants=160,
        cells=200,
        note="to the far end",
    )
    async with store.read() as uow:
        task = await tasks.get_task(uow, SYSTEM, task.id)
    assert (task.house_id, task.kind, task.due_on, task.title) == (1, "transplant", MONDAY, "Seed 200 cells")
    assert (task.batch_id, task.succession_id, task.plants, task.cells) == (batch.id, 1, 160, 200)
    assert (task.note, task.done_at, task.done_by, task.version) == ("to the far end", None, None, 1)


async def test_a_task_is_ticked_off_once_and_the_tick_taken_back(
    store: Store, clock: FixedClock, place: Place
) -> None:
    task = await put(store, place)
    crew = Access("crew tablet", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        done = await tasks.finish_task(uow, clock, crew, task.id, expected_version=1)
        assert (done.done_at, done.done_by, done.version) == (clock.now(), "crew tablet", 2)
    later = FixedClock(clock.now() + timedelta(hours=1))
    async with store.write() as uow:
        again = await tasks.finish_task(uow, later, SYSTEM, task.id)
        assert (again.done_at, again.done_by, again.version) == (clock.now(), "crew tablet", 2)
        with refused(StaleVersion):
            await tasks.finish_task(uow, later, SYSTEM, task.id, expected_version=1)
        with refused(StaleVersion):
            await tasks.reopen_task(uow, SYSTEM, task.id, expected_version=1)
        opened = await tasks.reopen_task(uow, SYSTEM, task.id, expected_version=2)
        assert (opened.done_at, opened.done_by, opened.version) == (None, None, 3)
        assert (await tasks.reopen_task(uow, SYSTEM, task.id)).version == 3
    async with store.write() as uow:
        await tasks.finish_task(uow, later, SYSTEM, task.id)
    async with store.read() as uow:
        done = await tasks.get_task(uow, SYSTEM, task.id)
    assert (done.done_at, done.done_by) == (datetime(2026, 9, 14, 7, tzinfo=UTC), "system")


async def test_of_two_who_tick_at_once_one_is_told(store: Store, clock: FixedClock, place: Place) -> None:
    task = await put(store, place)
    async with store.read() as mine:
        held = await tasks.get_task(mine, SYSTEM, task.id)
        async with store.write() as theirs:
            await tasks.finish_task(theirs, clock, Access("theirs", frozenset({"write"}), None), task.id)
        if store.dialect == "postgresql":  # SQLite does not let a reader go on to write over a newer state
            with refused(Conflict):
                await tasks.finish_task(mine, clock, SYSTEM, held.id)
    async with store.read() as uow:
        assert (await tasks.get_task(uow, SYSTEM, task.id)).done_by == "theirs"


WRONG = [
    ({"kind": "rest"}, "kind"),
    ({"kind": None}, "kind"),
    ({"due_on": None}, "due_on"),
    ({"due_on": "2026-09-14"}, "due_on"),
    ({"due_on": datetime(2026, 9, 14, tzinfo=UTC)}, "due_on"),
    ({"due_on": date(2200, 1, 1)}, "due_on"),
    ({"title": " "}, "title"),
    ({"title": "x" * 201}, "title"),
    ({"cells": 0}, "cells"),
    ({"plants": 1.5}, "plants"),
    ({"note": "x" * 2001}, "note"),
    ({"batch_id": 999}, "batch_id"),
    ({"batch_id": 2**63}, "batch_id"),
    ({"succession_id": 999}, "succession_id"),
    ({"done_at": datetime(2026, 9, 14, tzinfo=UTC)}, "done_at"),
    ({"done_by": "me"}, "done_by"),
]


async def test_a_task_that_cannot_be_is_refused(store: Store, place: Place) -> None:
    task = await put(store, place)
    for wrong, field in WRONG:
        async with store.write() as uow:
            with refused(Impossible, field):
                await tasks.create_task(uow, SYSTEM, {"house_id": place.house.id, **SEED, **wrong})
            with refused(Impossible, field):
                await tasks.change_task(uow, SYSTEM, task.id, wrong)
    async with store.write() as uow:
        with refused(Impossible, "house_id", "kind", "due_on", "title"):
            await tasks.create_task(uow, SYSTEM, {})
        rows, _ = await tasks.list_tasks(uow, SYSTEM)
    assert [(row.title, row.version) for row in rows] == [("Seed 200 cells", 1)]


async def test_a_task_keeps_to_its_house(
    store: Store, clock: FixedClock, place: Place, other_place: Place, batch: Batch
) -> None:
    theirs = await put(store, other_place)
    access = Access("crew", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        second = await create_succession(
            uow, SYSTEM, {**place.succession_values, "name": "Butterhead, second"}
        )
        mine = {"house_id": place.house.id, **SEED}
        with refused(Impossible, "succession_id"):
            await tasks.create_task(uow, SYSTEM, {**mine, "succession_id": other_place.succession.id})
        with refused(Impossible, "batch_id"):
            await tasks.create_task(uow, SYSTEM, {**mine, "batch_id": batch.id, "succession_id": second.id})
        with refused(Impossible, "batch_id"):
            await tasks.change_task(uow, SYSTEM, theirs.id, {"batch_id": batch.id})
        with refused(Impossible, "house_id"):
            await tasks.change_task(uow, SYSTEM, theirs.id, {"house_id": place.house.id})
        with refused(Impossible, "house_id"):
            await tasks.create_task(uow, access, {**mine, "house_id": other_place.house.id})
        with refused(NotFound):
            await tasks.get_task(uow, access, theirs.id)
        with refused(NotFound):
            await tasks.change_task(uow, access, theirs.id, {"title": "Mine"})
        with refused(NotFound):
            await tasks.finish_task(uow, clock, access, theirs.id)
        with refused(NotFound):
            await tasks.reopen_task(uow, access, theirs.id)
        with refused(NotFound):
            await tasks.get_task(uow, SYSTEM, 2**64)
        assert (await tasks.list_tasks(uow, access))[0] == []


async def test_the_list_is_narrowed_and_comes_in_pages(
    store: Store, clock: FixedClock, place: Place, other_place: Place, batch: Batch
) -> None:
    for n in range(4):
        await put(store, place, due_on=MONDAY + timedelta(days=n))
    await put(store, place, kind="count", batch_id=batch.id, due_on=MONDAY)
    await put(store, other_place)
    async with store.write() as uow:
        await tasks.finish_task(uow, clock, SYSTEM, 2)
    async with store.read() as uow:

        async def ids(**given: Any) -> list[int]:
            return [row.id for row in (await tasks.list_tasks(uow, SYSTEM, **given))[0]]

        house = place.house.id
        assert await ids(house_id=house) == [1, 2, 3, 4, 5]
        assert await ids(house_id=house, due_from=MONDAY, due_to=MONDAY) == [1, 5]
        assert await ids(house_id=house, due_from=MONDAY + timedelta(days=2)) == [3, 4]
        assert await ids(due_to=MONDAY) == [1, 5, 6]
        assert await ids(open_=False) == [2]
        assert await ids(house_id=house, open_=True) == [1, 3, 4, 5]
        assert await ids(kind="count") == await ids(batch_id=batch.id) == [5]
        assert await ids(house_id=other_place.house.id) == [6]
        rows, after = await tasks.list_tasks(uow, SYSTEM, house_id=house, open_=True, limit=3)
        assert ([row.id for row in rows], after) == ([1, 3, 4], 4)
        assert await ids(house_id=house, open_=True, after=after) == [5]
        with refused(Impossible, "due_to"):
            await ids(due_from=MONDAY, due_to=MONDAY - timedelta(days=1))
        with refused(Impossible, "kind"):
            await ids(kind="rest")
        with refused(Impossible, "batch_id"):
            await ids(batch_id=-1)
