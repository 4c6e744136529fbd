"""How fast readings come in, beside what the same broker, client library and database do alone.

Every contender drains a backlog of the same messages from a Mosquitto with our configuration, each a backlog of its
own, in turn, on a PostgreSQL with its default durability and on SQLite.
"""

from __future__ import annotations

import asyncio
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import asyncpg
from sqlalchemy import make_url

from service.records.migrate import upgrade
from service.records.partitions import ensure_months
from service.records.store import Store
from tests import services
from tests.ingest.flood import flood
from tests.ingest.mosquitto import Broker
from tests.ingest.rig import Site, make_site

ROOT = Path(__file__).parents[2]
SENSORS = 100
START = datetime(2026, 1, 1, tzinfo=UTC)
COPY_ROWS = 4000
AS_SHIPPED = {"PYTHONOPTIMIZE": "2", "MALLOC_ARENA_MAX": "1"}
"""How the shipped units run an ingest; other clients are run so as well."""


@dataclass
class Place:
    """A store with sensors to measure into."""

    kind: str
    url: str
    site: Site
    sensor_ids: list[int]


class Bench:
    """Servers and places, and what drains a backlog into them."""

    def __init__(self, folder: Path, broker: Broker, postgresql: services.LocalPostgresql) -> None:
        self.folder, self.broker, self.postgresql = folder, broker, postgresql
        self.numbers = iter(range(1_000_000))

    # ------------------------------------------------------------------ places and messages

    def place(self, kind: str) -> Place:
        """Return a fresh migrated store with sensors."""
        number = next(self.numbers)
        if kind == "sqlite":
            url = f"sqlite+aiosqlite:///{self.folder / f'{number}.sqlite3'}"
        else:
            asyncio.run(self._admin(f"CREATE DATABASE bench_{number}"))
            url = make_url(self.postgresql.url).set(database=f"bench_{number}").render_as_string(False)
        return asyncio.run(_fill(kind, url))

    def drop(self, place: Place) -> None:
        if place.kind == "postgresql":
            asyncio.run(self._admin(f"DROP DATABASE {make_url(place.url).database} WITH (FORCE)"))
        else:
            for file in self.folder.glob(f"{Path(make_url(place.url).database or '').name}*"):
                file.unlink()

    async def _admin(self, statement: str) -> None:
        connection = await asyncpg.connect(_plain(self.postgresql.url))
        try:
            await connection.execute(statement)
        finally:
            await connection.close()

    def session(self, prefix: str) -> str:
        """Have a session at the broker that keeps the messages; return its client id."""
        client_id = f"bench-{next(self.numbers)}"
        self._sub(prefix, client_id, "-E")
        return client_id

    def end(self, prefix: str, client_id: str) -> None:
        """End a session: else the next backlog queues in it too, and the broker stands still whenever it saves all."""
        self._sub(prefix, client_id, "-E", keep=False)

    def backlog(self, prefix: str, count: int, samples: int = 1) -> None:
        published = flood(self.broker.url, messages(prefix, count, samples))
        assert published == count, f"the broker took {published} of {count}"

    # ------------------------------------------------------------------ contenders

    def ours(self, place: Place, count: int, samples: int, reader: str) -> dict[str, Any]:
        client_id = self.session(place.site.prefix)
        self.backlog(place.site.prefix, count, samples)
        found = self._process(
            "ours", place.url, self.broker.url, place.site.prefix, client_id, reader, str(count), "-"
        )
        found["rate"] = count * samples / found["seconds"]
        found["cpuUs"] = found["cpuS"] / count * 1e6
        stored = asyncio.run(_stored(place.url))
        assert stored == count * samples, f"{stored} rows of {count * samples}"
        return found

    def paho(self, count: int) -> dict[str, Any]:
        client_id = self.session("paho")
        self.backlog("paho", count)
        found = self._process("paho", self.broker.url, "paho", client_id, str(count))
        self.end("paho", client_id)
        found["rate"] = count / found["seconds"]
        return found

    def mosquitto_sub(self, count: int) -> dict[str, Any]:
        client_id = self.session("sub")
        self.backlog("sub", count)
        begun = time.perf_counter()
        self._sub("sub", client_id, "-C", str(count))
        rate = count / (time.perf_counter() - begun)
        self.end("sub", client_id)
        return {"rate": rate}

    def steady(self, place: Place, rate: int, seconds: float, mode: str) -> dict[str, Any]:
        client_id = self.session(place.site.prefix)
        count = int(rate * seconds)
        process = self._start(
            "ours", place.url, self.broker.url, place.site.prefix, client_id, "fast", str(count), mode
        )
        time.sleep(4.0)  # until it is connected and quiet
        publishing = subprocess.run(
            [
                sys.executable,
                "-m",
                "tests.bench.ingest_steady",
                self.broker.url,
                place.site.prefix,
                str(rate),
                str(count),
            ],
            cwd=ROOT,
            env=_environment(),
            check=True,
        )
        assert publishing.returncode == 0
        return self._result(process)

    def copy_and_merge(self, place: Place, count: int) -> float:
        """Return the rows a second of asyncpg's COPY into a staging table and a merge, rows at hand."""
        rows = [
            (
                place.sensor_ids[number % SENSORS],
                START + timedelta(seconds=number // SENSORS * 5),
                20 + number % 1000 / 100,
            )
            for number in range(count)
        ]
        return asyncio.run(_copy_and_merge(place.url, rows))

    def _process(self, *given: str) -> dict[str, Any]:
        return self._result(self._start(*given))

    def _start(self, *given: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "tests.bench.ingest_process", *given],
            cwd=ROOT,
            env={**_environment(), **AS_SHIPPED},
            stdout=subprocess.PIPE,
            text=True,
        )

    def _result(self, process: subprocess.Popen[str]) -> dict[str, Any]:
        out, _ = process.communicate(timeout=900)
        assert process.returncode == 0, "a contender failed"
        found: dict[str, Any] = json.loads(out)
        return found

    def _sub(self, prefix: str, client_id: str, *more: str, keep: bool = True) -> None:
        command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(self.broker.port), "-i", client_id]
        command += [*(["-c"] if keep else []), "-q", "1", "-t", f"{prefix}/#", *more]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def messages(prefix: str, count: int, samples: int) -> Iterator[tuple[str, bytes]]:
    """Yield messages of a hundred sensors in turn, of one sample or of arrays of samples."""
    for number in range(count):
        topic, turn = f"{prefix}/s{number % SENSORS}", number // SENSORS
        if samples == 1:
            at = (START + timedelta(seconds=turn * 5)).isoformat()
            yield topic, f'{{"t": "{at}", "v": {20 + number % 1000 / 100}}}'.encode()
        else:
            rows = [
                [
                    (START + timedelta(seconds=(turn * samples + n) * 5)).isoformat(),
                    20 + (number + n) % 1000 / 100,
                ]
                for n in range(samples)
            ]
            yield topic, json.dumps(rows).encode()


