"""Packed lots and deliveries: never more heads than there are, and what was wanted against what left."""

from __future__ import annotations

import asyncio
from datetime import date
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Delivery, Order
from service.work import deliveries, fulfilment, orders, packing
from service.work.access import SYSTEM, Access
from service.work.errors import Conflict, Impossible, NotFound, StaleVersion
from service.work.packing import LotView, next_code
from tests.work.conftest import Place
from tests.work.packed import at, harvested, seed, write_down
from tests.work.refusals import refused


async def pack(
    store: Store, clock: FixedClock, place: Place, *harvests: tuple[int, int], **more: Any
) -> LotView:
    values = {
        "house_id": place.house.id,
        "harvests": [{"entry_id": e, "heads": n} for e, n in harvests],
        **more,
    }
    async with store.write() as uow:
        return await packing.create_packed_lot(uow, clock, SYSTEM, values)


async def deliver(store: Store, clock: FixedClock, lot_id: int, heads: int, **more: Any) -> Delivery:
    values = {"packed_lot_id": lot_id, "heads": heads, **more}
    async with store.write() as uow:
        return await deliveries.create_delivery(uow, clock, SYSTEM, values)


async def order_of(store: Store, place: Place, **more: Any) -> Order:
    values = {"farm_id": place.farm.id, "crop_id": place.crop.id, "buyer": "Market hall", **more}
    async with store.write() as uow:
        return await orders.create_order(uow, SYSTEM, values)


WEEKLY = {"heads": 60, "weekdays": [2, 5], "starts_on": date(2026, 9, 1)}


async def test_a_lot_is_made_from_two_harvests(store: Store, clock: FixedClock, place: Place) -> None:
    one = await harvested(store, clock, place)
    two = await harvested(store, clock, place)
    shown = await pack(store, clock, place, (one.id, 60), (two.id, 100), gtin="6291041500213", weight_kg=24.0)
    lot = shown.lot
    assert (lot.code, lot.heads, lot.packed_at) == ("N1-260914-01", 160, clock.now())
    assert (lot.crop_id, lot.farm_id, lot.recorded_by) == (place.crop.id, place.farm.id, "system")
    assert {(h.entry_id, h.heads) for h in shown.harvests} == {(one.id, 60), (two.id, 100)}
    assert (await pack(store, clock, place, (one.id, 40))).lot.code == "N1-260914-02"
    with refused(Impossible, "harvests"):
        await pack(store, clock, place, (one.id, 1))


def test_codes_of_a_house_run_on_and_fit() -> None:
    assert next_code("N1", "260914", {"N1-260914-01", "N1-260914-03"}) == "N1-260914-02"
    long = next_code("North-house-of-the-river", "260914", set())
    assert (long, len(long)) == ("North-hous-260914-01", 20)
    many = {next_code("Northhouse1", "260914", set())[:-2] + f"{n:02d}" for n in range(1, 100)}
    assert next_code("Northhouse1", "260914", many) == "Northhous-260914-100"


async def test_a_code_that_is_given_is_kept_and_used_once(
    store: Store, clock: FixedClock, place: Place
) -> None:
    one = await harvested(store, clock, place)
    assert (await pack(store, clock, place, (one.id, 10), code="A/17")).lot.code == "A/17"
    with refused(Conflict, "code"):
        await pack(store, clock, place, (one.id, 10), code="A/17")


