"""Past readings: kept as live ones are, all or nothing, once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from service.clock import FixedClock
from service.records.conditions import hours_between, touched_hours_left
from service.records.store import Store
from service.records.tables import Hour, Reading, Sensor
from service.work.access import SYSTEM, Access
from service.work.conditions import (
    Arrival,
    Limits,
    Sample,
    settle_hours,
    store_arrivals,
    stream_of,
)
from service.work.errors import Impossible, NotFound
from service.work.imports import import_readings, settle_all
from tests.imports.conftest import LEAD, a_sensor, bring_readings, said
from tests.work.conftest import Place, make_place

START = datetime(2023, 3, 25, tzinfo=UTC)  # far older than what is taken live; clocks change on the 26th


def degf(celsius: float) -> float:
    return celsius * 1.8 + 32.0


async def stored(store: Store) -> dict[tuple[int, datetime], float]:
    async with store.read() as uow:
        return {(r.sensor_id, r.at): r.value for r in await uow.session.scalars(select(Reading))}


async def all_hours(store: Store, place: Place) -> dict[datetime, Hour]:
    async with store.read() as uow:
        found = await hours_between(
            uow, [place.nursery.id, place.channels.id], START - timedelta(days=9), START + timedelta(days=99)
        )
    return {hour.at: hour for hour in found}


async def test_readings_are_kept_in_the_stored_unit_and_their_hours_computed(
    store: Store, clock: FixedClock, place: Place, thermometer: Sensor, quantum_sensor: Sensor
) -> None:
    count = 30
    lines = ["sensor,time,value"]
    celsius = [15.0 + index % 7 for index in range(count)]
    ppfd = [20.0 * (index % 24) for index in range(count)]
    for index in range(count):
        ends = (START + timedelta(hours=index + 1)).isoformat()
        lines.append(f"canopy,{ends},{degf(celsius[index])!r}")
        lines.append(f"{quantum_sensor.topic},{ends},{ppfd[index]!r}")
    imported = await bring_readings(store, clock, place, "\n".join(lines))
    assert (imported.rows, imported.new, imported.changed, imported.unchanged) == (60, 60, 0, 0)
    assert (imported.faults, imported.notes) == ((), ())
    readings = await stored(store)
    for index in range(count):
        ends = START + timedelta(hours=index + 1)
        assert readings[thermometer.id, ends] == pytest.approx(celsius[index], abs=1e-9)
        assert readings[quantum_sensor.id, ends] == ppfd[index]
    await settle_all(store)
    hours = await all_hours(store, place)
    # An hourly mean holds over the hour that ends at its stamp.
    assert sorted(hours) == [START + timedelta(hours=index) for index in range(count)]
    for index in range(count):
        hour = hours[START + timedelta(hours=index)]
        assert hour.temp_mean_c == pytest.approx(celsius[index], abs=1e-9)
        assert (hour.temp_coverage, hour.light_coverage) == (1.0, 1.0)
        assert hour.light_mol == pytest.approx(ppfd[index] * 3600e-6, abs=1e-12)


async def test_hours_are_those_that_live_readings_make(
    store: Store, clock: FixedClock, place: Place, other_store_place: tuple[Place, Sensor]
) -> None:
    other, live = other_store_place
    past = await a_sensor(store, place, name="canopy", quantity="temp_air_c", unit="degC", interval_s=600)
    values = [(START + timedelta(minutes=7 * n + n % 5), 18.0 + (n * 37 % 11) / 3) for n in range(400)]
    lines = [f"{past.id};{at.isoformat()};{value!r}" for at, value in reversed(values)]
    await bring_readings(store, clock, place, "sensor;time;value\r\n" + "\r\n".join(lines))
    arrival = Arrival("t", b"", START, 0, [Sample(stream_of(live), at, value) for at, value in values])
    async with store.write() as uow:
        await store_arrivals(uow, [arrival], Limits(timedelta(days=99), timedelta(days=99)))
    async with store.write() as uow:
        await settle_hours(uow, 10_000)
        assert await touched_hours_left(uow) == 0
        brought = await hours_between(uow, [place.nursery.id], START, START + timedelta(days=9))
        arrived = await hours_between(uow, [other.nursery.id], START, START + timedelta(days=9))
    assert len(brought) > 40
    assert [(h.at, h.temp_mean_c, h.temp_min_c, h.temp_max_c, h.temp_coverage) for h in brought] == [
        (h.at, h.temp_mean_c, h.temp_min_c, h.temp_max_c, h.temp_coverage) for h in arrived
    ]


@pytest.fixture
async def other_store_place(store: Store, clock: FixedClock, place: Place) -> tuple[Place, Sensor]:
    """Have a second farm, whose sensor is like the first's."""
    other = await make_place(store, clock, "Birch Farm")
    sensor = await a_sensor(
        store, other, name="canopy", quantity="temp_air_c", unit="degC", interval_s=600, topic="birch/canopy"
    )
    return other, sensor


