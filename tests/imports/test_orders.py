"""Orders from a file: all or nothing, once."""

from __future__ import annotations

from datetime import date

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Order
from service.work.access import SYSTEM, Access
from service.work.errors import Impossible, NotFound
from service.work.imports import Imported, import_orders
from service.work.orders import create_order, list_orders
from tests.imports.conftest import said
from tests.work.conftest import Place, make_place

FILE = """buyer,crop,heads,weightKg,weekdays,startsOn,endsOn,dates,price,priceCurrency,priceUnit,note
Corner Shop,Butterhead,120,,1 4,2026-09-14,,,0.85,EUR,head,
Corner Shop,Butterhead,40,,6,2026-09-14,2026-12-20,,,,,small heads
Big Kitchen,Butterhead,,12.5,,,,2026-10-09 2026-10-02,,,,
"""


async def bring(store: Store, place: Place, content: str, *, dry_run: bool = False) -> Imported:
    return await import_orders(store, SYSTEM, place.farm.id, content.encode(), dry_run=dry_run)


async def seen(store: Store) -> list[Order]:
    async with store.read() as uow:
        return (await list_orders(uow, SYSTEM))[0]


async def test_orders_come_as_they_are_made(store: Store, place: Place) -> None:
    imported = await bring(store, place, FILE)
    assert (imported.rows, imported.new, imported.changed, imported.unchanged) == (3, 3, 0, 0)
    first, second, third = await seen(store)
    assert (first.buyer, first.crop_id, first.heads, first.weight_kg) == (
        "Corner Shop",
        place.crop.id,
        120,
        None,
    )
    assert (first.weekdays, first.starts_on, first.ends_on) == ([1, 4], date(2026, 9, 14), None)
    assert (first.price, first.price_currency, first.price_unit, first.active) == (0.85, "EUR", "head", True)
    assert (second.ends_on, second.note, second.price) == (date(2026, 12, 20), "small heads", None)
    assert (third.weight_kg, third.dates) == (12.5, [date(2026, 10, 2), date(2026, 10, 9)])


async def test_a_second_import_changes_nothing_and_a_changed_one_just_that(
    store: Store, place: Place
) -> None:
    await bring(store, place, FILE)
    again = await bring(store, place, FILE)
    assert (again.new, again.changed, again.unchanged) == (0, 0, 3)
    assert [order.version for order in await seen(store)] == [1, 1, 1]
    changed = FILE.replace("Butterhead,120", "Butterhead,150")
    trial = await bring(store, place, changed, dry_run=True)
    assert (trial.new, trial.changed, trial.unchanged) == (0, 1, 2)
    assert (await seen(store))[0].heads == 120
    assert await bring(store, place, changed) == trial
    assert [(order.heads, order.version) for order in await seen(store)] == [(150, 2), (40, 1), (None, 1)]


async def test_a_column_that_is_not_there_leaves_what_is(store: Store, place: Place) -> None:
    await bring(store, place, FILE)
    short = "buyer,crop,heads,weekdays,starts_on\nCorner Shop,Butterhead,130,4;1,2026-09-14\n"
    imported = await bring(store, place, short)
    assert (imported.new, imported.changed) == (0, 1)
    first = (await seen(store))[0]
    assert (first.heads, first.price) == (130, 0.85)


async def test_every_fault_is_named_and_none_stored(store: Store, place: Place) -> None:
    header = "buyer;crop;heads;weight_kg;weekdays;starts_on;ends_on;dates;price;active"
    rows = [
        "A;Romaine;10;;1;2026-09-14;;;;",
        "B;Butterhead;10;2;1;2026-09-14;;;;",
        "C;Butterhead;ten;;1;2026-09-14;;;;",
        "D;Butterhead;10;;8;2026-09-14;;;;",
        "E;Butterhead;10;;1;14.09.2026;;;;",
        "F;Butterhead;10;;1;2026-09-14;2026-09-01;;;",
        "G;Butterhead;10;;;;;;;",
        "H;Butterhead;;1,5;1;2026-09-14;;;;",
        "I;Butterhead;10;;1;2026-09-14;;;1;",
        "J;Butterhead;10;;;;;2026-10-02 2026-10-02;;maybe",
        ";Butterhead;10;;1;2026-09-14;;;;",
        "K;Butterhead;10;;1;2026-09-14;;;;",
        "K;Butterhead;11;;1;2026-09-14;;;;",
    ]
    file = "\n".join([header, *rows])
    expected = [
        (2, "crop"),
        (3, "weight_kg"),
        (4, "heads"),
        (5, "weekdays"),
        (6, "starts_on"),
        (7, "ends_on"),
        (8, "weekdays"),
        (9, "weight_kg"),
        (10, "price_currency"),
        (11, "active"),
        (11, "dates"),
        (12, "buyer"),
        (14, ""),
    ]
    trial = await bring(store, place, file, dry_run=True)
    assert said(trial) == expected
    with pytest.raises(Impossible, match="13 faults") as refused:
        await bring(store, place, file)
    assert refused.value.problems == trial.faults
    assert await seen(store) == []


async def test_orders_alike_that_were_there_before_are_told_apart_or_refused(
    store: Store, place: Place
) -> None:
    values = {
        "farm_id": place.farm.id,
        "crop_id": place.crop.id,
        "buyer": "Corner Shop",
        "weekdays": [1],
        "starts_on": date(2026, 9, 14),
    }
    async with store.write() as uow:
        for heads in (10, 20):
            await create_order(uow, SYSTEM, {**values, "heads": heads})
    row = "buyer,crop,heads,weekdays,starts_on\nCorner Shop,Butterhead,{},1,2026-09-14\n"
    assert (await bring(store, place, row.format(20))).unchanged == 1
    assert said(await bring(store, place, row.format(30), dry_run=True)) == [(2, "")]


async def test_another_farm_is_not_seen(store: Store, clock: FixedClock, place: Place) -> None:
    other = await make_place(store, clock, "Birch Farm")
    limited = Access("tablet", SYSTEM.scopes, place.farm.id)
    with pytest.raises(NotFound):
        await import_orders(store, limited, other.farm.id, FILE.encode())
