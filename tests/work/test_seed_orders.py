"""What seed lasts and what to order, from the plan and the programmes; and the tasks it becomes."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from service.agronomy.seed_supply import Need
from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Succession, Task
from service.work import seed_alerts, seed_orders, seed_stock, tasks
from service.work.access import SYSTEM, Access
from service.work.crops import change_cultivar, create_cultivar
from service.work.errors import Impossible, NotFound
from service.work.planning import accept_plan
from service.work.programme import change_succession, create_succession
from service.work.seed_orders import OrderList, Supply, seedings
from tests.work.conftest import Place
from tests.work.refusals import refused
from tests.work.test_seed_stock import LOT, TESTED, TODAY, lot_of, sow


def day(n: int) -> date:
    return TODAY + timedelta(days=n)


async def orders_of(store: Store, clock: FixedClock, place: Place, **wish: Any) -> OrderList:
    async with store.read() as uow:
        return await seed_orders.seed_orders(uow, clock, SYSTEM, place.farm.id, wish)


async def supply_of(store: Store, clock: FixedClock, place: Place, **wish: Any) -> Supply:
    (found,) = (await orders_of(store, clock, place, **wish)).supplies
    return found


# The succession of the place: 200 cells every 7 days, on Mondays; today is a Monday.


async def test_stock_lasts_as_long_as_the_programme_says(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, **TESTED)
    found = await supply_of(store, clock, place, lead_days=10, pack_sizes=[1000])
    assert (found.in_stock, found.expected, found.unfit, found.seeds_per_cell) == (1000, 0, 0, 1.0)
    assert (found.days_left, found.runs_out_on, found.needed) == (35, day(35), 26 * 200)
    first = found.orders[0]
    assert (first.order_on, first.arrive_on, first.needed_on) == (day(11), day(21), day(35))
    assert (first.seeds, first.packs) == (5000, ((1000, 5),))
    assert found.sentence == (
        "The seed of Alder lasts 35 days, until before the seeding on 2026-10-19. Order 5000 seeds on 2026-09-25, to"
        " arrive on 2026-10-05."
    )
    assert all(o.order_on <= day(26 * 7 - 1) for o in found.orders)


async def test_the_accepted_plan_goes_before_the_programme(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, **TESTED)
    seeding = {"succession_id": place.succession.id}
    plan = {
        "starts_on": TODAY,
        "ends_on": day(27),
        "seedings": [
            {**seeding, "on": day(0), "cells": 400},
            {**seeding, "on": day(5), "cells": 300},
            {**seeding, "on": day(10), "cells": 400},
        ],
    }
    async with store.write() as uow:
        await accept_plan(uow, clock, SYSTEM, place.farm.id, plan)
    found = await supply_of(store, clock, place)
    assert (found.runs_out_on, found.days_left) == (day(10), 10)
    # It covers 300 of the 400: 100 are missing for the third, which comes 3 days after seed ordered today.
    assert (found.orders[0].needed_on, found.orders[0].arrive_on, found.orders[0].days_late) == (
        day(10),
        day(7),
        11,
    )
    assert found.missing == ()


async def test_seed_on_order_is_not_ordered_twice(store: Store, clock: FixedClock, place: Place) -> None:
    await lot_of(store, clock, place, **TESTED)
    before = await supply_of(store, clock, place)
    await lot_of(
        store, clock, place, lot_number="on order", received_on=before.orders[0].arrive_on, seeds=5000
    )
    found = await supply_of(store, clock, place)
    assert (found.expected, found.in_stock) == (5000, 1000)
    assert found.orders == () or found.orders[0].order_on > before.orders[0].order_on + timedelta(days=90)


async def test_unfit_seed_does_not_count(store: Store, clock: FixedClock, place: Place) -> None:
    await lot_of(store, clock, place, received_on=date(2026, 3, 1), **TESTED)
    found = await supply_of(store, clock, place, lead_days=8)
    assert (found.in_stock, found.unfit, found.days_left) == (0, 1000, 0)
    assert found.missing == (Need(day(0), 200), Need(day(7), 200))
    assert "There is not enough seed of Alder for today" in found.sentence
    assert "too late for 2 seedings, 400 seeds" in found.sentence


async def test_seeds_a_cell_are_as_sown_of_late_or_as_said(
    store: Store, clock: FixedClock, place: Place
) -> None:
    made = await lot_of(store, clock, place, seeds=10_000, **TESTED)
    await sow(store, clock, place, (made.lot.id, 600))
    found = await supply_of(store, clock, place)
    assert found.seeds_per_cell == 3.0
    assert found.needed == 25 * 600  # today's is sown
    said = await supply_of(
        store, clock, place, supplies=[{"cultivar_id": place.cultivar.id, "seeds_per_cell": 2}]
    )
    assert said.needed == 25 * 400


async def test_a_mix_takes_seed_of_each_and_what_names_no_cultivar_is_said(
    store: Store, clock: FixedClock, place: Place
) -> None:
    async with store.write() as uow:
        second = await create_cultivar(uow, SYSTEM, {"crop_id": place.crop.id, "name": "Rowan"})
        await change_cultivar(uow, SYSTEM, second.id, {"season_months": [10]})
        await create_succession(
            uow,
            SYSTEM,
            {
                **place.succession_values,
                "name": "Mix",
                "cultivar_id": None,
                "cultivars": [
                    {"cultivar_id": place.cultivar.id, "share": 0.5},
                    {"cultivar_id": second.id, "share": 0.5},
                ],
            },
        )
        await create_succession(
            uow, SYSTEM, {**place.succession_values, "name": "Anything", "cultivar_id": None}
        )
    found = await orders_of(store, clock, place, weeks=8)
    needed = {s.cultivar: s.needed for s in found.supplies}
    # From 14 September on 8 Mondays, 4 of them in October.
    assert needed == {"Alder": 2 * 8 * 200, "Rowan": 4 * 200}
    assert found.notes == ("Anything names no cultivar: the seed it takes is not counted.",)
    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, {"active": False})
    assert {s.cultivar: s.needed for s in (await orders_of(store, clock, place, weeks=8)).supplies} == {
        "Alder": 8 * 200,
        "Rowan": 4 * 200,
    }


async def test_primed_seed_is_ordered_for_three_months(store: Store, clock: FixedClock, place: Place) -> None:
    terms = {"cultivar_id": place.cultivar.id, "form": "primed", "lead_days": 0, "supplier": "Seed house"}
    found = await supply_of(store, clock, place, supplies=[terms])
    first = found.orders[0]
    assert found.supplier == "Seed house"
    assert first.covers_to < first.arrive_on + timedelta(days=92)
    assert first.seeds == 200 * 14  # from today on, for lack of time: 14 Mondays in 92 days


async def test_a_wish_that_cannot_be_is_refused(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    mine = place.cultivar.id
    for wish, field in (
        ({"weeks": 53}, "weeks"),
        ({"lead_days": -1}, "lead_days"),
        ({"cover_days": 184}, "cover_days"),
        ({"ahead_days": 61}, "ahead_days"),
        ({"pack_sizes": []}, "pack_sizes"),
        ({"pack_sizes": [0]}, "pack_sizes"),
        ({"supplies": [{"cultivar_id": other_place.cultivar.id}]}, "supplies/0/cultivar_id"),
        ({"supplies": [{"cultivar_id": mine}, {"cultivar_id": mine}]}, "supplies/1/cultivar_id"),
        ({"supplies": [{"cultivar_id": mine, "seeds_per_cell": 0}]}, "supplies/0/seeds_per_cell"),
        ({"supplies": [{}]}, "supplies/0/cultivar_id"),
    ):
        with refused(Impossible, field):
            await orders_of(store, clock, place, **wish)
    access = Access("crew", frozenset({"write"}), other_place.farm.id)
    async with store.write() as uow:
        with refused(NotFound):
            await seed_orders.seed_orders(uow, clock, access, place.farm.id)
        with refused(NotFound):
            await seed_orders.propose_orders(uow, clock, access, place.farm.id)


async def test_an_order_list_becomes_tasks_and_again_changes_nothing(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, supplier="Seed house", **TESTED)
    async with store.write() as uow:
        own = await tasks.create_task(
            uow,
            SYSTEM,
            {"house_id": place.house.id, "kind": "order", "due_on": TODAY, "title": "Order cubes"},
        )
        first = await seed_orders.propose_orders(uow, clock, SYSTEM, place.farm.id, {"lead_days": 10})
    assert first.created == len(first.tasks) > 0
    task = first.tasks[0]
    assert (task.kind, task.due_on, task.house_id) == ("order", day(11), place.house.id)
    assert task.title == "Order 5000 seeds of Alder, to arrive by 2026-10-05"
    assert task.note is not None
    assert "from Seed house" in task.note
    async with store.write() as uow:
        again = await seed_orders.propose_orders(uow, clock, SYSTEM, place.farm.id, {"lead_days": 10})
        assert (again.created, again.changed, again.withdrawn) == (0, 0, 0)
        assert [t.id for t in again.tasks] == [t.id for t in first.tasks]
        # A change of the packs changes the same task; seed on its way withdraws it.
        packs = await seed_orders.propose_orders(
            uow, clock, SYSTEM, place.farm.id, {"lead_days": 10, "pack_sizes": [3000]}
        )
        assert packs.tasks[0].id == task.id
        assert "Order 3000 seeds" in packs.tasks[0].title
        values = {"cultivar_id": place.cultivar.id, **LOT, "lot_number": "on order", "seeds": 20_000}
        await seed_stock.create_lot(uow, clock, SYSTEM, {**values, "received_on": day(21)})
        after = await seed_orders.propose_orders(uow, clock, SYSTEM, place.farm.id, {"lead_days": 10})
        assert task.id not in {t.id for t in after.tasks}
        assert after.withdrawn > 0
        rows, _ = await tasks.list_tasks(uow, SYSTEM, kind="order", open_=True)
        assert {r.id for r in rows} == {own.id, *(t.id for t in after.tasks)}


@pytest.mark.parametrize(
    ("last_seeded", "due", "expected"),
    [
        (None, [], [0, 7, 14, 21]),
        (-3, [], [7, 14, 21]),  # 4 days on is a Friday: the Monday after
        (-30, [], [0, 7, 14, 21]),
        (0, [], [7, 14, 21]),
        (None, [(-2, False), (3, False)], [0, 3, 14, 21]),  # what is overdue is still to be sown
        (None, [(0, True), (3, False)], [3, 14, 21]),
        (-1, [(-2, False), (3, False)], [3, 14, 21]),  # that one was sown and not ticked off
    ],
)
def test_what_is_to_be_seeded_when(
    clock: FixedClock, last_seeded: int | None, due: list[tuple[int, bool]], expected: list[int]
) -> None:
    todo = [
        Task(
            house_id=1,
            kind="seed",
            due_on=day(n),
            title="seed",
            cells=100,
            done_at=clock.now() if done else None,
        )
        for n, done in due
    ]
    succession = Succession(
        house_id=1,
        crop_id=1,
        nursery_zone_id=1,
        channels_zone_id=2,
        name="weekly",
        heads_per_harvest=150,
        harvest_interval_days=7,
        seeding_interval_days=7,
        seeding_weekdays=[1],
        cells_per_seeding=200,
        keep_share=0.8,
    )
    found = seedings(succession, todo, None if last_seeded is None else day(last_seeded), TODAY, day(27))
    assert [(on - TODAY).days for on, _ in found] == expected


async def test_the_alert_says_when_to_order_and_what_is_lost(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, **TESTED)
    calm = await supply_of(store, clock, place, lead_days=7)
    assert seed_alerts.supply_alert(calm, TODAY) is None  # to be ordered in 14 days
    soon = seed_alerts.supply_alert(calm, TODAY + timedelta(days=7))
    assert soon is not None
    assert (soon.kind, soon.severity) == ("seed_running_out", "info")
    late = await supply_of(store, clock, place, lead_days=40)
    alert = seed_alerts.supply_alert(late, TODAY)
    assert alert is not None
    assert (alert.severity, alert.subject) == ("urgent", f"cultivar:{place.cultivar.id}")
    assert alert.evidence["orderOn"] == TODAY.isoformat()