async def test_a_second_import_changes_nothing_and_a_corrected_one_just_that(
    store: Store, clock: FixedClock, place: Place, thermometer: Sensor
) -> None:
    rows = [f"canopy,2023-03-25T{hour:02}:00Z,{60 + hour}" for hour in range(24)]
    file = "\n".join(["sensor,time,value", *rows])
    await bring_readings(store, clock, place, file)
    await settle_all(store)
    before, hours_before = await stored(store), await all_hours(store, place)
    again = await bring_readings(store, clock, place, file)
    assert (again.new, again.changed, again.unchanged) == (0, 0, 24)
    async with store.read() as uow:
        assert await touched_hours_left(uow) == 0
    assert await stored(store) == before

    corrected = file.replace("T05:00Z,65", "T05:00Z,50")
    trial = await bring_readings(store, clock, place, corrected, dry_run=True)
    assert (trial.new, trial.changed, trial.unchanged) == (0, 1, 23)
    assert await stored(store) == before
    assert await bring_readings(store, clock, place, corrected) == trial
    assert await settle_all(store) == 2  # the hour that ended then, and the one that began
    hours = await all_hours(store, place)
    at = datetime(2023, 3, 25, 4, tzinfo=UTC)
    assert hours[at].temp_mean_c == pytest.approx(10.0)
    assert {a: h.temp_mean_c for a, h in hours.items() if a != at} == {
        a: h.temp_mean_c for a, h in hours_before.items() if a != at
    }


async def test_wide_files_leave_out_empty_cells(
    store: Store, clock: FixedClock, place: Place, thermometer: Sensor, quantum_sensor: Sensor
) -> None:
    file = (
        f"time,light,{thermometer.id}\n2023-03-25T01:00Z,0,59\n2023-03-25T02:00Z,,68\n2023-03-25T03:00Z,10,\n"
    )
    imported = await bring_readings(store, clock, place, file)
    assert (imported.rows, imported.new, imported.unchanged) == (3, 4, 0)
    one = datetime(2023, 3, 25, 1, tzinfo=UTC)
    assert await stored(store) == {
        (quantum_sensor.id, one): 0.0,
        (quantum_sensor.id, one + timedelta(hours=2)): 10.0,
        (thermometer.id, one): pytest.approx(15.0),
        (thermometer.id, one + timedelta(hours=1)): pytest.approx(20.0),
    }


async def test_rows_said_twice_count_once_and_contradictions_are_faults(
    store: Store, clock: FixedClock, place: Place, thermometer: Sensor
) -> None:
    once = "sensor,time,value\ncanopy,2023-03-25T01:00Z,60\ncanopy,2023-03-25T02:00+01:00,60\n"
    imported = await bring_readings(store, clock, place, once)
    assert (imported.rows, imported.new, imported.unchanged) == (2, 1, 1)
    twice = once + f"{thermometer.topic},2023-03-25T01:00Z,61\n"
    trial = await bring_readings(store, clock, place, twice, dry_run=True)
    assert said(trial) == [(4, "value")]
    assert "line 2 says 60 for the same moment" in trial.faults[0].problem


async def test_a_file_with_ten_faults_names_all_ten_and_stores_none(
    store: Store, clock: FixedClock, place: Place, thermometer: Sensor
) -> None:
    await a_sensor(store, place, name="pair", quantity="temp_air_c", unit="degC", topic="pair/1")
    await a_sensor(store, place, name="pair", quantity="temp_air_c", unit="degC", topic="pair/2")
    file = "\n".join(
        [
            "sensor;time;value",
            "canopy;2023-03-25T01:00Z;60",
            "canopy;2023-03-25T02:00Z;60,5",  # decimal comma
            "roof;2023-03-25T03:00Z;60",  # no such sensor
            "pair;2023-03-25T04:00Z;18",  # two such sensors
            "canopy;2023-03-26T02:30;60",  # clocks were set forward
            "canopy;2022-10-30T02:30;60",  # clocks were set back
            "canopy;2026-09-15T00:00Z;60",  # the future
            "canopy;yesterday;60",
            "canopy;2023-03-25T05:00Z;500",  # out of range
            "canopy;2023-03-25T06:00Z;nan",
            "canopy;2023-03-25T07:00Z",  # too short
            "canopy;2023-03-25T08:00Z;61",
        ]
    )
    expected = [
        (3, "value"),
        (4, "sensor"),
        (5, "sensor"),
        (6, "time"),
        (7, "time"),
        (8, "time"),
        (9, "time"),
        (10, "value"),
        (11, "value"),
        (12, ""),
    ]
    trial = await bring_readings(store, clock, place, file, dry_run=True)
    assert said(trial) == expected
    assert (trial.rows, trial.new, trial.changed, trial.unchanged) == (12, 0, 0, 0)
    with pytest.raises(Impossible, match="10 faults in the file") as refused:
        await bring_readings(store, clock, place, file)
    assert refused.value.problems == trial.faults
    assert await stored(store) == {}
    async with store.read() as uow:
        assert await touched_hours_left(uow) == 0


