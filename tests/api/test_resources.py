"""Every resource: made, read, listed, changed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import httpx
import pytest
from litestar import Litestar

from tests.api.farm import Json, Place, house_body, made, problem_of, sensor_body, token_headers


def new_body(kind: str, place: Place) -> Json:
    """Return what makes one more of a kind."""
    farm, house, crop = place.farm["id"], place.house["id"], place.crop["id"]
    bodies: dict[str, Json] = {
        "farms": {"name": "Cedar Farm", "address": "1 Lane, Northfield", "phone": "+1 555 010 0199"},
        "houses": {
            **house_body(farm),
            "code": "S1",
            "elevationM": 12.5,
            "lampPpfdUmol": 120,
            "lampHours": 16,
        },
        "zones": {
            "houseId": house,
            "name": "Table 2",
            "code": "table2",
            "kind": "nursery",
            "capacity": 100,
            "plantsM2": 400.0,
        },
        "crops": {"farmId": farm, "name": "Basil", "profile": "basil", "targetFreshG": 35.0},
        "cultivars": {"cropId": crop, "name": "Late green"},
        "successions": {
            **{k: v for k, v in place.succession.items() if k not in {"id", "version", "active"}},
            "name": "Butterhead, second",
        },
        "batches": {"successionId": place.succession["id"], "seededOn": "2026-09-07", "cells": 180},
        "sensors": sensor_body(place),
    }
    return bodies[kind]


CHANGES: dict[str, Json] = {
    "farms": {"name": "Elm Farm"},
    "houses": {"tempVentC": 26.0, "name": "South house"},
    "zones": {"capacity": 250},
    "crops": {"targetFreshG": None, "windowOpenLeaves": 3.5},
    "cultivars": {"name": "Later green"},
    "successions": {"seedingWeekdays": [2, 5], "cultivarId": None, "active": False},
    "batches": {"code": "B-7"},
    "sensors": {"unit": "degF", "validMax": 45.0, "intervalS": 60.0},
}


@pytest.mark.parametrize("kind", CHANGES)
async def test_a_resource_is_made_read_listed_and_changed(
    client: httpx.AsyncClient, place: Place, kind: str
) -> None:
    body = new_body(kind, place)
    answer = await client.post(f"/v1/{kind}", json=body)
    assert answer.status_code == 201, answer.text
    first = answer.json()
    assert first.items() >= body.items()
    path = f"/v1/{kind}/{first['id']}"
    assert answer.headers["location"] == path
    assert answer.headers["etag"] == f'"{first["version"]}"'

    read = await client.get(path)
    assert read.status_code == 200
    assert read.json() == first
    assert read.headers["etag"] == answer.headers["etag"]
    assert first in (await client.get(f"/v1/{kind}")).json()["items"]

    change = CHANGES[kind]
    changed = await client.patch(path, json=change, headers={"if-match": read.headers["etag"]})
    assert changed.status_code == 200, changed.text
    assert changed.json() == {**first, **change, "version": first["version"] + 1}
    assert changed.headers["etag"] == f'"{first["version"] + 1}"'
    assert (await client.get(path)).json() == changed.json()

    # What was read first is stale now; without If-Match, or with any version, the last one to write wins.
    problem_of(await client.patch(path, json=change, headers={"if-match": read.headers["etag"]}), 412)
    problem_of(
        await client.patch(path, json=change, headers={"if-match": f"W/{changed.headers['etag']}"}), 412
    )
    assert (await client.get(path)).json() == changed.json()
    assert (await client.patch(path, json=change, headers={"if-match": "*"})).status_code == 200
    assert (await client.patch(path, json=change)).status_code == 200


async def test_what_is_not_said_of_a_house_is_usual(client: httpx.AsyncClient, place: Place) -> None:
    assert place.house["lightTransmission"] == 0.6
    assert place.house["tempHeatDayC"] == 18.0
    assert place.house["lampPpfdUmol"] == 0.0


async def test_lists_come_in_pages_and_can_be_narrowed(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    first = (await client.get("/v1/zones", params={"limit": 3})).json()
    assert [zone["id"] for zone in first["items"]] == [1, 2, 3]
    assert first["next"] == 3
    rest = (await client.get("/v1/zones", params={"limit": 3, "after": first["next"]})).json()
    assert [zone["id"] for zone in rest["items"]] == [4]
    assert rest["next"] is None

    async def ids(path: str, **params: Any) -> list[int]:
        return [item["id"] for item in (await client.get(path, params=params)).json()["items"]]

    mine, other = place.house["id"], other_place.house["id"]
    assert await ids("/v1/zones", houseId=mine, kind="channels") == [place.channels["id"]]
    assert await ids("/v1/houses", farmId=other_place.farm["id"]) == [other]
    assert await ids("/v1/crops", farmId=place.farm["id"]) == [place.crop["id"]]
    assert await ids("/v1/cultivars", cropId=other_place.crop["id"]) == [other_place.cultivar["id"]]
    assert await ids("/v1/successions", houseId=mine, active=True) == [place.succession["id"]]
    assert await ids("/v1/successions", houseId=mine, active=False) == []


WRONG_PAGES: list[tuple[str, int, str]] = [
    ("limit=0", 422, "/limit"),
    ("limit=501", 422, "/limit"),
    ("limit=many", 400, "/limit"),
    ("after=-1", 422, "/after"),
    ("houseId=x", 400, "/houseId"),
    ("kind=cellar", 400, "/kind"),
    (f"houseId={2**63}", 422, "/houseId"),
]


async def test_a_page_that_cannot_be_is_refused(client: httpx.AsyncClient) -> None:
    for query, status, field in WRONG_PAGES:
        problem_of(await client.get(f"/v1/zones?{query}"), status, field)


async def test_crop_profiles_name_their_sources(client: httpx.AsyncClient) -> None:
    items = (await client.get("/v1/crop-profiles")).json()["items"]
    assert {"basil", "butterhead", "leaf"} <= {item["name"] for item in items}
    assert all(item["sources"] and item["targetFreshG"] > 0 for item in items)


async def test_of_a_topic_that_is_taken_only_ones_own_sensor_is_named(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    theirs = {**sensor_body(other_place), "name": "their air", "topic": "evenleaf/theirs"}
    await made(client, "/v1/sensors", theirs)
    ours = await made(client, "/v1/sensors", sensor_body(place))
    grower = await token_headers(client, scopes=["write"], farmId=place.farm["id"])
    for headers in ({}, grower):  # also one who sees every farm
        body = {**sensor_body(place), "topic": "evenleaf/theirs"}
        answer = await client.post("/v1/sensors", json=body, headers=headers)
        said = problem_of(answer, 409, "/topic")
        assert not any(
            word in str(said).lower() for word in ("their air", "another sensor", "birch", "north")
        )
    said = problem_of(
        await client.post("/v1/sensors", json=sensor_body(place), headers=grower), 409, "/topic"
    )
    assert "your sensor canopy temperature has evenleaf/N1/table/temp_air_c" in said["detail"]
    assert "{name}" in said["detail"]
    body = {**sensor_body(place), "topic": "evenleaf/{house}/{zone}/{quantity}/{name}"}
    second = await made(client, "/v1/sensors", body)
    said = problem_of(await client.post("/v1/sensors", json=body), 409, "/topic")
    assert "another name" in said["detail"]
    change = {"topic": ours["topic"]}
    said = problem_of(await client.patch(f"/v1/sensors/{second['id']}", json=change), 409, "/topic")
    assert "your sensor canopy temperature has" in said["detail"]
    assert (await client.patch(f"/v1/sensors/{ours['id']}", json=change)).status_code == 200


async def test_a_sensor_listens_where_the_service_does(client: httpx.AsyncClient, place: Place) -> None:
    body = {**sensor_body(place), "topic": "other/q"}
    said = problem_of(await client.post("/v1/sensors", json=body), 422, "/topic")
    assert "EVENLEAF_MQTT_TOPIC is evenleaf/#" in said["detail"]
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    path = f"/v1/sensors/{sensor['id']}"
    problem_of(await client.patch(path, json={"topic": "other/{name}"}), 422, "/topic")
    assert (await client.get(path)).json() == sensor


async def test_what_is_pushed_needs_no_topic_that_is_listened_to(
    client: httpx.AsyncClient, app: Litestar, place: Place
) -> None:
    app.state.settings = replace(app.state.settings, mqtt_topic="greenhouse/#")
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    path = f"/v1/sensors/{sensor['id']}"
    # Sent back whole, as a page of settings does, it is taken too.
    answer = await client.patch(path, json={"topic": sensor["topic"], "factor": 1.1})
    assert answer.status_code == 200, answer.text
    pushed = await client.post(f"{path}/readings", json={"value": 21.0, "time": "2026-09-14T05:00:00Z"})
    assert pushed.status_code < 300, pushed.text


async def test_a_sensor_gets_its_topic(client: httpx.AsyncClient, place: Place) -> None:
    plain = await made(client, "/v1/sensors", sensor_body(place))
    assert plain["topic"] == "evenleaf/N1/table/temp_air_c"
    named = await made(
        client,
        "/v1/sensors",
        {**sensor_body(place), "topic": "evenleaf/{house}/{name}", "valuePointer": "/t"},
    )
    assert named["topic"] == "evenleaf/N1/canopy-temperature"


@pytest.mark.parametrize("path", ["/v1/farms", "/v1/orders", "/v1/farms/1"])
async def test_options_names_every_method_of_a_path(client: httpx.AsyncClient, path: str) -> None:
    answer = await client.options(path)
    assert answer.status_code == 204
    others = "GET, OPTIONS, PATCH" if path.endswith("1") else "GET, OPTIONS, POST"
    assert answer.headers["allow"] == others
    bare = await client.request("OPTIONS", path, headers={"authorization": ""}, json={"name": "x"})
    assert bare.status_code == 204
