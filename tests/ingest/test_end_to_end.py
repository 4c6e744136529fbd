"""From a device that publishes to the hours of a zone, through real brokers, on each database."""

from __future__ import annotations

import asyncio
import json
import random
from datetime import UTC, datetime, timedelta

import pytest

from ingest.broker import BrokerHandle
from service.clock import FixedClock
from service.records.conditions import (
    readings_page,
    unknown_topic_counts,
    unknown_topics_page,
)
from service.records.tables import Sensor
from tests.ingest.rig import NOW, Site, hours_of_instants, ingesting, publish, until

CLOCK = FixedClock(NOW)
MESSAGES = 5000


def body(at: datetime, value: float) -> bytes:
    return json.dumps({"t": at.isoformat(), "v": value}).encode()


async def send(broker: BrokerHandle, messages: list[tuple[str, bytes]]) -> None:
    assert await asyncio.to_thread(publish, broker.url, messages) == len(messages)


async def test_late_repeated_and_shuffled_messages_give_the_right_hours(
    site: Site, broker: BrokerHandle
) -> None:
    random_numbers = random.Random(7)  # noqa: S311
    sensor_id = await site.sensor("temp")
    light_id = await site.sensor("par", "ppfd_umol", "umol m-2 s-1", interval_s=120.0)
    start = NOW - timedelta(days=9)
    temperature: list[tuple[datetime, float]] = []
    light: list[tuple[datetime, float]] = []
    at = start
    while at < NOW:
        temperature.append((at, round(random_numbers.gauss(20.0, 3.0), 3)))
        # Some gaps are longer than what counts as measured.
        at += timedelta(seconds=random_numbers.choice([299.5, 300.0, 301.25, 600.0, 740.0, 760.0, 4000.0]))
    for number in range(MESSAGES - len(temperature)):
        at = start + timedelta(seconds=number * 120 + random_numbers.uniform(-20.0, 20.0))
        light.append((at, round(random_numbers.uniform(0.0, 900.0), 2)))
    messages = [(site.topic("temp"), body(*sample)) for sample in temperature]
    messages += [(site.topic("par"), body(*sample)) for sample in light]
    messages += random_numbers.sample(messages, 300)
    random_numbers.shuffle(messages)

    async with ingesting(site, CLOCK, broker):
        await send(broker, messages)

        async def complete() -> bool:
            return await site.readings() == MESSAGES and await site.settled()

        await until(complete, 60.0)
        assert await site.dead_letters() == []

    async with site.store.read() as uow:
        assert [
            (row.at, row.value) for row in await readings_page(uow, sensor_id, limit=MESSAGES)
        ] == temperature
        assert len(await readings_page(uow, light_id, limit=MESSAGES)) == len(light)
    hours = await site.hours()
    expected_temperature = hours_of_instants(temperature, timedelta(seconds=750))
    expected_light = hours_of_instants(light, timedelta(seconds=300))
    assert set(hours) == set(expected_temperature) | set(expected_light)
    assert len(hours) > 200
    for at, hour in hours.items():
        if at in expected_temperature:
            expected = expected_temperature[at]
            assert hour.temp_mean_c == pytest.approx(expected.integral / expected.covered_s, rel=1e-9)
            assert hour.temp_min_c == pytest.approx(expected.low, rel=1e-9)
            assert hour.temp_max_c == pytest.approx(expected.high, rel=1e-9)
            assert hour.temp_coverage == pytest.approx(expected.covered_s / 3600, abs=1e-9)
        else:
            assert hour.temp_mean_c is None
            assert hour.temp_coverage == 0.0
        if at in expected_light:
            assert hour.light_mol == pytest.approx(expected_light[at].integral / 1e6, rel=1e-9)
            assert hour.light_coverage == pytest.approx(expected_light[at].covered_s / 3600, abs=1e-9)
        else:
            assert hour.light_mol is None


