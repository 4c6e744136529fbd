"""Sections and trays in the file of batches, and the same file back out."""

from __future__ import annotations

from datetime import date

import httpx
import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Section
from service.work import batches, sections
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch, list_batches, list_entries
from service.work.batches_export import export_batches
from service.work.errors import Impossible
from service.work.imports import Imported
from tests.api.farm import all_rows
from tests.imports.conftest import bring_batches, said
from tests.work.conftest import Place, make_place
from tests.work.refusals import refused

HEADER = "batch,succession,kind,happened_at,plants,zone,section,fromSection,tray,cellsPerTray,reason"
ONE = f"""{HEADER}
B-1,"Butterhead, weekly",seeded,2025-03-03,200,,,,,120,
B-1,,emergence_counted,2025-03-10T09:00,190,,,,,,
B-1,,discarded,2025-03-20T09:00,4,,,,2,,damping off
B-1,,transplanted,2025-03-24T09:30,100,ch,A,,1,,
B-1,,transplanted,2025-03-24T10:30,60,,B,,,,
B-1,,moved,2025-04-02T10:00,40,,B,A,,,
B-1,,harvested,2025-04-28T08:00,60,,A,,,,
B-1,,harvested,2025-04-28T09:00,100,,B,,,,
"""


@pytest.fixture
async def channels(store: Store, place: Place) -> dict[str, Section]:
    """Have two sections of 100 sites."""
    return await sections_in(store, place)


async def sections_in(store: Store, place: Place) -> dict[str, Section]:
    found = {}
    async with store.write() as uow:
        for code in ("A", "B"):
            values = {"zone_id": place.channels.id, "code": code, "sites": 100}
            found[code] = (await sections.create_section(uow, SYSTEM, values)).section
    return found


async def bring(store: Store, clock: FixedClock, place: Place, *rows: str, dry: bool = True) -> Imported:
    return await bring_batches(store, clock, place, "\n".join((HEADER, *rows)) + "\n", dry_run=dry)


async def test_sections_and_trays_come_with_the_ledger(
    store: Store, clock: FixedClock, place: Place, channels: dict[str, Section]
) -> None:
    assert (await bring_batches(store, clock, place, ONE)).new == 8
    async with store.read() as uow:
        ((view,), _) = await list_batches(uow, SYSTEM)
        entries = await list_entries(uow, SYSTEM, view.batch.id)
    assert [(t.number, t.cells) for t in view.trays] == [(1, 120), (2, 80)]
    numbers = {t.id: t.number for t in view.trays}
    codes = {s.id: s.code for s in channels.values()}
    assert [
        (e.kind, codes.get(e.section_id or 0), codes.get(e.from_section_id or 0), numbers.get(e.tray_id or 0))
        for e in entries
    ] == [
        ("seeded", None, None, None),
        ("emergence_counted", None, None, None),
        ("discarded", None, None, 2),
        ("transplanted", "A", None, 1),
        ("transplanted", "B", None, None),
        ("moved", "B", "A", None),
        ("harvested", "A", None, None),
        ("harvested", "B", None, None),
    ]
    assert {e.zone_id for e in entries if e.section_id} == {place.channels.id}
    before = await all_rows(store)
    assert (await bring_batches(store, clock, place, ONE)).unchanged == 8
    assert await all_rows(store) == before


async def test_every_fault_of_sections_and_trays_is_named(
    store: Store, clock: FixedClock, place: Place, channels: dict[str, Section]
) -> None:
    async with store.write() as uow:
        await sections.change_section(uow, SYSTEM, channels["B"].id, {"active": False})
    seeded = 'B-1,"Butterhead, weekly",seeded,2025-03-03,200,,,,,120,'
    up = "B-1,,emergence_counted,2025-03-10T09:00,190,,,,,,"
    moved = "B-1,,transplanted,2025-03-24T09:30,100,,A,,,,"
    for rows, faults in [
        ([seeded, up, "B-1,,transplanted,2025-03-24T09:30,100,,Z,,,,"], [(4, "section")]),
        ([seeded, up, "B-1,,transplanted,2025-03-24T09:30,100,table,A,,,,"], [(4, "section")]),
        ([seeded, up, "B-1,,transplanted,2025-03-24T09:30,90,,A,,3,,"], [(4, "tray")]),
        ([seeded, up, "B-1,,transplanted,2025-03-24T09:30,90,,A,,first,,"], [(4, "tray")]),
        ([seeded, up, "B-1,,transplanted,2025-03-24T09:30,90,,A,,,40,"], [(4, "cells_per_tray")]),
        ([seeded.replace(",120,", ",0,"), up], [(2, "cells_per_tray")]),
        ([seeded, "B-1,,emergence_counted,2025-03-10T09:00,190,,A,,,,"], [(3, "section"), (3, "zone")]),
        ([seeded, up, moved, "B-1,,harvested,2025-04-28T08:00,50,,B,,,,"], [(5, "section")]),
        ([seeded, up, moved, "B-1,,moved,2025-04-28T08:00,50,,B,B,,,"], [(5, "section")]),
        ([seeded, up, moved, "B-1,,harvested,2025-04-28T08:00,50,,A,A,,,"], [(5, "from_section")]),
        ([seeded, up, moved, "B-1,,harvested,2025-04-28T08:00,50,,,,1,,"], [(5, "tray")]),
        # Only where plants stand still does it matter that a section is out of use.
        ([seeded, up, "B-1,,transplanted,2025-03-24T09:30,100,,B,,,,"], [(4, "section")]),
        # More plants than sites.
        ([seeded, up, "B-1,,transplanted,2025-03-24T09:30,101,,A,,,,"], [(4, "section")]),
    ]:
        assert said(await bring(store, clock, place, *rows)) == faults, rows
    with refused(Impossible, "section"):
        await bring(store, clock, place, seeded, up, moved.replace("100", "101"), dry=False)
    async with store.read() as uow:
        assert (await list_batches(uow, SYSTEM))[0] == []


