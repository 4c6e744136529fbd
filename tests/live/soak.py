"""Ten times a large farm's load for long: does memory stay flat, does any error come, is all stored?

A large farm here: 10 houses, 100 zones, 1,000 sensors that each publish once a minute (17 messages a second), and 20
screens and phones that each ask every ten seconds (2 requests a second, one in ten a record). Ten times that: 100
houses, 10,000 sensors, 167 messages and 20 requests a second, at one ``evenleaf serve`` and one ``evenleaf ingest`` on
one PostgreSQL and one Mosquitto, with the clock of the machine and the intervals as they are shipped.
"""

from __future__ import annotations

import asyncio
import random
import statistics
import time
from contextlib import AsyncExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import func, insert, select

from ingest.broker import BrokerHandle
from service.clock import SystemClock
from service.records.conditions import touched_hours_left
from service.records.leases import unfinished
from service.records.store import Store
from service.records.tables import Entry, JobLease, Reading, Sensor
from service.work.access import SYSTEM, create_token
from service.work.batches import create_batch
from service.work.places import create_house, create_zone
from service.work.programme import create_succession
from service.work.reforecast import JOB
from tests.live.running import Client, Process, Publisher, answers, cpu_s, rss_mb, until
from tests.services import free_port
from tests.work.conftest import make_place

FARMS, HOUSES, ZONES = 10, 10, 10
SENSED = (
    ("temp_air_c", "degC", 21.0),
    ("ppfd_umol", "umol m-2 s-1", 180.0),
    ("humidity_pct", "%", 70.0),
    ("co2_ppm", "ppm", 600.0),
    ("temp_solution_c", "degC", 19.0),
    ("ph", "pH", 5.9),
    ("ec_ms_cm", "mS cm-1", 1.8),
    ("oxygen_mg_l", "mg L-1", 8.0),
    ("flow_l_min", "L min-1", 12.0),
    ("pressure_kpa", "kPa", 150.0),
)
EVERY_S = 60.0
REQUESTS_S = 20.0
SCREEN_S = 2.0  # between two requests of one of 40 connections, each of which stands for five screens
RECORDS_OF_REQUESTS = 0.1
SAMPLE_S = 5.0
SETTLE_S = 20.0  # in which every screen has asked some times, and what is kept for it is there
PERIODIC_S = 960.0  # in which every periodic run has met the load once
LONG_S = 1800.0  # so long a soak is measured only after that


