"""Storing batches: when they are acknowledged, what happens when that fails, and that any message is accounted for."""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import Callable, Sequence
from contextlib import asynccontextmanager
from datetime import timedelta
from typing import Any

import pytest

from ingest.reader import Delivery
from ingest.writer import Writer
from service.clock import FixedClock
from service.records.conditions import unknown_topic_counts
from service.records.events import newest_weather
from service.records.store import Store
from service.records.tables import Sensor
from service.work.conditions import Refused
from tests.ingest import fuzz
from tests.ingest.rig import NOW, Site, make_site

NOW_US = int(NOW.timestamp() * 1_000_000)


class Deliveries:
    """A source that has some messages and then ends."""

    waiting = 0

    def __init__(self, messages: Sequence[tuple[str, bytes]]) -> None:
        self._waiting = [
            Delivery(topic, payload, len(payload), NOW_US, 1, mid, 1, False)
            for mid, (topic, payload) in enumerate(messages)
        ]
        self.acknowledged: list[int] = []

    def retained(self) -> None:
        """Let the broker have kept them."""
        self._waiting = [delivery._replace(retained=True) for delivery in self._waiting]

    async def take(self, most: int, pace_s: float = 0.0) -> list[Delivery]:  # noqa: ARG002
        batch, self._waiting = self._waiting[:most], self._waiting[most:]
        return batch

    def ack(self, batch: Sequence[Delivery]) -> None:
        self.acknowledged += [delivery.mid for delivery in batch]

    def wake(self) -> None:
        pass


def failing(store: Store, monkeypatch: pytest.MonkeyPatch, error: Callable[[int], Exception | None]) -> None:
    """Let transactions fail at their end, by the number of the transaction."""
    write, numbers = store.write, iter(range(1_000_000))

    @asynccontextmanager
    async def broken() -> Any:
        async with write() as uow:
            yield uow
            problem = error(next(numbers))
            if problem is not None:
                raise problem

    monkeypatch.setattr(store, "write", broken)


async def test_a_batch_is_acknowledged_once_it_is_stored(site: Site) -> None:
    await site.sensor("a")
    source = Deliveries([(site.topic("a"), b"20"), (site.topic("b"), b"20"), (site.topic("a"), b"x")])
    writer = Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event())
    await writer.run()
    assert source.acknowledged == [0, 1, 2]
    assert (writer.counts.messages, writer.counts.readings, writer.counts.dead_letters) == (3, 1, 2)
    assert await site.settled()


async def test_what_cannot_be_stored_is_tried_again_and_acknowledged_after(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    await site.sensor("a")
    source = Deliveries([(site.topic("a"), b"20")])
    tried: list[int] = []

    def error(number: int) -> Exception | None:
        tried.append(number)
        assert source.acknowledged == []
        return OSError("away") if len(tried) < 4 else None

    failing(site.store, monkeypatch, error)
    writer = Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event())
    await writer._store_until_stop()
    assert source.acknowledged == [0]
    assert len(tried) >= 4
    assert await site.readings() == 1