async def test_a_reading_that_comes_late_changes_the_hours_it_reaches_and_no_other(
    site: Site, broker: BrokerHandle
) -> None:
    await site.sensor("temp")
    at = NOW - timedelta(hours=5)
    samples = [(at + timedelta(minutes=5 * n), 20.0) for n in range(37) if n != 18]
    late = (at + timedelta(minutes=90), 26.0)

    async with ingesting(site, CLOCK, broker):
        await send(broker, [(site.topic("temp"), body(*sample)) for sample in samples])

        async def first() -> bool:
            return await site.readings() == len(samples) and await site.settled()

        await until(first)
        before = await site.hours()
        await send(broker, [(site.topic("temp"), body(*late))])

        async def second() -> bool:
            return await site.readings() == len(samples) + 1 and await site.settled()

        await until(second)
    after = await site.hours()
    hit = at + timedelta(hours=1)
    assert before[hit].temp_max_c == 20.0
    assert after[hit].temp_max_c == 26.0
    # A triangle of 6 K over ten minutes.
    assert after[hit].temp_mean_c == pytest.approx(20.0 + 6.0 * 0.5 * 10 / 60)
    for hour in (at, at + timedelta(hours=2)):
        assert after[hour].temp_mean_c == before[hour].temp_mean_c == pytest.approx(20.0)


async def test_every_kind_of_bad_input_has_its_outcome_and_the_listener_goes_on(
    site: Site, broker: BrokerHandle
) -> None:
    temp_id = await site.sensor("temp")
    par_id = await site.sensor("par", "ppfd_umol", "umol m-2 s-1")
    temp, par = site.topic("temp"), site.topic("par")
    before = NOW - timedelta(hours=1)
    array = [
        [before.isoformat(), 20.0],
        [before.isoformat()[:-6], 21.0],
        [(NOW + timedelta(days=1)).isoformat(), 22.0],
    ]
    oversized = b'{"v": 1, "pad": "' + b"x" * 300_000 + b'"}'
    bad: list[tuple[str, bytes, str, int | None]] = [
        (temp, b'{"v": 21.5', "malformed", temp_id),
        (temp, b"\xff\x00", "malformed", temp_id),
        (temp, b"", "malformed", temp_id),
        (temp, b'{"v": NaN}', "not_finite", temp_id),
        (temp, b"-Infinity", "not_finite", temp_id),
        (temp, b"1e999", "not_finite", temp_id),
        (temp, b'{"v": null}', "no_value", temp_id),
        (temp, b'{"v": 20, "t": "2026-09-14T05:00:00"}', "bad_time", temp_id),
        (par, body(before, 34_000.0), "out_of_range", par_id),
        (temp, body(before, 451.0), "out_of_range", temp_id),
        (temp, body(NOW + timedelta(seconds=301), 20.0), "in_the_future", temp_id),
        (temp, body(NOW - timedelta(days=401), 20.0), "too_old", temp_id),
        (site.topic("nobody"), b"20", "unknown_topic", None),
        (temp, oversized, "oversized", temp_id),
        (temp, json.dumps(array).encode(), "bad_time", temp_id),
    ]
    good = [
        (temp, body(before + timedelta(minutes=1), 20.0)),
        (temp, body(before + timedelta(minutes=1), 20.0)),
        (temp, body(before + timedelta(minutes=2), 20.0)),
        (temp, body(before + timedelta(minutes=2), 23.0)),
        (temp, body(NOW + timedelta(seconds=300), 24.0)),
        (temp, b"25"),
    ]
    async with ingesting(site, CLOCK, broker):
        await send(broker, [(topic, payload) for topic, payload, _, _ in bad] + good)

        async def complete() -> bool:
            return await site.readings() == 5

        await until(complete)
        letters = await site.dead_letters()
        assert [(letter.topic, letter.reason, letter.sensor_id) for letter in letters] == [
            (topic, reason, sensor_id) for topic, _, reason, sensor_id in bad
        ]
        assert [letter.size_bytes for letter in letters] == [len(payload) for _, payload, _, _ in bad]
        for letter, (_, payload, reason, _) in zip(letters, bad, strict=True):
            assert letter.payload == (payload[:4096] if reason == "oversized" else payload)
            assert letter.detail
            assert NOW <= letter.received_at < NOW + timedelta(seconds=1)
        assert letters[-1].detail.startswith("sample 1: ")
        assert "; sample 2: " in letters[-1].detail, "one letter names every bad sample"
    async with site.store.read() as uow:
        # A value without a time has that of its arrival, microseconds apart where several came at once.
        rows = {row.at.replace(microsecond=0): row.value for row in await readings_page(uow, temp_id)}
        unknown = {row.topic: row for row in await unknown_topics_page(uow)}
    assert rows == {
        before: 20.0,
        before + timedelta(minutes=1): 20.0,
        before + timedelta(minutes=2): 23.0,
        NOW: 25.0,
        NOW + timedelta(seconds=300): 24.0,
    }
    assert unknown[site.topic("nobody")].messages == 1
    assert unknown[site.topic("nobody")].last_payload == b"20"


