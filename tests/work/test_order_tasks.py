"""Tasks to order seed come by themselves, two weeks ahead, and go with what called for them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Task
from service.work import seed_stock
from service.work.access import SYSTEM, Access
from service.work.order_tasks import of_orders, propose_all_work
from service.work.programme import change_succession
from service.work.seed_alerts import watch_seed
from service.work.seed_orders import propose_orders, seed_orders
from service.work.tasks import finish_task, list_tasks
from service.work.work_list import Proposed, propose_work
from tests.work.conftest import Place
from tests.work.test_seed_stock import LOT, TESTED, lot_of

# The succession of the place: 200 cells every 7 days, on Mondays; today is a Monday. A lot holds 1000 seeds, which last
# until before the seeding in 35 days; seed is to be there 14 days ahead and takes 7 to come: to be ordered in 14 days.


async def orders(store: Store, **filters: Any) -> list[Task]:
    async with store.read() as uow:
        return (await list_tasks(uow, SYSTEM, kind="order", **filters))[0]


def later(clock: FixedClock, days: int) -> FixedClock:
    return replace(clock, moment=clock.moment + timedelta(days=days))


async def propose(store: Store, clock: FixedClock, place: Place) -> Proposed:
    async with store.write() as uow:
        return await propose_all_work(uow, clock, SYSTEM, place.house.id)


async def write_down(store: Store, clock: FixedClock, place: Place, **values: Any) -> int:
    async with store.write() as uow:
        crew = Access("Kim", frozenset({"write"}), place.farm.id)
        said = {"cultivar_id": place.cultivar.id, **LOT, "lot_number": "N-1", **values}
        return (await seed_stock.create_lot(uow, clock, crew, said)).lot.id


async def test_an_order_is_on_the_list_two_weeks_ahead_and_ticked_off_by_the_lot(
    store: Store, clock: FixedClock, place: Place
) -> None:
    lot = await lot_of(store, clock, place, **TESTED)
    today = clock.now().date()
    before = later(clock, -1)
    assert (await propose(store, before, place)).created == 0  # 15 days off
    await watch_seed(store, clock)
    (task,) = await orders(store)
    assert (task.house_id, task.due_on, task.done_at) == (place.house.id, today + timedelta(days=14), None)
    assert task.title.startswith("Order ")
    assert task.title.endswith(f"seeds of Alder, to arrive by {today + timedelta(days=21)}")
    assert "write it down as a seed lot" in (task.note or "")
    assert task.minutes_estimated == 10.0
    assert task.subject == f"order:{place.cultivar.id}:{lot.lot.id}"
    # Neither the forecasts' own settling nor another look touches it.
    async with store.write() as uow:
        assert await propose_work(uow, clock, SYSTEM, place.house.id) == Proposed(0, 0, 0)
    assert await propose(store, clock, place) == Proposed(0, 0, 0)

    # Ordered: written down with the day on which it is expected.
    await write_down(store, clock, place, seeds=20_000, received_on=today + timedelta(days=21))
    (task,) = await orders(store)
    assert (task.done_at, task.done_by) == (clock.now(), "Kim")
    assert await propose(store, clock, place) == Proposed(0, 0, 0)


async def test_a_lot_that_is_too_small_leaves_the_rest_to_be_ordered(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, **TESTED)
    await propose(store, clock, place)
    await write_down(store, clock, place, seeds=10, received_on=clock.now().date())
    assert (await propose(store, clock, place)).created == 1
    assert sorted(task.done_at is None for task in await orders(store)) == [False, True]


async def test_an_order_that_nothing_calls_for_any_more_goes(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, **TESTED)
    assert (await propose(store, clock, place)).created == 1
    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, {"active": False})
    assert await propose(store, clock, place) == Proposed(0, 0, 1)
    assert not await orders(store)


async def test_one_ticked_off_by_hand_is_not_made_again(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, **TESTED)
    await propose(store, clock, place)
    (task,) = await orders(store)
    async with store.write() as uow:
        await finish_task(uow, clock, SYSTEM, task.id)
    await watch_seed(store, clock)
    assert [t.id for t in await orders(store)] == [task.id]


async def test_an_order_that_is_put_off_keeps_its_day(store: Store, clock: FixedClock, place: Place) -> None:
    await lot_of(store, clock, place, **TESTED)
    today = clock.now().date()
    async with store.read() as uow:
        wanted = await seed_orders(uow, clock, SYSTEM, place.farm.id)
    (supply,) = wanted.supplies
    first = replace(supply.orders[0], order_on=today, arrive_on=today + timedelta(days=7), days_late=3)
    late = replace(wanted, supplies=(replace(supply, orders=(first,)),))
    cultivar_id = place.cultivar.id
    assert of_orders(late, {cultivar_id: 1}, ())[cultivar_id].due_on == today - timedelta(days=3)


async def test_an_accepted_list_goes_before_it(store: Store, clock: FixedClock, place: Place) -> None:
    await lot_of(store, clock, place, **TESTED)
    assert (await propose(store, clock, place)).created == 1
    async with store.write() as uow:
        accepted = await propose_orders(uow, clock, SYSTEM, place.farm.id, {"lead_days": 10})
    assert (accepted.withdrawn, await propose(store, clock, place)) == (1, Proposed(0, 0, 0))
    assert [t.id for t in await orders(store)] == [t.id for t in accepted.tasks]
    # The first of the list is ticked off by the lot, as one that nobody asked for is.
    await write_down(store, clock, place, seeds=5000, received_on=clock.now().date() + timedelta(days=21))
    done = await orders(store, open_=False)
    assert [t.id for t in done] == [min(accepted.tasks, key=lambda t: t.due_on).id]


async def test_of_a_cultivar_never_kept_nobody_is_told(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    await lot_of(store, clock, other_place, **TESTED)
    assert await propose(store, clock, place) == Proposed(0, 0, 0)
