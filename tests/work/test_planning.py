"""A farm's plan: against its orders, within its space, tried out without a trace, accepted into tasks."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.clock import FixedClock
from service.planning import lines
from service.records.store import Store
from service.records.tables import Task, metadata
from service.work.access import SYSTEM, Access
from service.work.batches import append_entry, create_batch
from service.work.crops import create_crop
from service.work.errors import Impossible, NotFound
from service.work.events import create_event
from service.work.orders import create_order
from service.work.places import change_house, change_zone, create_farm
from service.work.planning import FarmPlan, accept_plan, make_plan
from service.work.planning.space import house_space
from service.work.programme import change_succession, create_succession
from service.work.tasks import change_task, create_task, finish_task
from tests.work.conftest import Place, make_place

TODAY = date(2026, 9, 14)  # a Monday
# What is computed, not kept, is looked at on one database.
ONE_DATABASE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
async def place(store: Store, clock: FixedClock) -> Place:
    """Have a farm whose house has lamps: heads are ready about seven weeks after seeding, all winter."""
    made = await make_place(store, clock, "Alder Farm")
    async with store.write() as uow:
        lamps = {"lamp_ppfd_umol": 150.0, "lamp_start_h": 4.0, "lamp_hours": 14.0}
        await change_house(uow, SYSTEM, made.house.id, lamps)
    return made


async def planned(store: Store, clock: FixedClock, place: Place, **wish: Any) -> FarmPlan:
    return await make_plan(
        store, clock, SYSTEM, place.farm.id, {"weeks": 14, "harvest_window_days": 12, **wish}
    )


async def order(store: Store, place: Place, **values: Any) -> int:
    async with store.write() as uow:
        taken = await create_order(
            uow,
            SYSTEM,
            {
                "farm_id": place.farm.id,
                "crop_id": place.crop.id,
                "buyer": "Market hall",
                "heads": 100,
                "dates": [TODAY + timedelta(days=84)],
                **values,
            },
        )
        return taken.id


async def everything(store: Store) -> dict[str, list[Any]]:
    async with store.read() as uow:
        return {
            table.name: [tuple(row) for row in await uow.session.execute(select(table))]
            for table in metadata.sorted_tables
        }


@ONE_DATABASE
async def test_an_order_is_met_by_dated_seedings(store: Store, clock: FixedClock, place: Place) -> None:
    await order(store, place)
    before = await everything(store)
    plan = await planned(store, clock, place)
    assert await everything(store) == before
    assert (plan.starts_on, plan.ends_on) == (TODAY, TODAY + timedelta(days=97))
    [expected] = plan.expected
    assert (expected.on, expected.heads, expected.planned, expected.short) == (
        TODAY + timedelta(days=84),
        100.0,
        100.0,
        0.0,
    )
    cells = sum(s.cells for s in plan.seedings)
    assert cells == 140  # 100 heads take seven trays of 20 cells, of which 80 % are kept
    for seeding in plan.seedings:
        assert seeding.on.isoweekday() == 1
        assert all(seeding.on < t.on for t in seeding.transplants)
        assert [h.on for h in seeding.harvests] == [expected.on]
        assert [(s.cultivar, s.seeds) for s in seeding.seeds] == [("Alder", seeding.cells)]
    assert plan.plants_surplus == pytest.approx(12.0)
    assert plan.within_gap
    assert any("no live batch" in note for note in plan.notes)


@ONE_DATABASE
async def test_without_orders_the_succession_is_planned_for_what_it_is_for(
    store: Store, clock: FixedClock, place: Place
) -> None:
    plan = await planned(store, clock, place)
    assert {(e.order_id, e.heads) for e in plan.expected} == {(None, 150.0)}
    days = [e.on for e in plan.expected]
    assert {(b - a).days for a, b in itertools.pairwise(days)} == {7}
    assert plan.heads_short == 0.0
    assert any("no orders" in note for note in plan.notes)
    text = "\n".join(lines(plan))
    assert "Seed on" in text
    assert "0 short" in text


@ONE_DATABASE
async def test_an_order_too_soon_says_so(store: Store, clock: FixedClock, place: Place) -> None:
    await order(store, place, dates=[TODAY + timedelta(days=7)])
    [expected] = (await planned(store, clock, place)).expected
    assert expected.short == 100.0
    assert [b.kind for b in expected.binding] == ["window"]
    assert (expected.sentence or "").startswith(
        "100 of 100 heads of Butterhead for Market hall on 21 Sep 2026 are short: no seeding that is still possible"
        " is ready on the day for 100 heads; those seeded on 14 Sep are ready on "
    )


@ONE_DATABASE
async def test_an_impossible_order_names_zone_week_and_number(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await order(store, place, heads=9500)
    plan = await planned(store, clock, place, zones=[{"zone_id": place.nursery.id, "capacity": 40000}])
    [expected] = plan.expected
    assert expected.short == pytest.approx(500.0)
    sites = [b for b in expected.binding if b.kind == "sites"]
    assert {(b.zone_id, b.amount) for b in sites} == {(place.channels.id, 500.0)}
    assert any(
        b.first_on <= expected.on - timedelta(days=1) <= b.last_on for b in sites if b.first_on and b.last_on
    )
    assert "500 more sites of North house, Channels from" in (expected.sentence or "")


@ONE_DATABASE
async def test_what_is_tried_out_changes_the_plan_and_nothing_else(
    store: Store, clock: FixedClock, place: Place
) -> None:
    order_id = await order(store, place, price=0.8, price_currency="EUR", price_unit="head")
    before = await everything(store)
    more = await planned(store, clock, place, orders=[{"order_id": order_id, "heads": 250, "price": 1.6}])
    assert [e.heads for e in more.expected] == [250.0]
    assert more.heads_short == 0.0
    none = await planned(store, clock, place, zones=[{"zone_id": place.channels.id, "capacity": 0}])
    assert none.heads_short == 100.0
    off = await planned(store, clock, place, orders=[{"order_id": order_id, "active": False}])
    assert off.expected == ()
    plain = await planned(store, clock, place)
    [value], [dearer] = plain.values, more.values
    assert value.price_a_head == 0.8
    assert value.currency == "EUR"
    assert dearer.per_site_week == pytest.approx(2 * (value.per_site_week or 0.0), rel=1e-3)
    assert value.per_site_week == pytest.approx(0.8 / value.site_weeks_a_head, abs=1e-3)
    assert value.sites_ordered == round(100 / 14 * value.site_weeks_a_head)
    assert await everything(store) == before


@ONE_DATABASE
async def test_lamps_tried_out_shorten_the_way_to_harvest(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await order(store, place)
    some = await planned(store, clock, place)
    more = await planned(store, clock, place, houses=[{"house_id": place.house.id, "lamp_hours": 20.0}])
    assert more.values[0].days_on_site < some.values[0].days_on_site - 3
    none = await planned(store, clock, place, houses=[{"house_id": place.house.id, "lamp_hours": 0.0}])
    assert none.heads_short == 100.0
    assert any("not forecast to be ready" in note for note in none.notes)


@ONE_DATABASE
async def test_live_batches_are_used_first(store: Store, place: Place) -> None:
    clock = FixedClock(datetime(2026, 8, 10, 6, tzinfo=UTC))
    async with store.write() as uow:
        values = {"succession_id": place.succession.id, "seeded_on": date(2026, 8, 10), "code": "B1"}
        batch = (await create_batch(uow, clock, SYSTEM, values)).batch.id
        later = FixedClock(datetime(2026, 8, 26, 6, tzinfo=UTC))
        facts = {"kind": "transplanted", "happened_at": later.now(), "plants": 150}
        await append_entry(uow, later, SYSTEM, batch, {**facts, "zone_id": place.channels.id})
    await order(store, place, dates=[date(2026, 9, 28)], heads=140)
    now = FixedClock(datetime(2026, 9, 14, 6, tzinfo=UTC))
    plan = await planned(store, now, place, harvest_window_days=14)
    assert [(e.planned, e.short) for e in plan.expected] == [(140.0, 0.0)]
    assert plan.seedings == ()


@ONE_DATABASE
async def test_closed_days_and_seasons_are_kept(store: Store, clock: FixedClock, place: Place) -> None:
    plain = await planned(store, clock, place)
    closed = plain.seedings[1].on
    async with store.write() as uow:
        event = {"house_id": place.house.id, "kind": "closed", "starts_on": closed, "ends_on": closed}
        await create_event(uow, SYSTEM, event)
    plan = await planned(store, clock, place)
    assert closed not in {s.on for s in plan.seedings}
    assert all(s.on.isoweekday() == 1 for s in plan.seedings)


@ONE_DATABASE
async def test_cleaning_takes_sites_out(store: Store, clock: FixedClock, place: Place) -> None:
    await order(store, place)
    on = TODAY + timedelta(days=83)
    async with store.write() as uow:
        await create_event(
            uow,
            SYSTEM,
            {
                "house_id": place.house.id,
                "kind": "cleaning",
                "zone_id": place.channels.id,
                "sites": 8940,
                "starts_on": on,
                "ends_on": on,
            },
        )
    plan = await planned(store, clock, place)
    assert plan.heads_short == pytest.approx(40.0)
    [expected] = plan.expected
    assert {(b.kind, b.amount) for b in expected.binding} == {("sites", 40.0)}


@ONE_DATABASE
async def test_several_futures_cost_seedlings(store: Store, clock: FixedClock, place: Place) -> None:
    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, {"seeding_weekdays": [1, 2, 3, 4, 5, 6, 7]})
    await order(store, place)
    one = await planned(store, clock, place, harvest_window_days=2)
    three = await planned(store, clock, place, harvest_window_days=2, groups=3)
    assert sum(s.cells for s in three.seedings) > sum(s.cells for s in one.seedings)
    assert three.plants_surplus > one.plants_surplus


@ONE_DATABASE
async def test_labour_binds(store: Store, clock: FixedClock, place: Place) -> None:
    await order(store, place)
    plan = await planned(
        store,
        clock,
        place,
        cut_minutes_a_head=1.0,
        houses=[{"house_id": place.house.id, "labour_minutes": 70.0}],
    )
    assert plan.heads_short == pytest.approx(30.0)
    [expected] = plan.expected
    assert [(b.kind, b.house_id, b.zone_id, b.amount) for b in expected.binding] == [
        ("labour", place.house.id, None, 30.0)
    ]


@ONE_DATABASE
async def test_a_kind_of_order_by_weight(store: Store, clock: FixedClock, place: Place) -> None:
    await order(store, place, heads=None, weight_kg=15.1)
    [expected] = (await planned(store, clock, place)).expected
    assert expected.heads == pytest.approx(15.1 / 0.15, abs=1.0)


@ONE_DATABASE
async def test_clear_answers(store: Store, clock: FixedClock, place: Place, other_place: Place) -> None:
    async with store.write() as uow:
        empty = await create_farm(uow, clock, SYSTEM, {"name": "Empty farm"})
        basil = await create_crop(
            uow, SYSTEM, {"farm_id": place.farm.id, "name": "Basil", "profile": "basil"}
        )
    nothing = await make_plan(store, clock, SYSTEM, empty.id, {})
    assert nothing.seedings == ()
    assert nothing.notes[0] == "The farm has no house yet: there is nothing to plan."

    await order(store, place, crop_id=basil.id)
    plan = await planned(store, clock, place)
    assert "Basil is ordered, but no succession grows it." in plan.notes
    assert any("no succession of the farm grows it" in (e.sentence or "") for e in plan.expected)

    with pytest.raises(Impossible, match="lies in the past: today is 2026-09-14"):
        await planned(store, clock, place, starts_on=TODAY - timedelta(days=1))
    with pytest.raises(Impossible, match="52 weeks ahead"):
        await planned(store, clock, place, starts_on=TODAY + timedelta(days=400))
    with pytest.raises(Impossible) as refused:
        await planned(store, clock, place, zones=[{"zone_id": other_place.nursery.id, "capacity": 1}])
    assert [p.field for p in refused.value.problems] == ["zones/0/zone_id"]
    with pytest.raises(Impossible) as refused:
        await planned(store, clock, place, orders=[{"heads": 0}])
    assert [p.field for p in refused.value.problems] == ["orders/0/heads", "orders/0/order_id"]
    with pytest.raises(NotFound):
        await make_plan(
            store, clock, Access("a", frozenset({"read"}), other_place.farm.id), place.farm.id, {}
        )
    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, {"active": False})
    resting = await planned(store, clock, place)
    assert "No succession of the farm is active: nothing can be seeded." in resting.notes


@ONE_DATABASE
async def test_herbs_give_a_head_a_cut(store: Store, clock: FixedClock, place: Place) -> None:
    async with store.write() as uow:
        crop = await create_crop(
            uow, SYSTEM, {"farm_id": place.farm.id, "name": "Rocket", "profile": "rocket"}
        )
        values = {**place.succession_values, "crop_id": crop.id, "cultivar_id": None, "name": "Rocket"}
        await create_succession(uow, SYSTEM, values)
        await change_zone(uow, SYSTEM, place.channels.id, {"plants_m2": 40.0})
        await change_house(
            uow,
            SYSTEM,
            place.house.id,
            {"lamp_ppfd_umol": 200.0, "lamp_hours": 16.0, "temp_heat_day_c": 22.0, "temp_heat_night_c": 20.0},
        )
    await order(store, place)
    plan = await planned(store, clock, place, weeks=20)
    rocket = next(v for v in plan.values if v.crop == "Rocket")
    assert rocket.heads_a_site > 1
    # What is not ordered goes on for what its succession is for; its cuts serve several weeks.
    cut = [h for s in plan.seedings if s.succession == "Rocket" for h in s.harvests]
    assert sum(h.count for h in cut) > sum(
        t.count for s in plan.seedings if s.succession == "Rocket" for t in s.transplants
    )
    async with store.read() as uow:
        space = await house_space(uow, clock, SYSTEM, place.house.id, 140, plan.seedings)
    assert min(d.sites for d in space.days) >= 0.0
    for seeding in plan.seedings:
        assert sum(d.count for d in seeding.last_cuts) <= sum(d.count for d in seeding.transplants) + 0.1


# --------------------------------------------------------------------------- accepting


async def tasks_of(store: Store) -> list[Task]:
    async with store.read() as uow:
        return list(await uow.session.scalars(select(Task).order_by(Task.due_on, Task.id)))


async def test_accepting_makes_tasks_once(store: Store, clock: FixedClock, place: Place) -> None:
    days = [TODAY + timedelta(days=7 * n) for n in range(3)]
    wish = {
        "starts_on": TODAY,
        "ends_on": TODAY + timedelta(days=181),
        "seedings": [{"succession_id": place.succession.id, "on": day, "cells": 200} for day in days],
    }

    async def accept(**changes: Any) -> tuple[int, int, int, int]:
        async with store.write() as uow:
            done = await accept_plan(uow, clock, SYSTEM, place.farm.id, {**wish, **changes})
        return done.created, done.changed, done.unchanged, done.withdrawn

    async with store.write() as uow:
        own = {"house_id": place.house.id, "kind": "seed", "due_on": days[1], "title": "Try the new seed"}
        own_id = (await create_task(uow, SYSTEM, {**own, "succession_id": place.succession.id})).id
    assert await accept() == (3, 0, 0, 0)
    assert await accept() == (0, 0, 3, 0)

    async def seedings_of() -> list[Any]:
        return [t for t in await tasks_of(store) if t.kind == "seed" and t.id != own_id]

    tasks = await seedings_of()
    wetted = [t.due_on for t in await tasks_of(store) if t.kind == "wet"]
    assert wetted == days[:2] + [d for d in days[2:] if d <= TODAY + timedelta(days=14)]
    assert [(t.due_on, t.kind, t.cells, t.title) for t in tasks] == [
        (day, "seed", 200, "Seed 200 cells of Butterhead, weekly") for day in days
    ]

    seedings = [dict(s) for s in wish["seedings"]]  # type: ignore[attr-defined]
    seedings[1]["cells"] = 240
    assert await accept(seedings=seedings[:2]) == (0, 1, 1, 1)
    assert [(t.due_on, t.cells) for t in await seedings_of()] == [
        (days[0], 200),
        (days[1], 240),
    ]

    async with store.write() as uow:
        await finish_task(uow, clock, SYSTEM, tasks[0].id)
        await change_task(uow, SYSTEM, tasks[1].id, {"note": "Anna does it"})
    # What is done stays, and what somebody took over is theirs.
    assert await accept(seedings=seedings[:1]) == (0, 0, 1, 0)
    assert len(await seedings_of()) == 2


async def test_what_cannot_be_accepted_is_refused(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    async def refused(field: str, *seedings: dict[str, Any], **more: Any) -> None:
        values = {
            "starts_on": TODAY,
            "ends_on": TODAY + timedelta(days=30),
            "seedings": list(seedings),
            **more,
        }
        with pytest.raises(Impossible) as error:
            async with store.write() as uow:
                await accept_plan(uow, clock, SYSTEM, place.farm.id, values)
        assert [p.field for p in error.value.problems] == [field]

    good = {"succession_id": place.succession.id, "on": TODAY, "cells": 10}
    await refused("seedings/0/succession_id", {**good, "succession_id": other_place.succession.id})
    await refused("seedings/1/on", good, good)
    await refused("seedings/0/on", {**good, "on": TODAY + timedelta(days=31)})
    await refused(
        "seedings/0/on", {**good, "on": TODAY - timedelta(days=1)}, starts_on=TODAY - timedelta(days=3)
    )
    await refused("seedings/0/cells", {**good, "cells": 0})
    assert await tasks_of(store) == []


@ONE_DATABASE
async def test_the_plan_in_force_is_kept(store: Store, clock: FixedClock, place: Place) -> None:
    await order(store, place, dates=[TODAY + timedelta(days=84), TODAY + timedelta(days=91)])
    plan = await planned(store, clock, place)
    seedings = [{"succession_id": s.succession_id, "on": s.on, "cells": s.cells} for s in plan.seedings]
    async with store.write() as uow:
        await accept_plan(
            uow,
            clock,
            SYSTEM,
            place.farm.id,
            {"starts_on": plan.starts_on, "ends_on": plan.ends_on, "seedings": seedings},
        )
    again = await planned(store, clock, place)
    assert [(s.on, s.cells, s.cells_before) for s in again.seedings] == [
        (s.on, s.cells, s.cells) for s in plan.seedings
    ]
