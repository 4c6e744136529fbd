"""Packed lots, deliveries and fulfilment over HTTP."""

from __future__ import annotations

import csv
import io
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

    for packed, found in (("2026-09-14T06:00:00Z", 1), ("2026-09-14T06:00:01Z", 0)):
        answer = await client.get("/v1/packed-lots", params={"from": packed})
        assert len(answer.json()["items"]) == found
        answer = await client.get("/v1/packed-lots", params={"to": packed})
        assert len(answer.json()["items"]) == 1 - found

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


async def test_a_wrong_count_is_corrected_and_what_was_said_stays_in_the_trail(
    client: httpx.AsyncClient, place: Place
) -> None:
    entry = await harvest(client, place)
    lot = await made(client, "/v1/packed-lots", lot_body(place, entry))
    body = {"packedLotId": lot["id"], "recipient": "School kitchen", "heads": 80, "forOn": "2026-09-14"}
    delivery = await made(client, "/v1/deliveries", body)
    lot_path, path = f"/v1/packed-lots/{lot['id']}", f"/v1/deliveries/{delivery['id']}"
    assert (await client.patch(path, json={"heads": 70}, headers={"if-match": '"1"'})).status_code == 200
    problem_of(await client.patch(path, json={"heads": 71}, headers={"if-match": '"1"'}), 412)
    # The lot holds fewer than was said, and no fewer than left.
    parts = [{"entryId": entry["id"], "heads": 69}]
    problem_of(await client.patch(lot_path, json={"harvests": parts}), 422, "/harvests")
    parts[0]["heads"] = 75
    shown = (await client.patch(lot_path, json={"harvests": parts, "weightKg": 11.5})).json()
    assert (shown["heads"], shown["deliveredHeads"], shown["leftHeads"]) == (75, 70, 5)

    # The trace, the export and the balance follow.
    way = (await client.get("/v1/trace", params={"from": f"harvest:{entry['id']}"})).json()
    assert [(x["heads"], x["harvests"]) for x in way["packedLots"]] == [(75, parts)]
    assert [d["heads"] for d in way["deliveries"]] == [70]
    export = await client.get("/v1/trace/export", params={"from": f"harvest:{entry['id']}", "format": "csv"})
    events = {e["Event"]: e for e in csv.DictReader(io.StringIO(export.content.decode("utf-8-sig")))}
    assert (events["Initial packing"]["Quantity"], events["Shipping"]["Quantity"]) == ("75", "70")
    span = {"from": "2026-09-08", "to": "2026-09-30"}
    farm = (await client.get(f"/v1/farms/{place.farm['id']}/fulfilment", params=span)).json()
    assert (farm["crops"][0]["undelivered"], farm["crops"][0]["deliveredOtherwise"]) == (5, 70)
    # What is no longer packed may be packed again, and no more than that.
    problem_of(await client.post("/v1/packed-lots", json=lot_body(place, entry, 26)), 422, "/harvests")
    await made(client, "/v1/packed-lots", lot_body(place, entry, 25))

    trail = (await client.get("/v1/audit", params={"limit": 10})).json()["items"]
    said = [(line["operation"], line["changes"]) for line in reversed(trail)][-5:]
    name = f"packed_lot:{lot['id']}"
    assert said == [
        ("createPackedLot", None),
        ("createDelivery", None),
        ("changeDelivery", {f"delivery:{delivery['id']}": {"heads": [80, 70]}}),
        (
            "changePackedLot",
            {name: {"heads": [90, 75], "weight_kg": [None, 11.5], f"harvest {entry['id']}": [90, 75]}},
        ),
        ("createPackedLot", None),
    ]

    # A delivery that did not happen, and a lot taken apart.
    assert (await client.patch(path, json={"heads": 0})).json()["heads"] == 0
    assert (await client.patch(lot_path, json={"harvests": []})).json()["heads"] == 0
    assert not (await client.get("/v1/trace", params={"from": f"delivery:{delivery['id']}"})).json()[
        "harvests"
    ]
    (last,) = (await client.get("/v1/audit", params={"limit": 1})).json()["items"]
    assert last["changes"] == {name: {"heads": [75, 0], f"harvest {entry['id']}": [75, None]}}


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
