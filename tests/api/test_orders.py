"""Orders over HTTP."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from service.records.store import Store
from tests.api.farm import Json, Place, all_rows, made, problem_of, token_headers


def order_body(place: Place, **more: Any) -> Json:
    """Return what takes an order of 150 heads on Tuesdays and Fridays."""
    return {
        "farmId": place.farm["id"],
        "cropId": place.crop["id"],
        "buyer": "Market hall",
        "heads": 150,
        "weekdays": [2, 5],
        "startsOn": "2026-09-01",
        **more,
    }


DATES = {"weekdays": None, "startsOn": None, "dates": ["2026-09-26", "2026-10-03"]}


async def test_an_order_is_taken_read_listed_and_changed(client: httpx.AsyncClient, place: Place) -> None:
    body = order_body(place, price=0.85, priceCurrency="EUR", priceUnit="head", note="in crates of 12")
    answer = await client.post("/v1/orders", json=body)
    assert answer.status_code == 201, answer.text
    first = answer.json()
    nothing = {"weightKg": None, "dates": None, "endsOn": None}
    assert first == {**body, **nothing, "id": 1, "active": True, "version": 1}
    assert answer.headers["location"] == "/v1/orders/1"
    assert answer.headers["etag"] == '"1"'

    read = await client.get("/v1/orders/1")
    assert (read.json(), read.headers["etag"]) == (first, '"1"')
    assert (await client.get("/v1/orders")).json() == {"items": [first], "next": None}

    change = {**DATES, "heads": None, "weightKg": 25.5}
    changed = await client.patch("/v1/orders/1", json=change, headers={"if-match": '"1"'})
    assert changed.status_code == 200, changed.text
    assert changed.json() == {**first, **change, "version": 2}
    problem_of(await client.patch("/v1/orders/1", json=change, headers={"if-match": '"1"'}), 412)
    called_off = await client.patch("/v1/orders/1", json={"active": False})
    assert called_off.json() == {**changed.json(), "active": False, "version": 3}
    assert called_off.headers["etag"] == '"3"'


@pytest.mark.parametrize(
    ("change", "status", "field"),
    [
        ({"weightKg": 12.5}, 422, "/weightKg"),
        ({"heads": None}, 422, "/heads"),
        ({"heads": "150"}, 400, "/heads"),
        ({"heads": 1.5}, 400, "/heads"),
        ({"weekdays": [8]}, 422, "/weekdays"),
        ({"weekdays": ["Monday"]}, 400, "/weekdays/0"),
        ({"startsOn": "soon"}, 400, "/startsOn"),
        ({"startsOn": None}, 422, "/startsOn"),
        ({"endsOn": "2026-08-31"}, 422, "/endsOn"),
        ({"dates": ["2026-09-26"]}, 422, "/weekdays"),
        ({**DATES, "dates": []}, 422, "/dates"),
        ({**DATES, "dates": ["26.9.2026"]}, 400, "/dates/0"),
        ({"price": 0.85, "priceUnit": "head"}, 422, "/priceCurrency"),
        ({"price": 0.85, "priceCurrency": "euro", "priceUnit": "head"}, 422, "/priceCurrency"),
        ({"priceUnit": "crate"}, 400, "/priceUnit"),
        ({"cropId": 99}, 422, "/cropId"),
        ({"farmId": 99}, 422, "/farmId"),
        ({"version": 3}, 400, "/version"),
    ],
)
async def test_an_order_that_cannot_be_is_refused(
    client: httpx.AsyncClient, store: Store, place: Place, change: Json, status: int, field: str
) -> None:
    before = await all_rows(store)
    problem_of(await client.post("/v1/orders", json=order_body(place, **change)), status, field)
    assert await all_rows(store) == before


async def test_orders_come_in_pages_and_can_be_narrowed(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    for where in (place, other_place, place):
        await made(client, "/v1/orders", order_body(where))
    await made(client, "/v1/orders", order_body(place, active=False))

    async def listed(**params: Any) -> tuple[list[int], int | None]:
        answer = (await client.get("/v1/orders", params=params)).json()
        return [item["id"] for item in answer["items"]], answer["next"]

    assert await listed(farmId=place.farm["id"], limit=2) == ([1, 3], 3)
    assert await listed(farmId=place.farm["id"], limit=2, after=3) == ([4], None)
    assert await listed(cropId=other_place.crop["id"]) == ([2], None)
    assert await listed(active=True) == ([1, 2, 3], None)
    problem_of(await client.get("/v1/orders?limit=0"), 422, "/limit")


async def test_another_farms_orders_look_as_if_they_were_not_there(
    client: httpx.AsyncClient, open_client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    mine = await made(client, "/v1/orders", order_body(place))
    theirs = await made(client, "/v1/orders", order_body(other_place))
    headers = await token_headers(client, scopes=["write"], farmId=place.farm["id"])
    path = f"/v1/orders/{theirs['id']}"
    problem_of(await client.get(path, headers=headers), 404)
    problem_of(await client.patch(path, json={"heads": 1}, headers=headers), 404)
    problem_of(await client.post("/v1/orders", json=order_body(other_place), headers=headers), 422, "/farmId")
    assert (await client.get("/v1/orders", headers=headers)).json()["items"] == [mine]
    problem_of(await client.get("/v1/orders/99"), 404)

    reader = await token_headers(client, scopes=["read"])
    problem_of(await client.post("/v1/orders", json=order_body(place), headers=reader), 403)
    problem_of(await client.patch(path, json={"heads": 1}, headers=reader), 403)
    del open_client.headers["authorization"]
    problem_of(await open_client.get("/v1/orders"), 401)
