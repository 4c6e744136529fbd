"""Batches: seeded, written down, corrected, refused."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.clock import FixedClock
from service.records import batches as records
from service.records.store import Store
from service.work import batches
from service.work.access import SYSTEM, Access
from service.work.batches import (
    append_entry,
    change_batch,
    create_batch,
    get_batch,
    list_batches,
    list_entries,
)
from service.work.errors import Conflict, Impossible, NotFound, StaleVersion, WorkError
from service.work.places import change_house, create_zone
from tests.work.conftest import Place
from tests.work.refusals import refused

CREW = Access("crew", frozenset({"write"}), None)


async def seed(store: Store, clock: FixedClock, place: Place, **more: Any) -> batches.BatchView:
    """Seed a batch twenty days before the clock's now, unless told otherwise."""
    values = {"succession_id": place.succession.id, "seeded_on": date(2026, 8, 25), **more}
    async with store.write() as uow:
        return await create_batch(uow, clock, CREW, values)


async def write_down(
    store: Store, clock: FixedClock, batch_id: int, kind: str, on: int | None = None, **more: Any
) -> batches.BatchView:
    """Append an entry, on this day of September at noon UTC if it is given."""
    values = {"kind": kind, **more}
    if on is not None:
        values["happened_at"] = datetime(2026, 9, on, 12, tzinfo=UTC)
    async with store.write() as uow:
        _, view = await append_entry(uow, clock, CREW, batch_id, values)
    return view


async def test_a_batch_takes_what_its_succession_says(store: Store, clock: FixedClock, place: Place) -> None:
    view = await seed(store, clock, place)
    async with store.read() as uow:
        read = await get_batch(uow, SYSTEM, view.batch.id)
        entries = await list_entries(uow, SYSTEM, view.batch.id)
    assert read.state == view.state
    batch = read.batch
    assert (batch.house_id, batch.cultivar_id, batch.cells) == (place.house.id, place.cultivar.id, 200)
    assert (batch.code, batch.stage, batch.seeded_on) == ("N1-BUT-260825", "nursery", date(2026, 8, 25))
    assert read.state.seeded_at == datetime(2026, 8, 25, 6, tzinfo=UTC)  # 08:00 in summer time
    assert read.state.zones == ((read.state.seeded_at, place.nursery.id),)
    assert [(e.kind, e.plants, e.recorded_by, e.recorded_at) for e in entries] == [
        ("seeded", 200, "crew", clock.now())
    ]


async def test_the_local_day_is_that_of_the_house(store: Store, clock: FixedClock, place: Place) -> None:
    late = datetime(2026, 9, 10, 22, 30, tzinfo=UTC)  # half past midnight in Amsterdam
    view = await seed(store, clock, place, seeded_on=date(2026, 9, 11), seeded_at=late)
    assert (view.batch.seeded_on, view.state.seeded_at) == (date(2026, 9, 11), late)
    with refused(Impossible, "seeded_on"):
        await seed(store, clock, place, seeded_on=date(2026, 9, 10), seeded_at=late)
    async with store.write() as uow:
        await change_house(uow, SYSTEM, place.house.id, {"time_zone": "America/Los_Angeles"})
        now = await create_batch(uow, clock, CREW, {"succession_id": place.succession.id})
    assert (now.state.seeded_at, now.batch.seeded_on) == (clock.now(), date(2026, 9, 13))


async def test_codes_run_on_within_a_day(store: Store, clock: FixedClock, place: Place) -> None:
    made = [(await seed(store, clock, place)).batch.code for _ in range(3)]
    assert made == ["N1-BUT-260825", "N1-BUT-260825-B", "N1-BUT-260825-C"]
    assert (await seed(store, clock, place, code=" Mine ")).batch.code == "Mine"
    with refused(Conflict, "code"):
        await seed(store, clock, place, code="Mine")


@pytest.mark.parametrize(
    ("number", "letters"), [(2, "B"), (26, "Z"), (27, "AA"), (52, "AZ"), (53, "BA"), (703, "AAA")]
)
def test_running_letters_do_not_end(number: int, letters: str) -> None:
    assert batches._running_letters(number) == letters


