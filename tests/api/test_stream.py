"""The stream of changes: in the order of commits, resumed where it broke off, within the farm, ended at the end."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, date, datetime
from typing import Any

import httpx
import pytest
import uvicorn
from litestar import Litestar

from service.records.changes import changes_after
from service.records.store import Store
from service.records.tables import Farm, House, Task
from tests.api.farm import Place, made, problem_of, token_headers


@asynccontextmanager
async def serving(app: Litestar) -> AsyncIterator[str]:
    """Serve the application on a real socket: the transport of tests would wait for the end of the stream."""
    config = uvicorn.Config(app, port=0, log_config=None, lifespan="off", timeout_graceful_shutdown=5)
    server = uvicorn.Server(config)
    server.capture_signals = _none  # type: ignore[method-assign,assignment]
    task = asyncio.create_task(server.serve())
    while not server.started:  # noqa: ASYNC110 - uvicorn offers no event
        await asyncio.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        app.state.stopping.set()
        server.should_exit = True
        await task


class _none:  # noqa: N801
    def __enter__(self) -> None:
        """Capture none."""

    def __exit__(self, *_: object) -> None:
        """Release none."""


async def events(answer: httpx.Response, count: int) -> list[dict[str, Any]]:
    """Read so many events of a stream."""
    found: list[dict[str, Any]] = []
    current: dict[str, Any] = {}
    async with asyncio.timeout(30):
        async for line in answer.aiter_lines():
            if not line and current:
                found.append(current)
                current = {}
                if len(found) == count:
                    break
            elif ": " in line and not line.startswith(":"):
                key, value = line.split(": ", 1)
                current[key] = json.loads(value) if key == "data" else value
    return found


async def add_task(client: httpx.AsyncClient, place: Place, title: str = "Seed") -> dict[str, Any]:
    """Put a task on the list."""
    body = {"houseId": place.house["id"], "kind": "seed", "dueOn": "2026-09-14", "title": title}
    return await made(client, "/v1/tasks", body)


async def test_changes_are_followed_and_resumed(
    app: Litestar, client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    async with serving(app) as url:
        there = await token_headers(client, scopes=["read"], farmId=place.farm["id"])
        async with httpx.AsyncClient(base_url=url, timeout=30, headers=there) as follower:
            async with follower.stream("GET", "/v1/events-stream") as answer:
                assert answer.headers["content-type"].startswith("text/event-stream")
                (here,) = await events(answer, 1)
            assert here["event"] == "here"
            first = await add_task(client, place)
            await add_task(client, other_place)
            await client.post(f"/v1/tasks/{first['id']}/done")
            resume = {"Last-Event-ID": here["id"]}
            async with follower.stream("GET", "/v1/events-stream", headers=resume) as answer:
                _, one, two = await events(answer, 3)
            data = {"kind": "task", "id": first["id"], "houseId": place.house["id"], "batchId": None}
            assert (one["event"], one["data"]) == ("change", {**data, "what": "made"})
            assert two["data"] == {**data, "what": "changed"}
            async with follower.stream("GET", "/v1/events-stream", params={"after": one["id"]}) as answer:
                _, again = await events(answer, 2)
            assert again == two
            far = {"Last-Event-ID": "999999"}
            async with follower.stream("GET", "/v1/events-stream", headers=far) as answer:
                (reset,) = await events(answer, 1)
            assert reset["event"] == "reset"
            wrong = await follower.get("/v1/events-stream", headers={"Last-Event-ID": "yesterday"})
            problem_of(wrong, 400, "/Last-Event-ID")
            follower.headers.pop("authorization")
            assert (await follower.get("/v1/events-stream")).status_code == 401


async def test_a_stream_ends_when_the_service_does(app: Litestar, client: httpx.AsyncClient) -> None:
    async with httpx.AsyncClient(timeout=30, headers=dict(client.headers)) as follower:
        async with serving(app) as url:
            request = follower.build_request("GET", f"{url}/v1/events-stream")
            answer = await follower.send(request, stream=True)
            await events(answer, 1)
            began = asyncio.get_running_loop().time()
        assert (
            asyncio.get_running_loop().time() - began < 4.0
        )  # not the five seconds of the server's patience
        await answer.aclose()


async def test_what_is_rolled_back_is_no_change_and_ids_rise_with_the_commits(store: Store) -> None:
    async with store.write() as uow:
        farm = Farm(name="A", created_at=datetime(2026, 1, 1, tzinfo=UTC))
        uow.session.add(farm)
        await uow.flush()
        house = House(farm_id=farm.id, name="H", code="H", latitude_deg=0.0, longitude_deg=0.0)
        uow.session.add(house)
    with pytest.raises(RuntimeError):  # noqa: PT012
        async with store.write() as uow:
            uow.session.add(_task(house, "never"))
            await uow.flush()
            raise RuntimeError

    async def write(n: int) -> None:
        async with store.write() as uow:
            uow.session.add(_task(house, str(n)))
            await uow.flush()
            await asyncio.sleep(0.02 * (5 - n) if store.dialect == "postgresql" else 0)
            uow.session.add(_task(house, f"{n} again"))

    seen: list[int] = []
    ended = asyncio.Event()

    async def follow() -> None:
        last = 0
        while True:
            done = ended.is_set()
            async with store.read() as uow:
                for change in await changes_after(uow, farm.id, last, 500):
                    last = change.id
                    if change.kind == "task":
                        seen.append(change.row_id)
            if done:
                return
            await asyncio.sleep(0.005)

    following = asyncio.create_task(follow())
    await asyncio.gather(*(write(n) for n in range(5)))
    ended.set()
    await following
    assert len(seen) == len(set(seen)) == 10  # a follower misses none, whoever commits first


def _task(house: House, title: str) -> Task:
    return Task(house_id=house.id, kind="seed", due_on=date(2026, 9, 14), title=title)