async def test_two_batches_of_a_file_share_the_sites(
    store: Store, clock: FixedClock, place: Place, channels: dict[str, Section]
) -> None:
    def rows(code: str, section: str, day: str) -> list[str]:
        return [
            f'{code},"Butterhead, weekly",seeded,2025-03-03,100,,,,,,',
            f"{code},,emergence_counted,2025-03-10T09:00,95,,,,,,",
            f"{code},,transplanted,2025-03-{day}T09:30,60,,{section},,,,",
        ]

    faulty = await bring(store, clock, place, *rows("B-1", "A", "24"), *rows("B-2", "A", "25"))
    assert said(faulty) == [(7, "section")]
    assert "with the batches before it, section A has 100 sites" in faulty.faults[0].problem
    # Once those of the first are cut, on the same day, the second may stand there.
    cut = "B-1,,harvested,2025-03-25T07:00,60,,A,,,,"
    assert not (
        await bring(store, clock, place, *rows("B-1", "A", "24"), cut, *rows("B-2", "A", "25"))
    ).faults


async def test_facts_go_out_as_they_hold_by_day_of_seeding(
    store: Store, clock: FixedClock, place: Place, channels: dict[str, Section]
) -> None:
    async with store.write() as uow:
        values = {"succession_id": place.succession.id, "seeded_on": date(2026, 7, 6), "code": "=A-1"}
        batch = (await create_batch(uow, clock, SYSTEM, {**values, "cells_per_tray": 90})).batch
        wrong, _ = await append_entry(
            uow, clock, SYSTEM, batch.id, {"kind": "emergence_counted", "plants": 180}
        )
        right = {"kind": "emergence_counted", "plants": 150, "supersedes_id": wrong.id, "note": "-30"}
        await append_entry(uow, clock, SYSTEM, batch.id, right)
    await bring_batches(store, clock, place, ONE)
    async with store.read() as uow:
        columns, rows = await export_batches(uow, SYSTEM, place.house.id)
        assert [len(row) for row in rows] == [len(columns)] * 10
        plants = columns.index("plants")
        assert [row[plants] for row in rows[8:]] == [200, 150]
        assert (await export_batches(uow, SYSTEM, place.house.id, last=date(2025, 12, 31)))[1] == rows[:8]
        assert (await export_batches(uow, SYSTEM, place.house.id, date(2026, 7, 7)))[1] == []
        with refused(Impossible, "to"):
            await export_batches(uow, SYSTEM, place.house.id, date(2026, 7, 7), date(2026, 7, 6))


async def test_the_file_over_http_makes_the_same_batches_in_another_house(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place, channels: dict[str, Section]
) -> None:
    async with store.write() as uow:
        values = {"succession_id": place.succession.id, "seeded_on": date(2026, 7, 6), "code": "=A-1"}
        await create_batch(uow, clock, SYSTEM, {**values, "cells_per_tray": 90, "note": "-30 by hand"})
    await bring_batches(store, clock, place, ONE)
    there = await make_place(store, clock, "Birch Farm")
    await sections_in(store, there)
    answer = await client.get(f"/v1/houses/{place.house.id}/exports/batches")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    brought = await client.post(
        f"/v1/houses/{there.house.id}/imports/batches",
        content=answer.content,
        headers={"content-type": "text/csv"},
    )
    assert (brought.status_code, brought.json()["new"]) == (200, 9), brought.text
    assert (await client.get(f"/v1/houses/{there.house.id}/exports/batches")).content == answer.content
    async with store.read() as uow:
        (one, two), _ = await batches.list_batches(uow, SYSTEM, house_id=there.house.id)
    assert {one.batch.code, two.batch.code} == {"=A-1", "B-1"}
    assert [t.cells for t in two.trays] in ([90, 90, 20], [120, 80])
