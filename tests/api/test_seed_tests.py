"""Germination tests and seed in store, asked through the API."""

from __future__ import annotations

import httpx
import pytest

from service.records.store import Store
from tests.api.farm import all_rows, problem_of, token_headers

STORED = {"kind": "lettuce", "germinationPercent": 98, "moisturePercent": 6, "tempC": 20, "days": 365}


async def test_a_germination_test_is_judged_and_not_kept(client: httpx.AsyncClient, store: Store) -> None:
    before = await all_rows(store)
    answer = await client.post("/v1/seed-tests", json={"germinated": [86, 97, 91, 90], "kind": "lettuce"})
    assert answer.status_code == 200, answer.text
    assert answer.json() == {
        "meanPercent": 91.0,
        "rangePercent": 11,
        "toleratedRangePercent": 11,
        "tolerated": True,
        "standardPercent": 80,
        "meetsStandard": True,
    }
    assert await all_rows(store) == before
    reader = await token_headers(client, scopes=["read"])
    asked = await client.post("/v1/seed-tests", json={"germinated": [90, 80]}, headers=reader)
    assert asked.json()["tolerated"] is True


async def test_a_test_that_cannot_be_is_refused(client: httpx.AsyncClient) -> None:
    for body, status, field in [
        ({"germinated": [90, 90, 90]}, 422, "/germinated"),
        ({"germinated": [90, 90, 90, 90], "kind": "basil"}, 422, "/kind"),
        ({"germinated": "90"}, 400, "/germinated"),
    ]:
        problem_of(await client.post("/v1/seed-tests", json=body), status, field)


async def test_seed_in_store(client: httpx.AsyncClient) -> None:
    answer = await client.get("/v1/seed-viability", params=STORED)
    assert answer.status_code == 200, answer.text
    found = [v["germinationPercent"] for v in answer.json()["items"]]
    assert found == pytest.approx([95.5, 92.6], abs=0.06)
    problem_of(
        await client.get("/v1/seed-viability", params={**STORED, "moisturePercent": 2}),
        422,
        "/moisturePercent",
    )
    problem_of(await client.get("/v1/seed-viability", params={**STORED, "kind": "basil"}), 400, "/kind")
