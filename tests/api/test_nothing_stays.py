"""Nothing stays in memory of a request that has been answered: one object of each would fill it in weeks."""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Awaitable, Callable

import httpx
import pytest

from tests.api.farm import Place, made
from tests.conftest import DATABASES

# What the database's driver keeps shows in the soak.
pytestmark = pytest.mark.parametrize("database_url", DATABASES[:1], indirect=True)

TIMES = 60


async def test_no_object_stays_of_an_answered_request(client: httpx.AsyncClient, place: Place) -> None:
    body = {"successionId": place.succession["id"], "seededOn": "2026-09-01", "cellsPerTray": 50}
    batch = await made(client, "/v1/batches", body)
    house, number, at = place.house["id"], 0, "2026-09-01T08:00:00Z"

    async def use() -> None:
        nonlocal number
        for some in range(TIMES):  # of paths, the framework keeps the last thousand or so
            number += 1
            entry = {"kind": "leaves_counted", "leaves": 2.0, "happenedAt": at, "note": f"looked {number}"}
            way = f"/v1/batches/{batch['id']}/entries"
            for answer, status in (
                (await client.get(f"/v1/houses/{house}/line"), 200),
                (await client.get("/v1/batches", params={"houseId": house, "limit": 1 + some}), 200),
                (await client.get("/v1/alerts", params={"bogus": 1}), 400),
                (await client.get(f"/v1/batches/{1000 + some}"), 404),
                (await client.get(f"/v1/nothing/{some}"), 404),
                (await client.options("/v1/batches"), 204),
                (await client.post(way, json={**entry, "kind": f"bogus {number}"}), 400),
                (await client.post(way, json=entry, headers={"Idempotency-Key": f"key-{number}"}), 201),
                (await client.get("/health/ready"), 200),
                (await client.get("/metrics"), 200),
            ):
                assert answer.status_code == status, f"{answer.url} {answer.text}"

    before = await _objects(use)
    after = await _objects(use)
    grown = {name: count - before[name] for name, count in after.items() if count - before[name] >= TIMES}
    assert grown == {}


async def _objects(use: Callable[[], Awaitable[None]]) -> Counter[str]:
    await use()
    gc.collect()
    return Counter(f"{type(o).__module__}.{type(o).__qualname__}" for o in gc.get_objects())
