"""Receivers, notices, alerts, limits and calendars over HTTP."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import httpx
import pytest
from litestar import Litestar
from sqlalchemy import update

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Notice
from service.work import alert_kinds, reforecast, seed_alerts, sensor_health, watch
from service.work.alerts import Condition, settle_alerts
from tests.api.farm import Json, Place, made, problem_of, refused, token_headers


def body(place: Place, **more: Any) -> Json:
    """Return what makes a webhook."""
    return {
        "farmId": place.farm["id"],
        "kind": "webhook",
        "name": "Control room",
        "target": "https://example.org/hook",
        **more,
    }


async def alert(store: Store, clock: FixedClock, place: Place) -> None:
    """Open an alert."""
    async with store.write() as uow:
        found = Condition(
            kind="flow_lost",
            subject="sensor:1",
            severity="urgent",
            title="No flow",
            detail="None.",
            next_step="Look.",
        )
        await settle_alerts(uow, clock, place.house["id"], {"flow_lost"}, [found])


async def test_a_receiver_is_made_changed_and_its_secret_rotated(
    client: httpx.AsyncClient, place: Place
) -> None:
    answer = await client.post("/v1/receivers", json=body(place, quietFrom="21:00", quietTo="06:30"))
    assert answer.status_code == 201, answer.text
    assert answer.headers["cache-control"] == "no-store"
    first = answer.json()
    assert first["secret"].startswith("whsec_")
    assert first["timeZone"] == "Europe/Amsterdam"
    shown = {k: v for k, v in first.items() if k != "secret"}
    assert (await client.get("/v1/receivers/1")).json() == shown
    assert (await client.get("/v1/receivers")).json()["items"] == [shown]
    change = {"minSeverity": "warning", "houseIds": [place.house["id"]], "news": ["advice"]}
    changed = await client.patch("/v1/receivers/1", json=change, headers={"if-match": '"1"'})
    assert changed.json() == {**shown, **change, "version": 2}
    problem_of(await client.patch("/v1/receivers/1", json=change, headers={"if-match": '"1"'}), 412)
    rotated = (await client.post("/v1/receivers/1/rotate")).json()
    assert rotated["secret"] not in {None, first["secret"]}
    assert rotated["oldSecretUntil"] == "2026-09-15T06:00:00Z"
    mail = await made(
        client,
        "/v1/receivers",
        body(place, kind="mail", name="Grower", target="grower@example.org", digestAt="06:30"),
    )
    assert mail["secret"] is None
    problem_of(await client.post("/v1/receivers/2/rotate"), 409)
    problem_of(await client.post("/v1/receivers/99/rotate"), 404)


async def test_receivers_that_cannot_be_are_refused(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    await made(client, "/v1/receivers", body(place))
    cases = [
        ("POST", "/v1/receivers", body(place, name="x", **more), status, field)
        for more, status, field in [
            ({"kind": "pigeon"}, 400, "/kind"),
            ({"target": "http://example.org/hook"}, 422, "/target"),
            ({"target": "https://127.0.0.1/hook"}, 422, "/target"),
            ({"target": "https://[::ffff:10.0.0.1]/hook"}, 422, "/target"),
            ({"target": "https://a:b@example.org/"}, 422, "/target"),
            ({"kind": "mail"}, 422, "/target"),
            ({"kind": "mail", "target": "a@b.example\r\nBcc: c@d.example"}, 422, "/target"),
            ({"kind": "mqtt", "target": "evenleaf"}, 422, "/target"),
            ({"quietFrom": "21:00"}, 422, "/quietTo"),
            ({"quietFrom": "24:00", "quietTo": "06:00"}, 422, "/quietFrom"),
            ({"quietFrom": "06:00", "quietTo": "06:00"}, 422, "/quietTo"),
            ({"digestAt": "06:30"}, 422, "/digestAt"),
            ({"houseIds": [99]}, 422, "/houseIds"),
            ({"houseIds": []}, 422, "/houseIds"),
            ({"alertKinds": ["Heat!"]}, 422, "/alertKinds"),
            ({"alertKinds": ["flow_lost", "heat_lost"]}, 422, "/alertKinds"),
            ({"timeZone": "Mars/Base"}, 422, "/timeZone"),
            ({"farmId": 99}, 422, "/farmId"),
            ({"secret": "whsec_AAAA"}, 400, "/secret"),
        ]
    ]
    cases += [
        ("POST", "/v1/receivers", body(place), 409, "/name"),
        ("PATCH", "/v1/receivers/1", {"kind": "mail"}, 400, "/kind"),
        ("PATCH", "/v1/receivers/1", {"target": "https://10.0.0.1/"}, 422, "/target"),
    ]
    await refused(client, store, cases)


async def test_without_a_mail_server_there_is_no_mail(
    client: httpx.AsyncClient, app: Litestar, place: Place
) -> None:
    values = body(place, kind="mail", name="Grower", target="grower@example.org")
    mail = await made(client, "/v1/receivers", values)
    app.state.settings = replace(app.state.settings, smtp_host="")
    said = problem_of(await client.post("/v1/receivers", json={**values, "name": "Crew"}), 422, "/kind")
    assert "EVENLEAF_SMTP_HOST" in said["detail"]
    # One that is there may be changed, above all to be made inactive.
    change = {"active": False, "target": "office@example.org"}
    assert (await client.patch(f"/v1/receivers/{mail['id']}", json=change)).status_code == 200


async def test_a_kind_of_alert_that_is_not_there_is_answered_with_those_that_are(
    client: httpx.AsyncClient, place: Place
) -> None:
    answer = await client.post("/v1/receivers", json=body(place, alertKinds=["flow_losst"]))
    problem = problem_of(answer, 422, "/alertKinds")
    assert all(kind in problem["errors"][0]["problem"] for kind in alert_kinds.KINDS)
    described = (await client.get("/docs/openapi.json")).json()["components"]["schemas"]["ReceiverNew"]
    assert all(kind in str(described["properties"]["alertKinds"]) for kind in alert_kinds.KINDS)


def test_the_kinds_of_alerts_are_those_that_are_raised() -> None:
    raised = watch.KINDS | sensor_health.KINDS | seed_alerts.KINDS | reforecast._ALERT_KINDS
    assert set(alert_kinds.KINDS) == raised
    assert len(alert_kinds.KINDS) == len(raised)


async def test_a_receiver_is_deleted_with_its_notices(client: httpx.AsyncClient, place: Place) -> None:
    hook = await made(client, "/v1/receivers", body(place))
    await client.post(f"/v1/receivers/{hook['id']}/test")
    assert (await client.delete(f"/v1/receivers/{hook['id']}")).status_code == 204
    problem_of(await client.get(f"/v1/receivers/{hook['id']}"), 404)
    problem_of(await client.delete(f"/v1/receivers/{hook['id']}"), 404)
    assert (await client.get("/v1/notices")).json()["items"] == []
    assert (await made(client, "/v1/receivers", body(place)))["name"] == hook["name"], (
        "its name is free again"
    )


async def test_a_broker_is_cleared_before_its_receiver_is_deleted(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place
) -> None:
    await alert(store, clock, place)
    broker = await made(
        client, "/v1/receivers", {"farmId": place.farm["id"], "kind": "mqtt", "name": "Climate"}
    )
    path = f"/v1/receivers/{broker['id']}"
    assert "active" in problem_of(await client.delete(path), 409)["detail"]
    await client.patch(path, json={"active": False})
    assert "being cleared" in problem_of(await client.delete(path), 409)["detail"]
    async with store.write() as uow:
        await uow.session.execute(update(Notice).where(Notice.state == "waiting").values(state="sent"))
    assert (await client.delete(path)).status_code == 204


async def test_notices_are_listed_and_sent_again(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place
) -> None:
    await made(client, "/v1/receivers", body(place))
    test = await client.post("/v1/receivers/1/test")
    assert test.status_code == 202, test.text
    assert (test.json()["type"], test.json()["state"]) == ("evenleaf.test", "waiting")
    await alert(store, clock, place)
    listed = (await client.get("/v1/notices", params={"state": "waiting", "receiverId": 1})).json()["items"]
    assert [n["type"] for n in listed] == ["evenleaf.alert.opened", "evenleaf.test"]
    assert (await client.get("/v1/notices", params={"alertId": 1})).json()["items"] == listed[:1]
    assert (await client.get(f"/v1/notices/{listed[0]['id']}")).json() == listed[0]
    problem_of(await client.post(f"/v1/notices/{listed[0]['id']}/resend"), 409)
    async with store.write() as uow:
        row = await uow.session.get_one(Notice, listed[0]["id"])
        row.state, row.attempts, row.last_error = "dead", 40, "answered 500"
    again = await client.post(f"/v1/notices/{listed[0]['id']}/resend")
    assert again.status_code == 202, again.text
    assert again.json() == listed[0]
    problem_of(await client.post("/v1/notices/99/resend"), 404)


async def test_an_alert_is_read_acknowledged_and_snoozed(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place
) -> None:
    await alert(store, clock, place)
    first = (await client.get("/v1/alerts/1")).json()
    assert (first["acknowledgedAt"], first["snoozedUntil"], first["size"]) == (None, None, None)
    done = await client.post("/v1/alerts/1/acknowledge")
    assert done.status_code == 200, done.text
    assert (done.json()["acknowledgedAt"], done.json()["acknowledgedBy"]) == ("2026-09-14T06:00:00Z", "first")
    until = "2026-09-14T18:00:00Z"
    assert (await client.post("/v1/alerts/1/snooze", json={"until": until})).json()["snoozedUntil"] == until
    assert (await client.post("/v1/alerts/1/snooze", json={"until": None})).json()["snoozedUntil"] is None
    problem_of(
        await client.post("/v1/alerts/1/snooze", json={"until": "2026-09-14T05:00:00Z"}), 422, "/until"
    )
    problem_of(await client.post("/v1/alerts/1/snooze", json={}), 400, "/until")
    problem_of(await client.post("/v1/alerts/9/acknowledge"), 404)


async def test_limits_of_a_zone(client: httpx.AsyncClient, place: Place) -> None:
    path = f"/v1/zones/{place.channels['id']}/limits"
    items = {i["quantity"]: i for i in (await client.get(path)).json()["items"]}
    assert items["ph"] == {
        "quantity": "ph",
        "unit": "pH",
        "low": 5.5,
        "high": 6.5,
        "urgentLow": 5.0,
        "urgentHigh": 7.2,
        "afterMinutes": 20.0,
        "isSet": False,
    }
    wanted = {"low": 5.6, "high": 6.2, "urgentLow": None, "urgentHigh": 7.0, "afterMinutes": 10.0}
    answer = await client.put(f"{path}/ph", json=wanted)
    assert answer.json() == {**wanted, "quantity": "ph", "unit": "pH", "isSet": True}
    assert (await client.delete(f"{path}/ph")).json() == items["ph"]
    problem_of(await client.put(f"{path}/co2_ppm", json=wanted), 422, "/quantity")
    problem_of(await client.put("/v1/zones/99/limits/ph", json=wanted), 404)


async def test_calendars(client: httpx.AsyncClient, place: Place) -> None:
    feed = await made(client, "/v1/calendars", {"name": "Alder", "farmId": place.farm["id"]})
    assert feed["url"] is None
    answer = await client.get(feed["path"], headers={"authorization": ""})
    assert answer.status_code == 200
    assert answer.text.startswith("BEGIN:VCALENDAR")
    (listed,) = (await client.get("/v1/calendars")).json()["items"]
    assert "path" not in listed
    assert (await client.delete("/v1/calendars/1")).json()["revokedAt"] == "2026-09-14T06:00:00Z"
    problem_of(await client.get(feed["path"]), 404)
    problem_of(await client.post("/v1/calendars", json={"name": "A", "farmId": 99}), 422, "/farmId")


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/v1/receivers/1"),
        ("POST", "/v1/receivers/1/rotate"),
        ("POST", "/v1/receivers/1/test"),
        ("GET", "/v1/notices/1"),
        ("POST", "/v1/notices/1/resend"),
        ("GET", "/v1/alerts/1"),
        ("POST", "/v1/alerts/1/acknowledge"),
        ("DELETE", "/v1/calendars/1"),
        ("GET", "/v1/zones/1/limits"),
    ],
)
async def test_what_is_of_another_farm_is_not_there(
    client: httpx.AsyncClient,
    store: Store,
    clock: FixedClock,
    place: Place,
    other_place: Place,
    method: str,
    path: str,
) -> None:
    await made(client, "/v1/receivers", body(place))
    await made(client, "/v1/calendars", {"name": "Alder", "farmId": place.farm["id"]})
    await alert(store, clock, place)
    there = await token_headers(client, scopes=["admin"], farmId=other_place.farm["id"])
    problem_of(await client.request(method, path, headers=there), 404)
    for listed in ("/v1/receivers", "/v1/notices", "/v1/calendars"):
        assert (await client.get(listed, headers=there)).json()["items"] == []
