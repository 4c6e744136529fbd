"""Sensors over HTTP: pushed readings, days, calibrations, dead letters replayed, health; and alerts about sensors."""

from __future__ import annotations

from datetime import datetime, timedelta

import httpx
import numpy as np
import pytest
from litestar import Litestar

from service.agronomy import sun
from service.clock import FixedClock
from service.records.conditions import add_dead_letters
from service.records.sensors import add_lags
from service.records.store import Store
from service.work.sensor_health import watch_sensors
from service.work.times import epoch_hours
from tests.api.farm import Json, Place, all_rows, made, problem_of, sensor_body, token_headers


def samples(start: datetime, values: list[float], minutes: float = 5.0) -> list[list[object]]:
    return [[(start + n * timedelta(minutes=minutes)).isoformat(), value] for n, value in enumerate(values)]


async def push(client: httpx.AsyncClient, sensor: Json, body: object, **more: dict[str, str]) -> Json:
    answer = await client.post(f"/v1/sensors/{sensor['id']}/readings", json=body, **more)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_pushed_readings_make_hours_and_days(
    client: httpx.AsyncClient, place: Place, clock: FixedClock
) -> None:
    sensor = await made(client, "/v1/sensors", {**sensor_body(place), "unit": "degF"})
    start = clock.now() - timedelta(hours=30)
    headers = await token_headers(client, scopes=["ingest"], farmId=place.farm["id"])
    done = await push(client, sensor, samples(start, [68.0] * 25), headers=headers)
    assert done == {"readings": 25, "hours": done["hours"]}
    assert done["hours"] >= 3
    days = (await client.get(f"/v1/houses/{place.house['id']}/days")).json()["items"]
    assert {d["zoneId"] for d in days} == {place.nursery["id"]}
    assert sum(d["tempCoverage"] for d in days) * 24 == pytest.approx(2.0)
    assert {round(d["tempMeanC"], 9) for d in days} == {20.0}
    assert {d["dliMol"] for d in days} == {None}
    path = f"/v1/houses/{place.house['id']}/days?zoneId={place.channels['id']}"
    assert (await client.get(path)).json() == {"items": []}


async def test_what_cannot_be_pushed_changes_nothing(
    client: httpx.AsyncClient, place: Place, clock: FixedClock, store: Store
) -> None:
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    before = await all_rows(store)
    path = f"/v1/sensors/{sensor['id']}/readings"
    problem = problem_of(
        await client.post(path, json=samples(clock.now(), [20.0, 999.0, 998.0])), 422, "", ""
    )
    assert "sample 1" in problem["errors"][0]["problem"]
    problem_of(await client.post(path, content=b"{"), 422, "")
    problem_of(await client.post("/v1/sensors/999/readings", json=20.0), 404)
    assert "262144 bytes" in problem_of(await client.post(path, content=b" " * 300_000), 413)["detail"]
    headers = await token_headers(client, scopes=["read"])
    assert (await client.post(path, json=20.0, headers=headers)).status_code == 403
    assert {k: v for k, v in (await all_rows(store)).items() if k == "reading"} == {
        "reading": before["reading"]
    }


