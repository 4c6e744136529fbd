"""Orders: taken, changed, called off, refused, and the days they fall on."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text

from service.records.store import Store
from service.records.tables import Order
from service.work import orders
from service.work.access import SYSTEM, Access
from service.work.errors import Conflict, Impossible, NotFound, StaleVersion
from service.work.orders import occurrences
from tests.work.conftest import Place
from tests.work.refusals import refused

WEEKLY = {"buyer": "Market hall", "heads": 150, "weekdays": [5, 2], "starts_on": date(2026, 9, 1)}
DATED = {"buyer": "Feast", "weight_kg": 12.5, "dates": [date(2026, 10, 3), date(2026, 9, 26)]}


def values(place: Place, **more: Any) -> dict[str, Any]:
    return {"farm_id": place.farm.id, "crop_id": place.crop.id, **more}


async def take(store: Store, place: Place, **more: Any) -> Order:
    async with store.write() as uow:
        return await orders.create_order(uow, SYSTEM, values(place, **more))


# --------------------------------------------------------------------------- rows


async def test_what_was_ordered_is_read_back(store: Store, place: Place) -> None:
    price = {"price": 0.85, "price_currency": "EUR", "price_unit": "head"}
    weekly = await take(store, place, **WEEKLY, **price, note="in crates of 12")
    dated = await take(store, place, **DATED)
    async with store.read() as uow:
        order = await orders.get_order(uow, SYSTEM, weekly.id)
        assert (order.buyer, order.heads, order.weight_kg) == ("Market hall", 150, None)
        assert (order.weekdays, order.starts_on, order.ends_on) == ([2, 5], date(2026, 9, 1), None)
        assert (order.price, order.price_currency, order.price_unit) == (0.85, "EUR", "head")
        assert (order.dates, order.note, order.active, order.version) == (None, "in crates of 12", True, 1)
        order = await orders.get_order(uow, SYSTEM, dated.id)
        assert (order.heads, order.weight_kg, order.price) == (None, 12.5, None)
        assert order.dates == [date(2026, 9, 26), date(2026, 10, 3)]
        # What is not said is no value, rather than the JSON null that would pass for one.
        missing = text('SELECT count(*) FROM "order" WHERE weekdays IS NULL OR dates IS NULL')
        assert await uow.session.scalar(missing) == 2


async def test_an_order_is_changed_from_one_form_to_the_other(store: Store, place: Place) -> None:
    order = await take(store, place, **WEEKLY)
    changes = {"heads": None, "weight_kg": 40, "weekdays": None, "starts_on": None, "dates": DATED["dates"]}
    async with store.write() as uow:
        await orders.change_order(uow, SYSTEM, order.id, changes, expected_version=1)
    async with store.write() as uow:
        with refused(StaleVersion):
            await orders.change_order(uow, SYSTEM, order.id, {"buyer": "Feast"}, expected_version=1)
        changed = await orders.change_order(uow, SYSTEM, order.id, {"active": False, "note": None})
        assert (changed.version, changed.weight_kg, changed.dates) == (3, 40.0, sorted(DATED["dates"]))
        assert occurrences(changed, date(2026, 1, 1), date(2026, 12, 31)) == []


WRONG = [
    ({"buyer": ""}, "buyer"),
    ({"buyer": None}, "buyer"),
    ({"heads": 0}, "heads"),
    ({"heads": 1.5}, "heads"),
    ({"heads": True}, "heads"),
    ({"heads": None}, "heads"),
    ({"weight_kg": 10.0}, "weight_kg"),
    ({"heads": None, "weight_kg": 0}, "weight_kg"),
    ({"heads": None, "weight_kg": float("nan")}, "weight_kg"),
    ({"weekdays": []}, "weekdays"),
    ({"weekdays": [0]}, "weekdays"),
    ({"weekdays": [2, 2]}, "weekdays"),
    ({"weekdays": None}, "weekdays"),
    ({"starts_on": None}, "starts_on"),
    ({"starts_on": "2026-09-01"}, "starts_on"),
    ({"starts_on": date(1999, 1, 1)}, "starts_on"),
    ({"ends_on": date(2026, 8, 31)}, "ends_on"),
    ({"ends_on": date(2026, 9, 1), "weekdays": [3]}, "weekdays"),  # 1 September is a Tuesday
    ({"dates": [date(2026, 9, 26)]}, "weekdays"),
    ({"weekdays": None, "dates": [date(2026, 9, 26)]}, "starts_on"),
    ({"weekdays": None, "starts_on": None, "dates": []}, "dates"),
    ({"weekdays": None, "starts_on": None, "dates": [date(2026, 9, 26)] * 2}, "dates"),
    ({"weekdays": None, "starts_on": None, "dates": ["2026-09-26"]}, "dates"),
    ({"weekdays": None, "starts_on": None, "dates": [date(1, 1, 1)]}, "dates"),
    (
        {
            "weekdays": None,
            "starts_on": None,
            "dates": [date(2026, 1, 1) + timedelta(days=n) for n in range(401)],
        },
        "dates",
    ),
    ({"price": 0.85}, "price_currency"),
    ({"price": 0.85, "price_currency": "EUR"}, "price_unit"),
    ({"price_unit": "kg"}, "price"),
    ({"price": -1, "price_currency": "EUR", "price_unit": "kg"}, "price"),
    ({"price": 1, "price_currency": "eur", "price_unit": "kg"}, "price_currency"),
    ({"price": 1, "price_currency": "EUR", "price_unit": "crate"}, "price_unit"),
    ({"note": "a\x00b"}, "note"),
    ({"active": None}, "active"),
    ({"active": 1}, "active"),
    ({"colour": "green"}, "colour"),
]


async def test_an_order_that_cannot_be_is_refused(store: Store, place: Place) -> None:
    order = await take(store, place, **WEEKLY)
    for wrong, field in WRONG:
        async with store.write() as uow:
            with refused(Impossible, field):
                await orders.create_order(uow, SYSTEM, values(place, **{**WEEKLY, **wrong}))
            with refused(Impossible, field):
                await orders.change_order(uow, SYSTEM, order.id, wrong)
    async with store.read() as uow:
        rows, _ = await orders.list_orders(uow, SYSTEM)
    assert [(row.buyer, row.heads, row.version) for row in rows] == [("Market hall", 150, 1)]


async def test_all_problems_are_named_at_once(store: Store) -> None:
    async with store.write() as uow:
        with refused(Impossible, "farm_id", "crop_id", "buyer", "heads", "dates"):
            await orders.create_order(uow, SYSTEM, {"heads": -1, "dates": "today"})


async def test_an_order_keeps_to_its_farm(store: Store, place: Place, other_place: Place) -> None:
    mine = await take(store, place, **WEEKLY)
    theirs = await take(store, other_place, **WEEKLY)
    access = Access("grower", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        with refused(Impossible, "crop_id"):
            await orders.create_order(uow, SYSTEM, values(place, **WEEKLY) | {"crop_id": other_place.crop.id})
        with refused(Impossible, "farm_id"):
            await orders.create_order(uow, access, values(other_place, **WEEKLY))
        with refused(Impossible, "crop_id", "farm_id"):
            changes = {"crop_id": other_place.crop.id, "farm_id": other_place.farm.id}
            await orders.change_order(uow, SYSTEM, mine.id, changes)
        with refused(NotFound):
            await orders.get_order(uow, access, theirs.id)
        with refused(NotFound):
            await orders.change_order(uow, access, theirs.id, {"buyer": "Me"})
        with refused(NotFound):
            await orders.get_order(uow, SYSTEM, 2**64)
        assert [row.id for row in (await orders.list_orders(uow, access))[0]] == [mine.id]


async def test_orders_are_listed_in_pages_and_narrowed(
    store: Store, place: Place, other_place: Place
) -> None:
    for where in (place, other_place, place):
        await take(store, where, **WEEKLY)
    await take(store, place, **DATED, active=False)
    async with store.read() as uow:

        async def ids(**given_: Any) -> list[int]:
            return [row.id for row in (await orders.list_orders(uow, SYSTEM, **given_))[0]]

        assert await ids(farm_id=place.farm.id) == [1, 3, 4]
        assert await ids(crop_id=other_place.crop.id) == [2]
        assert await ids(active=True) == [1, 2, 3]
        assert await ids(active=False) == [4]
        rows, after = await orders.list_orders(uow, SYSTEM, farm_id=place.farm.id, limit=2)
        assert ([row.id for row in rows], after) == ([1, 3], 3)
        assert await ids(farm_id=place.farm.id, after=after) == [4]
        with refused(Impossible, "crop_id"):
            await ids(crop_id=-1)


async def test_what_others_changed_meanwhile_is_not_overwritten(store: Store, place: Place) -> None:
    order = await take(store, place, **WEEKLY)
    async with store.read() as mine:
        held = await orders.get_order(mine, SYSTEM, order.id)
        async with store.write() as theirs:
            await orders.change_order(theirs, SYSTEM, order.id, {"heads": 160})
        if store.dialect == "postgresql":  # SQLite does not let a reader go on to write over a newer state
            with refused(Conflict):
                await orders.change_order(mine, SYSTEM, held.id, {"heads": 170})
    async with store.read() as uow:
        assert (await orders.get_order(uow, SYSTEM, order.id)).heads == 160


# --------------------------------------------------------------------------- days

days = st.dates(date(2025, 1, 1), date(2028, 12, 31))
weekday_sets = st.lists(st.integers(1, 7), min_size=1, max_size=7, unique=True)


def order_of(**more: Any) -> Order:
    return Order(farm_id=1, crop_id=1, buyer="Market hall", **more)


@given(weekday_sets, days, st.none() | days, days, days)
def test_weekdays_fall_on_every_such_day_of_both_spans(
    weekdays: list[int], starts_on: date, ends_on: date | None, first: date, last: date
) -> None:
    order = order_of(heads=20, weekdays=weekdays, starts_on=starts_on, ends_on=ends_on)
    found = occurrences(order, first, last)
    every_day = (date(2025, 1, 1) + timedelta(days=n) for n in range(4 * 366))
    assert found == [
        (day, 20)
        for day in every_day
        if first <= day <= last
        and starts_on <= day
        and (ends_on is None or day <= ends_on)
        and day.isoweekday() in weekdays
    ]


@given(st.lists(days, min_size=1, unique=True), days, days)
def test_dates_are_taken_as_they_are(dates: list[date], first: date, last: date) -> None:
    order = order_of(weight_kg=7.5, dates=sorted(dates))
    found = occurrences(order, first, last)
    assert {on for on, _ in found} == {day for day in dates if first <= day <= last}
    assert found == sorted(found)
    assert all(amount == 7.5 for _, amount in found)


@given(weekday_sets, days, st.none() | days, days, st.integers(0, 400), st.integers(0, 400))
def test_a_span_split_in_two_gives_the_same(
    weekdays: list[int], starts_on: date, ends_on: date | None, first: date, one: int, two: int
) -> None:
    order = order_of(heads=1, weekdays=weekdays, starts_on=starts_on, ends_on=ends_on)
    middle = first + timedelta(days=one)
    last = middle + timedelta(days=1 + two)
    halves = occurrences(order, first, middle) + occurrences(order, middle + timedelta(days=1), last)
    assert halves == occurrences(order, first, last)


def test_known_days() -> None:
    order = order_of(heads=150, weekdays=[2, 5], starts_on=date(2026, 9, 1), ends_on=date(2026, 9, 15))
    assert [on.day for on, _ in occurrences(order, date(2026, 1, 1), date(2026, 12, 31))] == [
        1,
        4,
        8,
        11,
        15,
    ]
    order.active = False
    assert occurrences(order, date(2026, 1, 1), date(2026, 12, 31)) == []
