"""Readings and hours as JSON and CSV; what could not be read."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta

import httpx
import pytest
from sqlalchemy import insert

from service.records.conditions import add_dead_letters, count_unknown_topics, save_hours, save_readings
from service.records.store import Store
from service.records.tables import SensorHour
from tests.api.farm import Json, Place, made, problem_of, sensor_body, token_headers

START = datetime(2026, 9, 10, tzinfo=UTC)
SUMS = {"mean": 20.0, "minimum": 19.0, "maximum": 21.5}


@pytest.fixture
async def sensor(client: httpx.AsyncClient, store: Store, place: Place) -> Json:
    """Have a sensor with five readings and two hours, the second one half measured and dark."""
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    readings = [
        {"sensor_id": sensor["id"], "at": START + timedelta(minutes=15 * i), "value": 18.0 + i}
        for i in range(5)
    ]
    full = {"temp_mean_c": 19.5, "temp_min_c": 18.0, "temp_max_c": 21.0, "temp_coverage": 1.0}
    light = {"light_mol": 0.7, "light_coverage": 1.0}
    half = {"temp_mean_c": 22.0, "temp_min_c": 22.0, "temp_max_c": 22.0, "temp_coverage": 0.5}
    dark = {"light_mol": None, "light_coverage": 0.0}
    zone = {"zone_id": place.nursery["id"]}
    async with store.write() as uow:
        await save_readings(uow, readings)
        await save_hours(uow, [{**zone, "at": START, **full, **light}])
        await save_hours(uow, [{**zone, "at": START + timedelta(hours=1), **half, **dark}])
    return sensor


async def test_readings_come_in_order_and_in_pages(client: httpx.AsyncClient, sensor: Json) -> None:
    path = f"/v1/sensors/{sensor['id']}/readings"
    first = (await client.get(path, params={"limit": 3})).json()
    assert first["items"][0] == {"at": "2026-09-10T00:00:00Z", "value": 18.0}
    assert [reading["value"] for reading in first["items"]] == [18.0, 19.0, 20.0]
    rest = (await client.get(path, params={"limit": 3, "after": first["next"]})).json()
    assert [reading["value"] for reading in rest["items"]] == [21.0, 22.0]
    assert rest["next"] is None

    span = {"from": "2026-09-10T02:15:00+02:00", "to": "2026-09-10T00:45:00Z"}
    found = (await client.get(path, params=span)).json()["items"]
    assert [reading["value"] for reading in found] == [19.0, 20.0]


async def test_readings_as_csv_name_the_next_page(client: httpx.AsyncClient, sensor: Json) -> None:
    path = f"/v1/sensors/{sensor['id']}/readings"
    answer = await client.get(path, params={"limit": 4}, headers={"accept": "text/csv"})
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert rows[:2] == [["at", "value"], ["2026-09-10T00:00:00Z", "18.0"]]
    assert len(rows) == 5
    following = await client.get(answer.links["next"]["url"], headers={"accept": "text/csv"})
    assert list(csv.reader(io.StringIO(following.text)))[1:] == [["2026-09-10T01:00:00Z", "22.0"]]
    assert "next" not in following.links


async def test_what_is_left_of_dropped_readings_is_read_by_hour(
    client: httpx.AsyncClient, store: Store, sensor: Json
) -> None:
    rows = [
        {"sensor_id": sensor["id"], "at": START + timedelta(hours=n), **SUMS, "readings": 12}
        for n in range(3)
    ]
    async with store.write() as uow:
        await uow.session.execute(insert(SensorHour), rows)
    path = f"/v1/sensors/{sensor['id']}/hours"
    first = (await client.get(path, params={"limit": 2})).json()
    assert first["items"][0] == {"at": START.isoformat().replace("+00:00", "Z"), **SUMS, "readings": 12}
    rest = (await client.get(path, params={"after": first["next"]})).json()
    assert (len(first["items"]), len(rest["items"]), rest["next"]) == (2, 1, None)
    table = (await client.get(path, headers={"accept": "text/csv"})).text.splitlines()
    assert table[0] == "at,mean,minimum,maximum,readings"
    assert len(table) == 4
    problem_of(await client.get("/v1/sensors/999/hours"), 404)


async def test_hours_say_how_much_was_measured(client: httpx.AsyncClient, place: Place, sensor: Json) -> None:
    path = f"/v1/zones/{place.nursery['id']}/hours"
    answer = (await client.get(path)).json()
    assert answer["next"] is None
    assert answer["items"][1] == {
        "at": "2026-09-10T01:00:00Z",
        "tempMeanC": 22.0,
        "tempMinC": 22.0,
        "tempMaxC": 22.0,
        "tempCoverage": 0.5,
        "lightMol": None,
        "lightCoverage": 0.0,
    }
    table = list(csv.DictReader(io.StringIO((await client.get(path, headers={"accept": "text/csv"})).text)))
    assert [row["lightMol"] for row in table] == ["0.7", ""]
    assert table[0].keys() == answer["items"][0].keys()


WRONG_SPANS: list[tuple[Json, int, str]] = [
    ({"from": "yesterday"}, 400, "/from"),
    ({"from": "2026"}, 400, "/from"),
    ({"to": "2026-09-10T00:00:00"}, 400, "/to"),
    ({"after": "12"}, 400, "/after"),
    ({"from": "2026-09-10T00:00:00Z", "to": "2026-09-10T00:00:00Z"}, 422, "/to"),
    ({"limit": 10_001}, 422, "/limit"),
]


async def test_a_span_that_cannot_be_is_refused(client: httpx.AsyncClient, sensor: Json) -> None:
    for params, status, field in WRONG_SPANS:
        problem_of(await client.get(f"/v1/sensors/{sensor['id']}/readings", params=params), status, field)


async def test_dead_letters_are_shown_newest_first_and_to_a_farm_only_its_own(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place, sensor: Json
) -> None:
    letter = {"size_bytes": 4, "received_at": START, "detail": "it is 9999 degC, and must be below 60"}
    async with store.write() as uow:
        await add_dead_letters(
            uow,
            [
                {
                    **letter,
                    "topic": sensor["topic"],
                    "payload": b"9999",
                    "reason": "out_of_range",
                    "sensor_id": sensor["id"],
                },
                {
                    **letter,
                    "topic": "evenleaf/none",
                    "payload": b"\xff{x",
                    "reason": "malformed",
                    "sensor_id": None,
                },
            ],
        )
    first = (await client.get("/v1/dead-letters", params={"limit": 1})).json()
    assert [(item["reason"], item["payload"]) for item in first["items"]] == [("malformed", "\\xff{x")]
    rest = (await client.get("/v1/dead-letters", params={"after": first["next"]})).json()
    assert [item["sensorId"] for item in rest["items"]] == [sensor["id"]]
    assert rest["next"] is None
    assert rest["items"][0]["detail"] == letter["detail"]

    async def seen(headers: dict[str, str], **params: object) -> list[str]:
        answer = await client.get("/v1/dead-letters", params=params, headers=headers)  # type: ignore[arg-type]
        return [item["reason"] for item in answer.json()["items"]]

    mine = await token_headers(client, scopes=["read"], farmId=place.farm["id"])
    other = await token_headers(client, scopes=["read"], farmId=other_place.farm["id"])
    assert await seen(mine) == ["out_of_range"]
    assert await seen(other) == []
    assert await seen({}, reason="malformed") == ["malformed"]
    problem_of(await client.get("/v1/dead-letters", params={"reason": "bad luck"}), 422, "/reason")


async def test_unknown_topics_are_listed_by_name(client: httpx.AsyncClient, store: Store) -> None:
    async with store.write() as uow:
        await count_unknown_topics(
            uow,
            [
                {
                    "topic": f"evenleaf/new/{name}",
                    "first_seen_at": START,
                    "last_seen_at": START,
                    "messages": 3,
                    "last_payload": b"21.5",
                }
                for name in ("b", "a")
            ],
        )
    first = (await client.get("/v1/unknown-topics", params={"limit": 1})).json()
    assert first["next"] == "evenleaf/new/a"
    assert first["items"][0]["lastPayload"] == "21.5"
    rest = (await client.get("/v1/unknown-topics", params={"after": first["next"]})).json()
    assert [(item["topic"], item["messages"]) for item in rest["items"]] == [("evenleaf/new/b", 3)]
    assert rest["next"] is None
