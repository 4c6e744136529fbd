"""Marks of change: a tick notices whatever a forecast is made from, and reads no records where nothing changed."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import delete, insert, select, update

from service.clock import FixedClock
from service.records import marks
from service.records.calibration import keep_evidence
from service.records.conditions import remove_hours, save_hours, save_reading_columns, save_readings
from service.records.events import save_weather
from service.records.store import Store, UnitOfWork
from service.records.tables import (
    Alert,
    Base,
    Batch,
    BatchCultivar,
    Cultivar,
    Entry,
    HouseEvent,
    Order,
    Section,
    Sensor,
    SensorCalibration,
    Succession,
    SuccessionCultivar,
    Tray,
    Zone,
)
from service.work import reforecast as job
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from service.work.reforecast import Reforecaster
from tests.work.conftest import Place

NOW = datetime(2026, 9, 14, 6, 30, tzinfo=UTC)
Write = Callable[[UnitOfWork, Place, int], Awaitable[None]]


def hour(zone_id: int, at: datetime, temp_c: float) -> dict[str, Any]:
    return {
        "zone_id": zone_id,
        "at": at,
        "temp_mean_c": temp_c,
        "temp_min_c": temp_c,
        "temp_max_c": temp_c,
        "temp_coverage": 1.0,
        "light_mol": 0.5,
        "light_coverage": 1.0,
    }


async def _change(uow: UnitOfWork, table: type[Any], row_id: int, **values: Any) -> None:
    row = await uow.session.get_one(table, row_id)
    for name, value in values.items():
        setattr(row, name, value)


async def _row_of_each(store: Store, place: Place) -> int:
    """Write what the other writes change; return the batch."""
    clock = FixedClock(NOW)
    async with store.write() as uow:
        made = await create_batch(
            uow,
            clock,
            SYSTEM,
            {"succession_id": place.succession.id, "seeded_on": date(2026, 9, 1), "code": "B1"},
        )
        await uow.session.execute(delete(Tray).where(Tray.batch_id == made.batch.id))
        await save_hours(uow, [hour(place.nursery.id, NOW.replace(minute=0) - timedelta(hours=30), 20.0)])
        uow.session.add(
            Sensor(
                house_id=place.house.id,
                zone_id=None,
                name="Roof",
                quantity="ppfd_umol",
                unit="umol m-2 s-1",
                topic="roof/light",
            )
        )
        uow.session.add(
            Sensor(
                house_id=place.house.id,
                zone_id=place.nursery.id,
                name="Table",
                quantity="temp_air_c",
                unit="degC",
                topic="table/air",
            )
        )
    return made.batch.id


async def _sensor(uow: UnitOfWork, topic: str) -> Sensor:
    return (await uow.session.scalars(select(Sensor).where(Sensor.topic == topic))).one()


async def _farm(uow: UnitOfWork, p: Place, _b: int) -> None:
    await _change(uow, type(p.farm), p.farm.id, name="Elm Farm")


async def _house(uow: UnitOfWork, p: Place, _b: int) -> None:
    await _change(uow, type(p.house), p.house.id, temp_vent_c=25.0)


async def _zone(uow: UnitOfWork, p: Place, _b: int) -> None:
    await _change(uow, Zone, p.channels.id, plants_m2=20.0)


async def _section(uow: UnitOfWork, p: Place, _b: int) -> None:
    uow.session.add(Section(zone_id=p.channels.id, code="A", name="A", sites=100))


async def _crop(uow: UnitOfWork, p: Place, _b: int) -> None:
    await _change(uow, type(p.crop), p.crop.id, target_fresh_g=222.0)


async def _cultivar(uow: UnitOfWork, p: Place, _b: int) -> None:
    await _change(uow, Cultivar, p.cultivar.id, season_months=[9, 10])


async def _succession(uow: UnitOfWork, p: Place, _b: int) -> None:
    await _change(uow, Succession, p.succession.id, keep_share=0.7)


async def _mix(uow: UnitOfWork, p: Place, _b: int) -> None:
    await uow.session.execute(
        insert(SuccessionCultivar),
        [{"succession_id": p.succession.id, "cultivar_id": p.cultivar.id, "share": 0.5, "place": 0}],
    )


async def _batch(uow: UnitOfWork, _p: Place, b: int) -> None:
    await _change(uow, Batch, b, cells=123)


async def _batch_mix(uow: UnitOfWork, p: Place, b: int) -> None:
    uow.session.add(row := BatchCultivar(cultivar_id=p.cultivar.id, share=0.5, place=0))
    row.batch_id = b


async def _evidence(uow: UnitOfWork, _p: Place, b: int) -> None:
    await keep_evidence(uow, [{"batch_id": b, "input_key": "x", "made_at": NOW, "pieces": []}])


async def _entry(uow: UnitOfWork, _p: Place, b: int) -> None:
    await append_entry(
        uow,
        FixedClock(NOW),
        SYSTEM,
        b,
        {"kind": "leaves_counted", "happened_at": NOW - timedelta(hours=1), "leaves": 2.5},
    )


async def _entry_in_bulk(uow: UnitOfWork, _p: Place, b: int) -> None:
    await uow.session.execute(update(Entry).where(Entry.batch_id == b).values(note="seen"))


async def _tray(uow: UnitOfWork, _p: Place, b: int) -> None:
    uow.session.add(Tray(batch_id=b, number=1, cells=200))


async def _order(uow: UnitOfWork, p: Place, _b: int) -> None:
    uow.session.add(
        Order(farm_id=p.farm.id, crop_id=p.crop.id, buyer="Shop", heads=50, dates=[date(2026, 11, 2)])
    )


async def _event(uow: UnitOfWork, p: Place, _b: int) -> None:
    uow.session.add(
        HouseEvent(house_id=p.house.id, kind="shade", starts_on=date(2026, 9, 10), light_factor=0.6)
    )


async def _sensor_changed(uow: UnitOfWork, _p: Place, _b: int) -> None:
    (await _sensor(uow, "roof/light")).factor = 1.1


async def _calibrated(uow: UnitOfWork, _p: Place, _b: int) -> None:
    roof = await _sensor(uow, "roof/light")
    uow.session.add(
        SensorCalibration(
            sensor_id=roof.id,
            from_at=NOW - timedelta(days=9),
            factor=1.05,
            recorded_at=NOW,
            recorded_by="test",
        )
    )


async def _reading(uow: UnitOfWork, _p: Place, _b: int) -> None:
    roof = await _sensor(uow, "roof/light")
    # Late and in the middle: neither the newest nor more than one row.
    await save_readings(uow, [{"sensor_id": roof.id, "at": NOW - timedelta(days=9), "value": 400.0}])


async def _reading_in_columns(uow: UnitOfWork, _p: Place, _b: int) -> None:
    roof = await _sensor(uow, "roof/light")
    at_us = (NOW - timedelta(days=8)).timestamp() * 1e6
    await save_reading_columns(uow, np.array([roof.id]), np.array([int(at_us)]), np.array([300.0]))


async def _hour_again(uow: UnitOfWork, p: Place, _b: int) -> None:
    # The same row with another value: neither the count nor the newest changes.
    await save_hours(uow, [hour(p.nursery.id, NOW.replace(minute=0) - timedelta(hours=30), 21.0)])


async def _hour_removed(uow: UnitOfWork, p: Place, _b: int) -> None:
    await remove_hours(uow, [(p.nursery.id, NOW.replace(minute=0) - timedelta(hours=30))])


async def _weather(uow: UnitOfWork, p: Place, _b: int) -> None:
    at = NOW.replace(minute=0) + timedelta(hours=5)
    row = {"house_id": p.house.id, "at": at, "issued_at": NOW, "global_w_m2": 300.0, "temp_out_c": 12.0}
    await save_weather(uow, [row])


WRITES: dict[str, list[Write]] = {
    "farm": [_farm],
    "house": [_house],
    "zone": [_zone],
    "section": [_section],
    "crop": [_crop],
    "cultivar": [_cultivar],
    "succession": [_succession],
    "succession_cultivar": [_mix],
    "batch": [_batch],
    "batch_cultivar": [_batch_mix],
    "batch_evidence": [_evidence],
    "entry": [_entry, _entry_in_bulk],
    "tray": [_tray],
    "order": [_order],
    "house_event": [_event],
    "sensor": [_sensor_changed],
    "sensor_calibration": [_calibrated],
    "reading": [_reading, _reading_in_columns],
    "hour": [_hour_again, _hour_removed],
    "weather_forecast": [_weather],
}


def test_of_every_table_it_is_decided_whether_forecasts_are_made_from_it() -> None:
    known = set(marks.INPUTS) | marks.OTHERS
    assert set(Base.metadata.tables) <= known
    assert not set(marks.INPUTS) & marks.OTHERS
    assert set(WRITES) == set(marks.INPUTS) & set(Base.metadata.tables)


async def _marks(store: Store, house_id: int) -> tuple[int, int, int]:
    async with store.read() as uow:
        return (await marks.marks_of(uow, [house_id]))[house_id].counted(NOW)


async def test_whatever_forecasts_are_made_from_is_noticed(
    store: Store, place: Place, other_place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch_id = await _row_of_each(store, place)
    looked: list[int] = []
    read_house = job.read_house

    async def reading(uow: UnitOfWork, clock: Any, house_id: int, *rest: int) -> Any:
        looked.append(house_id)
        return await read_house(uow, clock, house_id, *rest)

    monkeypatch.setattr(job, "read_house", reading)
    # What is concluded is not at stake here.
    monkeypatch.setattr(job, "learn", lambda given: given)
    monkeypatch.setattr(job, "conclude", lambda given, key: job.Conclusions(given.house.id, key))
    reforecaster = Reforecaster(store, FixedClock(NOW), 10, 30)
    await reforecaster.all_houses()
    looked.clear()
    await reforecaster.all_houses()
    assert looked == []
    for table, writes in WRITES.items():
        for write in writes:
            async with store.write() as uow:
                await write(uow, place, batch_id)
            await reforecaster.all_houses()
            assert place.house.id in looked, (table, write.__name__)
            # Of another farm's house nothing changed, and that is known wherever it is said what changed.
            assert (other_place.house.id in looked) == (write is _entry_in_bulk), table
            looked.clear()
            await reforecaster.all_houses()
            assert looked == [], f"{table}: looked at again without need"


async def test_what_does_not_bear_on_forecasts_is_left_out(store: Store, place: Place) -> None:
    await _row_of_each(store, place)
    before = await _marks(store, place.house.id)
    async with store.write() as uow:
        uow.session.add(
            Alert(
                house_id=place.house.id,
                kind="k",
                subject="s",
                severity="info",
                title="t",
                detail="d",
                next_step="n",
                evidence={},
                opened_at=NOW,
                updated_at=NOW,
            )
        )
        table = await _sensor(uow, "table/air")
        await save_readings(uow, [{"sensor_id": table.id, "at": NOW, "value": 20.0}])
    assert await _marks(store, place.house.id) == before


async def test_what_was_taken_back_marks_nothing(store: Store, place: Place) -> None:
    before = await _marks(store, place.house.id)

    async def fail() -> None:
        async with store.write() as uow:
            await _house(uow, place, 0)
            await uow.flush()
            raise RuntimeError("no")

    with pytest.raises(RuntimeError, match="no"):
        await fail()
    assert await _marks(store, place.house.id) == before


async def test_time_alone_is_noticed_by_the_hour_and_the_local_day(store: Store, place: Place) -> None:
    async with store.read() as uow:
        told = (await marks.marks_of(uow, [place.house.id]))[place.house.id]

    def mark(now: datetime) -> str:
        return Reforecaster(store, FixedClock(now), 10, 30)._mark(told)

    assert mark(NOW) == mark(NOW + timedelta(minutes=29))
    on_the_hour = NOW.replace(hour=7, minute=0)
    assert len({mark(NOW), mark(on_the_hour), mark(on_the_hour + timedelta(microseconds=1))}) == 3
    assert Reforecaster(store, FixedClock(NOW), 11, 30)._mark(told) != mark(NOW)


async def test_what_counts_from_a_moment_ahead_is_looked_for_until_then(store: Store, place: Place) -> None:
    at = NOW.replace(minute=0) + timedelta(hours=5)
    row = {"house_id": place.house.id, "at": at, "global_w_m2": 300.0, "temp_out_c": 12.0}
    async with store.write() as uow:
        await save_weather(uow, [{**row, "issued_at": NOW + timedelta(minutes=m)} for m in (2, 4)])
    async with store.read() as uow:
        told = (await marks.marks_of(uow, [place.house.id]))[place.house.id]

    def mark(minutes: float) -> str:
        return Reforecaster(store, FixedClock(NOW + timedelta(minutes=minutes)), 10, 30)._mark(told)

    assert mark(0) != mark(0)
    assert mark(3) != mark(3)
    assert mark(4.1) == mark(5)


async def test_an_hour_counts_when_it_is_over(store: Store, place: Place) -> None:
    begin = NOW.replace(minute=0)
    roof_id = 0
    async with store.write() as uow:
        roof = Sensor(
            house_id=place.house.id,
            name="Roof",
            quantity="ppfd_umol",
            unit="umol m-2 s-1",
            topic="roof/light",
        )
        uow.session.add(roof)
        await uow.flush()
        roof_id = roof.id

    async def counts(at: datetime) -> int:
        async with store.read() as uow:
            return (await marks.marks_of(uow, [place.house.id]))[place.house.id].counted(at)[0]

    async def measured(at: datetime, temp_c: float) -> None:
        async with store.write() as uow:
            await save_hours(uow, [hour(place.nursery.id, at, temp_c)])
            at_us = int(at.timestamp() * 1e6) + round(temp_c * 1e6)
            await save_reading_columns(uow, np.array([roof_id]), np.array([at_us]), np.array([300.0]))

    before = await counts(NOW)
    for minute in range(10):  # an hour that runs is computed again and again
        await measured(begin, 20.0 + minute)
    assert await counts(NOW) == before
    over = await counts(begin + timedelta(hours=1))
    assert over > before
    await measured(begin - timedelta(hours=2), 18.0)  # late, of an hour that is over: at once
    late = await counts(NOW)
    assert late > before
    # The next hour begins: what is over stays counted, and what runs is not.
    await measured(begin + timedelta(hours=1), 21.0)
    after = await counts(begin + timedelta(hours=1, minutes=5))
    assert after > late
    await measured(begin + timedelta(hours=1), 22.0)
    assert await counts(begin + timedelta(hours=1, minutes=9)) == after
    await measured(begin, 19.0)  # its last readings came late
    assert await counts(begin + timedelta(hours=1, minutes=9)) > after


async def test_a_house_whose_sensors_send_all_the_time_is_forecast_once_an_hour(
    store: Store, place: Place
) -> None:
    batch_id = await _row_of_each(store, place)
    runs = []
    known = Reforecaster(store, FixedClock(NOW), 10, 30)
    for minute in range(0, 125, 15):
        now = NOW.replace(minute=0) + timedelta(hours=1, minutes=minute)
        async with store.write() as uow:
            await save_hours(uow, [hour(place.nursery.id, now.replace(minute=0), 19.0 + minute / 60)])
        known._clock = FixedClock(now)
        runs += [run.changed for run in await known.all_houses()]
    assert runs == [True, *[False] * 3, True, *[False] * 3, True]
    async with store.write() as uow:  # what is recorded counts at once
        counted = {"kind": "leaves_counted", "happened_at": NOW - timedelta(hours=1), "leaves": 2.5}
        await append_entry(uow, known._clock, SYSTEM, batch_id, counted)
    assert [run.changed for run in await known.all_houses()] == [True]


async def test_bulk_writes_of_random_order_end_and_each_counts(store: Store, place: Place) -> None:
    rng = np.random.default_rng(3)

    async def write(turn: int) -> None:
        async with store.write() as uow:
            zones = [place.nursery.id, place.channels.id]
            rng.shuffle(zones)
            for zone_id in zones:
                await save_hours(
                    uow, [hour(zone_id, NOW.replace(minute=0) - timedelta(hours=turn + 1), 20.0)]
                )

    before = (await _marks(store, place.house.id))[0]
    await asyncio.gather(*(write(turn) for turn in range(8)))
    assert (await _marks(store, place.house.id))[0] == before + 8
