"""Past batches and their ledgers: all or nothing, once, and by the ledger's rules."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Entry
from service.work.access import SYSTEM
from service.work.batches import BatchView, append_entry, create_batch, list_batches, list_entries
from service.work.crops import create_crop
from service.work.errors import Impossible
from service.work.places import create_zone
from service.work.programme import create_succession
from tests.api.farm import all_rows
from tests.imports.conftest import bring_batches, said
from tests.work.conftest import Place, make_place

HEADER = "batch,succession,kind,happened_at,plants,leaves,weight_g,zone,reason,note"
ONE = f"""{HEADER}
N1-01,"Butterhead, weekly",seeded,2025-03-03,200,,,,,
N1-01,,emergence_counted,2025-03-10T09:00,190,,,,,
N1-01,,leaves_counted,2025-03-20T09:00,,4.3,,,,
N1-01,,discarded,2025-03-24T09:00,10,,,table,damped off,"second tray,
wet"
N1-01,,transplanted,2025-03-24T09:30,180,,,,,
N1-01,,harvested,2025-04-28T08:00+02:00,100,,151.5,,,
N1-01,,harvested,2025-04-29T08:00,80,,160,ch,,
"""


async def seen(store: Store) -> list[tuple[BatchView, list[Entry]]]:
    async with store.read() as uow:
        views, _ = await list_batches(uow, SYSTEM)
        return [(view, await list_entries(uow, SYSTEM, view.batch.id)) for view in views]


async def test_a_batch_comes_with_its_whole_ledger(store: Store, clock: FixedClock, place: Place) -> None:
    imported = await bring_batches(store, clock, place, ONE)
    assert (imported.rows, imported.new, imported.changed, imported.unchanged) == (7, 7, 0, 0)
    ((view, entries),) = await seen(store)
    batch, state = view.batch, view.state
    assert (batch.code, batch.succession_id, batch.cultivar_id) == (
        "N1-01",
        place.succession.id,
        place.cultivar.id,
    )
    assert (batch.seeded_on, batch.cells, batch.stage) == (date(2025, 3, 3), 200, "finished")
    assert batch.created_at == clock.now()
    assert state.seeded_at == datetime(2025, 3, 3, 7, tzinfo=UTC)  # 08:00 in winter time
    assert (state.emerged, state.discarded, state.harvested) == (190, 10, 180)
    assert state.leaf_counts == ((datetime(2025, 3, 20, 8, tzinfo=UTC), 4.3),)
    assert state.harvests == (
        (datetime(2025, 4, 28, 6, tzinfo=UTC), 100, 151.5),
        (datetime(2025, 4, 29, 6, tzinfo=UTC), 80, 160.0),
    )
    assert [entry.zone_id for entry in entries if entry.kind in {"seeded", "transplanted"}] == [
        place.nursery.id,
        place.channels.id,
    ]
    discarded = next(entry for entry in entries if entry.kind == "discarded")
    assert (discarded.reason, discarded.note) == ("damped off", "second tray,\nwet")
    assert {(entry.recorded_by, entry.recorded_at) for entry in entries} == {("system", clock.now())}


async def test_weighings_come_along(store: Store, clock: FixedClock, place: Place) -> None:
    weighed = "N1-01,,weighed,2025-04-20T08:00,10,,96.5,,,\n"
    await bring_batches(store, clock, place, ONE + weighed)
    ((view, entries),) = await seen(store)
    assert view.state.weighings == ((datetime(2025, 4, 20, 6, tzinfo=UTC), 96.5),)
    assert (view.state.harvested, len(entries)) == (180, 8)


async def test_a_second_import_changes_nothing(store: Store, clock: FixedClock, place: Place) -> None:
    await bring_batches(store, clock, place, ONE)
    before = await all_rows(store)
    again = await bring_batches(store, clock, place, ONE)
    assert (again.rows, again.new, again.unchanged) == (7, 0, 7)
    assert await all_rows(store) == before


async def test_a_longer_file_adds_just_what_is_new(store: Store, clock: FixedClock, place: Place) -> None:
    lines = ONE.splitlines(keepends=True)
    await bring_batches(store, clock, place, "".join(lines[:-1]))
    ((before, _),) = await seen(store)
    assert (before.state.stage, before.state.in_channels) == ("channels", 80)
    trial = await bring_batches(store, clock, place, ONE, dry_run=True)
    assert ((await seen(store))[0][0].state, trial.new, trial.unchanged) == (before.state, 1, 6)
    imported = await bring_batches(store, clock, place, ONE)
    assert (imported.new, imported.unchanged) == (1, 6)
    ((after, entries),) = await seen(store)
    assert (after.batch.stage, after.batch.version, len(entries)) == ("finished", before.batch.version + 1, 7)


async def test_what_was_corrected_since_stays_corrected(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await bring_batches(store, clock, place, ONE)
    ((view, entries),) = await seen(store)
    wrong = next(entry for entry in entries if entry.weight_g == 160)
    right = {"kind": "harvested", "happened_at": wrong.happened_at, "plants": 80, "weight_g": 166.0}
    async with store.write() as uow:
        await append_entry(uow, clock, SYSTEM, view.batch.id, {**right, "supersedes_id": wrong.id})
    again = await bring_batches(store, clock, place, ONE)
    assert (again.new, again.unchanged) == (0, 7)
    ((after, _),) = await seen(store)
    assert [weight for _, _, weight in after.state.harvests] == [151.5, 166.0]


async def test_facts_are_added_to_a_batch_that_was_seeded_here(
    store: Store, clock: FixedClock, place: Place
) -> None:
    async with store.write() as uow:
        seeded = await create_batch(
            uow, clock, SYSTEM, {"succession_id": place.succession.id, "seeded_on": date(2026, 8, 10)}
        )
    file = f"batch,kind,happenedAt,plants\n{seeded.batch.code},emergence_counted,2026-08-14T10:00,150\n"
    assert (await bring_batches(store, clock, place, file)).new == 1
    ((view, _),) = await seen(store)
    assert (view.state.emerged, view.batch.version) == (150, seeded.batch.version + 1)


async def test_rows_said_twice_count_once(store: Store, clock: FixedClock, place: Place) -> None:
    lines = ONE.splitlines(keepends=True)
    imported = await bring_batches(store, clock, place, ONE + lines[3])
    assert (imported.rows, imported.new, imported.unchanged) == (8, 7, 1)
    assert imported.notes == ("line 10 says the same as line 4, and counts once",)


async def test_a_file_that_says_everything_twice_is_noted_in_short(
    store: Store, clock: FixedClock, place: Place
) -> None:
    rows = [f'b{n},"Butterhead, weekly",seeded,2025-03-03,200,,,,,' for n in range(30)]
    imported = await bring_batches(store, clock, place, "\n".join([HEADER, *rows, *rows]))
    assert (imported.new, imported.unchanged, len(imported.notes)) == (30, 30, 21)
    assert imported.notes[-1] == "and 10 more lines say what others say"


async def test_the_order_of_rows_does_not_matter(store: Store, clock: FixedClock, place: Place) -> None:
    header, *rows = ONE.replace('"second tray,\nwet"', "").splitlines()
    await bring_batches(store, clock, place, "\n".join([header, *reversed(rows)]))
    ((view, _),) = await seen(store)
    assert (view.state.harvested, view.state.stage) == (180, "finished")


async def test_a_file_with_ten_faults_names_all_ten_and_stores_none(
    store: Store, clock: FixedClock, place: Place
) -> None:
    async with store.write() as uow:
        await create_batch(
            uow,
            clock,
            SYSTEM,
            {"succession_id": place.succession.id, "seeded_on": date(2026, 8, 10), "code": "there"},
        )
    before = await all_rows(store)
    weekly = '"Butterhead, weekly"'
    rows = [
        HEADER,
        f"a,{weekly},seeded,2025-03-03,200,,,,,",
        "a,,transplanted,2025-03-24,300,,,,,",  # more than there are
        "a,,harvested,2025-04-28,10,,150,table,,",  # in the nursery
        f"b,{weekly},seeded,2025-03-03,200,,,,,",
        "b,,leaves_counted,2025-03-01,,4.2,,,,",  # before seeding
        "b,,watered,2025-03-24,20,,,,,",  # no such kind
        "b,,discarded,2025-03-25,many,,,,,",
        "c,,harvested,2025-04-28,10,,150,,,",  # nobody seeded it
        "d,Romaine,seeded,2025-03-03,200,,,,,",  # no such succession
        f"e,{weekly},seeded,2027-03-03,200,,,,,",  # not yet
        f"f,{weekly},seeded,2025-03-03,200,,,shed,,",  # no such zone
        f"there,{weekly},seeded,2025-03-03,200,,,,,",  # another batch has this code
        f"g,{weekly},seeded,2025-03-03,200,,,,,",
    ]
    expected = [
        (3, "plants"),
        (4, "zone"),
        (7, "kind"),
        (8, "plants"),
        (9, "batch"),
        (10, "succession"),
        (11, "happened_at"),
        (12, "zone"),
        (13, "batch"),
    ]
    rows_of_h = [
        f"h,{weekly},seeded,2025-03-03,200,,,,,",
        "h,,leaves_counted,2025-03-01,,4.2,,,,",
    ]
    file = "\n".join([*rows, *rows_of_h])
    trial = await bring_batches(store, clock, place, file, dry_run=True)
    assert said(trial) == [*expected, (16, "happened_at")]
    with pytest.raises(Impossible, match="10 faults") as refused:
        await bring_batches(store, clock, place, file)
    assert refused.value.problems == trial.faults
    assert await all_rows(store) == before


@pytest.mark.parametrize(
    ("rows", "faults"),
    [
        (["x,S,seeded,2025-03-03,,,,,,"], [(2, "plants")]),
        (["x,S,seeded,2025-03-03,0,,,,,"], [(2, "plants")]),
        (["x,S,seeded,2025-03-03,200,,,ch,,"], [(2, "zone")]),
        (["x,,seeded,2025-03-03,200,,,,,"], [(2, "succession")]),
        ([",S,seeded,2025-03-03,200,,,,,"], [(2, "batch")]),
        (["x,S,,,200,,,,,"], [(2, "kind"), (2, "happened_at")]),
        (["x,S,seeded,2025-03-03,200,4.1,,,,"], [(2, "leaves")]),
        (["x,S,seeded,2025-03-03,200,,,,,", "x,S,seeded,2025-03-04,200,,,,,"], [(3, "kind")]),
        (["x,S,seeded,2025-03-03,200,,,,,", "x,Other,leaves_counted,2025-03-04,,3,,,,"], [(3, "succession")]),
        (["x,S,seeded,2025-03-03,200,,,,,", "x,,moved,2025-03-14,,,,,,"], [(3, "zone")]),
        (["x,S,seeded,2025-03-03,200,,,,,", "x,,moved,2025-03-14,,,,ch,,"], [(3, "zone")]),
        (["x,S,seeded,2025-03-03,200,,,,,", "x,,emergence_counted,2025-03-14,201,,,,,"], [(3, "plants")]),
        (
            [
                "x,S,seeded,2025-03-03,200,,,,,",
                "x,,emergence_counted,2025-03-09,100,,,,,",
                "x,,transplanted,2025-03-24,90,,,,,",
                "x,,harvested,2025-04-24,95,,,,,",
                "x,,harvested,2025-04-25,90,,,,,",
                "x,,discarded,2025-04-26,20,,,,,",
                "x,,discarded,2025-04-27,10,,,,,",
                "x,,leaves_counted,2025-04-28,,9,,,,",
            ],
            [(5, "plants"), (7, "plants"), (9, "happened_at")],
        ),
        # Nothing is said of a harvest whose transplant cannot be read.
        (
            [
                "x,S,seeded,2025-03-03,200,,,,,",
                "x,,transplanted,2025-03-24,half,,,,,",
                "x,,harvested,2025-04-24,95,,,,,",
            ],
            [(3, "plants")],
        ),
    ],
)
async def test_each_fact_that_cannot_be_is_named(
    sqlite_store: Store, clock: FixedClock, rows: list[str], faults: list[tuple[int, str]]
) -> None:
    place = await make_place(sqlite_store, clock, "Alder Farm")
    file = "\n".join([HEADER, *rows]).replace(",S,", f",{place.succession.id},")
    assert said(await bring_batches(sqlite_store, clock, place, file, dry_run=True)) == faults


async def test_a_fact_that_contradicts_what_is_there_is_named(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await bring_batches(store, clock, place, ONE)
    file = ONE + "N1-01,,harvested,2025-04-27T08:00,10,,150,,,\n"
    trial = await bring_batches(store, clock, place, file, dry_run=True)
    assert said(trial) == [(10, "plants")]
    assert "takes 80 plants, and 70 stand in the channels" in trial.faults[0].problem


async def test_a_code_of_another_succession_is_refused(store: Store, clock: FixedClock, place: Place) -> None:
    await bring_batches(store, clock, place, ONE)
    async with store.write() as uow:
        await create_zone(
            uow,
            SYSTEM,
            {
                "house_id": place.house.id,
                "name": "Second table",
                "code": "t2",
                "kind": "nursery",
                "capacity": 100,
                "plants_m2": 25.0,
            },
        )
        await create_succession(uow, SYSTEM, {**place.succession_values, "name": "Second"})
    file = f"{HEADER}\nN1-01,Second,leaves_counted,2025-03-21,,4.5,,,,\n"
    assert said(await bring_batches(store, clock, place, file, dry_run=True)) == [(2, "succession")]
    moved = f"{HEADER}\nN2,Second,seeded,2025-03-03,200,,,,,\nN2,,moved,2025-03-10,,,,t2,,\n"
    assert (await bring_batches(store, clock, place, moved)).new == 2


async def test_a_cultivar_may_be_named(store: Store, clock: FixedClock, place: Place) -> None:
    def file(cultivar: str) -> str:
        header = "batch,succession,cultivar,kind,happened_at,plants"
        return f'{header}\nx,"Butterhead, weekly",{cultivar},seeded,2025-03-03,200\n'

    assert said(await bring_batches(store, clock, place, file("Birch"), dry_run=True)) == [(2, "cultivar")]
    assert (await bring_batches(store, clock, place, file("Alder"))).new == 1
    ((view, _),) = await seen(store)
    assert view.batch.cultivar_id == place.cultivar.id


@pytest.mark.parametrize(
    ("file", "faults"),
    [
        ("", [(1, "")]),
        (HEADER, [(1, "")]),
        ("batch,kind\nx,seeded\n", [(1, "happened_at")]),
        ("batch,kind,happened_at,colour\nx,seeded,2025-03-03,red\n", [(1, "")]),
    ],
)
async def test_files_of_the_wrong_shape_say_what_is_missing(
    sqlite_store: Store, clock: FixedClock, file: str, faults: list[tuple[int, Any]]
) -> None:
    place = await make_place(sqlite_store, clock, "Alder Farm")
    assert said(await bring_batches(sqlite_store, clock, place, file, dry_run=True)) == faults


# --------------------------------------------------------------------------- several cuts

ROCKET = """batch,succession,kind,happened_at,plants,weight_g,regrows
N1-R1,Rocket,seeded,2025-03-03,80,,
N1-R1,,transplanted,2025-03-18,80,,
N1-R1,,harvested,2025-04-10T08:00,30,31,
N1-R1,,harvested,2025-04-11T08:00,50,33,
N1-R1,,harvested,2025-04-28T08:00,80,30,
N1-R2,Rocket,seeded,2025-03-10,80,,
N1-R2,,transplanted,2025-03-25,80,,
N1-R2,,harvested,2025-04-18T08:00,80,31,no
N1-R3,Rocket,seeded,2025-03-17,80,,
N1-R3,,transplanted,2025-04-01,80,,
N1-R3,,harvested,2025-04-25T08:00,80,31,
"""


async def test_herbs_regrow_after_all_cuts_but_the_last_unless_told(
    store: Store, clock: FixedClock, place: Place
) -> None:
    async with store.write() as uow:
        crop = await create_crop(
            uow, SYSTEM, {"farm_id": place.farm.id, "name": "Rocket", "profile": "rocket"}
        )
        values = {**place.succession_values, "crop_id": crop.id, "cultivar_id": None, "name": "Rocket"}
        await create_succession(uow, SYSTEM, values)
    imported = await bring_batches(store, clock, place, ROCKET)
    assert (imported.new, imported.faults) == (11, ())
    batches = {view.batch.code: (view.state, entries) for view, entries in await seen(store)}
    harvests = {
        code: [e.regrows for e in entries if e.kind == "harvested"] for code, (_, entries) in batches.items()
    }
    assert harvests == {"N1-R1": [True, True, False], "N1-R2": [False], "N1-R3": [True]}
    assert [batches[code][0].stage for code in sorted(batches)] == ["finished", "finished", "channels"]
    again = await bring_batches(store, clock, place, ROCKET)
    assert (again.new, again.unchanged) == (0, 11)


async def test_a_word_that_is_neither_yes_nor_no_is_named(
    store: Store, clock: FixedClock, place: Place
) -> None:
    content = "batch,succession,kind,happened_at,plants,regrows\n" + (
        'N1-1,"Butterhead, weekly",seeded,2025-03-03,80,perhaps\n'
    )
    assert said(await bring_batches(store, clock, place, content, dry_run=True)) == [(2, "regrows")]
