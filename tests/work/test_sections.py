"""Sections: their sites, and that never more plants stand in them, whoever records what at once."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.work import sections
from service.work.access import SYSTEM, Access
from service.work.batches import BatchView, append_entry, create_batch, get_batch
from service.work.errors import Conflict, Impossible, NotFound
from service.work.places import change_zone
from tests.work.conftest import Place
from tests.work.refusals import refused

SEEDED = datetime(2026, 8, 17, 6, tzinfo=UTC)


async def section(store: Store, place: Place, code: str, sites: int = 200, **more: Any) -> int:
    async with store.write() as uow:
        made = await sections.create_section(
            uow, SYSTEM, {"zone_id": place.channels.id, "code": code, "sites": sites, **more}
        )
    return made.section.id


async def seed(store: Store, clock: FixedClock, place: Place) -> int:
    async with store.write() as uow:
        seeded = await create_batch(
            uow, clock, SYSTEM, {"succession_id": place.succession.id, "seeded_at": SEEDED}
        )
    return seeded.batch.id


async def write_down(
    store: Store, clock: FixedClock, batch_id: int, kind: str, day: float, **fact: Any
) -> BatchView:
    async with store.write() as uow:
        _, seeded = await append_entry(
            uow, clock, SYSTEM, batch_id, {"kind": kind, "happened_at": SEEDED + timedelta(days=day), **fact}
        )
    return seeded


async def standing(store: Store) -> dict[str, tuple[int, int]]:
    async with store.read() as uow:
        rows, _ = await sections.list_sections(uow, SYSTEM)
    return {row.section.code: (row.standing, row.free) for row in rows}


async def test_sections_are_made_within_the_sites_of_their_zone(
    store: Store, place: Place, other_place: Place
) -> None:
    a = await section(store, place, "A", 6000)
    b = await section(store, place, "B", 3000, name="Far bench", latitude_deg=52.1)
    new = {"zone_id": place.channels.id, "code": "C", "sites": 1}
    crew = Access("crew", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        assert (await sections.get_section(uow, SYSTEM, a)).section.name == "A"
        with refused(Impossible, "sites"):
            await sections.create_section(uow, SYSTEM, new)
        await sections.create_section(uow, SYSTEM, {**new, "zone_id": other_place.channels.id})
        with refused(Conflict, "code"):
            await sections.create_section(uow, SYSTEM, {**new, "zone_id": other_place.channels.id})
        with refused(Impossible, "zone_id"):
            await sections.create_section(uow, SYSTEM, {**new, "zone_id": place.nursery.id})
        with refused(Impossible, "zone_id"):
            await sections.create_section(uow, crew, {**new, "zone_id": other_place.channels.id})
        with refused(Impossible, "sites"):
            await sections.change_section(uow, SYSTEM, b, {"sites": 3001})
        with refused(Impossible, "capacity"):
            await change_zone(uow, SYSTEM, place.channels.id, {"capacity": 8999})
        await sections.change_section(uow, SYSTEM, b, {"active": False})
        await sections.create_section(uow, SYSTEM, new)
        with refused(Impossible, "sites"):
            await sections.change_section(uow, SYSTEM, b, {"active": True})
        with refused(NotFound):
            await sections.get_section(uow, crew, 999)


async def test_a_section_takes_no_more_than_its_sites_over_all_batches(
    store: Store, clock: FixedClock, place: Place
) -> None:
    a, b = await section(store, place, "A", 150), await section(store, place, "B", 150)
    one, two = await seed(store, clock, place), await seed(store, clock, place)
    await write_down(store, clock, one, "transplanted", 20, plants=100, section_id=a)
    await write_down(store, clock, one, "transplanted", 20, plants=60, section_id=b)
    with pytest.raises(Impossible, match="section A has 150 sites, of which 50 were on 2026-09-06 free; 51"):
        await write_down(store, clock, two, "transplanted", 20, plants=51, section_id=a)
    split = await write_down(store, clock, two, "transplanted", 20, plants=50, section_id=a)
    assert split.state.zones[-1][1] == place.channels.id  # the section's, though no zone was said
    with refused(Impossible, "section_id"):
        await write_down(store, clock, one, "moved", 21, plants=1, from_section_id=b, section_id=a)
    merged = await write_down(store, clock, two, "moved", 21, from_section_id=a, section_id=b)
    assert merged.state.in_sections == ((b, 50),)
    assert await standing(store) == {"A": (100, 50), "B": (110, 40)}
    with refused(Impossible, "section_id"):  # taken back to A, and B still full of others
        await write_down(store, clock, one, "moved", 22, from_section_id=a, section_id=b)
    # A site is planted again on the day on which it was emptied, whatever was recorded first.
    await write_down(store, clock, one, "harvested", 25.2, plants=100, section_id=a)
    await write_down(store, clock, two, "transplanted", 25.1, plants=150, section_id=a)
    assert await standing(store) == {"A": (150, 0), "B": (110, 40)}
    with refused(Impossible, "sites"):
        async with store.write() as uow:
            await sections.change_section(uow, SYSTEM, a, {"sites": 149})
    with refused(Impossible, "active"):
        async with store.write() as uow:
            await sections.change_section(uow, SYSTEM, a, {"active": False})


async def test_a_correction_does_not_put_plants_where_others_stand_by_now(
    store: Store, clock: FixedClock, place: Place
) -> None:
    a = await section(store, place, "A", 100)
    one, two = await seed(store, clock, place), await seed(store, clock, place)
    await write_down(store, clock, one, "transplanted", 20, plants=100, section_id=a)
    async with store.write() as uow:
        cut, _ = await append_entry(
            uow,
            clock,
            SYSTEM,
            one,
            {"kind": "discarded", "happened_at": SEEDED + timedelta(days=24), "plants": 100, "section_id": a},
        )
    await write_down(store, clock, two, "transplanted", 25, plants=70, section_id=a)
    with pytest.raises(Impossible, match="30"):
        async with store.write() as uow:
            await append_entry(uow, clock, SYSTEM, one, {"supersedes_id": cut.id, "void": True})
    fewer = {"kind": "discarded", "plants": 70, "section_id": a, "supersedes_id": cut.id}
    async with store.write() as uow:
        await append_entry(uow, clock, SYSTEM, one, {**fewer, "happened_at": SEEDED + timedelta(days=24)})
    assert await standing(store) == {"A": (100, 0)}


async def test_sections_of_elsewhere_and_out_of_use_are_refused(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    theirs = await section(store, other_place, "A")
    closed = await section(store, place, "X", active=False)
    batch_id = await seed(store, clock, place)
    for wrong, field in (
        ({"section_id": theirs}, "section_id"),
        ({"section_id": closed}, "section_id"),
        ({"section_id": 999}, "section_id"),
        ({"section_id": closed, "zone_id": place.nursery.id}, "zone_id"),
        ({"tray_id": 1}, "tray_id"),
    ):
        with refused(Impossible, field):
            await write_down(store, clock, batch_id, "transplanted", 20, plants=10, **wrong)


async def test_batches_that_are_recorded_at_once_do_not_overfill_a_section(
    store: Store, clock: FixedClock, place: Place
) -> None:
    a = await section(store, place, "A", 250)
    ids = [await seed(store, clock, place) for _ in range(4)]

    async def transplant(batch_id: int) -> bool:
        try:
            await write_down(store, clock, batch_id, "transplanted", 27.9, plants=100, section_id=a)
        except Impossible:
            return False
        return True

    kept = await asyncio.gather(*(transplant(i) for i in ids))
    assert sum(kept) == 2
    assert await standing(store) == {"A": (200, 50)}
    async with store.read() as uow:
        views = [await get_batch(uow, SYSTEM, i) for i in ids]
    assert sorted(v.state.in_channels for v in views) == [0, 0, 100, 100]
