"""Seed lots, trials and orders of seed over HTTP."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from scipy.stats import boschloo_exact, fisher_exact

from service.records.store import Store
from tests.api.farm import Json, Place, made, problem_of, refused, token_headers


def lot_body(farm: Place, **more: Any) -> Json:
    """Return what receives a lot of 5000 seeds."""
    return {
        "cultivarId": farm.cultivar["id"],
        "lotNumber": "A-1",
        "receivedOn": "2026-08-01",
        "seeds": 5000,
        "germinationPercent": 94.0,
        "germinationTestedOn": "2026-07-01",
        "germinationSeeds": 400,
        **more,
    }


async def test_a_lot_is_received_read_listed_changed_and_counted(
    client: httpx.AsyncClient, place: Place
) -> None:
    body = lot_body(place, supplier="Seed house", place="fridge", moisturePercent=6.0)
    answer = await client.post("/v1/seed-lots", json=body)
    assert answer.status_code == 201, answer.text
    lot = answer.json()
    unsaid = {"sensorId": None, "openedOn": None, "finishedOn": None, "note": None}
    figures = {"sown": 0, "used": 0, "remaining": 5000, "overdrawn": 0, "remark": None}
    kept = {"id": 1, "farmId": place.farm["id"], "form": "raw", "version": 1}
    assert lot == {**body, **unsaid, **figures, **kept}
    assert (answer.headers["location"], answer.headers["etag"]) == ("/v1/seed-lots/1", '"1"')
    assert (await client.get("/v1/seed-lots/1")).json() == lot
    listed = await client.get("/v1/seed-lots", params={"cultivarId": place.cultivar["id"], "finished": False})
    assert listed.json() == {"items": [lot], "next": None}

    change = {"openedOn": "2026-09-01"}
    changed = await client.patch("/v1/seed-lots/1", json=change, headers={"if-match": '"1"'})
    assert changed.json() == {**lot, **change, "version": 2}
    problem_of(await client.patch("/v1/seed-lots/1", json=change, headers={"if-match": '"1"'}), 412)
    problem_of(await client.post("/v1/seed-lots", json=body), 409, "/lotNumber")

    use = await made(client, "/v1/seed-lots/1/uses", {"reason": "test", "seeds": 400})
    assert (use["seeds"], use["reason"], use["usedOn"]) == (400, "test", "2026-09-14")
    count = await made(client, "/v1/seed-lots/1/uses", {"reason": "count", "counted": 4650})
    assert count["seeds"] == -50
    assert (await client.get("/v1/seed-lots/1")).json()["remaining"] == 4650
    uses = (await client.get("/v1/seed-lots/1/uses", params={"limit": 1})).json()
    assert (uses["items"], uses["next"]) == ([use], use["id"])


async def test_the_next_lot_its_condition_and_how_it_comes_up(
    client: httpx.AsyncClient, place: Place
) -> None:
    old = await made(client, "/v1/seed-lots", lot_body(place, lotNumber="OLD", receivedOn="2026-02-01"))
    good = await made(client, "/v1/seed-lots", lot_body(place))
    path = f"/v1/cultivars/{place.cultivar['id']}/seed-lots"
    found = (await client.get(f"{path}/next")).json()
    assert (found["lotId"], found["cultivar"]) == (good["id"], "Early green")
    assert [(c["lot"]["id"], c["fit"]) for c in found["lots"]] == [(old["id"], False), (good["id"], True)]
    assert found["lots"][0]["faults"][0]["kind"] == "too_old"
    condition = (await client.get(f"/v1/seed-lots/{good['id']}/condition")).json()
    assert condition == found["lots"][1]
    assert condition["standardPercent"] == 80
    assert condition["germination"] == {
        "good": 376,
        "tested": 400,
        "on": "2026-07-01",
        "source": "test",
        "sentence": "94 % in the test it came with",
    }
    assert (condition["useBy"], condition["store"]["hotHours"]) == ("2027-01-31", 0.0)
    assert len(condition["store"]["expected"]) == len(condition["store"]["assumed"]) == 2
    emerged = (await client.get(f"{path}/emergence")).json()["items"]
    assert [(e["lot"]["id"], e["share"], e["behind"]) for e in emerged] == [
        (good["id"], None, False),
        (old["id"], None, False),
    ]


async def test_a_sowing_takes_the_germination_of_its_lot(client: httpx.AsyncClient, place: Place) -> None:
    lot = await made(client, "/v1/seed-lots", lot_body(place))
    wish = {"wanted": 160, "probability": 0.9, "keepBest": 0.9, "trayCells": 20}
    answer = await client.post(f"/v1/seed-lots/{lot['id']}/sowing", json=wish)
    assert answer.status_code == 200, answer.text
    plain = await client.post("/v1/sowings", json={**wish, "good": 376, "tested": 400})
    assert answer.json()["sowing"] == plain.json()
    assert answer.json()["germination"]["tested"] == 400
    await made(client, "/v1/seed-lots", lot_body(place, lotNumber="NEW"))
    trial = {"newLotId": 2, "oldLotId": 1, "newSown": 200, "oldSown": 200, "newGood": 150, "oldGood": 188}
    await made(client, "/v1/lot-trials", trial)
    tried = (await client.post("/v1/seed-lots/2/sowing", json=wish)).json()
    assert (tried["germination"]["good"], tried["germination"]["source"]) == (150, "trial")
    assert tried["sowing"]["cells"] > answer.json()["sowing"]["cells"]


async def test_a_trial_is_sown_counted_and_judged(client: httpx.AsyncClient, place: Place) -> None:
    for number in ("OLD", "NEW"):
        await made(client, "/v1/seed-lots", lot_body(place, lotNumber=number))
    found = (await client.get("/v1/seed-lots", params={"lotNumber": "NEW"})).json()["items"]
    assert [lot["id"] for lot in found] == [2]
    body = {"newLotId": 2, "oldLotId": 1, "newSown": 100, "oldSown": 120}
    answer = await client.post("/v1/lot-trials", json=body)
    assert answer.status_code == 201, answer.text
    trial = answer.json()
    nothing = {"newGood": None, "oldGood": None, "countedOn": None, "note": None}
    kept = {"id": 1, "farmId": place.farm["id"], "sownOn": "2026-09-14", "version": 1}
    assert trial == {**body, **nothing, **kept}
    problem_of(await client.get("/v1/lot-trials/1/verdict"), 422, "/newGood")
    counts = {"newGood": 70, "oldGood": 110}
    counted = await client.patch("/v1/lot-trials/1", json=counts, headers={"if-match": '"1"'})
    assert counted.json() == {**trial, **counts, "countedOn": "2026-09-14", "version": 2}
    problem_of(await client.patch("/v1/lot-trials/1", json=counts, headers={"if-match": '"1"'}), 412)
    assert (await client.get("/v1/lot-trials", params={"seedLotId": 1})).json()["items"] == [counted.json()]
    said = (await client.get("/v1/lot-trials/1/verdict")).json()
    table = [[70, 110], [30, 10]]
    assert (said["verdict"], said["test"], said["newLot"], said["oldLot"]) == (
        "worse",
        "boschloo",
        "NEW",
        "OLD",
    )
    assert said["pBoschloo"] == said["pValue"] == pytest.approx(boschloo_exact(table).pvalue)
    assert said["pFisher"] == pytest.approx(fisher_exact(table).pvalue)
    assert said["difference"] == pytest.approx(0.7 - 110 / 120)
    assert said["low"] < said["difference"] < said["high"] < 0
    assert said["sentence"].startswith("The new lot is worse.")
    problem_of(await client.get("/v1/lot-trials/1/verdict", params={"margin": 0.6}), 422, "/margin")
    problem_of(await client.get("/v1/lot-trials/9/verdict"), 404)


async def test_what_to_order_is_listed_and_becomes_tasks(client: httpx.AsyncClient, place: Place) -> None:
    await made(client, "/v1/seed-lots", lot_body(place, seeds=2000))
    path = f"/v1/farms/{place.farm['id']}/seed-orders"
    wish = {
        "leadDays": 7,
        "supplies": [
            {
                "cultivarId": place.cultivar["id"],
                "packSizes": [1000],
                "leadDays": 10,
                "supplier": "Seed house",
            }
        ],
    }
    answer = await client.post(path, json=wish)
    assert answer.status_code == 200, answer.text
    (supply,) = answer.json()["supplies"]
    assert (supply["inStock"], supply["supplier"], supply["daysLeft"]) == (2000, "Seed house", 70)
    first = supply["orders"][0]
    assert (first["orderOn"], first["arriveOn"], first["neededOn"]) == (
        "2026-10-30",
        "2026-11-09",
        "2026-11-23",
    )
    assert first["packs"] == [[1000, first["seeds"] // 1000]]
    accepted = (await client.post(f"{path}/accept", json=wish)).json()
    assert accepted["created"] == len(supply["orders"])
    assert {t["kind"] for t in accepted["tasks"]} == {"order"}
    again = (await client.post(f"{path}/accept", json=wish)).json()
    assert (again["created"], again["withdrawn"], again["unchanged"]) == (0, 0, accepted["created"])
    tasks = (await client.get("/v1/tasks", params={"kind": "order"})).json()["items"]
    assert tasks == accepted["tasks"]


async def test_what_cannot_be_is_refused_and_changes_nothing(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place
) -> None:
    for number in ("OLD", "NEW"):
        await made(client, "/v1/seed-lots", lot_body(place, lotNumber=number, seeds=100))
    orders = f"/v1/farms/{place.farm['id']}/seed-orders"
    trial = {"newLotId": 2, "oldLotId": 1, "newSown": 10, "oldSown": 10}
    sowing = {"wanted": 160, "probability": 0.9}
    theirs = [{"cultivarId": other_place.cultivar["id"]}]
    await refused(
        client,
        store,
        [
            ("POST", "/v1/seed-lots", lot_body(place, seeds=0), 422, "/seeds"),
            ("POST", "/v1/seed-lots", lot_body(place, seeds="many"), 400, "/seeds"),
            ("POST", "/v1/seed-lots", lot_body(place, form="dusty"), 400, "/form"),
            ("POST", "/v1/seed-lots", lot_body(place, sensorId=99), 422, "/sensorId"),
            ("POST", "/v1/seed-lots", lot_body(place, cultivarId=99), 422, "/cultivarId"),
            ("POST", "/v1/seed-lots", lot_body(place, farmId=1), 400, "/farmId"),
            ("PATCH", "/v1/seed-lots/1", {"cultivarId": 1}, 400, "/cultivarId"),
            ("PATCH", "/v1/seed-lots/1", {"finishedOn": "2026-07-01"}, 422, "/finishedOn"),
            ("POST", "/v1/seed-lots/1/uses", {"reason": "loss", "seeds": 101}, 422, "/seeds"),
            ("POST", "/v1/seed-lots/1/uses", {"reason": "count"}, 422, "/counted"),
            ("POST", "/v1/seed-lots/1/uses", {"reason": "gift", "seeds": 1}, 400, "/reason"),
            ("POST", "/v1/lot-trials", {**trial, "newSown": 101}, 422, "/newSown"),
            ("POST", "/v1/lot-trials", {**trial, "oldLotId": 2}, 422, "/oldLotId"),
            ("POST", "/v1/lot-trials", {**trial, "newGood": 11, "oldGood": 1}, 422, "/newGood"),
            ("POST", f"{orders}/accept", {"packSizes": [0]}, 422, "/packSizes"),
            ("POST", f"{orders}/accept", {"supplies": theirs}, 422, "/supplies/0/cultivarId"),
            ("POST", orders, {"weeks": 99}, 422, "/weeks"),
            ("POST", "/v1/seed-lots/1/sowing", {**sowing, "wanted": 0}, 422, "/wanted"),
            ("POST", "/v1/seed-lots/1/sowing", {**sowing, "rate": 0.9}, 400, "/rate"),
        ],
    )


async def test_who_may(
    client: httpx.AsyncClient, open_client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    for number in ("OLD", "NEW"):
        await made(client, "/v1/seed-lots", lot_body(other_place, lotNumber=number))
    trial = {"newLotId": 2, "oldLotId": 1, "newSown": 10, "oldSown": 10}
    await made(client, "/v1/lot-trials", {**trial, "newGood": 9, "oldGood": 8})
    farm, cultivar = other_place.farm["id"], other_place.cultivar["id"]
    reads = [
        ("GET", "/v1/seed-lots/1", None),
        ("GET", "/v1/seed-lots/1/uses", None),
        ("GET", "/v1/seed-lots/1/condition", None),
        ("GET", f"/v1/cultivars/{cultivar}/seed-lots/next", None),
        ("GET", f"/v1/cultivars/{cultivar}/seed-lots/emergence", None),
        ("GET", "/v1/lot-trials/1", None),
        ("GET", "/v1/lot-trials/1/verdict", None),
        ("POST", f"/v1/farms/{farm}/seed-orders", {}),
        ("POST", "/v1/seed-lots/1/sowing", {"wanted": 160, "probability": 0.9}),
    ]
    writes = [
        ("PATCH", "/v1/seed-lots/1", {"note": "mine"}),
        ("POST", "/v1/seed-lots/1/uses", {"reason": "loss", "seeds": 1}),
        ("PATCH", "/v1/lot-trials/1", {"note": "mine"}),
        ("POST", f"/v1/farms/{farm}/seed-orders/accept", {}),
    ]
    reader = await token_headers(client, scopes=["read"])
    outsider = await token_headers(client, scopes=["write"], farmId=place.farm["id"])
    for method, path, body in reads:
        answer = await client.request(method, path, json=body, headers=reader)
        assert answer.status_code == 200, (path, answer.text)
        problem_of(await client.request(method, path, json=body, headers=outsider), 404)
    for method, path, body in writes:
        problem_of(await client.request(method, path, json=body, headers=reader), 403)
        problem_of(await client.request(method, path, json=body, headers=outsider), 404)
    for path, body, field in (
        ("/v1/seed-lots", lot_body(other_place, lotNumber="X"), "/cultivarId"),
        ("/v1/lot-trials", trial, "/oldLotId"),
    ):
        problem_of(await client.post(path, json=body, headers=reader), 403)
        problem_of(await client.post(path, json=body, headers=outsider), 422, field)
    for path in ("/v1/seed-lots", "/v1/lot-trials"):
        assert (await client.get(path, headers=outsider)).json()["items"] == []
    del open_client.headers["authorization"]
    for method, path, body in reads + writes:
        problem_of(await open_client.request(method, path, json=body), 401)
