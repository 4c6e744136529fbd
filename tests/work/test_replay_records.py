"""Replaying what the store holds: a past that was brought by import, and one that was recorded day by day."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from service.cli import main
from service.clock import FixedClock
from service.records.conditions import save_hours
from service.records.migrate import upgrade
from service.records.store import Store
from service.records.tables import Batch, Crop
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from service.work.imports import import_batches
from service.work.replay import Past
from service.work.replay.records import past_batch, read_pasts
from service.work.times import epoch_hours
from tests.conftest import open_store, run_apart
from tests.work.conftest import Place, ledger, make_place

HEADER = "batch,succession,kind,happened_at,plants,leaves,weight_g\n"


def history(now: datetime, batches: int, took_days: int = 42) -> str:
    """Return weekly batches that were all cut by now, as a CSV file."""
    rows = []
    for i in range(batches):
        seeded = now - timedelta(days=took_days + 5 + 7 * i)

        def row(kind: str, day: float, rest: str, i: int = i, seeded: datetime = seeded) -> str:
            at = seeded + timedelta(days=day)
            return f'b{i},"Butterhead, weekly",{kind},{at:%Y-%m-%dT%H:%MZ},{rest}'

        rows += [
            row("seeded", 0, "200,,"),
            row("emergence_counted", 4, "190,,"),
            row("leaves_counted", 11, ",3,"),
            row("leaves_counted", 15, ",4.6,"),
            row("transplanted", 16, "160,,"),
            row("discarded", 16.1, "30,,"),
            row("harvested", took_days - 7, "5,,95"),
            row("harvested", took_days, "155,,151"),
        ]
    return HEADER + "\n".join(rows) + "\n"


async def bring(store: Store, clock: FixedClock, place: Place, batches: int = 6) -> None:
    """Import batches and store steady hours in both zones."""
    content = history(clock.now(), batches).encode()
    brought = await import_batches(store, clock, SYSTEM, place.house.id, content)
    assert not brought.faults
    async with store.write() as uow:
        start = clock.now().replace(minute=0, second=0, microsecond=0) - timedelta(days=150)
        for zone in (place.nursery, place.channels):
            await save_hours(
                uow,
                [
                    {
                        "zone_id": zone.id,
                        "at": start + timedelta(hours=h),
                        "temp_mean_c": 20.0,
                        "temp_min_c": 20.0,
                        "temp_max_c": 20.0,
                        "temp_coverage": 1.0,
                        "light_mol": 1.0 if 5 <= (start.hour + h) % 24 < 19 else 0.0,
                        "light_coverage": 1.0,
                    }
                    for h in range(150 * 24)
                ],
            )


async def pasts(store: Store, clock: FixedClock, place: Place) -> list[Past]:
    async with store.read() as uow:
        return await read_pasts(uow, clock, place.house.id)


async def test_an_imported_past_counts_as_known_when_it_happened(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await bring(store, clock, place)
    (past,) = await pasts(store, clock, place)
    assert past.name == "Butterhead in Channels"
    assert past.nursery.hour.size == 150 * 24
    batch = past.batches[-1]
    assert [f.kind for f in batch.facts] == [
        "emerged", "counted", "counted", "transplanted", "weighed", "harvested",
    ]  # fmt: skip
    assert all(f.known_h == f.at_h for f in batch.facts)
    days = {f.kind: (f.at_h - batch.seeded_h) / 24 for f in batch.facts}
    assert days == {"emerged": 4, "counted": 15, "transplanted": 16, "weighed": 35, "harvested": 42}
    assert batch.ready_h == batch.last("harvested").at_h
    # Four leaves between 3 on day 11 and 4.6 on day 15.
    assert (batch.window_open_h - batch.seeded_h) / 24 == pytest.approx(11 + 4 / 1.6)


@pytest.mark.parametrize(("regrows", "told_g"), [(True, 70.0), (False, 49.0)])
def test_weights_of_a_herb_are_what_a_cut_takes_off(regrows: bool, told_g: float, clock: FixedClock) -> None:
    seeded, moved, cut, gone = (clock.now() + timedelta(days=d) for d in (0, 20, 45, 46))
    told = ledger(
        ("seeded", seeded, {}),
        ("transplanted", moved, {}),
        ("harvested", cut, {"weight_g": 70.0, "regrows": regrows}),
        *([("discarded", gone, {"reason": "not needed"})] if regrows else []),
    )
    row = Batch(house_id=1, succession_id=1, code="b", seeded_on=seeded.date(), cells=100, created_at=seeded)
    batch = past_batch(row, told, Crop(farm_id=1, name="Watercress", profile="watercress"))
    assert batch is not None
    (harvest,) = (f for f in batch.facts if f.kind == "harvested")
    assert harvest.value == pytest.approx(told_g)


async def test_what_is_recorded_live_counts_from_then_and_corrections_too(
    store: Store, clock: FixedClock, place: Place
) -> None:
    seeded = clock.now()
    async with store.write() as uow:
        made = await create_batch(
            uow, clock, SYSTEM, {"succession_id": place.succession.id, "seeded_at": seeded}
        )
    clock = FixedClock(seeded + timedelta(days=12))
    async with store.write() as uow:
        (wrong, *_) = await append_entry(
            uow,
            clock,
            SYSTEM,
            made.batch.id,
            {"kind": "leaves_counted", "happened_at": seeded + timedelta(days=11), "leaves": 9.0},
        )
    clock = FixedClock(seeded + timedelta(days=14))
    async with store.write() as uow:
        await append_entry(
            uow,
            clock,
            SYSTEM,
            made.batch.id,
            {
                "kind": "leaves_counted",
                "happened_at": seeded + timedelta(days=11),
                "leaves": 3.0,
                "supersedes_id": wrong.id,
            },
        )
    (past,) = await pasts(store, clock, place)
    (one,) = past.batches
    assert np.isnan(one.ready_h)
    day = epoch_hours(seeded)
    assert one.last("counted", day + 24 * 11.5) is None
    assert one.last("counted", day + 24 * 13).value == 9.0
    assert one.last("counted", day + 24 * 14).value == 3.0


def test_the_command_prints_a_table_or_json(
    tmp_path: Path, clock: FixedClock, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("EVENLEAF_DATA_DIR", str(tmp_path))
    monkeypatch.setenv("EVENLEAF_CLOCK", f"start={clock.now():%Y-%m-%dT%H:%M:%SZ};rate=0")
    monkeypatch.setenv("EVENLEAF_MEMBERS", "10")

    async def make() -> None:
        async with open_store(f"sqlite+aiosqlite:///{tmp_path / 'evenleaf.sqlite3'}") as store:
            await upgrade(store)
            await bring(store, clock, await make_place(store, clock, "Alder Farm"), batches=3)

    run_apart(make())
    assert main(["replay", "--house", "N1", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    (crop,) = said["crops"]
    assert crop["evenness"]["meanDays"] == 7.0
    everything = crop["scores"][0]
    assert (everything["event"], everything["lead"], everything["season"]) == ("harvest", "all", "all")
    assert everything["forecasts"] == 15
    assert main(["replay", "--house", "1", "--from", "2999-01-01"]) == 0
    assert "nothing to compare" in capsys.readouterr().out
    assert main(["replay", "--house", "no such house"]) == 2


async def test_a_house_without_batches(store: Store, clock: FixedClock, place: Place) -> None:
    assert await pasts(store, clock, place) == []