async def test_told_to_stop_while_the_database_is_away_it_ends_and_acknowledges_nothing(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    await site.sensor("a")
    source = Deliveries([(site.topic("a"), b"20")])
    failing(site.store, monkeypatch, lambda _: OSError("away"))
    stop = asyncio.Event()
    running = asyncio.create_task(Writer(site.store, FixedClock(NOW), site.settings, source, stop).run())
    await asyncio.sleep(0.5)
    assert not running.done()
    stop.set()
    await asyncio.wait_for(running, 5.0)
    assert source.acknowledged == []


async def test_a_message_that_the_database_refuses_does_not_hold_up_the_others(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    import ingest.writer

    await site.sensor("a")
    messages = [(site.topic("a"), f'{{"v": {n}, "t": "2026-09-14T05:0{n}:00Z"}}'.encode()) for n in range(5)]
    store_decoded = ingest.writer.store_decoded

    async def refusing(uow: Any, decoded: Any, limits: Any) -> Any:
        stored = await store_decoded(uow, decoded, limits)
        if 3.0 in decoded.columns.values:
            raise Refused("no such sensor")
        return stored

    monkeypatch.setattr(ingest.writer, "store_decoded", refusing)
    source = Deliveries(messages)
    await Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event()).run()
    assert source.acknowledged == [0, 1, 2, 3, 4]
    assert await site.readings() == 4
    (letter,) = await site.dead_letters()
    assert (letter.reason, letter.detail, letter.payload) == ("refused", "no such sensor", messages[3][1])


async def test_a_sensor_that_does_not_go_together_with_its_unit_takes_no_messages(
    site: Site, caplog: pytest.LogCaptureFixture
) -> None:
    await site.sensor("odd", "temp_air_c", "lx")
    await site.sensor("good")
    source = Deliveries([(site.topic("odd"), b"1"), (site.topic("good"), b"20")])
    await Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event()).run()
    assert await site.readings() == 1
    assert [letter.reason for letter in await site.dead_letters()] == ["unknown_topic"]
    assert "takes no messages: 'lx' is not a unit of temp_air_c" in caplog.text


async def test_any_bytes_on_any_topic_are_stored_or_kept_with_a_reason(site: Site) -> None:
    random_numbers = random.Random(11)  # noqa: S311
    pointers = ["", "/v", "/0", "/a/b", "/~1"]
    for n, pointer in enumerate(pointers):
        await site.sensor(f"s{n}", value_pointer=pointer, topic=site.topic("shared"))
    await site.sensor("single")
    pieces = [
        b"{",
        b"}",
        b"[",
        b"]",
        b'"v"',
        b":",
        b",",
        b"1",
        b"NaN",
        b"1e999",
        b"null",
        b'"t"',
        b"\x00",
        b"\xed\xa0\x80",
    ]
    pieces += [
        b"1789362000",
        b'"2026-09-14T05:00:00Z"',
        b'"\\ud800"',
        b'"\\u0000"',
        b"-",
        b".",
        "é€😀".encode(),
        b" ",
    ]
    topics = [site.topic("shared"), site.topic("single"), site.topic("other"), "\u20ac" * 300, ""]
    count = 3000
    messages = [
        (
            random_numbers.choice(topics),
            b"".join(random_numbers.choices(pieces, k=random_numbers.randint(0, 9))),
        )
        for _ in range(count)
    ]
    messages += [(site.topic("single"), f"[1789362000, {n}]".encode()) for n in range(3)]
    messages += [(site.topic("single"), b'[[1789362000, 1], ["\\u0000", 2], [1, "\\ud800"]]')]
    source = Deliveries(messages)
    writer = Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event())
    await writer.run()
    assert source.acknowledged == list(range(len(messages)))
    letters = await site.dead_letters()
    assert "refused" not in {letter.reason for letter in letters}
    async with site.store.read() as uow:
        unknown = sum((await unknown_topic_counts(uow, [topic[:255] for topic in topics])).values())
    assert unknown == sum(topic not in topics[:2] for topic, _ in messages)
    whole = sum(1 for letter in letters if letter.reason != "unknown_topic")
    assert writer.counts.dead_letters == whole + unknown
    # The rest are readings; those without a time of their own are all of the one moment of arrival.
    assert writer.counts.dead_letters < len(messages)
    assert writer.counts.readings > 0


async def test_a_sensor_changed_between_two_batches_counts_from_the_second(site: Site) -> None:
    sensor_id = await site.sensor("a")
    writer = Writer(
        site.store,
        FixedClock(NOW),
        site.settings,
        Deliveries([(site.topic("a"), b'{"v": 50, "t": 1789362000}')]),
        asyncio.Event(),
    )
    await writer.run()
    async with site.store.write() as uow:
        (await uow.session.get_one(Sensor, sensor_id)).unit = "degF"
    later = int((NOW - timedelta(minutes=1)).timestamp())
    writer._source = Deliveries([(site.topic("a"), f'{{"v": 50, "t": {later}}}'.encode())])
    await writer._store_until_stop()
    async with site.store.read() as uow:
        from service.records.conditions import readings_page

        assert [row.value for row in await readings_page(uow, sensor_id)] == [50.0, pytest.approx(10.0)]


