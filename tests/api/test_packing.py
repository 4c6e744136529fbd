"""Packed lots, deliveries and fulfilment over HTTP."""

from __future__ import annotations

from typing import Any

import httpx

from service.records.store import Store
from tests.api.farm import Json, Place, made, problem_of, refused, token_headers


async def harvest(client: httpx.AsyncClient, place: Place) -> Json:
    """Seed, transplant and harvest 100 heads, and return the entry of the harvest."""
    batch = await made(
        client, "/v1/batches", {"successionId": place.succession["id"], "seededAt": "2026-08-01T06:00:00Z"}
    )
    path = f"/v1/batches/{batch['id']}/entries"
    for body in (
        {"kind": "transplanted", "plants": 180, "happenedAt": "2026-08-15T06:00:00Z"},
        {"kind": "harvested", "plants": 100, "weightG": 150, "happenedAt": "2026-09-10T06:00:00Z"},
    ):
        answer = await client.post(path, json=body)
        assert answer.status_code == 201, answer.text
    entries = (await client.get(path)).json()
    items = entries["items"] if isinstance(entries, dict) else entries
    found: Json = next(e for e in items if e["kind"] == "harvested")
    return found


def lot_body(place: Place, entry: Json, heads: int = 90, **more: Any) -> Json:
    return {"houseId": place.house["id"], "harvests": [{"entryId": entry["id"], "heads": heads}], **more}


async def test_a_lot_is_packed_changed_and_delivered(client: httpx.AsyncClient, place: Place) -> None:
    entry = await harvest(client, place)
    answer = await client.post("/v1/packed-lots", json=lot_body(place, entry, gtin="9521234543213"))
    assert answer.status_code == 201, answer.text
    lot = answer.json()
    assert answer.headers["location"] == f"/v1/packed-lots/{lot['id']}"
    assert (lot["code"], lot["heads"], lot["leftHeads"]) == ("N1-260914-01", 90, 90)
    assert lot["harvests"] == [{"entryId": entry["id"], "heads": 90}]

    changed = await client.patch(
        answer.headers["location"], json={"packedWhere": "Table"}, headers={"if-match": '"1"'}
    )
    assert (changed.json()["packedWhere"], changed.headers["etag"]) == ("Table", '"2"')
    problem_of(await client.patch(answer.headers["location"], json={}, headers={"if-match": '"1"'}), 412)

    order = await made(
        client,
        "/v1/orders",
        {
            "farmId": place.farm["id"],
            "cropId": place.crop["id"],
            "buyer": "Market hall",
            "heads": 100,
            "dates": ["2026-09-14", "2026-09-21"],
            "price": 0.9,
            "priceCurrency": "EUR",
            "priceUnit": "head",
        },
    )
    body = {"packedLotId": lot["id"], "orderId": order["id"], "heads": 80}
    delivery = await made(client, "/v1/deliveries", body)
    assert (delivery["forOn"], delivery["heads"], delivery["version"]) == ("2026-09-14", 80, 1)
    read = await client.get(f"/v1/deliveries/{delivery['id']}")
    assert (read.json(), read.headers["etag"]) == (delivery, '"1"')
    listed = (
        await client.get("/v1/deliveries", params={"orderId": order["id"], "from": "2026-09-14"})
    ).json()
    assert listed == {"items": [delivery], "next": None}
    lots = (await client.get("/v1/packed-lots", params={"code": lot["code"]})).json()["items"]
    assert [(item["deliveredHeads"], item["leftHeads"]) for item in lots] == [(80, 10)]

    span = {"from": "2026-09-08", "to": "2026-09-30"}
    shown = (await client.get(f"/v1/orders/{order['id']}/fulfilment", params=span)).json()
    assert (shown["fillRate"], shown["surplus"], shown["daysDue"], shown["value"]) == (0.8, 0.0, 1, 72.0)
    assert [(d["on"], d["due"], d["shortfall"]) for d in shown["days"]] == [
        ("2026-09-14", True, 20.0),
        ("2026-09-21", False, 100.0),
    ]
    farm = (await client.get(f"/v1/farms/{place.farm['id']}/fulfilment", params=span)).json()
    assert farm["orders"] == [shown]
    assert farm["crops"][0]["undelivered"] == 10
    problem_of(
        await client.get(
            f"/v1/orders/{order['id']}/fulfilment", params={"from": "2026-09-08", "to": "2026-09-01"}
        ),
        422,
        "/to",
    )


async def test_what_cannot_be_is_refused(client: httpx.AsyncClient, store: Store, place: Place) -> None:
    entry = await harvest(client, place)
    lot = await made(client, "/v1/packed-lots", lot_body(place, entry))
    delivery = await made(
        client, "/v1/deliveries", {"packedLotId": lot["id"], "heads": 80, "recipient": "School kitchen"}
    )
    lots, one = "/v1/packed-lots", f"/v1/packed-lots/{lot['id']}"
    await refused(
        client,
        store,
        [
            ("POST", lots, lot_body(place, entry, 11), 422, "/harvests"),
            ("POST", lots, lot_body(place, entry, 1, code="a b"), 422, "/code"),
            ("POST", lots, lot_body(place, entry, 1, gtin="9521234543210"), 422, "/gtin"),
            ("POST", lots, {**lot_body(place, entry, 1), "heads": 3}, 400, "/heads"),
            ("POST", lots, lot_body(place, entry, 1, code=lot["code"]), 409, "/code"),
            ("PATCH", one, {"code": "x"}, 400, "/code"),
            ("PATCH", one, {"harvests": []}, 422, "/harvests"),
            (
                "POST",
                "/v1/deliveries",
                {"packedLotId": lot["id"], "heads": 11, "recipient": "x"},
                422,
                "/heads",
            ),
            ("POST", "/v1/deliveries", {"packedLotId": lot["id"], "heads": 1}, 422, "/recipient"),
            ("PATCH", f"/v1/deliveries/{delivery['id']}", {"heads": 91}, 422, "/heads"),
            ("PATCH", f"/v1/deliveries/{delivery['id']}", {"orderId": 1}, 400, "/orderId"),
        ],
    )


async def test_who_may(client: httpx.AsyncClient, place: Place, other_place: Place) -> None:
    entry = await harvest(client, place)
    lot = await made(client, "/v1/packed-lots", lot_body(place, entry))
    reader = await token_headers(client, scopes=["read"], farmId=place.farm["id"])
    problem_of(await client.post("/v1/packed-lots", json=lot_body(place, entry, 1), headers=reader), 403)
    assert (await client.get("/v1/packed-lots", headers=reader)).json()["items"] == [lot]
    stranger = await token_headers(client, scopes=["write"], farmId=other_place.farm["id"])
    for path in (
        f"/v1/packed-lots/{lot['id']}",
        "/v1/deliveries/1",
        f"/v1/farms/{place.farm['id']}/fulfilment",
        "/v1/orders/1/fulfilment",
    ):
        problem_of(await client.get(path, headers=stranger), 404)
    assert (await client.get("/v1/packed-lots", headers=stranger)).json()["items"] == []
    body = {"packedLotId": lot["id"], "heads": 1, "recipient": "x"}
    problem_of(await client.post("/v1/deliveries", json=body, headers=stranger), 422, "/packedLotId")
    problem_of(
        await client.post("/v1/packed-lots", json=lot_body(place, entry, 1), headers=stranger),
        422,
        "/houseId",
    )