async def test_a_lot_that_cannot_be_is_refused(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    one = await harvested(store, clock, place)
    theirs = await harvested(store, clock, other_place)
    leaves = await write_down(store, clock, one.batch_id, "leaves_counted", leaves=9.0, happened_at=at(9))
    wrong: list[tuple[list[tuple[int, int]], dict[str, Any], str]] = [
        ([], {}, "harvests"),
        ([(one.id, 101)], {}, "harvests"),
        ([(one.id, 50), (one.id, 1)], {}, "harvests"),
        ([(999, 1)], {}, "harvests"),
        ([(leaves.id, 1)], {}, "harvests"),
        ([(theirs.id, 1)], {}, "harvests"),
        ([(one.id, 1)], {"packed_at": at(10, 11)}, "packed_at"),
        ([(one.id, 1)], {"packed_at": at(15)}, "packed_at"),
        ([(one.id, 1)], {"cooled_at": at(10, 11)}, "cooled_at"),
        ([(one.id, 1)], {"packed_at": at(11), "cooled_at": at(12)}, "cooled_at"),
        ([(one.id, 1)], {"gtin": "6291041500214"}, "gtin"),
        ([(one.id, 1)], {"code": "x" * 21}, "code"),
        ([(one.id, 1)], {"house_id": 99}, "house_id"),
        ([(one.id, 1)], {"weight_kg": 0}, "weight_kg"),
        ([(one.id, 0)], {}, "heads"),
    ]
    for harvests, more, field in wrong:
        with refused(Impossible, field):
            await pack(store, clock, place, *harvests, **more)
    async with store.read() as uow:
        assert await packing.list_packed_lots(uow, SYSTEM) == ([], None)


async def test_a_corrected_harvest_counts_as_it_is_said_now(
    store: Store, clock: FixedClock, place: Place
) -> None:
    one = await harvested(store, clock, place)
    await pack(store, clock, place, (one.id, 70))
    right = await write_down(
        store, clock, one.batch_id, "harvested", plants=90, happened_at=at(10), supersedes_id=one.id
    )
    with refused(Impossible, "harvests"):
        await pack(store, clock, place, (one.id, 1))  # superseded: the correction is to be named
    with refused(Impossible, "harvests"):
        await pack(store, clock, place, (right.id, 21))
    await pack(store, clock, place, (right.id, 20))
    # 90 heads were packed, whatever the entry that the lots name.
    with refused(Impossible, "void"):
        await write_down(store, clock, one.batch_id, "harvested", supersedes_id=right.id, void=True)
    with refused(Impossible, "plants"):
        await write_down(
            store, clock, one.batch_id, "harvested", plants=89, happened_at=at(10), supersedes_id=right.id
        )
    other = await write_down(store, clock, one.batch_id, "harvested", plants=5, happened_at=at(11))
    await write_down(store, clock, one.batch_id, "harvested", supersedes_id=other.id, void=True)
    with refused(Impossible, "harvests"):
        await pack(store, clock, place, (other.id, 1))


async def test_a_lot_is_changed_and_taken_apart(store: Store, clock: FixedClock, place: Place) -> None:
    one = await harvested(store, clock, place)
    lot = (await pack(store, clock, place, (one.id, 70))).lot
    delivery = await deliver(store, clock, lot.id, 40, recipient="School kitchen")

    async def change(version: int | None = None, **changes: Any) -> LotView:
        async with store.write() as uow:
            return await packing.change_packed_lot(uow, clock, SYSTEM, lot.id, changes, version)

    shown = await change(
        1, harvests=[{"entry_id": one.id, "heads": 100}], cooled_at=at(11), packed_where="Table"
    )
    assert (shown.lot.heads, shown.lot.cooled_at, shown.delivered, shown.lot.version) == (100, at(11), 40, 2)
    with refused(StaleVersion):
        await change(1, note="late")
    for changes, field in [
        ({"harvests": [{"entry_id": one.id, "heads": 39}]}, "harvests"),
        ({"harvests": [{"entry_id": one.id, "heads": 101}]}, "harvests"),
        ({"harvests": None}, "harvests"),
        ({"code": "other"}, "code"),
        ({"packed_at": at(9)}, "packed_at"),
        ({"house_id": 99}, "house_id"),
    ]:
        with refused(Impossible, field):
            await change(**changes)
    async with store.write() as uow:
        await deliveries.change_delivery(uow, SYSTEM, delivery.id, {"heads": 0})
    assert (await change(harvests=[])).lot.heads == 0
    await pack(store, clock, place, (one.id, 100))


async def test_deliveries_never_take_more_than_a_lot_has(
    store: Store, clock: FixedClock, place: Place
) -> None:
    one = await harvested(store, clock, place)
    lot = (await pack(store, clock, place, (one.id, 70))).lot
    order = await order_of(store, place, **WEEKLY)
    first = await deliver(store, clock, lot.id, 50, order_id=order.id, for_on=date(2026, 9, 15))
    assert (first.heads, first.for_on, first.farm_id) == (50, date(2026, 9, 15), place.farm.id)
    free = await deliver(store, clock, lot.id, 5, recipient="School kitchen")
    assert free.for_on == date(2026, 9, 14)
    other_crop = await order_of(store, place, **WEEKLY)
    for values, field in [
        ({"heads": 16, "recipient": "Shop"}, "heads"),
        ({"heads": 0, "recipient": "Shop"}, "heads"),
        ({"heads": 1}, "recipient"),
        ({"heads": 1, "order_id": order.id, "for_on": date(2026, 9, 16)}, "for_on"),
        ({"heads": 1, "order_id": 99}, "order_id"),
        ({"heads": 1, "packed_lot_id": 99, "recipient": "Shop"}, "packed_lot_id"),
    ]:
        with refused(Impossible, field):
            await deliver(store, clock, **{"lot_id": values.pop("packed_lot_id", lot.id), **values})
    async with store.write() as uow:
        for changes, field in [({"heads": 66}, "heads"), ({"order_id": other_crop.id}, "order_id")]:
            with refused(Impossible, field):
                await deliveries.change_delivery(uow, SYSTEM, first.id, changes)
        changed = await deliveries.change_delivery(uow, SYSTEM, first.id, {"heads": 65}, 1)
        assert changed.version == 2
        with refused(StaleVersion):
            await deliveries.change_delivery(uow, SYSTEM, first.id, {"heads": 64}, 1)


async def test_two_at_once_cannot_take_the_same_heads(store: Store, clock: FixedClock, place: Place) -> None:
    one = await harvested(store, clock, place)
    packed = await asyncio.gather(
        *(pack(store, clock, place, (one.id, 40)) for _ in range(4)), return_exceptions=True
    )
    lots = [shown.lot for shown in packed if isinstance(shown, LotView)]
    assert [type(p) for p in packed if not isinstance(p, LotView)] == [Impossible] * 2
    assert sorted(lot.code for lot in lots) == ["N1-260914-01", "N1-260914-02"]
    left = await asyncio.gather(
        *(deliver(store, clock, lots[0].id, 15, recipient="Shop") for _ in range(4)), return_exceptions=True
    )
    assert sum(isinstance(d, Delivery) for d in left) == 2


async def test_lots_and_deliveries_keep_to_their_farm(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    one = await harvested(store, clock, other_place)
    lot = (await pack(store, clock, other_place, (one.id, 70))).lot
    delivery = await deliver(store, clock, lot.id, 1, recipient="Shop")
    theirs = await order_of(store, other_place, **WEEKLY)
    grower = Access("grower", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        for call in (
            packing.get_packed_lot(uow, grower, lot.id),
            packing.change_packed_lot(uow, clock, grower, lot.id, {"note": "x"}),
            deliveries.get_delivery(uow, grower, delivery.id),
            deliveries.change_delivery(uow, grower, delivery.id, {"heads": 0}),
            fulfilment.order_fulfilment(uow, clock, grower, theirs.id, None, None),
            fulfilment.farm_fulfilment(uow, clock, grower, other_place.farm.id, None, None),
        ):
            with refused(NotFound):
                await call
        with refused(Impossible, "packed_lot_id"):
            await deliveries.create_delivery(
                uow, clock, grower, {"packed_lot_id": lot.id, "heads": 1, "recipient": "Me"}
            )
        assert await packing.list_packed_lots(uow, grower) == ([], None)
        assert await deliveries.list_deliveries(uow, grower) == ([], None)


async def test_what_left_against_what_was_wanted(store: Store, clock: FixedClock, place: Place) -> None:
    one = await harvested(store, clock, place, heads=180)
    lot = (await pack(store, clock, place, (one.id, 180), packed_at=at(11), weight_kg=27.0)).lot
    order = await order_of(store, place, **WEEKLY, price=0.9, price_currency="EUR", price_unit="head")
    by_weight = await order_of(
        store,
        place,
        weight_kg=5.0,
        dates=[date(2026, 9, 14)],
        price=4.0,
        price_currency="EUR",
        price_unit="kg",
    )
    await deliver(store, clock, lot.id, 45, order_id=order.id, for_on=date(2026, 9, 8))
    await deliver(store, clock, lot.id, 66, order_id=order.id, for_on=date(2026, 9, 11))
    await deliver(store, clock, lot.id, 10, order_id=order.id, for_on=date(2026, 9, 15))
    await deliver(store, clock, lot.id, 40, order_id=by_weight.id, for_on=date(2026, 9, 14))
    await deliver(store, clock, lot.id, 4, recipient="School kitchen")
    first, last = date(2026, 9, 7), date(2026, 9, 15)
    async with store.read() as uow:
        shown = await fulfilment.order_fulfilment(uow, clock, SYSTEM, order.id, first, last)
        farm = await fulfilment.farm_fulfilment(uow, clock, SYSTEM, place.farm.id, first, last)
        for wrong in ((last, first), (date(2020, 1, 1), last)):
            with refused(Impossible, "to"):
                await fulfilment.order_fulfilment(uow, clock, SYSTEM, order.id, *wrong)
    assert [(d.on.day, d.wanted, d.delivered, d.surplus, d.shortfall, d.due) for d in shown.days] == [
        (8, 60, 45, 0, 15, True),
        (11, 60, 66, 6, 0, True),
        (15, 60, 10, 0, 50, False),
    ]
    assert shown.days[0].fill_rate == pytest.approx(0.75)
    assert (shown.wanted, shown.delivered, shown.days_due, shown.days_filled) == (120, 111, 2, 1)
    assert shown.fill_rate == pytest.approx(105 / 120)  # the surplus of the 11th does not help the 8th
    assert shown.value == pytest.approx(0.9 * 111)
    weighed = farm.orders[1].days[0]
    assert (weighed.delivered, weighed.surplus, weighed.value) == pytest.approx((6.0, 1.0, 24.0))
    crop = farm.crops[0]
    assert (crop.packed, crop.undelivered, crop.delivered_for_orders, crop.delivered_otherwise) == (
        180,
        15,
        161,
        4,
    )


async def test_what_weighs_an_unknown_amount_is_not_made_up(
    store: Store, clock: FixedClock, place: Place
) -> None:
    one = await harvested(store, clock, place)
    lot = (await pack(store, clock, place, (one.id, 100))).lot
    order = await order_of(store, place, weight_kg=5.0, dates=[date(2026, 9, 14)])
    await deliver(store, clock, lot.id, 40, order_id=order.id, for_on=date(2026, 9, 14))
    async with store.read() as uow:
        shown = await fulfilment.order_fulfilment(uow, clock, SYSTEM, order.id, None, None)
    assert (shown.days[0].delivered, shown.fill_rate, shown.value, shown.wanted) == (None, None, None, 5.0)
    assert shown.days[0].delivered_heads == 40


async def test_the_heads_of_a_lot_are_those_of_its_batch(
    store: Store, clock: FixedClock, place: Place
) -> None:
    view = await seed(store, clock, place)
    with refused(Impossible, "harvests"):
        await pack(store, clock, place, (1, 1))  # the seeding is no harvest
    assert view.state.harvested == 0