def forecast(hours: int = 2, **more: Any) -> bytes:
    listed = [
        {"at": (NOW + timedelta(hours=n)).isoformat(), "globalWM2": 100.0 * n, "tempOutC": 6.5}
        for n in range(hours)
    ]
    return json.dumps({"hours": listed, **more}).encode()


async def test_a_weather_forecast_is_stored_with_the_readings_and_a_bad_one_kept_with_the_reason(
    site: Site,
) -> None:
    await site.sensor("a")
    topic = site.topic("h1/weather-forecast")
    bad = [
        (topic, b"x", "it is not a weather forecast"),
        (topic, b'{"hours": []}', "there must be 1 to 500"),
        (topic, forecast(issuedAt="2026-09-14T07:00:00Z"), "ahead of the clock"),
        (
            topic,
            forecast().replace(b"06:00:00", b"06:30:00"),
            "hours/0/at: it must be the start of a clock hour",
        ),
        (topic, forecast(odd=1), "unknown field `odd`"),
        (site.topic("h2/weather-forecast"), forecast(), "no house has the code or id 'h2'"),
    ]
    good = [(topic, forecast(3)), (site.topic(f"{site.house_id}/weather-forecast"), forecast(5))]
    source = Deliveries([(site.topic("a"), b"20"), *[(t, p) for t, p, _ in bad], *good])
    writer = Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event())
    await writer.run()
    assert source.acknowledged == list(range(9))
    letters = await site.dead_letters()
    assert [letter.reason for letter in letters] == ["bad_forecast"] * len(bad)
    for letter, (_, payload, why) in zip(letters, bad, strict=True):
        assert why in letter.detail
        assert letter.payload == payload
    assert await site.readings() == 1
    async with site.store.read() as uow:
        rows = await newest_weather(uow, site.house_id, NOW, NOW)
    assert [(row.at, row.global_w_m2, row.temp_out_c) for row in rows] == [
        (NOW + timedelta(hours=n), 100.0 * n, 6.5) for n in range(5)
    ]


async def test_a_forecast_kept_by_the_broker_needs_its_own_time_and_a_code_of_several_houses_an_id(
    site: Site,
) -> None:
    topic = site.topic("h1/weather-forecast")
    source = Deliveries([(topic, forecast()), (topic, forecast(issuedAt=NOW.isoformat()))])
    source.retained()
    await Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event()).run()
    assert ["needs its issuedAt" in letter.detail for letter in await site.dead_letters()] == [True]
    other = await make_site(site.store)
    source = Deliveries([(topic, forecast())])
    await Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event()).run()
    assert (
        f"houses [{site.house_id}, {other.house_id}] have the code" in (await site.dead_letters())[-1].detail
    )


async def test_topics_beyond_a_bound_are_counted_together(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.work.conditions.MOST_UNKNOWN_TOPICS", 3)
    for numbers in (range(2), range(6), range(9)):
        source = Deliveries([(site.topic(f"t{n}"), b"1") for n in numbers])
        await Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event()).run()
    async with site.store.read() as uow:
        counts = await unknown_topic_counts(uow, [*[site.topic(f"t{n}") for n in range(9)], "#"])
    assert counts == {site.topic("t0"): 3, site.topic("t1"): 3, site.topic("t2"): 2, "#": 3 + 6}
    assert len(await site.dead_letters()) == 17


async def test_fuzzed_messages_are_each_accounted_for(site: Site) -> None:
    await fuzz.sensors(site)
    count = 10_000
    outcomes = await fuzz.take_all(site, count, seed=7)
    assert outcomes["acknowledged"] == count
    assert outcomes["good"] + outcomes["faulty"] == count
    assert min(outcomes["good"], outcomes["faulty"]) > count // 20, "both kinds are among them"
    reasons = {letter.reason for letter in await site.dead_letters()}
    assert {"malformed", "no_value", "bad_time", "out_of_range", "bad_forecast", "unknown_topic"} <= reasons
    assert "refused" not in reasons
