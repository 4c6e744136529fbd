"""Every operation, by every scope and role, on one's own and on another's farm: nothing leaks, not even existence.

The operations come from the application's routes, so that a new one is tested, or fails the test for want of an
entry: what an id in a path may name has to be made by ``ids_of``, and which scope it takes is checked against who may.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
from litestar import Litestar
from litestar.handlers import HTTPRouteHandler

from service.records.store import Store
from service.records.tables import Advice, Alert, Notice
from service.work.access import SCOPES, Access
from service.work.users import ROLES, SCOPES_OF_ROLE
from tests.api.farm import Json, Place, all_rows, made, sensor_body, token_headers
from tests.api.test_packing import harvest, lot_body

# Answers without end: tests/api/test_stream.py asks it, by scope and farm.
ENDLESS = {"streamChanges"}


@dataclass(frozen=True)
class Operation:
    """One operation of the API."""

    name: str
    method: str
    path: str
    scope: str

    def on(self, ids: Mapping[str, int | str]) -> str:
        """Return its path with ids."""
        named = iter(self.names)
        return re.sub(r"\{\w+:\w+\}", lambda _found: str(ids[next(named)]), self.path)

    @property
    def names(self) -> list[str]:
        """Return what the ids in its path are called."""
        packed = self.path.startswith("/v1/packed-lots")
        found = re.findall(r"\{(\w+):\w+\}", self.path)
        return ["packed_lot_id" if packed and name == "lot_id" else name for name in found]


def operations(app: Litestar) -> list[Operation]:
    """Return all operations under /v1."""
    found = []
    for route in app.routes:
        if not route.path.startswith("/v1"):
            continue
        for handler in route.route_handlers:  # type: ignore[union-attr]
            assert isinstance(handler, HTTPRouteHandler)
            for method in handler.http_methods - {"OPTIONS"}:
                scope = handler.opt.get("scope") or ("read" if method == "GET" else "write")
                assert handler.operation_id, route.path_format
                found.append(Operation(str(handler.operation_id), method, _typed(route), scope))
    return sorted(found, key=lambda operation: (operation.path, operation.method))


def _typed(route: Any) -> str:
    return "/" + "/".join(
        part if isinstance(part, str) else f"{{{part.name}:{part.type.__name__}}}"
        for part in route.path_components
    )


async def ids_of(client: httpx.AsyncClient, place: Place, store: Store) -> dict[str, int | str]:
    """Make one of each thing that ids in paths name, and return their ids.

    A new operation on a new kind of thing needs an entry here.
    """
    batch = await made(client, "/v1/batches", {"successionId": place.succession["id"]})
    entries = (await client.get(f"/v1/batches/{batch['id']}/entries")).json()["items"]
    house, farm, crop = place.house["id"], place.farm["id"], place.crop["id"]
    order = {"farmId": farm, "cropId": crop, "buyer": "Market", "heads": 40, "dates": ["2026-11-02"]}
    task = {"houseId": house, "kind": "check", "dueOn": "2026-09-15", "title": "Look"}
    event = {"houseId": house, "kind": "closed", "startsOn": "2026-12-25", "endsOn": "2026-12-25"}
    token = {"name": f"tablet of {farm}", "scopes": ["read"], "farmId": farm}
    user = {
        "login": f"ada{farm}",
        "role": "viewer",
        "password": "rows of green heads",
        "farmId": farm,
    }
    sensor = {**sensor_body(place), "topic": f"evenleaf/farm{farm}/temperature"}
    lots = [
        await made(
            client,
            "/v1/seed-lots",
            {
                "cultivarId": place.cultivar["id"],
                "lotNumber": f"L{farm}-{number}",
                "receivedOn": "2026-08-01",
                "seeds": 5000,
            },
        )
        for number in (1, 2)
    ]
    trial = {
        "newLotId": lots[1]["id"],
        "oldLotId": lots[0]["id"],
        "sownOn": "2026-09-01",
        "newSown": 100,
        "oldSown": 100,
    }
    entry_path = f"/v1/batches/{batch['id']}/entries/{entries[0]['id']}"
    picture = await client.post(f"{entry_path}/pictures", content=b"\xff\xd8\xff\xe0" + b"\x00" * 20)
    assert picture.status_code == 201, picture.text
    packed = await made(client, "/v1/packed-lots", lot_body(place, await harvest(client, place)))
    delivery = {"packedLotId": packed["id"], "heads": 10, "recipient": "School kitchen"}
    section = {"zoneId": place.channels["id"], "code": "A", "name": "Left", "sites": 400}
    receiver = {"farmId": farm, "kind": "mail", "name": "Office", "target": "office@example.org"}
    sensor_id = (await made(client, "/v1/sensors", sensor))["id"]
    calibration = {"fromAt": "2026-09-01T00:00:00Z", "factor": 1.02}
    receiver_id = (await made(client, "/v1/receivers", receiver))["id"]
    alert_id, notice_id = await told(store, house, receiver_id)
    return {
        "alert_id": alert_id,
        "notice_id": notice_id,
        "receiver_id": receiver_id,
        "calendar_id": (await made(client, "/v1/calendars", {"farmId": farm, "name": "Wall"}))["id"],
        "calibration_id": (await made(client, f"/v1/sensors/{sensor_id}/calibrations", calibration))["id"],
        "quantity": "ph",
        "picture_id": picture.json()["id"],
        "packed_lot_id": packed["id"],
        "delivery_id": (await made(client, "/v1/deliveries", delivery))["id"],
        "section_id": (await made(client, "/v1/sections", section))["id"],
        "lot_id": lots[0]["id"],
        "trial_id": (await made(client, "/v1/lot-trials", trial))["id"],
        "farm_id": farm,
        "house_id": house,
        "zone_id": place.nursery["id"],
        "crop_id": crop,
        "cultivar_id": place.cultivar["id"],
        "succession_id": place.succession["id"],
        "advice_id": await advised(store, place.succession["id"]),
        "batch_id": batch["id"],
        "entry_id": entries[0]["id"],
        "sensor_id": sensor_id,
        "order_id": (await made(client, "/v1/orders", order))["id"],
        "task_id": (await made(client, "/v1/tasks", task))["id"],
        "event_id": (await made(client, "/v1/events", event))["id"],
        "token_id": (await made(client, "/v1/tokens", token))["id"],
        "user_id": (await made(client, "/v1/users", user))["id"],
    }


async def told(store: Store, house_id: int, receiver_id: int) -> tuple[int, int]:
    """Write down an alert and its notice, which only a look at the house makes; return their ids."""
    at = datetime(2026, 9, 14, tzinfo=UTC)
    async with store.write() as uow:
        alert = Alert(
            house_id=house_id,
            kind="sensor_silent",
            subject="sensor:1",
            severity="warning",
            title="Silent",
            detail="Nothing is heard.",
            next_step="Look at it.",
            evidence={},
            opened_at=at,
            updated_at=at,
        )
        uow.session.add(alert)
        await uow.flush()
        notice = Notice(
            receiver_id=receiver_id,
            event_id="1",
            type="evenleaf.alert.opened",
            source="/",
            subject=f"alerts/{alert.id}",
            created_at=at,
            due_at=at,
            expires_at=at + timedelta(days=1),
            alert_id=alert.id,
            state="dead",
        )
        uow.session.add(notice)
        await uow.flush()
        return alert.id, notice.id


async def advised(store: Store, succession_id: int) -> int:
    """Write down an advice, which only a re-forecast makes; return its id."""
    async with store.write() as uow:
        advice = Advice(
            succession_id=succession_id,
            made_at=datetime(2026, 9, 14, tzinfo=UTC),
            input_key="k",
            decision="hold",
            binding="continuity",
            interval_days=7.0,
            advised_interval_days=7.0,
            cells_per_seeding=200,
            from_on=date(2026, 9, 15),
            probability=0.9,
            seedings=[],
            outcome={},
            reasons=[],
        )
        uow.session.add(advice)
        await uow.flush()
        return advice.id


def whole(problem: Json) -> str:
    """Return an answer as text, without what the asker sent."""
    return json.dumps({name: value for name, value in problem.items() if name != "instance"}, sort_keys=True)


async def test_nobody_comes_in_without_saying_who_they_are(
    app: Litestar, open_client: httpx.AsyncClient
) -> None:
    for operation in operations(app):
        path = operation.on(dict.fromkeys(operation.names, 1))
        for headers in ({}, {"authorization": "Bearer evl_wrong"}, {"cookie": "evenleaf_session=wrong"}):
            answer = await open_client.request(operation.method, path, headers=headers)
            assert answer.status_code == 401, operation


async def test_every_operation_takes_its_scope(
    app: Litestar, client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    headers = {
        scope: await token_headers(client, scopes=[scope], farmId=place.farm["id"]) for scope in SCOPES
    }
    ids = await ids_of(client, place, store)
    found = operations(app)
    assert len(found) >= 60
    before = await all_rows(store)
    for operation in found:
        for scope in SCOPES:
            access = Access("", frozenset({scope}), None)
            may = operation.scope == "any" or access.may(operation.scope)
            if may and (operation.method != "GET" or operation.name in ENDLESS):
                continue  # what it does when it may is for its own tests
            answer = await client.request(
                operation.method,
                operation.on(ids),
                headers=headers[scope],
                json=None if operation.method in ("GET", "DELETE") else {},
            )
            assert (answer.status_code != 403 or "limited to farm" in answer.text) is may, (
                operation,
                scope,
                answer.text,
            )
            assert answer.status_code < 500, (operation, scope, answer.text)
    assert await all_rows(store) == before


def test_every_operation_is_for_somebody_and_changes_are_not_for_viewers(app: Litestar) -> None:
    harmless = {
        "judgeSeedTest",
        "planSowing",
        "planLotSowing",
        "makePlan",
        "listSeedOrders",
        "changeOwnPassword",
    }
    roles = {role: Access("", SCOPES_OF_ROLE[role], None) for role in ROLES}
    for operation in operations(app):
        may = {
            role for role, access in roles.items() if operation.scope == "any" or access.may(operation.scope)
        }
        assert "owner" in may, operation
        if operation.method != "GET" and operation.name not in harmless:
            assert "viewer" not in may, operation
        if operation.scope == "admin":
            assert may == {"owner"}, operation


async def test_what_is_of_another_farm_is_as_if_it_were_not_there(
    app: Litestar, client: httpx.AsyncClient, store: Store, place: Place, other_place: Place
) -> None:
    theirs = await ids_of(client, place, store)
    await ids_of(client, other_place, store)
    absent = {name: 987654 if isinstance(value, int) else value for name, value in theirs.items()}
    limited = [
        await token_headers(client, scopes=[scope], farmId=other_place.farm["id"])
        for scope in ("read", "record", "write", "admin")
    ]
    before = await all_rows(store)
    for operation in operations(app):
        if operation.name in ENDLESS:
            continue
        missing = [name for name in operation.names if name not in theirs]
        assert not missing, f"{operation}: make one of {missing} in ids_of"
        for headers in limited:
            body = None if operation.method in ("GET", "DELETE") else {}
            answers = []
            for ids in (theirs, absent):
                answer = await client.request(operation.method, operation.on(ids), headers=headers, json=body)
                assert answer.status_code < 500, (operation, answer.text)
                answers.append(answer)
            if not operation.names:
                text = answers[0].text
                assert "Alder" not in text, (operation, text)
                continue
            there, nowhere = answers
            assert there.status_code == nowhere.status_code, (operation, there.text, nowhere.text)
            assert there.status_code >= 400, operation
            said = [
                re.sub(rf"\b{i}\b", "?", whole(a.json()))
                for a, i in ((there, theirs[operation.names[0]]), (nowhere, 987654))
            ]
            assert said[0] == said[1], operation
    assert await all_rows(store) == before
