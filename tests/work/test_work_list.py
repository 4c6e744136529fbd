"""The work list follows the forecasts: once on it, moved with them, gone when nothing calls for it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Forecast, Task
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from service.work.tasks import change_task, finish_task, list_tasks
from service.work.work_list import ASSUMED_MINUTES, Proposed, learned_minutes, propose_work, work_on
from tests.work.conftest import Place

SEEDED = datetime(2026, 8, 31, 6, tzinfo=UTC)
EVENTS = ("emergence", "window_open", "transplant", "window_close", "harvest")


async def seed(store: Store, clock: FixedClock, place: Place) -> int:
    async with store.write() as uow:
        values = {"succession_id": place.succession.id, "seeded_at": SEEDED, "code": "B-1"}
        return (await create_batch(uow, clock, SYSTEM, values)).batch.id


async def forecast(store: Store, clock: FixedClock, batch_id: int, *days: float) -> None:
    """Have a forecast of the batch: days after its seeding of each event."""
    points = {
        event: {
            p: (SEEDED + timedelta(days=day + off)).isoformat()
            for p, off in (("p10", -1), ("p50", 0), ("p90", 1))
        }
        for event, day in zip(EVENTS, days, strict=True)
    }
    async with store.write() as uow:
        uow.session.add(
            Forecast(
                batch_id=batch_id,
                made_at=clock.now(),
                input_key="k",
                horizon_days=120,
                points=points,
                state={},
                parameters={},
                reasons=[],
            )
        )


async def propose(store: Store, clock: FixedClock, place: Place) -> Proposed:
    async with store.write() as uow:
        return await propose_work(uow, clock, SYSTEM, place.house.id)


async def tasks_of(store: Store) -> Sequence[Task]:
    async with store.read() as uow:
        return (await list_tasks(uow, SYSTEM))[0]


async def said(store: Store) -> list[tuple[str, date, bool]]:
    return sorted((t.kind, t.due_on, t.done_at is not None) for t in await tasks_of(store))


async def record(store: Store, clock: FixedClock, batch_id: int, kind: str, **fact: Any) -> int:
    async with store.write() as uow:
        entry, _ = await append_entry(uow, clock, SYSTEM, batch_id, {"kind": kind, **fact})
        return entry.id


async def test_tasks_are_made_once_move_with_the_forecast_and_go(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await seed(store, clock, place)
    assert await propose(store, clock, place) == Proposed(0, 0, 0)  # nothing was forecast yet
    await forecast(store, clock, batch_id, 5, 16, 18, 20, 45)
    assert (await propose(store, clock, place)).created == 3
    assert await propose(store, clock, place) == Proposed(0, 0, 0)
    assert await said(store) == [
        ("count", date(2026, 9, 6), False),  # emergence, overdue
        ("count", date(2026, 9, 15), False),
        ("transplant", date(2026, 9, 18), False),
    ]
    await forecast(store, clock, batch_id, 5, 18, 20, 22, 45)
    assert await propose(store, clock, place) == Proposed(0, 2, 0)
    transplant = next(t for t in await tasks_of(store) if t.kind == "transplant")
    assert (transplant.due_on, transplant.plants, transplant.minutes_estimated) == (
        date(2026, 9, 20),
        160,
        16.0,
    )

    async with store.write() as uow:  # someone has no time on that day
        await change_task(uow, SYSTEM, transplant.id, {"due_on": date(2026, 9, 22)})
    await forecast(store, clock, batch_id, 5, 17, 19, 21, 45)
    assert await propose(store, clock, place) == Proposed(0, 1, 0)
    assert ("transplant", date(2026, 9, 22), False) in await said(store)

    await record(store, clock, batch_id, "emergence_counted", plants=190)
    counted = [t for t in await tasks_of(store) if t.kind == "count" and t.done_at is not None]
    assert [t.due_on for t in counted] == [date(2026, 9, 6)]  # the leaves are still to be counted
    await record(store, clock, batch_id, "discarded", plants=190, reason="damping off")
    assert await propose(store, clock, place) == Proposed(0, 0, 2)
    assert all(done for _, _, done in await said(store))


async def test_what_is_left_after_a_part_is_another_task(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await seed(store, clock, place)
    await forecast(store, clock, batch_id, 5, 12, 14, 20, 45)
    await record(store, clock, batch_id, "emergence_counted", plants=190)
    await record(store, clock, batch_id, "leaves_counted", leaves=4)
    await propose(store, clock, place)
    assert await said(store) == [("transplant", date(2026, 9, 14), False)]
    await record(store, clock, batch_id, "transplanted", plants=100)
    assert await said(store) == [("transplant", date(2026, 9, 14), True)]
    await propose(store, clock, place)
    assert await said(store) == [
        ("transplant", date(2026, 9, 14), True),
        ("transplant", date(2026, 9, 15), False),
    ]
    await record(store, clock, batch_id, "transplanted", plants=60)
    await propose(store, clock, place)
    assert ("discard", date(2026, 9, 15), False) in await said(store)  # 30 are left over
    async with store.read() as uow:
        day = await work_on(uow, clock, SYSTEM, place.house.id, date(2026, 9, 15))
    assert [(w.task.kind, w.minutes) for w in day.work if w.task.done_at is None] == [("discard", 0.9)]


async def test_past_the_window_the_transplant_gives_way_to_the_discard(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await seed(store, clock, place)
    await forecast(store, clock, batch_id, 5, 8, 10, 11, 45)
    await record(store, clock, batch_id, "emergence_counted", plants=190)
    await propose(store, clock, place)
    assert await said(store) == [("discard", date(2026, 9, 13), False)]


async def test_a_task_that_was_ticked_off_by_hand_is_not_made_again(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await seed(store, clock, place)
    await forecast(store, clock, batch_id, 10, 30, 32, 34, 60)
    await propose(store, clock, place)
    async with store.write() as uow:
        await finish_task(uow, clock, SYSTEM, 1, minutes_taken=5.0)
    assert await propose(store, clock, place) == Proposed(0, 0, 0)


def test_minutes_are_learned_but_not_from_one_stop_watch_left_running() -> None:
    assert learned_minutes([]) == pytest.approx(dict(ASSUMED_MINUTES))
    taken = [("harvest", None, 100, 50.0)] * 12 + [
        ("harvest", None, 100, 1440.0),
        ("harvest", None, None, 9.0),
    ]
    # 13 at a median of 0.5 min against 4 at the assumed 0.25 min.
    assert learned_minutes(taken)["harvest"] == pytest.approx((13 * 0.5 + 4 * 0.25) / 17)
    assert learned_minutes(taken)["seed"] == ASSUMED_MINUTES["seed"]


async def standing(store: Store, clock: FixedClock, place: Place) -> int:
    """Have a batch whose 160 heads stand in channels for six days; today is the fourteenth day after its seeding."""
    batch_id = await seed(store, clock, place)
    moved = {"happened_at": clock.now() - timedelta(days=6)}
    await record(store, clock, batch_id, "transplanted", plants=160, **moved)
    await record(store, clock, batch_id, "discarded", plants=40, **moved)
    return batch_id


async def weighings(store: Store, clock: FixedClock, place: Place, batch_id: int, ready: int) -> list[Any]:
    """Return the weighings on the list, by day of September, once heads are forecast to be ready on a day."""
    await forecast(store, clock, batch_id, 5, 7, 8, 11, ready)
    await propose(store, clock, place)
    return [(on.day, done) for kind, on, done in await said(store) if kind == "weigh"]


async def test_heads_are_to_be_weighed_two_weeks_and_one_week_before_they_are_ready(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await standing(store, clock, place)
    assert await weighings(store, clock, place, batch_id, 28) == [(14, False)]
    assert {t.title for t in await tasks_of(store) if t.kind == "weigh"} == {"Weigh 10 heads of B-1"}
    await record(store, clock, batch_id, "weighed", plants=10, weight_g=61.0)
    assert await weighings(store, clock, place, batch_id, 28) == [(14, True), (21, False)]
    # Sooner than thought: they have just been weighed. Later: once more, two weeks before.
    assert await weighings(store, clock, place, batch_id, 24) == [(14, True)]
    assert await weighings(store, clock, place, batch_id, 29) == [(14, True), (22, False)]
    assert await weighings(store, clock, place, batch_id, 40) == [(14, True), (26, False)]


async def test_a_weighing_ticked_off_by_hand_is_followed_by_the_next(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await standing(store, clock, place)
    await weighings(store, clock, place, batch_id, 28)
    (task,) = [t for t in await tasks_of(store) if t.kind == "weigh"]
    async with store.write() as uow:
        await finish_task(uow, clock, SYSTEM, task.id)
    a_week_later = FixedClock(clock.now() + timedelta(days=7))
    assert await weighings(store, a_week_later, place, batch_id, 28) == [(14, True), (21, False)]


async def test_a_cut_sample_is_a_weighing_and_a_harvest_ends_them(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await standing(store, clock, place)
    assert await weighings(store, clock, place, batch_id, 28) == [(14, False)]
    await record(store, clock, batch_id, "harvested", plants=5)  # not weighed
    assert await weighings(store, clock, place, batch_id, 28) == [(14, False)]
    await record(store, clock, batch_id, "harvested", plants=5, weight_g=60.0)
    assert await weighings(store, clock, place, batch_id, 28) == [(21, False)]
    await record(store, clock, batch_id, "harvested", plants=50, weight_g=62.0, readiness="early")
    assert await weighings(store, clock, place, batch_id, 28) == []


async def test_a_harvest_has_its_working_time_and_not_a_weighing_that_was_left_out(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await standing(store, clock, place)
    assert await weighings(store, clock, place, batch_id, 20) == [(13, False)]
    async with store.write() as uow:
        cut = {"kind": "harvested", "plants": 160, "weight_g": 150.0, "minutes_taken": 90.0}
        await append_entry(uow, clock, SYSTEM, batch_id, cut)
    assert [
        (t.kind, t.minutes_taken) for t in await tasks_of(store) if t.done_at and t.kind != "discard"
    ] == [("harvest", 90.0)]
    await propose(store, clock, place)
    assert not [task for task in await said(store) if task[0] == "weigh"]


async def test_a_weighing_that_was_left_out_gives_way_to_the_next(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = await standing(store, clock, place)
    due = {ready: await weighings(store, clock, place, batch_id, ready) for ready in (27, 21, 20, 14)}
    # The one of the thirteenth is late; plants set out on the eighth are not weighed before the thirteenth.
    assert due == {27: [(13, False)], 21: [(14, False)], 20: [(13, False)], 14: []}
