"""Payloads mutated from valid ones, and what becomes of each."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from ingest.reader import Delivery
from ingest.writer import Writer
from service.clock import FixedClock
from service.records.migrate import upgrade
from service.records.store import Store
from tests.ingest.rig import NOW, Site, make_site

NOW_US = int(NOW.timestamp() * 1_000_000)
SEEDS = [
    b"21.5",
    b'{"v": 21.5, "t": "2026-09-14T05:00:00Z"}',
    b'{"value": -3e1, "time": 1789362000}',
    b'{"temp": 20, "at": 1789362000123, "more": {"a": [1, 2, {"b": null}]}}',
    b'[["2026-09-14T05:00:00Z", 20.25], ["2026-09-14T05:01:00+02:00", 20.5]]',
    b'[{"t": 1789362000, "v": 1}, {"t": 1789362060.5, "v": 2}]',
    b'{"v": [[1789362000, 20], [1789362060, 21]]}',
    b'{"hours": [{"at": "2026-09-14T07:00:00Z", "globalWM2": 120.0}], "issuedAt": "2026-09-14T06:00:00Z"}',
    b"",
]
PIECES = [
    *(bytes([n]) for n in (0, 34, 44, 45, 46, 48, 57, 58, 91, 92, 93, 101, 123, 125, 127, 128, 195, 255)),
    b"NaN", b"-Infinity", b"1e999", b"null", b"true", b'"\\ud800"', b'"\\u0000"', b"[" * 200, b"9" * 400, b"0x1F",
    "é€😀".encode(), b"\xed\xa0\x80", b"Z", b"T24:00:00", b"-00:00", b'"t": 1e300,',
]  # fmt: skip


def payloads(count: int, seed: int) -> Iterator[bytes]:
    """Yield payloads of which some are still valid."""
    chance = random.Random(seed)  # noqa: S311
    for _ in range(count):
        payload = bytearray(chance.choice(SEEDS))
        for _ in range(chance.choice((0, 0, 0, 1, 1, 2, 3, 8))):
            place = chance.randint(0, len(payload))
            match chance.randrange(5):
                case 0:
                    payload[place:place] = chance.choice(PIECES)
                case 1:
                    del payload[place : place + chance.randint(1, 5)]
                case 2:
                    payload[place : place + 1] = bytes([chance.randrange(256)])
                case 3:
                    payload[place:] = payload[: chance.randint(0, len(payload))]
                case _:
                    other = chance.choice(SEEDS)
                    payload[place:] = other[chance.randint(0, len(other)) :]
        yield bytes(payload)


class Fuzzed:
    """A source of fuzzed messages on some topics; notes what was acknowledged."""

    waiting = 0

    def __init__(self, site: Site, count: int, seed: int) -> None:
        topics = [site.topic(name) for name in ("plain", "keys", "shared", "nobody", "h1/weather-forecast")]
        chance = random.Random(seed)  # noqa: S311
        self._messages = (
            Delivery(
                chance.choice(topics), payload, len(payload), NOW_US + n, 1, n, 1, chance.random() < 0.02
            )
            for n, payload in enumerate(payloads(count, seed))
        )
        self.acknowledged = 0

    async def take(self, most: int, pace_s: float = 0.0) -> list[Delivery]:  # noqa: ARG002
        return list(islice(self._messages, most))

    def ack(self, batch: Sequence[Delivery]) -> None:
        assert [delivery.mid for delivery in batch] == list(
            range(self.acknowledged, self.acknowledged + len(batch))
        ), "in order, each once"
        self.acknowledged += len(batch)

    def wake(self) -> None:
        pass


async def sensors(site: Site) -> None:
    """Have sensors that read the topics in different ways."""
    await site.sensor("plain")
    await site.sensor("keys", value_pointer="/temp", time_pointer="/at")
    for name, pointer in (("first", "/v"), ("deep", "/more/a/0"), ("index", "/0")):
        await site.sensor(name, topic=site.topic("shared"), value_pointer=pointer)


async def take_all(site: Site, count: int, seed: int) -> dict[str, int]:
    """Let a writer take fuzzed messages; return what became of them, each message once."""
    source = Fuzzed(site, count, seed)
    writer = Writer(site.store, FixedClock(NOW), site.settings, source, asyncio.Event())
    outcomes = {"messages": count, "readings": 0, "faulty": 0}
    await writer.run()
    outcomes |= {"acknowledged": source.acknowledged, "readings": writer.counts.readings}
    outcomes |= {"faulty": writer.counts.dead_letters, "good": writer.counts.good}
    return outcomes


async def run(count: int, seed: int) -> dict[str, Any]:
    """Take fuzzed messages into a SQLite file of its own; return what became of them."""
    with TemporaryDirectory(prefix="evenleaf-fuzz-") as folder:
        store = Store.open(f"sqlite+aiosqlite:///{Path(folder) / 'fuzz.sqlite3'}")
        try:
            await upgrade(store)
            site = await make_site(store)
            await sensors(site)
            outcomes = await take_all(site, count, seed)
            assert outcomes["acknowledged"] == outcomes["good"] + outcomes["faulty"] == count, outcomes
            return outcomes
        finally:
            await store.close()