async def soak(
    store: Store, url: str, broker: BrokerHandle, folder: Path, seconds: float, batches: int = 6
) -> dict[str, Any]:
    """Load it for so many seconds after it has warmed up (the first forecasts are made), and check what is there.

    Parameters
    ----------
    store, url
        A migrated PostgreSQL store of one's own, and its URL.
    broker
        A Mosquitto.
    folder
        Where logs may lie.
    batches
        Live batches of each house.

    Returns
    -------
    dict
        Figures; ``serveGrowth`` and ``ingestGrowth``: median memory of the last third over that of the first.

    Raises
    ------
    AssertionError
        If an error was logged or answered, or anything is missing or there twice.
    """
    clock = SystemClock()
    async with AsyncExitStack() as stack:
        prefix = f"soak-{free_port()}"
        sensors, made = await _farms(store, prefix, batches)
        async with store.write() as uow:
            _, secret = await create_token(uow, clock, SYSTEM, "load", ["read", "record"], None)
        common = {
            "EVENLEAF_DATABASE_URL": url,
            "EVENLEAF_MQTT_URL": broker.url,
            "EVENLEAF_MQTT_TOPIC": f"{prefix}/#",
        }
        port = str(free_port())
        own = {**common, "EVENLEAF_PORT": port, "EVENLEAF_INGEST": "false"}
        serve = Process("serve", ["serve"], own, folder / "serve")
        ingest = Process("ingest", ["ingest"], common, folder / "ingest")
        for process in (serve, ingest):
            stack.push_async_callback(process.clean_up)
            await process.start()
        service = f"http://127.0.0.1:{port}"
        await until("the service is ready", lambda: answers(service), 120.0)
        publisher = Publisher(broker.url)
        stack.callback(publisher.close)
        client = Client([service], secret)
        stack.push_async_callback(client.close)
        await asyncio.sleep(3.0)  # until the ingest has subscribed

        stop = asyncio.Event()
        used: dict[str, list[float]] = {"serve": [], "ingest": []}
        records: list[str] = []
        begun = time.monotonic()
        async with asyncio.TaskGroup() as group:
            group.create_task(_publish(publisher, sensors, stop))
            await _warm(store, FARMS * HOUSES)
            warm_s = time.monotonic() - begun
            group.create_task(_use(client, made, records, stop))
            await asyncio.sleep(PERIODIC_S if seconds >= LONG_S else SETTLE_S)
            cpu = {p.name: cpu_s(p.pid) for p in (serve, ingest)}
            sent, asked = publisher.sent, client.answers
            client.seconds.clear()
            measuring = time.monotonic()
            while time.monotonic() - measuring < seconds:
                await asyncio.sleep(SAMPLE_S)
                for process in (serve, ingest):
                    used[process.name].append(rss_mb(process.pid))
            lasted = time.monotonic() - measuring
            cpu = {p.name: (cpu_s(p.pid) - cpu[p.name]) / lasted for p in (serve, ingest)}
            sent, asked = publisher.sent - sent, client.answers - asked
            async with store.read() as uow:
                behind = publisher.taken - (await uow.session.scalar(_COUNT) or 0)
            stop.set()
        await publisher.all_taken()

        async def stored() -> bool:
            async with store.read() as uow:
                count = await uow.session.scalar(_COUNT) or 0
                return count >= publisher.sent and await touched_hours_left(uow) == 0

        await until("all readings are stored and their hours computed", stored, 180.0)
        codes = [await process.stop() for process in (serve, ingest)]
        assert codes == [0, 0], codes
        complaints = [line for process in (serve, ingest) for line in process.complaints()]
        assert not complaints, "\n".join(complaints[:5])
        async with store.read() as uow:
            assert await uow.session.scalar(_COUNT) == publisher.sent
            kept = (await uow.session.scalars(select(Entry.note).where(Entry.kind == "leaves_counted"))).all()
        assert sorted(note or "" for note in kept) == sorted(records)
    waits = sorted(client.seconds)
    return {
        "houses": FARMS * HOUSES,
        "sensors": len(sensors),
        "batches": FARMS * HOUSES * batches,
        "warmUpS": round(warm_s),
        "seconds": round(lasted),
        "messagesS": round(sent / lasted, 1),
        "requestsS": round(asked / lasted, 1),
        "records": len(records),
        "messagesBehindAtTheEnd": behind,
        "requestP50Ms": round(1e3 * waits[len(waits) // 2], 1),
        "requestP99Ms": round(1e3 * waits[int(len(waits) * 0.99)], 1),
        **{f"{name}Cores": round(share, 3) for name, share in cpu.items()},
        **{f"{name}Mb": round(statistics.median(of), 1) for name, of in used.items()},
        **{f"{name}MbByTwelfth": twelfths(of) for name, of in used.items()},
        **{f"{name}Growth": round(growth(of), 4) for name, of in used.items()},
    }


_COUNT = select(func.count()).select_from(Reading)


def growth(samples: list[float]) -> float:
    """Return the median of the last third over that of the first."""
    third = max(1, len(samples) // 3)
    return statistics.median(samples[-third:]) / statistics.median(samples[:third])


def twelfths(samples: list[float]) -> list[float]:
    """Return the medians of the twelfths, in order."""
    return [round(float(np.median(part)), 1) for part in np.array_split(samples, 12) if part.size]


async def _farms(store: Store, prefix: str, batches: int) -> tuple[list[tuple[str, float]], list[int]]:
    """Make the farms; return topics with a usual value, and the batches."""
    clock = SystemClock()
    today = datetime.now(UTC).date()
    topics: list[tuple[str, float]] = []
    made: list[int] = []
    for farm in range(FARMS):
        place = await make_place(store, clock, f"{prefix} {farm}")  # type: ignore[arg-type]
        for number in range(HOUSES):
            rows: list[dict[str, Any]] = []
            async with store.write() as uow:
                house, zones, succession = place.house, [place.nursery, place.channels], place.succession
                if number:
                    values = {**place.house_values, "code": f"N{number + 1}", "name": f"House {number + 1}"}
                    house, zones = await create_house(uow, SYSTEM, values), []
                for n in range(len(zones), ZONES):
                    kind = "channels" if n else "nursery"
                    zone = {"house_id": house.id, "name": f"Zone {n}", "code": f"z{n}", "kind": kind}
                    zones.append(
                        await create_zone(uow, SYSTEM, {**zone, "capacity": 9000, "plants_m2": 25.0})
                    )
                if number:
                    own = {
                        "house_id": house.id,
                        "nursery_zone_id": zones[0].id,
                        "channels_zone_id": zones[1].id,
                    }
                    succession = await create_succession(uow, SYSTEM, {**place.succession_values, **own})
                for zone_row in zones:
                    for quantity, unit, usual in SENSED:
                        topic = f"{prefix}/{house.id}/{zone_row.id}/{quantity}"
                        topics.append((topic, usual))
                        rows.append(
                            {
                                "house_id": house.id,
                                "zone_id": zone_row.id,
                                "name": f"{zone_row.code} {quantity}",
                                "quantity": quantity,
                                "unit": unit,
                                "topic": topic,
                                "interval_s": EVERY_S,
                            }
                        )
                await uow.session.execute(insert(Sensor), rows)
                for n in range(batches):
                    batch = {
                        "succession_id": succession.id,
                        "seeded_on": today - timedelta(days=3 + 3 * n),
                        "code": f"B{n}",
                        "cells": 60,
                    }
                    made.append((await create_batch(uow, clock, SYSTEM, batch)).batch.id)
    return topics, made


async def _warm(store: Store, houses: int) -> None:
    """Wait until every house was forecast once."""

    kept = select(func.count()).select_from(JobLease)

    async def done() -> bool:
        async with store.read() as uow:
            forecast = await uow.session.scalar(
                kept.where(JobLease.job == JOB, JobLease.input_key.is_not(None))
            )
            return forecast == houses and await unfinished(uow, JOB) == 0

    await until("all houses are forecast", done, 1800.0, pause_s=2.0)


async def _publish(publisher: Publisher, sensors: list[tuple[str, float]], stop: asyncio.Event) -> None:
    """Let every sensor publish once in its time, evenly spread."""
    rng = random.Random(1)  # noqa: S311
    begun = time.monotonic()
    sent = 0
    while not stop.is_set():
        due = int((time.monotonic() - begun) * len(sensors) / EVERY_S)
        for number in range(sent, due):
            topic, usual = sensors[number % len(sensors)]
            value = round(usual * rng.uniform(0.99, 1.01), 3)
            at = begun + number * EVERY_S / len(sensors) - time.monotonic() + time.time()
            publisher.publish(topic, f'{{"value": {value}, "time": {at:.3f}}}')
        sent = max(sent, due)
        await asyncio.sleep(0.05)


async def _use(client: Client, batches: list[int], records: list[str], stop: asyncio.Event) -> None:
    """Read and record as many screens do, each of which waits for its answer before it asks again."""
    per_house = len(batches) // (FARMS * HOUSES)
    screens = round(REQUESTS_S * SCREEN_S)

    async def screen(which: int) -> None:
        rng = random.Random(which)  # noqa: S311
        await asyncio.sleep(rng.uniform(0.0, SCREEN_S))
        number = 0
        while not stop.is_set():
            asked = time.monotonic()
            batch = rng.randrange(len(batches))
            if rng.random() >= RECORDS_OF_REQUESTS:
                house = batch // per_house + 1
                path = rng.choice(
                    (f"houses/{house}/line", f"batches?houseId={house}", f"alerts?houseId={house}")
                )
                await client.ask("GET", f"/v1/{path}")
            else:
                note = f"soak {which}-{number}"
                at = (datetime.now(UTC) - timedelta(seconds=1)).isoformat()
                entry = {"kind": "leaves_counted", "happenedAt": at, "leaves": 2.0, "note": note}
                headers = {"Idempotency-Key": note}
                way = f"/v1/batches/{batches[batch]}/entries"
                await client.ask("POST", way, json=entry, headers=headers)
                records.append(note)
            number += 1
            await asyncio.sleep(max(0.0, asked + SCREEN_S - time.monotonic()))

    async with asyncio.TaskGroup() as group:
        for which in range(screens):
            group.create_task(screen(which))