async def _fill(kind: str, url: str) -> Place:
    store = Store.open(url)
    try:
        await upgrade(store)
        site = await make_site(store)
        ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(SENSORS)]
        if kind == "postgresql":
            async with store.write() as uow:
                await ensure_months(uow, START, START + timedelta(days=400))
        return Place(kind, url, site, ids)
    finally:
        await store.close()


async def _stored(url: str) -> int:
    store = Store.open(url)
    try:
        async with store.read() as uow:
            from service.records.conditions import readings_count

            return await readings_count(uow)
    finally:
        await store.close()


async def _copy_and_merge(url: str, rows: Sequence[tuple[int, datetime, float]]) -> float:
    connection = await asyncpg.connect(_plain(url))
    try:
        await connection.execute(
            "CREATE TEMP TABLE incoming (sensor_id bigint, at timestamptz, value float8)"
        )
        begun = time.perf_counter()
        for start in range(0, len(rows), COPY_ROWS):
            async with connection.transaction():
                await connection.execute("TRUNCATE incoming")
                await connection.copy_records_to_table("incoming", records=rows[start : start + COPY_ROWS])
                await connection.execute(
                    "INSERT INTO reading (sensor_id, at, value) SELECT * FROM incoming"
                    " ON CONFLICT (sensor_id, at) DO UPDATE SET value = excluded.value"
                )
        return len(rows) / (time.perf_counter() - begun)
    finally:
        await connection.close()


