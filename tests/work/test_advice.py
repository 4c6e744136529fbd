"""Accepting advice: its seedings become tasks, its interval the succession's; once, and only what was read."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Advice, Task
from service.work.access import SYSTEM, Access
from service.work.advice import ADVICE_NOTE, AHEAD_DAYS, AcceptedAdvice, accept_advice
from service.work.errors import Conflict, NotFound
from service.work.programme import get_succession
from service.work.tasks import create_task, finish_task
from tests.work.conftest import Place


async def advise(
    store: Store, clock: FixedClock, place: Place, *seedings: tuple[date, int], **more: Any
) -> int:
    """Keep an advice with these seedings, and return its id."""
    values = {
        "succession_id": place.succession.id,
        "made_at": clock.now(),
        "input_key": "key",
        "decision": "shorten",
        "binding": "continuity",
        "interval_days": 7.0,
        "advised_interval_days": 5.5,
        "cells_per_seeding": 210,
        "from_on": clock.now().date(),
        "probability": 0.9,
        "seedings": [{"on": on.isoformat(), "cells": cells} for on, cells in seedings],
        "outcome": {},
        "reasons": [],
    }
    async with store.write() as uow:
        row = Advice(**{**values, **more})
        uow.session.add(row)
        await uow.flush()
        return row.id


async def accept(
    store: Store, clock: FixedClock, place: Place, advice_id: int, access: Access = SYSTEM
) -> AcceptedAdvice:
    """Accept an advice."""
    async with store.write() as uow:
        return await accept_advice(uow, clock, access, place.succession.id, advice_id)


async def tasks(store: Store) -> list[tuple[date, int | None, str | None]]:
    """Return the tasks: day, cells, note."""
    async with store.read() as uow:
        rows = await uow.session.scalars(select(Task).order_by(Task.due_on, Task.id))
        return [(t.due_on, t.cells, t.note) for t in rows]


async def test_seedings_become_tasks_and_the_interval_the_succession_s(
    store: Store, clock: FixedClock, place: Place
) -> None:
    today = clock.now().date()
    coming = [today, today + timedelta(days=5), today + timedelta(days=AHEAD_DAYS + 1)]
    advice = await advise(store, clock, place, *((day, 210) for day in coming))
    done = await accept(store, clock, place, advice)
    assert (done.created, done.withdrawn, done.interval_changed) == (2, 0, True)
    assert await tasks(store) == [(day, 210, ADVICE_NOTE) for day in coming[:2]], (
        "later ones wait for later advice"
    )
    async with store.read() as uow:
        succession = await get_succession(uow, SYSTEM, place.succession.id)
    # The size of a full seeding stays, or what was advised while sites were short would be full from then on.
    assert (succession.seeding_interval_days, succession.cells_per_seeding) == (
        5.5,
        place.succession.cells_per_seeding,
    )
    again = await accept(store, clock, place, advice)
    assert (again.created, again.withdrawn, again.interval_changed) == (0, 0, False)
    assert len(await tasks(store)) == 2


async def test_a_newer_advice_takes_the_place_of_an_older_and_leaves_what_people_did(
    store: Store, clock: FixedClock, place: Place
) -> None:
    today = clock.now().date()
    day = [today + timedelta(days=n) for n in range(10)]
    await accept(store, clock, place, await advise(store, clock, place, *((day[n], 210) for n in (0, 2, 4))))
    async with store.write() as uow:
        own = {
            "house_id": place.house.id,
            "kind": "seed",
            "succession_id": place.succession.id,
            "title": "Seed",
        }
        await create_task(uow, SYSTEM, {**own, "due_on": day[6], "cells": 50})
        first = (await uow.session.scalars(select(Task).where(Task.due_on == day[0]))).one()
        await finish_task(uow, clock, SYSTEM, first.id)
    newer = await advise(store, clock, place, (day[0], 99), (day[3], 180), (day[4], 210), (day[6], 180))
    done = await accept(store, clock, place, newer)
    assert (done.created, done.withdrawn) == (1, 1)
    assert await tasks(store) == [
        (day[0], 210, ADVICE_NOTE),  # done
        (day[3], 180, ADVICE_NOTE),
        (day[4], 210, ADVICE_NOTE),
        (day[6], 50, None),  # a person's
    ]


async def test_only_the_advice_in_force_and_of_the_own_farm_is_accepted(
    store: Store, clock: FixedClock, place: Place
) -> None:
    today = clock.now().date()
    older = await advise(store, clock, place, (today, 210))
    newer = await advise(store, clock, place, (today, 220))
    with pytest.raises(Conflict, match="no longer in force"):
        await accept(store, clock, place, older)
    stranger = Access("stranger", frozenset({"write"}), place.farm.id + 1)
    with pytest.raises(NotFound):
        await accept(store, clock, place, newer, stranger)
    assert await tasks(store) == []
