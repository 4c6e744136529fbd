"""Plans and sowings over HTTP."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import httpx
import pytest
from scipy import stats

from service.cli import main
from service.records.store import Store
from tests.api.farm import Json, Place, all_rows, made, problem_of, refused, token_headers

ONE_DATABASE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
async def lit(client: httpx.AsyncClient, place: Place) -> Place:
    """Have a farm whose house has lamps, with an order in December."""
    house = await client.patch(
        f"/v1/houses/{place.house['id']}", json={"lampPpfdUmol": 150.0, "lampStartH": 4.0, "lampHours": 14.0}
    )
    assert house.status_code == 200
    await made(
        client,
        "/v1/orders",
        {
            "farmId": place.farm["id"],
            "cropId": place.crop["id"],
            "buyer": "Market hall",
            "heads": 100,
            "dates": ["2026-12-07"],
            "price": 0.8,
            "priceCurrency": "EUR",
            "priceUnit": "head",
        },
    )
    return place


async def plan_of(client: httpx.AsyncClient, place: Place, **wish: Any) -> Json:
    answer = await client.post(f"/v1/farms/{place.farm['id']}/plan", json={"weeks": 14, **wish})
    assert answer.status_code == 200, answer.text
    plan: Json = answer.json()
    return plan


@ONE_DATABASE
async def test_a_plan_is_answered_and_not_stored(client: httpx.AsyncClient, store: Store, lit: Place) -> None:
    before = await all_rows(store)
    plan = await plan_of(client, lit)
    assert await all_rows(store) == before
    [expected] = plan["expected"]
    assert (expected["on"], expected["planned"], expected["short"]) == ("2026-12-07", 100.0, 0.0)
    [value] = plan["values"]
    assert (value["priceAHead"], value["currency"]) == (0.8, "EUR")
    assert value["perSiteWeek"] > 0
    seeding = plan["seedings"][0]
    assert seeding["successionId"] == lit.succession["id"]
    assert seeding["cells"] == 20 * seeding["trays"]
    assert seeding["harvests"][0]["on"] == "2026-12-07"
    assert plan["withinGap"] is True


@ONE_DATABASE
async def test_what_if(client: httpx.AsyncClient, store: Store, lit: Place) -> None:
    order = (await client.get("/v1/orders")).json()["items"][0]["id"]
    more = await plan_of(client, lit, orders=[{"orderId": order, "heads": 200, "price": 1.0}])
    assert (more["headsWanted"], more["values"][0]["priceAHead"]) == (200.0, 1.0)
    tight = await plan_of(client, lit, zones=[{"zoneId": lit.channels["id"], "capacity": 60}])
    [expected] = tight["expected"]
    assert expected["short"] == 40.0
    assert {(b["kind"], b["zoneId"], b["amount"]) for b in expected["binding"]} == {
        ("sites", lit.channels["id"], 40.0)
    }
    assert "40 more sites of North house, Channels" in expected["sentence"]
    path = f"/v1/farms/{lit.farm['id']}/plan"
    await refused(
        client,
        store,
        [
            ("POST", path, {"weeks": 0}, 422, "/weeks"),
            ("POST", path, {"startsOn": "2026-09-13"}, 422, "/startsOn"),
            ("POST", path, {"zones": [{"zoneId": 999, "capacity": 1}]}, 422, "/zones/0/zoneId"),
            ("POST", path, {"orders": [{"orderId": order, "weightKg": 3.0}]}, 422, "/orders/0/weightKg"),
            (
                "POST",
                path,
                {"houses": [{"houseId": lit.house["id"], "lampHours": 30}]},
                422,
                "/houses/0/lampHours",
            ),
            ("POST", path, {"orders": [{"heads": 3}]}, 400, "/orders/0/orderId"),
            ("POST", path, {"week": 3}, 400, "/week"),
        ],
    )


@ONE_DATABASE
async def test_an_order_is_tried_out_before_it_is_taken(
    client: httpx.AsyncClient, store: Store, lit: Place, other_place: Place
) -> None:
    new = {"cropId": lit.crop["id"], "buyer": "New buyer", "heads": 60, "dates": ["2026-12-14"]}
    before = await all_rows(store)
    plan = await plan_of(client, lit, newOrders=[new])
    assert await all_rows(store) == before
    taken, tried = plan["expected"]
    assert (taken["buyer"], taken["heads"]) == ("Market hall", 100.0)
    assert (tried["buyer"], tried["on"], tried["orderId"]) == ("New buyer", "2026-12-14", None)
    assert (tried["heads"], tried["planned"], tried["short"]) == (60.0, 60.0, 0.0)
    assert plan["headsWanted"] == 160.0
    path = f"/v1/farms/{lit.farm['id']}/plan"
    await refused(
        client,
        store,
        [
            ("POST", path, {"newOrders": [{**new, **wrong}]}, 422, f"/newOrders/0/{field}")
            for wrong, field in (
                ({"cropId": other_place.crop["id"]}, "cropId"),
                ({"weekdays": [1]}, "weekdays"),
                ({"weightKg": 3.0}, "weightKg"),
                ({"price": 1.0}, "priceCurrency"),
                ({"heads": 0}, "heads"),
            )
        ],
    )


@ONE_DATABASE
async def test_readers_may_plan_and_only_writers_accept(
    client: httpx.AsyncClient, lit: Place, other_place: Place
) -> None:
    reader = await token_headers(client, scopes=["read"], farmId=lit.farm["id"])
    path = f"/v1/farms/{lit.farm['id']}/plan"
    assert (await client.post(path, json={"weeks": 4}, headers=reader)).status_code == 200
    body = {"startsOn": "2026-09-14", "endsOn": "2026-12-20", "seedings": []}
    problem_of(await client.post(f"{path}/accept", json=body, headers=reader), 403)
    other = f"/v1/farms/{other_place.farm['id']}/plan"
    problem_of(await client.post(other, json={}, headers=reader), 404)
    problem_of(await client.post("/v1/farms/999/plan", json={}), 404)


async def test_an_accepted_plan_is_a_list_of_tasks(
    client: httpx.AsyncClient, store: Store, lit: Place
) -> None:
    plan = await plan_of(client, lit)
    body = {
        "startsOn": plan["startsOn"],
        "endsOn": plan["endsOn"],
        "seedings": [{k: s[k] for k in ("successionId", "on", "cells")} for s in plan["seedings"]],
    }
    path = f"/v1/farms/{lit.farm['id']}/plan/accept"
    done = (await client.post(path, json=body)).json()
    assert (done["created"], done["withdrawn"]) == (len(plan["seedings"]), 0)
    tasks = (await client.get("/v1/tasks", params={"kind": "seed"})).json()["items"]
    assert [(t["dueOn"], t["cells"]) for t in tasks] == [(s["on"], s["cells"]) for s in plan["seedings"]]
    again = (await client.post(path, json=body)).json()
    assert (again["created"], again["changed"], again["unchanged"]) == (0, 0, len(plan["seedings"]))
    assert (await client.get("/v1/tasks", params={"kind": "seed"})).json()["items"] == tasks
    kept = await plan_of(client, lit)
    assert [(s["on"], s["cells"], s["cellsBefore"]) for s in kept["seedings"]] == [
        (s["on"], s["cells"], s["cells"]) for s in plan["seedings"]
    ]
    seeding = {"successionId": 999, "on": "2026-09-14", "cells": 1}
    await refused(
        client,
        store,
        [("POST", path, {**body, "seedings": [seeding]}, 422, "/seedings/0/successionId")],
    )


@ONE_DATABASE
async def test_how_much_to_sow(client: httpx.AsyncClient, store: Store) -> None:
    wish = {"wanted": 160, "probability": 0.9, "keepBest": 0.8, "trayCells": 20}
    known = (await client.post("/v1/sowings", json={**wish, "rate": 0.92})).json()
    assert known["cells"] == 200 + stats.nbinom.ppf(0.9, 200, 0.92)
    assert known["trays"] == -(-known["cells"] // 20)
    tested = (await client.post("/v1/sowings", json={**wish, "good": 92, "tested": 100})).json()
    assert tested["cells"] > known["cells"]
    assert tested["probability"] >= 0.9
    await refused(
        client,
        store,
        [
            ("POST", "/v1/sowings", wish, 422, "/good"),
            ("POST", "/v1/sowings", {**wish, "good": 5}, 422, "/tested"),
            ("POST", "/v1/sowings", {**wish, "good": 5, "tested": 4}, 422, "/good"),
            ("POST", "/v1/sowings", {**wish, "rate": 0.9, "good": 5}, 422, "/rate"),
            ("POST", "/v1/sowings", {**wish, "rate": 0.9, "probability": 1.0}, 422, "/probability"),
            ("POST", "/v1/sowings", {**wish, "rate": 1e-9}, 422, "/wanted"),
        ],
    )


@ONE_DATABASE
async def test_an_empty_farm_is_told_so(client: httpx.AsyncClient) -> None:
    farm = await made(client, "/v1/farms", {"name": "Empty farm"})
    plan = (await client.post(f"/v1/farms/{farm['id']}/plan", json={})).json()
    assert (plan["seedings"], plan["expected"]) == ([], [])
    assert plan["notes"] == ["The farm has no house yet: there is nothing to plan."]


@ONE_DATABASE
async def test_the_command_prints_the_same_plan(
    client: httpx.AsyncClient,
    lit: Place,
    database_url: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    plan = await plan_of(client, lit)
    monkeypatch.setenv("EVENLEAF_DATABASE_URL", database_url)
    monkeypatch.setenv("EVENLEAF_CLOCK", "start=2026-09-14T06:00:00Z;rate=0")
    farm = str(lit.farm["id"])
    args = ["plan", "--farm", farm, "--weeks", "14"]
    assert await asyncio.to_thread(main, [*args, "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["seedings"] == plan["seedings"]
    assert shown["expected"] == plan["expected"]
    assert await asyncio.to_thread(main, args) == 0
    text = capsys.readouterr().out
    assert "Mon 07 Dec 26    100    100      0  Butterhead for Market hall" in text
    assert "A site earns a week:" in text
    assert await asyncio.to_thread(main, ["plan", "--farm", "999"]) == 2
    assert "there is no farm 999" in capsys.readouterr().err


@ONE_DATABASE
async def test_how_much_to_sow_of_several_cultivars(client: httpx.AsyncClient, store: Store) -> None:
    seeds = [{"name": "Red", "rate": 0.9}, {"name": "Green", "rate": 0.8}]
    wish = {"wanted": 100, "probability": 0.9, "trayCells": 20}
    own = (await client.post("/v1/sowings", json={**wish, "cultivars": seeds})).json()
    for cultivar, rate in zip(own["cultivars"], (0.9, 0.8), strict=True):
        # Each bears an equal part of the risk, so that there is enough of both with the probability wished.
        assert cultivar["cells"] == 100 + stats.nbinom.ppf(0.9**0.5, 100, rate)
    assert own["cells"] == sum(c["cells"] for c in own["cultivars"])
    assert own["probability"] >= 0.9
    mixed = {**wish, "cultivars": seeds, "sameCell": True}
    together = (await client.post("/v1/sowings", json=mixed)).json()
    assert together["cells"] == 100 + stats.nbinom.ppf(0.9, 100, 0.9 * 0.8)
    assert [c["cells"] for c in together["cultivars"]] == [together["cells"]] * 2
    either = (await client.post("/v1/sowings", json={**mixed, "least": 1})).json()
    assert either["cells"] == 100 + stats.nbinom.ppf(0.9, 100, 1.0 - 0.1 * 0.2)
    path = "/v1/sowings"
    await refused(
        client,
        store,
        [
            ("POST", path, {**mixed, "least": 3}, 422, "/least"),
            ("POST", path, {**wish, "cultivars": seeds, "least": 1}, 422, "/least"),
            ("POST", path, {**wish, "cultivars": [seeds[0]] * 2}, 422, "/cultivars"),
            ("POST", path, {**wish, "cultivars": [{"name": "Red"}]}, 422, "/cultivars/0/good"),
            ("POST", path, {**wish, "cultivars": seeds, "rate": 0.9}, 422, "/rate"),
            ("POST", path, {**wish, "rate": 0.9, "sameCell": True}, 422, "/sameCell"),
            ("POST", path, {"probability": 0.9, "cultivars": seeds}, 422, "/cultivars/0/wanted"),
        ],
    )


@ONE_DATABASE
async def test_what_a_site_earns_is_read_without_a_plan(
    client: httpx.AsyncClient, store: Store, lit: Place
) -> None:
    path = f"/v1/houses/{lit.house['id']}/site-values"
    before = await all_rows(store)
    found = (await client.get(path, params={"weeks": 14})).json()
    assert await all_rows(store) == before
    [value] = found["values"]
    assert (value["crop"], value["priceAHead"], value["currency"]) == ("Butterhead", 0.8, "EUR")
    # 0.80 a head, spread over the weeks that it holds its site.
    assert value["perSiteWeek"] == pytest.approx(0.8 / (value["daysOnSite"] / 7.0), abs=1e-3)
    assert value["sitesOrdered"] == round(value["headsOrderedAWeek"] * value["siteWeeksAHead"])
    assert value["headsPlannedAWeek"] is None
    plan = await plan_of(client, lit)
    assert plan["values"][0]["perSiteWeek"] == value["perSiteWeek"]
    assert (await client.get(path, params={"weeks": 0})).status_code == 422
    assert (await client.get("/v1/houses/999/site-values")).status_code == 404
