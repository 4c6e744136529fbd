"""Weather forecasts pushed in: the newest issue holds, bad ones are refused; and light outdoors."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from service.clock import FixedClock
from service.records.conditions import save_readings
from service.records.store import Store
from service.work import reforecast, weather
from service.work.access import SYSTEM, Access
from service.work.errors import Impossible, NotFound
from service.work.sensors import create_sensor
from service.work.times import epoch_hours
from tests.work.conftest import Place
from tests.work.refusals import refused

HOUR = timedelta(hours=1)


def start(clock: FixedClock) -> datetime:
    return clock.now().replace(minute=0, second=0, microsecond=0) + HOUR


def some_hours(clock: FixedClock, count: int = 3, **values: Any) -> list[dict[str, Any]]:
    said = values or {"global_w_m2": 120.0, "temp_out_c": 6.5}
    return [{"at": start(clock) + n * HOUR, **said} for n in range(count)]


async def push(store: Store, clock: FixedClock, place: Place, *given: Any) -> int:
    async with store.write() as uow:
        return await weather.push_weather(uow, clock, SYSTEM, place.house.id, *given)


async def test_the_newest_issue_holds_hour_by_hour(store: Store, clock: FixedClock, place: Place) -> None:
    now = clock.now()
    assert await push(store, clock, place, some_hours(clock, 3), now - 2 * HOUR) == 3
    await push(store, clock, place, some_hours(clock, 2, global_w_m2=300.0))
    await push(store, clock, place, some_hours(clock, 2, global_w_m2=1.0), now - 5 * HOUR)  # came late
    async with store.read() as uow:
        rows = await weather.list_weather(uow, clock, SYSTEM, place.house.id)
        assert [(row.global_w_m2, row.temp_out_c) for row in rows] == [(300, None), (300, None), (120, 6.5)]
        pushed = await weather.read_pushed(uow, place.house.id, now - 10 * HOUR, now)
        assert pushed.hour.tolist() == [epoch_hours(start(clock)) + n for n in range(3)]
        assert np.isnan(pushed.temp_out_c).tolist() == [True, True, False]
        assert (pushed.issued_h - epoch_hours(now)).tolist() == [0, 0, -2]
        # As of an hour ago nobody knew the newest.
        before = await weather.read_pushed(uow, place.house.id, now - 10 * HOUR, now - HOUR)
        assert before.global_w_m2.tolist() == [120, 120, 120]


async def test_an_issue_sent_again_is_stored_once(store: Store, clock: FixedClock, place: Place) -> None:
    issued = clock.now() - HOUR
    for value in (100.0, 110.0):
        await push(store, clock, place, some_hours(clock, 1, global_w_m2=value), issued)
    async with store.read() as uow:
        rows = await weather.list_weather(uow, clock, SYSTEM, place.house.id)
    assert [row.global_w_m2 for row in rows] == [110.0]


async def test_a_forecast_that_cannot_be_is_refused_and_every_fault_named(
    store: Store, clock: FixedClock, place: Place
) -> None:
    at, now = start(clock), clock.now()
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"at": at}, "global_w_m2"),
        ({"at": at, "global_w_m2": -1}, "global_w_m2"),
        ({"at": at, "global_w_m2": float("nan")}, "global_w_m2"),
        ({"at": at, "global_w_m2": 2000}, "global_w_m2"),
        ({"at": at, "temp_out_c": 99}, "temp_out_c"),
        ({"at": at.replace(minute=30), "temp_out_c": 9}, "at"),
        ({"at": at.replace(tzinfo=None), "temp_out_c": 9}, "at"),
        ({"at": now - timedelta(days=3), "temp_out_c": 9}, "at"),
        ({"at": at + timedelta(days=40), "temp_out_c": 9}, "at"),
        ({"temp_out_c": 9}, "at"),
    ]
    async with store.write() as uow:
        for hour, field in wrong:
            with refused(Impossible, f"hours/0/{field}"):
                await weather.push_weather(uow, clock, SYSTEM, place.house.id, [hour])
        with refused(Impossible, "hours/0/global_w_m2", "hours/1/at", "hours/2/at"):
            twice = [{"at": at, "global_w_m2": -5}, {"temp_out_c": 9}, {"at": at, "temp_out_c": 9}]
            await weather.push_weather(uow, clock, SYSTEM, place.house.id, twice)
        for count in (0, 501):
            with refused(Impossible, "hours"):
                await weather.push_weather(uow, clock, SYSTEM, place.house.id, some_hours(clock, count))
        for issued in (now + HOUR, now - timedelta(days=11)):
            with refused(Impossible, "issued_at"):
                await weather.push_weather(uow, clock, SYSTEM, place.house.id, some_hours(clock), issued)
        with refused(NotFound):
            stranger = Access("tablet", frozenset({"write"}), place.farm.id + 1)
            await weather.push_weather(uow, clock, stranger, place.house.id, some_hours(clock))
        assert await weather.list_weather(uow, clock, SYSTEM, place.house.id) == []


async def test_a_forecast_comes_as_csv(store: Store, clock: FixedClock, place: Place) -> None:
    at = start(clock)
    lines = ["at;globalWM2;tempOutC", f"{at.isoformat()};120.5;", f"{(at + HOUR).isoformat()};;-3"]
    content = "\r\n".join(lines).encode()
    async with store.write() as uow:
        dry = await weather.import_weather(uow, clock, SYSTEM, place.house.id, content, dry_run=True)
        assert (dry.rows, dry.new, await weather.list_weather(uow, clock, SYSTEM, place.house.id)) == (
            2,
            2,
            [],
        )
        await weather.import_weather(uow, clock, SYSTEM, place.house.id, content)
        rows = await weather.list_weather(uow, clock, SYSTEM, place.house.id)
        assert [(r.global_w_m2, r.temp_out_c) for r in rows] == [(120.5, None), (None, -3.0)]


async def test_every_fault_of_a_file_is_named_with_its_line(
    store: Store, clock: FixedClock, place: Place
) -> None:
    at = start(clock).isoformat()
    lines = ["at,globalWM2,tempOutC", f"{at},1e9,", f"{at},5,6", "soon,5,6", f"{at},,", "x,y"]
    async with store.read() as uow:
        dry = await weather.import_weather(
            uow, clock, SYSTEM, place.house.id, "\n".join(lines).encode(), dry_run=True
        )
        found = [(fault.line, fault.field) for fault in dry.faults]
        assert found == [(2, "global_w_m2"), (3, "at"), (4, "at"), (5, "global_w_m2"), (5, "at"), (6, "")]
        bad_header = b"when,globalWM2\n1,2\n"
        dry = await weather.import_weather(uow, clock, SYSTEM, place.house.id, bad_header, dry_run=True)
        assert {fault.line for fault in dry.faults} == {1}
        with refused(Impossible, "", "at"):
            await weather.import_weather(uow, clock, SYSTEM, place.house.id, bad_header)


async def test_light_outdoors_is_read_from_the_sensor_without_a_zone(
    store: Store, clock: FixedClock, place: Place
) -> None:
    now = clock.now().replace(minute=0, second=0, microsecond=0)
    async with store.write() as uow:
        assert not (await weather.read_outside(uow, place.house.id, now)).hour.size
        values = {"house_id": place.house.id, "name": "roof", "quantity": "ppfd_umol", "unit": "W m-2"}
        sensor = await create_sensor(uow, SYSTEM, {**values, "topic": "roof/light", "interval_s": 600})
        rows = [
            {"sensor_id": sensor.id, "at": now - n * timedelta(minutes=10), "value": 500.0} for n in range(13)
        ]
        await save_readings(uow, rows)
        outside = await weather.read_outside(uow, place.house.id, now)
        assert outside.hour.tolist() == [epoch_hours(now) - 2, epoch_hours(now) - 1]
        np.testing.assert_allclose(outside.light_mol, 500.0 * 3600e-6)
        _, known = await reforecast.read_transmission(uow, clock, SYSTEM, place.house.id)
        assert (known.how, known.value) == ("stated", 0.6)