WRONG_BATCHES = [
    ({"seeded_on": date(2026, 9, 15)}, "seeded_on"),
    ({"seeded_on": None}, "seeded_on"),
    ({"seeded_on": date(1, 1, 1)}, "seeded_on"),
    ({"seeded_on": "2026-08-25"}, "seeded_on"),
    ({"seeded_at": datetime(2026, 8, 25, 6)}, "seeded_at"),  # noqa: DTZ001
    ({"cells": 0}, "cells"),
    ({"cells": 10.5}, "cells"),
    ({"cultivar_id": 999}, "cultivar_id"),
    ({"succession_id": 999}, "succession_id"),
    ({"code": ""}, "code"),
    ({"stage": "channels"}, "stage"),
]


async def test_a_batch_that_cannot_be_is_refused(store: Store, clock: FixedClock, place: Place) -> None:
    for more, field in WRONG_BATCHES:
        with refused(Impossible, field):
            await seed(store, clock, place, **more)
        async with store.read() as uow:
            assert await list_batches(uow, SYSTEM) == ([], None)


async def test_today_before_eight_is_not_the_future(store: Store, place: Place) -> None:
    early = FixedClock(datetime(2026, 9, 14, 4, tzinfo=UTC))  # 06:00 in Amsterdam
    view = await seed(store, early, place, seeded_on=date(2026, 9, 14))
    assert view.state.seeded_at == early.now()


async def test_a_batch_lives_from_seeding_to_harvest(store: Store, clock: FixedClock, place: Place) -> None:
    batch_id = (await seed(store, clock, place)).batch.id
    steps: list[tuple[str, int, dict[str, Any], str]] = [
        ("emergence_counted", 1, {"plants": 190}, "nursery"),
        ("leaves_counted", 6, {"leaves": 4.2}, "nursery"),
        ("transplanted", 8, {"plants": 160}, "channels"),
        ("discarded", 9, {"plants": 30, "reason": "graded out"}, "channels"),
        ("harvested", 12, {"plants": 100, "weight_g": 150.5}, "channels"),
        ("harvested", 13, {"plants": 60}, "finished"),
    ]
    async with store.read() as uow:
        assert [b.id for b in await records.live_batches(uow, place.house.id)] == [batch_id]
    for version, (kind, on, more, stage) in enumerate(steps, start=2):
        view = await write_down(store, clock, batch_id, kind, on, **more)
        assert (view.batch.stage, view.batch.version) == (stage, version)
    async with store.read() as uow:
        read = await get_batch(uow, SYSTEM, batch_id)
        assert await records.live_batches(uow, place.house.id) == []
        ledgers = await records.entries_of(uow, [batch_id, 999])
    assert read.batch.stage == "finished"
    assert (read.state.harvested, read.state.discarded) == (160, 30)
    assert read.state.zones[1] == (datetime(2026, 9, 8, 12, tzinfo=UTC), place.channels.id)
    assert ([e.kind for e in ledgers[batch_id][1:]], ledgers[999]) == ([kind for kind, *_ in steps], [])


WRONG_ENTRIES = [
    (
        {"kind": "transplanted", "plants": 10, "happened_at": datetime(2026, 8, 24, tzinfo=UTC)},
        ["happened_at"],
    ),
    ({"kind": "transplanted", "plants": 201}, ["plants"]),
    ({"kind": "harvested", "plants": 1}, ["happened_at"]),
    ({"kind": "emergence_counted", "plants": 201}, ["plants"]),
    ({"kind": "leaves_counted", "leaves": 61}, ["leaves"]),
    ({"kind": "leaves_counted", "leaves": -1, "colour": "red"}, ["leaves", "colour"]),
    (
        {"kind": "leaves_counted", "leaves": 2, "happened_at": datetime(2026, 9, 14, 6, 6, tzinfo=UTC)},
        ["happened_at"],
    ),
    ({"kind": "discarded", "plants": 0}, ["plants"]),
    ({"kind": "discarded", "plants": -5}, ["plants"]),
    ({"kind": "harvested", "plants": 1, "weight_g": 5001}, ["weight_g"]),
    ({"kind": "moved"}, ["zone_id"]),
    ({"kind": "seeded", "plants": 10}, ["kind"]),
    ({"kind": "pruned"}, ["kind"]),
    ({"plants": 5}, ["kind"]),
    ({"kind": "discarded", "plants": 1, "supersedes_id": 999}, ["supersedes_id"]),
    ({"kind": "discarded", "void": True}, ["supersedes_id"]),
]


