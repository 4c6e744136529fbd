"""What every test may ask for: a clock, a migrated store on each database, a broker."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any, TypeVar

import asyncpg
import pytest
from hypothesis import HealthCheck, settings
from sqlalchemy import make_url

from service.clock import FixedClock
from service.records.migrate import upgrade
from service.records.store import Store
from tests import services

# Taken out of the environment, so that the settings under test, and the processes that tests start, are those
# that the test gives and not those of the person who runs it.
GIVEN = {name: os.environ.pop(name) for name in list(os.environ) if name.startswith("EVENLEAF_")}
REQUIRED = {name.strip() for name in GIVEN.get("EVENLEAF_TEST_REQUIRE", "").split(",") if name.strip()}

# Where a machine is busy for a moment, that says nothing of a law.
settings.register_profile("evenleaf", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("evenleaf")

Result = TypeVar("Result")
DATABASES = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)]


def pytest_configure() -> None:
    """Let a run that is told to stop (a time limit, a closed session) stop the servers it has started.

    As an interrupt from the keyboard does, for which asyncio has a handler while a loop runs: it cancels the task. An
    exception raised wherever the program happens to be would as likely as not be in the middle of the driver's
    protocol, whose state is then broken: three of seven such processes never ended.
    """
    signal.signal(signal.SIGTERM, lambda *_: signal.raise_signal(signal.SIGINT))


@pytest.fixture
def clock() -> FixedClock:
    """Return a clock that stands at 06:00 UTC on a Monday in September."""
    return FixedClock(datetime(2026, 9, 14, 6, tzinfo=UTC))


# --------------------------------------------------------------------------- servers


@dataclass(frozen=True)
class PostgresqlServer:
    """A PostgreSQL server that gives each test a database, copied from a migrated one."""

    url: str
    template: str = f"evenleaf_test_{os.getpid()}"
    numbers: Iterator[int] = field(default_factory=count)

    def url_of(self, database: str) -> str:
        """Return the SQLAlchemy URL of a database of this server."""
        return make_url(self.url).set(database=database).render_as_string(hide_password=False)

    @contextmanager
    def database(self, *, migrated: bool = True) -> Iterator[str]:
        """Have a database of one's own; yields its SQLAlchemy URL."""
        name = f"{self.template}_{next(self.numbers)}"
        source = self.template if migrated else "template0"
        self.execute(f"CREATE DATABASE {name} TEMPLATE {source}")
        try:
            yield self.url_of(name)
        finally:
            self.execute(f"DROP DATABASE {name} WITH (FORCE)")

    def execute(self, statement: str) -> None:
        """Run a statement outside a transaction."""
        run_apart(self._execute(statement))

    async def _execute(self, statement: str) -> None:
        address = make_url(self.url).set(drivername="postgresql").render_as_string(hide_password=False)
        connection = await asyncpg.connect(address)
        try:
            await connection.execute(statement)
        finally:
            await connection.close()


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[PostgresqlServer]:
    """Have a PostgreSQL server with a migrated template database."""
    with _service("postgresql", services.postgresql) as url:
        server = PostgresqlServer(url)
        server.execute(f"CREATE DATABASE {server.template} TEMPLATE template0")
        try:
            run_apart(_migrate(server.url_of(server.template)))
            yield server
        finally:
            server.execute(f"DROP DATABASE {server.template} WITH (FORCE)")


@pytest.fixture(scope="session")
def mosquitto_url() -> Iterator[str]:
    """Have a Mosquitto broker, shared by the session: use topics and client ids of your own."""
    with _service("mosquitto", services.mosquitto) as url:
        yield url


@pytest.fixture
def mosquitto_server(tmp_path: Path) -> Iterator[services.LocalMosquitto]:
    """Have a local Mosquitto of one's own, which the test may stop, kill and start again."""
    with _service("mosquitto", lambda _environ: _started(services.LocalMosquitto(tmp_path))) as server:
        yield server


@contextmanager
def _started(server: services.LocalMosquitto) -> Iterator[services.LocalMosquitto]:
    server.start()
    try:
        yield server
    finally:
        server.stop()


@contextmanager
def _service(
    name: str, have: Callable[[Mapping[str, str]], AbstractContextManager[Result]]
) -> Iterator[Result]:
    """Have a service; where it cannot be had, skip, or fail if it is required."""
    with ExitStack() as stack:
        try:
            service = stack.enter_context(have(GIVEN))
        except services.Unavailable as reason:
            if name in REQUIRED:
                pytest.fail(f"{name} is required: {reason}", pytrace=False)
            pytest.skip(f"{name}: {reason}")
        yield service


# --------------------------------------------------------------------------- stores


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a migrated SQLite file, to be copied."""
    file = tmp_path_factory.mktemp("template") / "evenleaf.sqlite3"
    run_apart(_migrate(f"sqlite+aiosqlite:///{file}"))
    return file


@pytest.fixture
def sqlite_url(sqlite_template: Path, tmp_path: Path) -> str:
    """Return the URL of a fresh migrated SQLite database."""
    return f"sqlite+aiosqlite:///{shutil.copy(sqlite_template, tmp_path / 'evenleaf.sqlite3')}"


@pytest.fixture
def postgresql_url(postgresql_server: PostgresqlServer) -> Iterator[str]:
    """Have a fresh migrated PostgreSQL database; yields its URL."""
    with postgresql_server.database() as url:
        yield url


@pytest.fixture(params=DATABASES)
def database_url(request: pytest.FixtureRequest) -> str:
    """Return the URL of a fresh migrated database, once on each of the two databases."""
    url: str = request.getfixturevalue(f"{request.param}_url")
    return url


@pytest.fixture(params=DATABASES)
def empty_database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Have a database without tables, once on each of the two databases; yields its URL."""
    if request.param == "sqlite":
        yield f"sqlite+aiosqlite:///{tmp_path / 'empty.sqlite3'}"
    else:
        server: PostgresqlServer = request.getfixturevalue("postgresql_server")
        with server.database(migrated=False) as url:
            yield url


@pytest.fixture
async def store(database_url: str) -> AsyncIterator[Store]:
    """Have a fresh migrated store, once on each of the two databases."""
    async with open_store(database_url) as opened:
        yield opened


@pytest.fixture
async def empty_store(empty_database_url: str) -> AsyncIterator[Store]:
    """Have a store without tables, once on each of the two databases."""
    async with open_store(empty_database_url) as opened:
        yield opened


@pytest.fixture
async def sqlite_store(sqlite_url: str) -> AsyncIterator[Store]:
    """Have a fresh migrated SQLite store."""
    async with open_store(sqlite_url) as opened:
        yield opened


@pytest.fixture
async def postgresql_store(postgresql_url: str) -> AsyncIterator[Store]:
    """Have a fresh migrated PostgreSQL store."""
    async with open_store(postgresql_url) as opened:
        yield opened


@asynccontextmanager
async def open_store(url: str) -> AsyncIterator[Store]:
    """Open a store and close it again: what is left open keeps the process alive."""
    opened = Store.open(url)
    try:
        yield opened
    finally:
        await opened.close()


async def _migrate(url: str) -> None:
    async with open_store(url) as opened:
        await upgrade(opened)


def run_apart(work: Coroutine[Any, Any, Result]) -> Result:
    """Run a coroutine in a loop of its own, whether or not one is running here."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result()
