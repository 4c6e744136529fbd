"""House events, weather forecasts and transmission over HTTP."""

from __future__ import annotations

from datetime import datetime, timedelta

import httpx

from service.clock import FixedClock
from service.records.store import Store
from tests.api.farm import Json, Place, made, problem_of, refused, token_headers


def shade(place: Place, **more: object) -> Json:
    """Return what records shade paint."""
    return {
        "houseId": place.house["id"],
        "kind": "shade",
        "startsOn": "2026-05-04",
        "lightFactor": 0.7,
        **more,
    }


NOTHING: Json = {
    "endsOn": None,
    "tempHeatDayC": None,
    "tempHeatNightC": None,
    "tempVentC": None,
    "lampPpfdUmol": None,
    "lampStartH": None,
    "lampHours": None,
    "zoneId": None,
    "sites": None,
    "note": None,
}


async def test_an_event_is_recorded_read_listed_and_changed(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    answer = await client.post("/v1/events", json=shade(place))
    assert answer.status_code == 201, answer.text
    first = answer.json()
    assert first == {**NOTHING, **shade(place), "id": 1, "active": True, "version": 1}
    assert (answer.headers["location"], answer.headers["etag"]) == ("/v1/events/1", '"1"')
    assert (await client.get("/v1/events/1")).json() == first

    theirs = await made(client, "/v1/events", shade(other_place))
    closed = {
        "houseId": place.house["id"],
        "kind": "closed",
        "startsOn": "2026-12-24",
        "endsOn": "2026-12-26",
    }
    second = await made(client, "/v1/events", closed)
    listed = (await client.get("/v1/events", params={"houseId": place.house["id"]})).json()
    assert listed == {"items": [first, second], "next": None}
    assert (await client.get("/v1/events", params={"kind": "closed"})).json()["items"] == [second]

    changed = await client.patch("/v1/events/1", json={"endsOn": "2026-09-06"}, headers={"if-match": '"1"'})
    assert changed.json() == {**first, "endsOn": "2026-09-06", "version": 2}
    problem_of(await client.patch("/v1/events/1", json={}, headers={"if-match": '"1"'}), 412)
    await client.patch("/v1/events/1", json={"active": False})
    active = (await client.get("/v1/events", params={"active": True})).json()["items"]
    assert [event["id"] for event in active] == [theirs["id"], second["id"]]


async def test_events_that_cannot_be_are_refused(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    await made(client, "/v1/events", shade(place))
    later = {"startsOn": "2026-06-01"}
    cases = [
        ({}, 409, "/startsOn"),
        ({**later, "lightFactor": 2}, 422, "/lightFactor"),
        ({**later, "lightFactor": None}, 422, "/lightFactor"),
        ({**later, "lightFactor": "half"}, 400, "/lightFactor"),
        ({**later, "endsOn": "2026-05-31"}, 422, "/endsOn"),
        ({**later, "kind": "rain"}, 400, "/kind"),
        ({**later, "sites": 3}, 422, "/sites"),
        ({**later, "houseId": 99}, 422, "/houseId"),
        ({"startsOn": "soon"}, 400, "/startsOn"),
        ({**later, "colour": "white"}, 400, "/colour"),
    ]
    await refused(client, store, [("POST", "/v1/events", shade(place, **c), s, f) for c, s, f in cases])
    problem_of(await client.get("/v1/events", params={"kind": "rain"}), 422, "/kind")
    problem_of(await client.get("/v1/events/99"), 404)


async def test_a_token_sees_the_events_of_its_farm_only(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    theirs = await made(client, "/v1/events", shade(other_place))
    headers = await token_headers(client, scopes=["read"], farmId=place.farm["id"])
    problem_of(await client.get(f"/v1/events/{theirs['id']}", headers=headers), 404)
    assert (await client.get("/v1/events", headers=headers)).json()["items"] == []
    problem_of(await client.post("/v1/events", json=shade(place), headers=headers), 403)
    house = other_place.house["id"]
    for path in ("weather-forecasts", "transmission"):
        problem_of(await client.get(f"/v1/houses/{house}/{path}", headers=headers), 404)


def first_hour(clock: FixedClock) -> datetime:
    return clock.now().replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)


async def test_a_weather_forecast_is_pushed_and_read(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place
) -> None:
    path = f"/v1/houses/{place.house['id']}/weather-forecasts"
    at = first_hour(clock)
    hours = [
        {"at": (at + timedelta(hours=n)).isoformat(), "globalWM2": 100.0 + n, "tempOutC": 5.0}
        for n in range(3)
    ]
    answer = await client.post(path, json={"hours": hours})
    assert (answer.status_code, answer.json()) == (200, {"hours": 3})
    earlier = (clock.now() - timedelta(hours=3)).isoformat()
    answer = await client.post(path, json={"issuedAt": earlier, "hours": [{**hours[0], "globalWM2": 900}]})
    assert answer.status_code == 200, answer.text
    items = (await client.get(path)).json()["items"]
    assert [(i["globalWM2"], i["tempOutC"]) for i in items] == [(100, 5), (101, 5), (102, 5)]
    assert datetime.fromisoformat(items[0]["at"]) == at

    good = hours[0]
    bodies = [
        ({"hours": []}, 422, "/hours"),
        ({"hours": [good, good]}, 422, "/hours/1/at"),
        ({"hours": [{**good, "globalWM2": -5}]}, 422, "/hours/0/globalWM2"),
        ({"hours": [{"at": good["at"]}]}, 422, "/hours/0/globalWM2"),
        ({"hours": [{**good, "tempOutC": "warm"}]}, 400, "/hours/0/tempOutC"),
        ({"hours": [{**good, "rain": 1}]}, 400, "/hours/0/rain"),
        ({"hours": [good], "issuedAt": "2040-01-01T00:00:00Z"}, 422, "/issuedAt"),
    ]
    await refused(client, store, [("POST", path, body, status, field) for body, status, field in bodies])


async def test_a_weather_forecast_comes_as_csv(
    client: httpx.AsyncClient, clock: FixedClock, place: Place
) -> None:
    house = f"/v1/houses/{place.house['id']}"
    at = first_hour(clock)
    content = f"at,globalWM2,tempOutC\n{at.isoformat()},250,\n{(at + timedelta(hours=1)).isoformat()},,4\n"
    path = f"{house}/imports/weather-forecast"
    dry = await client.post(path, content=content, params={"dryRun": True})
    assert (dry.json()["rows"], dry.json()["new"], dry.json()["faults"]) == (2, 2, [])
    answer = await client.post(path, content=content, params={"issuedAt": clock.now().isoformat()})
    assert answer.status_code == 200, answer.text
    items = (await client.get(f"{house}/weather-forecasts")).json()["items"]
    assert [(i["globalWM2"], i["tempOutC"]) for i in items] == [(250, None), (None, 4)]
    problem = problem_of(await client.post(path, content=content.replace("250", "x")), 422, "/globalWM2")
    assert problem["errors"][0]["line"] == 2
    problem_of(await client.post(path, content=content, params={"issuedAt": "soon"}), 400, "/issuedAt")


async def test_the_transmission_says_how_it_is_known(client: httpx.AsyncClient, place: Place) -> None:
    answer = await client.get(f"/v1/houses/{place.house['id']}/transmission")
    assert answer.json() == {
        "value": 0.6,
        "spread": 0.15,
        "how": "stated",
        "days": 0,
        "learned": None,
        "stated": 0.6,
    }


async def test_a_cultivar_has_a_season(client: httpx.AsyncClient, place: Place) -> None:
    path = f"/v1/cultivars/{place.cultivar['id']}"
    assert place.cultivar["seasonMonths"] is None
    changed = await client.patch(path, json={"seasonMonths": [9, 4]})
    assert changed.json()["seasonMonths"] == [4, 9]
    problem_of(await client.patch(path, json={"seasonMonths": [13]}), 422, "/seasonMonths")
    assert (await client.patch(path, json={"seasonMonths": None})).json()["seasonMonths"] is None