async def test_days_that_cannot_be_asked_for(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    path = f"/v1/houses/{place.house['id']}/days"
    problem_of(await client.get(path, params={"from": "2026-09-02", "to": "2026-09-01"}), 422, "/from")
    problem_of(await client.get(path, params={"from": "2024-01-01", "to": "2026-09-01"}), 422, "/from")
    problem_of(await client.get(path, params={"zoneId": other_place.nursery["id"]}), 422, "/zoneId")


async def test_a_calibration_is_added_changed_and_taken_back(
    client: httpx.AsyncClient, place: Place, clock: FixedClock
) -> None:
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    start = clock.now().replace(minute=0, second=0, microsecond=0) - timedelta(hours=6)
    await push(client, sensor, samples(start, [20.0] * 25))
    path = f"/v1/sensors/{sensor['id']}/calibrations"
    answer = await client.post(path, json={"fromAt": start.isoformat(), "factor": 1.1, "note": "hand-held"})
    assert answer.status_code == 201, answer.text
    row = answer.json()
    assert row["hours"] == 2
    assert row["recordedBy"]
    problem_of(await client.post(path, json={"fromAt": start.isoformat()}), 409, "/fromAt")
    changed = f"/v1/sensor-calibrations/{row['id']}"
    problem_of(await client.patch(changed, json={"factor": 0.0}), 422, "/factor")
    problem_of(await client.patch(changed, json={"factor": 1.2}, headers={"if-match": '"9"'}), 412)
    answer = await client.patch(changed, json={"active": False}, headers={"if-match": answer.headers["etag"]})
    assert answer.json()["active"] is False
    assert [r["id"] for r in (await client.get(path)).json()["items"]] == [row["id"]]


async def test_dead_letters_are_replayed(
    client: httpx.AsyncClient, place: Place, clock: FixedClock, store: Store
) -> None:
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    letter = {
        "topic": sensor["topic"],
        "size_bytes": 4,
        "received_at": clock.now(),
        "reason": "unknown_topic",
        "detail": "no sensor claims this topic",
        "sensor_id": None,
    }
    async with store.write() as uow:
        await add_dead_letters(uow, [{**letter, "payload": b"21.5"}, {**letter, "payload": b"hot!"}])
    answer = await client.post("/v1/dead-letters/replay", json={"reason": "unknown_topic"})
    assert answer.json() == {"lookedAt": 2, "gone": 1, "readings": 1, "next": None}
    left = (await client.get("/v1/dead-letters")).json()["items"]
    assert [(x["reason"], x["payload"], x["sensorId"]) for x in left] == [("malformed", "hot!", sensor["id"])]
    problem_of(await client.post("/v1/dead-letters/replay", json={}), 422, "/topic")
    problem_of(await client.post("/v1/dead-letters/replay", json={"reason": "bad"}), 422, "/reason")


# --------------------------------------------------------------------------- health


async def open_alerts(client: httpx.AsyncClient) -> dict[str, Json]:
    items = (await client.get("/v1/alerts?open=true")).json()["items"]
    return {item["kind"]: item for item in items if item["kind"].startswith("sensor")}


async def test_that_a_sensor_was_looked_at_later_is_no_change(
    client: httpx.AsyncClient, app: Litestar, place: Place, clock: FixedClock
) -> None:
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    await push(client, sensor, samples(clock.now() - timedelta(minutes=30), [20.0, 20.5]))
    path = f"/v1/sensors/{sensor['id']}/health"
    first = await client.get(path)
    app.state.clock = FixedClock(clock.now() + timedelta(seconds=2))
    headers = {"if-none-match": first.headers["etag"]}
    again = await client.get(path, headers=headers)
    assert (again.status_code, again.content) == (304, b"")
    assert (await client.get(path)).json() == {**first.json(), "at": "2026-09-14T06:00:02Z"}
    await push(client, sensor, samples(clock.now(), [21.0]))
    assert (await client.get(path, headers=headers)).status_code == 200


async def test_a_stuck_sensor_beside_a_good_one(
    client: httpx.AsyncClient, place: Place, clock: FixedClock, store: Store
) -> None:
    good = await made(client, "/v1/sensors", {**sensor_body(place), "topic": "evenleaf/a"})
    bad = await made(
        client, "/v1/sensors", {**sensor_body(place), "topic": "evenleaf/b", "name": "by the door"}
    )
    start = clock.now() - timedelta(hours=23)
    course = [20.0 + 2.0 * np.sin(n / 30) for n in range(23 * 12)]
    await push(client, good, samples(start, course))
    await push(client, bad, samples(start, [26.5] * len(course)))
    await watch_sensors(store, clock)
    alerts = await open_alerts(client)
    assert set(alerts) == {"sensor_stuck", "sensors_disagree"}
    assert alerts["sensor_stuck"]["subject"] == f"sensor:{bad['id']}"
    assert alerts["sensor_stuck"]["evidence"]["value"] == 26.5
    assert alerts["sensors_disagree"]["evidence"]["apart"] < -4
    health = (await client.get(f"/v1/sensors/{bad['id']}/health")).json()
    assert [f["fault"] for f in health["faults"]] == ["stuck", "disagreement"]
    assert health["faults"][1]["otherSensorId"] == good["id"]
    assert health["readings"] == len(course)
    health = (await client.get(f"/v1/sensors/{good['id']}/health")).json()
    assert [f["fault"] for f in health["faults"]] == ["disagreement"]
    await push(client, bad, samples(start, [v + 0.2 for v in course]))
    await watch_sensors(store, clock)
    assert await open_alerts(client) == {}


async def test_light_at_odds_with_the_sun(
    client: httpx.AsyncClient, place: Place, clock: FixedClock, store: Store
) -> None:
    sensor = await made(
        client,
        "/v1/sensors",
        {**sensor_body(place), "quantity": "ppfd_umol", "unit": "umol m-2 s-1", "name": "light"},
    )
    start = clock.now() - timedelta(hours=24)
    hours = epoch_hours(start) + np.arange(24 * 12) / 12.0
    up = sun.sun_elevation_deg(52.1, 5.2, hours)
    await push(client, sensor, samples(start, (np.maximum(up, 0.0) * 12.0).tolist()))
    await watch_sensors(store, clock)
    assert await open_alerts(client) == {}
    await push(client, sensor, samples(start, (np.maximum(-up, 0.0) * 12.0).tolist()))
    await watch_sensors(store, clock)
    assert set(await open_alerts(client)) == {"sensor_light_at_night", "sensor_dark_at_noon"}


async def test_a_clock_that_is_off_says_by_how_much(
    client: httpx.AsyncClient, place: Place, clock: FixedClock, store: Store
) -> None:
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    now = clock.now().replace(minute=0, second=0, microsecond=0)
    rows = [
        {
            "sensor_id": sensor["id"],
            "at": now - timedelta(hours=n),
            "low_s": 3601.0 + n,
            "high_s": 3800.0,
            "messages": 12,
        }
        for n in range(6)
    ]
    async with store.write() as uow:
        await add_lags(uow, rows)
    health = (await client.get(f"/v1/sensors/{sensor['id']}/health")).json()
    faults = {f["fault"]: f for f in health["faults"]}
    assert set(faults) == {"clock"}, "never heard of: new, not silent"
    assert faults["clock"]["evidence"]["wholeHours"] == 1
    correction = faults["clock"]["evidence"]["clockCorrectionS"]
    assert correction == pytest.approx(3603, abs=3)
    await watch_sensors(store, clock)
    assert set(await open_alerts(client)) == {"sensor_clock"}
    answer = await client.patch(f"/v1/sensors/{sensor['id']}", json={"clockCorrectionS": correction})
    assert answer.json()["clockCorrectionS"] == correction


async def test_readings_outside_the_plausible_range(
    client: httpx.AsyncClient, place: Place, clock: FixedClock, store: Store
) -> None:
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    letter = {
        "topic": sensor["topic"],
        "payload": b"999",
        "size_bytes": 3,
        "received_at": clock.now() - timedelta(hours=1),
        "reason": "out_of_range",
        "detail": "999 is outside -40 to 60",
        "sensor_id": sensor["id"],
    }
    async with store.write() as uow:
        await add_dead_letters(uow, [letter] * 4)
    await watch_sensors(store, clock)
    assert (await open_alerts(client))["sensor_out_of_range"]["evidence"]["refused"] == 4
    later = FixedClock(clock.now() + timedelta(days=2))
    assert await watch_sensors(store, later) == (0, 1), "two days without one end it"