async def test_a_refused_entry_changes_nothing(store: Store, clock: FixedClock, place: Place) -> None:
    batch_id = (await seed(store, clock, place)).batch.id
    for values, fields in WRONG_ENTRIES:
        async with store.write() as uow:  # commits: the use case itself must leave nothing behind
            with refused(Impossible, *fields):
                await append_entry(uow, clock, CREW, batch_id, values)
        async with store.read() as uow:
            read = await get_batch(uow, SYSTEM, batch_id)
            assert len(await list_entries(uow, SYSTEM, batch_id)) == 1
        assert (read.batch.version, read.batch.stage, read.state.in_nursery) == (1, "nursery", 200)


async def test_a_correction_supersedes_and_is_itself_corrected(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = (await seed(store, clock, place)).batch.id
    await write_down(store, clock, batch_id, "transplanted", 8, plants=160)
    await write_down(store, clock, batch_id, "harvested", 12, plants=150)
    async with store.read() as uow:
        seeded, transplanted, harvested = await list_entries(uow, SYSTEM, batch_id)

    with refused(Impossible, "plants"):  # the harvest would be of more than stood there
        await write_down(store, clock, batch_id, "transplanted", 8, plants=140, supersedes_id=transplanted.id)
    with refused(Impossible, "happened_at"):
        await write_down(store, clock, batch_id, "transplanted", supersedes_id=transplanted.id, void=True)
    with refused(Impossible, "kind"):
        await write_down(store, clock, batch_id, "discarded", 8, plants=1, supersedes_id=transplanted.id)
    view = await write_down(
        store, clock, batch_id, "transplanted", 7, plants=170, supersedes_id=transplanted.id
    )
    assert (view.state.in_channels, view.state.transplanted_at) == (20, datetime(2026, 9, 7, 12, tzinfo=UTC))
    with refused(Conflict, "supersedes_id"):
        await write_down(store, clock, batch_id, "transplanted", 7, plants=171, supersedes_id=transplanted.id)

    async with store.write() as uow:
        void, view = await append_entry(
            uow, clock, CREW, batch_id, {"supersedes_id": harvested.id, "void": True}
        )
    assert (void.kind, void.happened_at, view.state.harvested) == ("harvested", harvested.happened_at, 0)
    with refused(Impossible, "supersedes_id"):
        await write_down(store, clock, batch_id, "harvested", supersedes_id=void.id, void=True)
    with refused(Impossible, "void"):
        await write_down(store, clock, batch_id, "seeded", supersedes_id=seeded.id, void=True)
    again = await write_down(store, clock, batch_id, "harvested", 12, plants=151, supersedes_id=void.id)
    assert again.state.harvested == 151
    async with store.read() as uow:
        assert len(await list_entries(uow, SYSTEM, batch_id)) == 6


async def test_correcting_the_seeding_corrects_the_batch(
    store: Store, clock: FixedClock, place: Place
) -> None:
    view = await seed(store, clock, place)
    async with store.read() as uow:
        [seeded] = await list_entries(uow, SYSTEM, view.batch.id)
    await write_down(store, clock, view.batch.id, "seeded", 1, plants=190, supersedes_id=seeded.id)
    async with store.read() as uow:
        batch = (await get_batch(uow, SYSTEM, view.batch.id)).batch
    assert (batch.cells, batch.seeded_on, batch.code) == (190, date(2026, 9, 1), view.batch.code)


async def test_plants_go_only_where_they_can(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    batch_id = (await seed(store, clock, place)).batch.id
    async with store.write() as uow:
        values = {"house_id": place.house.id, "capacity": 500, "plants_m2": 40.0}
        wide = await create_zone(uow, SYSTEM, {**values, "name": "Wide", "code": "w", "kind": "channels"})
    for zone in (place.nursery, other_place.channels):
        with refused(Impossible, "zone_id"):
            await write_down(store, clock, batch_id, "transplanted", 8, plants=10, zone_id=zone.id)
    with refused(Impossible, "zone_id"):
        await write_down(store, clock, batch_id, "moved", 7, zone_id=wide.id)
    with refused(Impossible, "zone_id"):
        await write_down(store, clock, batch_id, "discarded", 7, plants=1, zone_id=wide.id)
    await write_down(store, clock, batch_id, "transplanted", 8, plants=160)
    view = await write_down(store, clock, batch_id, "moved", 10, zone_id=wide.id)
    assert [zone for _, zone in view.state.zones] == [place.nursery.id, place.channels.id, wide.id]
    with refused(Impossible, "zone_id"):
        await write_down(store, clock, batch_id, "moved", 11, zone_id=place.nursery.id)


async def test_a_batch_is_renamed_but_its_seeding_is_corrected_in_the_ledger(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    view = await seed(store, clock, place)
    async with store.write() as uow:
        changed = await change_batch(uow, CREW, view.batch.id, {"code": "X", "cultivar_id": None}, 1)
        assert (changed.batch.code, changed.batch.cultivar_id, changed.batch.version) == ("X", None, 2)
        with refused(StaleVersion):
            await change_batch(uow, CREW, view.batch.id, {"code": "Y"}, 1)
        with refused(StaleVersion):
            await append_entry(uow, clock, CREW, view.batch.id, {"kind": "discarded", "plants": 1}, 1)
        with refused(Impossible, "cells", "seeded_on"):
            await change_batch(uow, CREW, view.batch.id, {"cells": 5, "seeded_on": date(2026, 9, 1)})
        with refused(Impossible, "cultivar_id"):
            await change_batch(uow, CREW, view.batch.id, {"cultivar_id": other_place.cultivar.id})


async def test_another_farm_sees_no_batch(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    view = await seed(store, clock, place)
    theirs = await seed(store, clock, other_place)
    access = Access("other", frozenset({"write"}), other_place.farm.id)
    async with store.write() as uow:
        for ask in (get_batch, list_entries):
            with refused(NotFound):
                await ask(uow, access, view.batch.id)
            with refused(NotFound):
                await ask(uow, access, 999)
        with refused(NotFound):
            await append_entry(uow, clock, access, view.batch.id, {"kind": "discarded", "plants": 1})
        with refused(Impossible, "succession_id"):
            await create_batch(uow, clock, access, {"succession_id": place.succession.id})
        rows, _ = await list_batches(uow, access)
    assert [row.batch.id for row in rows] == [theirs.batch.id]


async def test_batches_are_listed_by_what_they_are(store: Store, clock: FixedClock, place: Place) -> None:
    first, second, third = [(await seed(store, clock, place)).batch.id for _ in range(3)]
    await write_down(store, clock, second, "discarded", 1, plants=200)
    async with store.read() as uow:
        rows, after = await list_batches(uow, SYSTEM, house_id=place.house.id, stage="nursery", limit=1)
        assert ([row.batch.id for row in rows], after) == ([first], first)
        rows, after = await list_batches(uow, SYSTEM, stage="nursery", after=after, limit=1)
        assert ([row.batch.id for row in rows], after) == ([third], None)
        rows, _ = await list_batches(uow, SYSTEM, stage="finished")
        assert [(row.batch.id, row.state.discarded) for row in rows] == [(second, 200)]
        assert await list_batches(uow, SYSTEM, succession_id=999) == ([], None)
        with refused(Impossible, "stage"):
            await list_batches(uow, SYSTEM, stage="lost")


async def test_two_who_write_at_once_cannot_take_more_than_there_is(
    store: Store, clock: FixedClock, place: Place
) -> None:
    batch_id = (await seed(store, clock, place)).batch.id

    async def discard(plants: int) -> bool:
        try:
            await write_down(store, clock, batch_id, "discarded", 2, plants=plants)
        except WorkError:
            return False
        return True

    kept = await asyncio.gather(*(discard(plants) for plants in (90, 90, 91, 92)))
    assert sum(kept) == 2
    async with store.read() as uow:
        read = await get_batch(uow, SYSTEM, batch_id)
    assert 181 <= read.state.discarded == 200 - read.state.in_nursery  # no two of those that were the same
    assert read.batch.version == 3


async def test_clocks_may_differ_a_little(store: Store, clock: FixedClock, place: Place) -> None:
    batch_id = (await seed(store, clock, place)).batch.id
    ahead = clock.now() + timedelta(minutes=4)
    async with store.write() as uow:
        entry, _ = await append_entry(
            uow, clock, CREW, batch_id, {"kind": "leaves_counted", "leaves": 3, "happened_at": ahead}
        )
    assert (entry.happened_at, entry.recorded_at, entry.leaves) == (ahead, clock.now(), 3.0)