async def test_an_unknown_topic_is_counted_on_and_keeps_so_many_letters(
    site: Site, broker: BrokerHandle
) -> None:
    topic = site.topic("nobody")
    async with ingesting(site, CLOCK, broker):
        await send(broker, [(topic, str(number).encode()) for number in range(1200)])

        async def counted() -> bool:
            async with site.store.read() as uow:
                return (await unknown_topic_counts(uow, [topic])).get(topic) == 1200

        await until(counted)
    letters = [letter for letter in await site.dead_letters() if letter.topic == topic]
    assert [letter.payload for letter in letters] == [str(number).encode() for number in range(1000)]
    async with site.store.read() as uow:
        (row,) = [row for row in await unknown_topics_page(uow) if row.topic == topic]
    assert row.last_payload == b"1199"


async def test_sensors_that_are_added_or_changed_count_from_then_on(site: Site, broker: BrokerHandle) -> None:
    at = [NOW - timedelta(minutes=minutes) for minutes in (3, 2, 1)]
    async with ingesting(site, CLOCK, broker):
        await send(broker, [(site.topic("new"), body(at[0], 50.0))])

        async def unknown() -> bool:
            return len(await site.dead_letters()) == 1

        await until(unknown)
        sensor_id = await site.sensor("new")
        await send(broker, [(site.topic("new"), body(at[1], 50.0))])

        async def one() -> bool:
            return await site.readings() == 1

        await until(one)
        async with site.store.write() as uow:
            sensor = await uow.session.get_one(Sensor, sensor_id)
            sensor.unit = "degF"
        await send(broker, [(site.topic("new"), body(at[2], 50.0))])

        async def two() -> bool:
            return await site.readings() == 2

        await until(two)
    async with site.store.read() as uow:
        rows = [(row.at, row.value) for row in await readings_page(uow, sensor_id)]
    assert rows == [(at[1], 50.0), (at[2], pytest.approx(10.0))]


async def test_several_sensors_in_one_message_and_arrays_of_samples(site: Site, broker: BrokerHandle) -> None:
    box = site.topic("box")
    temp_id = await site.sensor("t", topic=box, value_pointer="/air/temp", time_pointer="/at")
    ec_id = await site.sensor("e", "ec_ms_cm", "uS cm-1", topic=box, value_pointer="/ec", time_pointer="/at")
    array_id = await site.sensor("logger")
    seconds = int((NOW - timedelta(hours=2)).timestamp())
    async with ingesting(site, CLOCK, broker):
        await send(
            broker,
            [
                (box, json.dumps({"at": seconds, "air": {"temp": 21.5}, "ec": 1800}).encode()),
                (box, json.dumps({"at": seconds + 60, "ec": 1750}).encode()),
                (
                    site.topic("logger"),
                    json.dumps([[1000 * (seconds + n), n / 10] for n in range(50)]).encode(),
                ),
            ],
        )

        async def complete() -> bool:
            return await site.readings() == 53

        await until(complete)
        assert await site.dead_letters() == []
    async with site.store.read() as uow:
        assert [row.value for row in await readings_page(uow, temp_id)] == [21.5]
        assert [row.value for row in await readings_page(uow, ec_id)] == [1.8, 1.75]
        logged = await readings_page(uow, array_id)
    assert [row.value for row in logged] == [n / 10 for n in range(50)]
    assert logged[1].at == datetime.fromtimestamp(seconds + 1, UTC)


async def test_messages_sent_while_ingest_is_away_wait_with_the_broker(
    site: Site, broker: BrokerHandle
) -> None:
    await site.sensor("temp")
    stop = asyncio.Event()
    from ingest.command import run_ingest

    def run() -> asyncio.Task[None]:
        return asyncio.create_task(
            run_ingest(
                site.store,
                CLOCK,
                site.settings,
                stop,
                url=broker.url,
                mqtt5=broker.mqtt5,
                client_id=site.prefix,
            )
        )

    running = run()

    async def connected() -> bool:
        await asyncio.to_thread(publish, broker.url, [(site.topic("temp"), body(NOW, 20.0))])
        return await site.readings() == 1

    await until(connected, pause_s=0.1)
    stop.set()
    await running
    messages = [(site.topic("temp"), body(NOW - timedelta(minutes=n), 20.0)) for n in range(1, 101)]
    await send(broker, messages)
    assert await site.readings() == 1

    stop.clear()
    running = run()

    async def complete() -> bool:
        return await site.readings() == 101

    await until(complete)
    stop.set()
    await running