def _plain(url: str) -> str:
    return make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


@contextmanager
def bench() -> Iterator[Bench]:
    """Have the servers."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="evenleaf-bench-")))
        folder.chmod(0o755)
        (folder / "mosquitto").mkdir()
        (folder / "postgresql").mkdir()
        broker = Broker(folder / "mosquitto")
        postgresql = services.LocalPostgresql(folder / "postgresql", durable=True)
        for server in (broker, postgresql):
            stack.callback(server.stop)
            server.start()
        yield Bench(folder, broker, postgresql)


def measure(count: int, repeats: int, fuzzed: int) -> dict[str, Any]:
    """Return what the rates are beside those of the others in the same run, a store at a time."""
    found: dict[str, Any] = {"messages": count, "repeats": repeats}
    with bench() as here:
        # One after the other and again, so that what else the machine does falls on all alike; medians count.
        paho = [here.paho(count // 4)["rate"] for _ in range(repeats)]
        sub: list[float] = []
        copied: list[float] = []
        runs: dict[str, list[dict[str, Any]]] = {}
        for _ in range(repeats):
            sub.append(here.mosquitto_sub(count)["rate"])
            place = here.place("postgresql")
            copied.append(here.copy_and_merge(place, count))
            here.drop(place)
            for kind in ("postgresql", "sqlite"):
                for name, messages_count, samples, reader in (
                    ("fast", count, 1, "fast"),
                    ("stock", count // 4, 1, "stock"),
                    ("array", count // 50, 50, "fast"),
                ):
                    place = here.place(kind)
                    runs.setdefault(f"{kind} {name}", []).append(
                        here.ours(place, messages_count, samples, reader)
                    )
                    here.drop(place)
        found |= {
            "pahoDrainPerS": statistics.median(paho),
            "mosquittoSubPerS": statistics.median(sub),
            "copyMergePerS": statistics.median(copied),
        }
        for kind in ("postgresql", "sqlite"):
            fast, stock, array = (
                statistics.median(run["rate"] for run in runs[f"{kind} {name}"])
                for name in ("fast", "stock", "array")
            )
            quiet = _steady(here, kind, "normal")
            quick = _steady(here, kind, "low")
            found[kind] = {
                "messagesPerS": fast,
                "cpuUsPerMessage": statistics.median(run["cpuUs"] for run in runs[f"{kind} fast"]),
                "stockMessagesPerS": stock,
                "arrayRowsPerS": array,
                "ratioToPahoDrain": stock / found["pahoDrainPerS"],
                "ratioToMosquittoSub": fast / found["mosquittoSubPerS"],
                "arrayRatioToCopyMerge": array / found["copyMergePerS"],
                "peakMb": max(run["peakMb"] for run in runs[f"{kind} fast"]),
                "ofThatMappedMb": max(run["mappedMb"] for run in runs[f"{kind} fast"]),
                "steadyP50Ms": quiet["p50Ms"],
                "steadyP99Ms": quiet["p99Ms"],
                "steadyCpuShare": quiet["cpuShare"],
                "lowLatencyP99Ms": quick["p99Ms"],
                "lowLatencyCpuShare": quick["cpuShare"],
            }
    if fuzzed:
        from tests.ingest.fuzz import run

        found["fuzz"] = asyncio.run(run(fuzzed, seed=1))
    return found


def _steady(here: Bench, kind: str, mode: str) -> dict[str, Any]:
    place = here.place(kind)
    try:
        return here.steady(place, 500, 20.0, mode)
    finally:
        here.drop(place)


def faults() -> str:
    """Try every fault at its whole size; return the last line of what the tests say."""
    tried = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--timeout=1800", "tests/faults"],
        cwd=ROOT,
        env={**_environment(), "EVENLEAF_TEST_WHOLE": "1"},
        check=False,
        capture_output=True,
        text=True,
    )
    return tried.stdout.strip().splitlines()[-1]
