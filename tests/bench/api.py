"""How fast the API reads: 50 houses with 5 years of hours, batches, ledgers, forecasts and advice.

Three reads, each asked of all houses in turn: the line, the batches, the advice. ``p99Ms``: of 50 requests a second,
sent when they are due whether or not earlier ones were answered. ``ratioToEmptyHandler``: requests a second over
eight connections, against a handler of the same framework that answers nothing, in the same run and server.
``emptyP99Ms``: of the empty handler at the same rate, which is what the machine itself adds just then.
``...WhileWriting``: the same while another process commits hours twenty times a second, as an ingest does.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import itertools
import json
import os
import random
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import insert, literal, select, text, update

from service.clock import FixedClock, SimulatedClock
from service.records.migrate import upgrade
from service.records.store import Store, UnitOfWork
from service.records.tables import (
    Advice,
    Batch,
    Crop,
    Entry,
    Farm,
    Forecast,
    Hour,
    House,
    Succession,
    Zone,
)
from service.work.access import first_token

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
SUCCESSIONS = 3  # of each house
LIVE = 8  # batches of each succession that are not finished
FORECASTS = 5  # kept of each batch
RATE_S = 50.0
CONNECTIONS = 8
READS = ("line", "batches", "advice")

# --------------------------------------------------------------------------- data


async def fill(store: Store, houses: int, years: int) -> str:
    """Make the houses and their past; return a token."""
    weeks = 52 * years
    async with store.write() as uow:
        token = await first_token(uow, FixedClock(NOW))
        uow.session.add(Farm(name="Alder Farm", created_at=NOW))
        await uow.flush()
        uow.session.add(Crop(farm_id=1, name="Butterhead", profile="butterhead"))
        await uow.flush()
        for number in range(1, houses + 1):
            house = House(
                farm_id=1, name=f"House {number}", code=f"h{number}", latitude_deg=52.0, longitude_deg=5.0
            )
            uow.session.add(house)
            await uow.flush()
            zones = [
                Zone(house_id=house.id, name=kind, code=kind, kind=kind, capacity=9000, plants_m2=25.0)
                for kind in ("nursery", "channels")
            ]
            uow.session.add_all(zones)
            await uow.flush()
            for which in range(SUCCESSIONS):
                uow.session.add(
                    Succession(
                        house_id=house.id,
                        crop_id=1,
                        nursery_zone_id=zones[0].id,
                        channels_zone_id=zones[1].id,
                        name=f"Succession {which}",
                        heads_per_harvest=150,
                        harvest_interval_days=7.0,
                        seeding_interval_days=7.0,
                        seeding_weekdays=[1, 4],
                        cells_per_seeding=200,
                        keep_share=0.8,
                    )
                )
            await uow.flush()
    assert token is not None
    for number in range(1, houses + 1):
        async with store.write() as uow:
            await _hours(uow, number, years)
            await _batches(uow, number, weeks)
    async with store.engine.begin() as connection:
        await connection.execute(text("ANALYZE"))
    return token


async def _hours(uow: UnitOfWork, house: int, years: int) -> None:
    if house > 1:  # the same weather as in the first, copied where it lies
        for kind in (0, 1):
            copied = select(literal(2 * house - 1 + kind), *list(Hour.__table__.c)[1:]).where(
                Hour.zone_id == 1 + kind
            )
            await uow.session.execute(insert(Hour).from_select([c.name for c in Hour.__table__.c], copied))
        return
    moments = [NOW - timedelta(hours=h) for h in range(years * 8760, 0, -1)]
    for zone in (2 * house - 1, 2 * house):
        rows = [
            {
                "zone_id": zone,
                "at": at,
                "temp_mean_c": 20.0,
                "temp_min_c": 19.0,
                "temp_max_c": 21.0,
                "temp_coverage": 1.0,
                "light_mol": 0.5,
                "light_coverage": 1.0,
            }
            for at in moments
        ]
        await uow.session.execute(insert(Hour.__table__), rows)  # type: ignore[arg-type]


async def _batches(uow: UnitOfWork, house: int, weeks: int) -> None:
    batches: list[dict[str, Any]] = []
    entries: list[dict[str, Any]] = []
    forecasts: list[dict[str, Any]] = []
    advice: list[dict[str, Any]] = []
    first = (house - 1) * SUCCESSIONS * weeks + 1
    for which in range(SUCCESSIONS):
        succession = (house - 1) * SUCCESSIONS + which + 1
        for week in range(weeks):
            batch = first + which * weeks + week
            seeded = (NOW - timedelta(weeks=weeks - week)).date()
            live = week >= weeks - LIVE
            stage = "finished" if not live else "channels" if week < weeks - 3 else "nursery"
            batches.append(_batch(batch, house, succession, f"{which}-{week}", seeded, stage))
            entries += _ledger(batch, seeded, stage, 2 * house)
            forecasts += [_forecast(batch, seeded, which, n) for n in range(FORECASTS)]
            advice.append(_advice(succession, seeded))
    for table, rows in ((Batch, batches), (Entry, entries), (Forecast, forecasts), (Advice, advice)):
        await uow.session.execute(insert(table.__table__), rows)  # type: ignore[arg-type]


def _batch(batch: int, house: int, succession: int, code: str, seeded: date, stage: str) -> dict[str, Any]:
    return {
        "id": batch,
        "house_id": house,
        "succession_id": succession,
        "code": code,
        "seeded_on": seeded,
        "cells": 200,
        "created_at": _at(seeded),
        "stage": stage,
        "version": 3,
    }


def _at(day: date, days: float = 0.0) -> datetime:
    return datetime(day.year, day.month, day.day, 8, tzinfo=UTC) + timedelta(days=days)


def _ledger(batch: int, seeded: date, stage: str, zone: int) -> list[dict[str, Any]]:
    plain = {"recorded_by": "crew", "void": False, "weight_g": None, "leaves": None, "zone_id": None}
    facts: list[dict[str, Any]] = [
        {**plain, "kind": "seeded", "plants": 200, "happened_at": _at(seeded)},
        {**plain, "kind": "emergence_counted", "plants": 190, "happened_at": _at(seeded, 4)},
        {**plain, "kind": "leaves_counted", "plants": 20, "leaves": 4.0, "happened_at": _at(seeded, 14)},
    ]
    if stage != "nursery":
        facts.append(
            {**plain, "kind": "transplanted", "plants": 160, "zone_id": zone, "happened_at": _at(seeded, 18)}
        )
    if stage == "finished":
        facts.append(
            {**plain, "kind": "harvested", "plants": 160, "weight_g": 210.0, "happened_at": _at(seeded, 55)}
        )
    return [{**fact, "batch_id": batch, "recorded_at": fact["happened_at"]} for fact in facts]


def _forecast(batch: int, seeded: date, which: int, number: int) -> dict[str, Any]:
    def points(days: float) -> dict[str, str]:
        return {
            name: (_at(seeded, days + by)).isoformat() for name, by in (("p10", -3), ("p50", 0), ("p90", 4))
        }

    events = {"emergence": 4, "window_open": 15, "window_close": 19, "transplant": 18, "harvest": 55 + which}
    return {
        "batch_id": batch,
        "made_at": _at(seeded, number * 7),
        "input_key": f"{batch}-{number}",
        "horizon_days": 120,
        "points": {name: points(days) for name, days in events.items()},
        "state": {
            "leaves": {"p10": 3.9, "p50": 4.2, "p90": 4.5},
            "freshG": {"p10": 40.0, "p50": 46.0, "p90": 52.0},
        },
        "parameters": {"profile": "butterhead", "leaf": 1.0, "growth": 1.0},
        "reasons": [
            "Measured over the last 7 days: 13.3 mol m-2 d-1 and 21.5 °C; expected were 15.0 and 21.0."
        ],
    }


def _advice(succession: int, seeded: date) -> dict[str, Any]:
    return {
        "succession_id": succession,
        "made_at": _at(seeded),
        "input_key": f"{succession}-{seeded}",
        "decision": "shorten",
        "binding": "continuity",
        "interval_days": 7.0,
        "advised_interval_days": 5.5,
        "cells_per_seeding": 200,
        "from_on": seeded,
        "probability": 0.9,
        "seedings": [],
        "outcome": {},
        "reasons": [
            "A seeding made now is forecast to take 57 days to harvest; each day later 0.79 days longer."
        ],
    }


# --------------------------------------------------------------------------- servers


def serve(url: str, port: int) -> None:
    """Serve the API, and an empty handler beside it; called in a process of its own."""
    import uvicorn
    from litestar import Litestar, get

    from service.app import create_app
    from service.settings import Settings

    @get("/")
    async def empty() -> None:
        return None

    async def run() -> None:
        store = Store.open(url)
        app = create_app(store, SimulatedClock(NOW, 1.0, time.time()), Settings(requests_per_minute=0))
        servers = [
            uvicorn.Server(
                uvicorn.Config(
                    one, port=port + n, log_level="warning", access_log=False, timeout_keep_alive=3600
                )
            )
            for n, one in enumerate((app, Litestar([empty], openapi_config=None, logging_config=None)))
        ]
        gc.collect()
        gc.freeze()  # as the service does once it runs
        await asyncio.gather(*(server.serve() for server in servers))
        await store.close()

    asyncio.run(run())


@contextlib.contextmanager
def serving(url: str, port: int) -> Iterator[None]:
    """Have them served."""
    code = f"from tests.bench.api import serve; serve({url!r}, {port})"
    process = subprocess.Popen([sys.executable, "-c", code], env=os.environ)
    try:
        for at in (port, port + 1):
            deadline = time.monotonic() + 120.0
            while True:
                with socket.socket() as probe:
                    if probe.connect_ex(("127.0.0.1", at)) == 0:
                        break
                if time.monotonic() > deadline or process.poll() is not None:
                    raise RuntimeError("it does not serve")
                time.sleep(0.1)
        yield
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(20.0)
        except subprocess.TimeoutExpired:
            process.kill()


# --------------------------------------------------------------------------- load


class Connection:
    """A kept connection that sends requests one after another."""

    def __init__(self, port: int, token: str) -> None:
        self._port = port
        self._head = f"Host: 127.0.0.1\r\nAuthorization: Bearer {token}\r\n\r\n"
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None

    async def get(self, path: str) -> int:
        """Return the status of the answer."""
        if self._writer is None:
            self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self._port)
        assert self._reader is not None
        self._writer.write(f"GET {path} HTTP/1.1\r\n{self._head}".encode())
        head = (await self._reader.readuntil(b"\r\n\r\n")).decode("latin-1")
        for line in head.split("\r\n"):
            if line.lower().startswith("content-length:"):
                await self._reader.readexactly(int(line.split(":")[1]))
        return int(head.split(" ", 2)[1])

    def close(self) -> None:
        """Close it."""
        if self._writer is not None:
            self._writer.close()


async def throughput(port: int, token: str, path: Callable[[], str], seconds: float) -> float:
    """Return requests a second over some connections, each sending as soon as it is answered."""
    connections = [Connection(port, token) for _ in range(CONNECTIONS)]
    ends = time.monotonic() + seconds
    done = 0

    async def run(connection: Connection) -> None:
        nonlocal done
        while time.monotonic() < ends:
            assert await connection.get(path()) in (200, 204)
            done += 1

    began = time.monotonic()
    await asyncio.gather(*(run(connection) for connection in connections))
    for connection in connections:
        connection.close()
    return done / (time.monotonic() - began)


async def latencies(port: int, token: str, path: Callable[[], str], seconds: float) -> list[float]:
    """Return how long each of so many requests a second took, from when it was due. [ms]"""
    free: list[Connection] = []
    taken: list[float] = []

    async def ask(due: float) -> None:
        connection = free.pop() if free else Connection(port, token)
        assert await connection.get(path()) in (200, 204)
        taken.append(1000.0 * (time.monotonic() - due))
        free.append(connection)

    began = time.monotonic() + 0.1
    tasks = []
    for number in range(int(seconds * RATE_S)):
        due = began + number / RATE_S
        await asyncio.sleep(max(0.0, due - time.monotonic()))
        tasks.append(asyncio.create_task(ask(due)))
    await asyncio.gather(*tasks)
    for connection in free:
        connection.close()
    return taken


@contextlib.asynccontextmanager
async def writing(store: Store, houses: int) -> AsyncIterator[None]:
    """Have twenty commits a second, as an ingest makes them: of an hour, of one house after another."""

    async def write() -> None:
        for number in itertools.count():
            async with store.write() as uow:
                zone = 1 + number % (2 * houses)
                statement = update(Hour).where(Hour.zone_id == zone, Hour.at == NOW - timedelta(hours=1))
                await uow.session.execute(statement.values(temp_mean_c=20.0 + number % 7))
            await asyncio.sleep(0.05)

    task = asyncio.create_task(write())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def _p99(taken: list[float]) -> float:
    return sorted(taken)[int(0.99 * (len(taken) - 1))]


async def _measure(url: str, token: str, houses: int, seconds: float, port: int) -> dict[str, object]:
    luck = random.Random(1)  # noqa: S311 - not a secret
    paths: dict[str, Callable[[], str]] = {
        "line": lambda: f"/v1/houses/{luck.randint(1, houses)}/line",
        "batches": lambda: f"/v1/batches?houseId={luck.randint(1, houses)}&limit=50",
        "advice": lambda: f"/v1/successions/{luck.randint(1, houses * SUCCESSIONS)}/advice?limit=1",
    }
    found: dict[str, object] = {"houses": houses, "emptyPerS": 0.0}
    empties: list[float] = []
    floor: list[float] = []
    store = Store.open(url)
    try:
        for name, path in paths.items():
            quiet, busy = [], []
            floor.append(_p99(await latencies(port + 1, token, lambda: "/", seconds / 2)))
            for _ in range(3):
                empty = await throughput(port + 1, token, lambda: "/", seconds / 10)
                empties.append(empty)
                await throughput(port, token, path, seconds / 5)  # every house is asked for once
                quiet.append(await throughput(port, token, path, seconds / 10) / empty)
                async with writing(store, houses):
                    busy.append(await throughput(port, token, path, seconds / 10) / empty)
            taken = await latencies(port, token, path, seconds)
            async with writing(store, houses):
                written = await latencies(port, token, path, seconds)
            found[name] = {
                "p50Ms": round(statistics.median(taken), 2),
                "p99Ms": round(_p99(taken), 2),
                "p99WhileWritingMs": round(_p99(written), 2),
                "ratioToEmptyHandler": round(statistics.median(quiet), 3),
                "ratioWhileWriting": round(statistics.median(busy), 3),
            }
    finally:
        await store.close()
    found["emptyPerS"] = round(statistics.median(empties))
    found["emptyP99Ms"] = round(max(floor), 2)
    return found


def measure(houses: int, years: int, seconds: float, postgresql: str | None = None) -> dict[str, object]:
    """Fill a store, serve it, and measure the reads."""
    with tempfile.TemporaryDirectory(prefix="evenleaf-bench-") as folder:
        url = postgresql or f"sqlite+aiosqlite:///{Path(folder) / 'bench.sqlite3'}"

        async def prepare() -> str:
            store = Store.open(url)
            try:
                await upgrade(store)
                return await fill(store, houses, years)
            finally:
                await store.close()

        began = time.monotonic()
        token = asyncio.run(prepare())
        filled = time.monotonic() - began
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        with serving(url, port):
            found = asyncio.run(_measure(url, token, houses, seconds, port))
    return {
        "years": years,
        "store": "postgresql" if postgresql else "sqlite",
        "fillS": round(filled, 1),
        **found,
    }


if __name__ == "__main__":
    print(json.dumps(measure(3, 1, 3.0)))