@pytest.mark.parametrize(
    ("file", "faults"),
    [
        ("", [(1, "")]),
        ("sensor,time,value\n", [(1, "")]),
        ("sensor,value\ncanopy,60\n", [(1, "time")]),
        ("time,value\n2023-03-25T01:00Z,60\n", [(1, "sensor")]),
        ("sensor,time,value,colour\ncanopy,2023-03-25T01:00Z,60,red\n", [(1, "")]),
        ("time\n2023-03-25T01:00Z\n", [(1, "")]),
        ("time,roof\n2023-03-25T01:00Z,60\n", [(1, "sensor")]),
        ("time,canopy,canopy\n2023-03-25T01:00Z,60,60\n", [(1, "sensor")]),
        ("time,canopy\nsoon,warm\n", [(2, "time"), (2, "value")]),
        ("sensor,time,value\n,,\nx,y,z\n", [(3, "sensor"), (3, "time"), (3, "value")]),
    ],
)
async def test_files_of_the_wrong_shape_say_what_is_missing(
    sqlite_store: Store, clock: FixedClock, file: str, faults: list[tuple[int, str]]
) -> None:
    place = await make_place(sqlite_store, clock, "Alder Farm")
    await a_sensor(sqlite_store, place, name="canopy", quantity="temp_air_c", unit="degF")
    assert said(await bring_readings(sqlite_store, clock, place, file, dry_run=True)) == faults


async def test_local_times_pass_over_both_changes_of_clocks(
    store: Store, clock: FixedClock, place: Place, thermometer: Sensor
) -> None:
    rows = [
        f"canopy,2023-03-26T{hour:02}:00,{50 + hour}" for hour in (0, 1, 3, 4)
    ]  # there is no two o'clock that night
    rows += [f"canopy,2023-10-29T{written},{value}" for written, value in [("01:00", 60), ("03:00", 63)]]
    rows += ["canopy,2023-10-29T02:00+02:00,61", "canopy,2023-10-29T02:00+01:00,62"]
    await bring_readings(store, clock, place, "\n".join(["sensor,time,value", *rows]))
    in_order = sorted(at for _, at in await stored(store))
    assert in_order == [datetime(2023, 3, 25, 23, tzinfo=UTC) + timedelta(hours=n) for n in range(4)] + [
        datetime(2023, 10, 28, 23, tzinfo=UTC) + timedelta(hours=n) for n in range(4)
    ]


async def test_values_too_far_apart_for_the_sensor_are_said(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await a_sensor(store, place, name="quick", quantity="temp_air_c", unit="degC", interval_s=300)
    await a_sensor(
        store, place, name="roof", quantity="temp_air_c", unit="degC", interval_s=300, zone_id=None
    )
    rows = [f"2023-03-25T{hour:02}:00Z,15,15" for hour in range(6)]
    imported = await bring_readings(store, clock, place, "\n".join(["time,quick,roof", *rows]))
    assert imported.new == 12
    (note,) = imported.notes
    assert note.startswith("quick: values come every 3600 s, and the sensor is set to one every 300 s")


async def test_other_farms_and_their_sensors_are_not_seen(
    store: Store, clock: FixedClock, place: Place, other_store_place: tuple[Place, Sensor]
) -> None:
    other, sensor = other_store_place
    file = f"sensor,time,value\n{sensor.id},2023-03-25T01:00Z,60\n{sensor.topic},2023-03-25T01:00Z,60\n"
    assert said(await bring_readings(store, clock, place, file, dry_run=True)) == [
        (2, "sensor"),
        (3, "sensor"),
    ]
    limited = Access("tablet", SYSTEM.scopes, place.farm.id)
    with pytest.raises(NotFound):
        await import_readings(store, clock, limited, other.house.id, file.encode(), max_lead=LEAD)
