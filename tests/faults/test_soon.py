"""What is recorded is forecast some seconds later, by the process that took it, without a periodic run."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.clock import FixedClock
from service.process import running_service
from service.records.calibration import keep_evidence
from service.records.conditions import save_hours
from service.records.store import Store
from service.settings import Settings
from service.soon import RESTS, forecasting_soon
from service.work.access import SYSTEM
from service.work.batches import create_batch
from service.work.crops import create_cultivar
from service.work.places import create_house
from service.work.reforecast import Reforecaster
from tests.api.farm import made
from tests.api.farm import make_place as make_place_over_http
from tests.services import free_port
from tests.work.conftest import Place, make_place
from tests.work.test_marks import hour


class Forecasts:
    """Notes which houses are forecast, and when."""

    def __init__(self, fails: int = 0) -> None:
        self.houses: list[int] = []
        self.fails = fails

    async def __call__(self, house_id: int) -> None:
        """Note it; fail as often as is wanted."""
        self.houses.append(house_id)
        if len(self.houses) <= self.fails:
            raise RuntimeError("it cannot be computed")


async def until(true: Callable[[], bool], seconds: float = 10.0) -> None:
    """Wait until something holds."""
    async with asyncio.timeout(seconds):
        while not true():  # noqa: ASYNC110 - seen from outside
            await asyncio.sleep(0.01)


@pytest.fixture
async def place(sqlite_store: Store, clock: FixedClock) -> Place:
    """Have a farm with one house."""
    return await make_place(sqlite_store, clock, "Alder Farm")


async def seed(store: Store, clock: FixedClock, place: Place, code: str) -> int:
    """Seed a batch."""
    async with store.write() as uow:
        values = {"succession_id": place.succession.id, "seeded_at": clock.now(), "code": code}
        return (await create_batch(uow, clock, SYSTEM, values)).batch.id


@asynccontextmanager
async def served(url: str, folder: Path) -> AsyncIterator[httpx.AsyncClient]:
    """Run a service on a database whose next periodic run is a day away, and a client that may do everything."""
    settings = Settings(
        database_url=url, data_dir=folder, ingest=False, port=free_port(), reforecast_minutes=1440.0, members=10,
        horizon_days=60,
    )  # fmt: skip
    async with running_service(settings) as service, httpx.AsyncClient(base_url=service.url) as client:
        client.headers["authorization"] = f"Bearer {service.first_token}"
        yield client


async def test_a_batch_that_is_posted_has_its_dates_some_seconds_later(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.process.forecasting_soon", partial(forecasting_soon, quiet_s=0.2))
    async with served(database_url, tmp_path) as client:
        place = await make_place_over_http(client, "Alder Farm")
        batch = await made(client, "/v1/batches", {"successionId": place.succession["id"]})
        found: list[Any] = []
        async with asyncio.timeout(30):
            while not found:
                await asyncio.sleep(0.05)  # what the outside sees
                found = (await client.get(f"/v1/batches/{batch['id']}/forecasts")).json()["items"]
        line = (await client.get(f"/v1/houses/{place.house['id']}/line")).json()
        assert line["batches"][0]["transplant"]["p50"]
        assert line["advice"]


async def test_a_burst_gives_one_run(sqlite_store: Store, clock: FixedClock, place: Place) -> None:
    forecasts = Forecasts()
    async with forecasting_soon(sqlite_store, forecasts, quiet_s=0.3, longest_s=60.0):
        for n in range(5):
            await seed(sqlite_store, clock, place, f"A{n}")
        await until(lambda: bool(forecasts.houses))
        await asyncio.sleep(0.4)
    assert forecasts.houses == [place.house.id]


async def test_a_place_that_is_never_quiet_is_not_waited_for(
    sqlite_store: Store, clock: FixedClock, place: Place
) -> None:
    forecasts = Forecasts()
    async with forecasting_soon(sqlite_store, forecasts, quiet_s=60.0, longest_s=0.1):
        await seed(sqlite_store, clock, place, "A")
        await until(lambda: forecasts.houses == [place.house.id])


async def test_one_failure_is_logged_and_the_next_is_done(
    sqlite_store: Store, clock: FixedClock, place: Place, caplog: pytest.LogCaptureFixture
) -> None:
    forecasts = Forecasts(fails=1)
    async with forecasting_soon(sqlite_store, forecasts, quiet_s=0.0):
        with caplog.at_level(logging.ERROR):
            await seed(sqlite_store, clock, place, "A")
            await until(lambda: len(forecasts.houses) == 1)
        await seed(sqlite_store, clock, place, "B")
        await until(lambda: len(forecasts.houses) == 2)
    assert f"re-forecast of house {place.house.id} failed" in caplog.text
    assert sqlite_store.hearers == []


async def test_what_is_of_the_farm_is_forecast_in_all_its_houses(
    sqlite_store: Store, clock: FixedClock, place: Place
) -> None:
    async with sqlite_store.write() as uow:
        other = await create_house(uow, SYSTEM, {**place.house_values, "code": "N2"})
    forecasts = Forecasts()
    async with forecasting_soon(sqlite_store, forecasts, quiet_s=0.0):
        async with sqlite_store.write() as uow:
            await create_cultivar(uow, SYSTEM, {"crop_id": place.crop.id, "name": "Other"})
        await until(lambda: len(forecasts.houses) == 2)
    assert forecasts.houses == [place.house.id, other.id]


async def test_neither_hours_nor_conclusions_are_heard(store: Store, clock: FixedClock) -> None:
    place = await make_place(store, clock, "Alder Farm")
    batch_id = await seed(store, clock, place, "A")
    heard: list[Any] = []
    store.hearers.append(heard.append)
    async with store.write() as uow:
        await save_hours(
            uow, [hour(place.channels.id, clock.now() - timedelta(hours=n), 21.0) for n in (1, 30)]
        )
        await keep_evidence(
            uow, [{"batch_id": batch_id, "input_key": "x", "made_at": clock.now(), "pieces": []}]
        )
    await Reforecaster(store, clock, 10, 30).house(place.house.id)
    assert heard == []


async def test_what_is_taken_back_is_not_heard(sqlite_store: Store, clock: FixedClock, place: Place) -> None:
    heard: list[Any] = []
    sqlite_store.hearers.append(heard.append)
    with contextlib.suppress(ZeroDivisionError):
        async with sqlite_store.write() as uow:
            await create_cultivar(uow, SYSTEM, {"crop_id": place.crop.id, "name": "Other"})
            await uow.flush()
            raise ZeroDivisionError
    assert heard == []


async def test_much_to_do_leaves_most_of_the_time_to_who_serves(
    sqlite_store: Store, clock: FixedClock, place: Place
) -> None:
    begun = list[float]()

    async def forecast(_house_id: int) -> None:
        begun.append(asyncio.get_running_loop().time())
        await asyncio.sleep(0.1)

    async with forecasting_soon(sqlite_store, forecast, quiet_s=0.0, longest_s=0.0):
        for code in "AB":
            await seed(sqlite_store, clock, place, code)
            await until(lambda: len(begun) == ord(code) - ord("A") + 1)  # noqa: B023 - awaited here
    assert begun[1] - begun[0] >= 0.1 * (1 + RESTS) * 0.99
