"""Requests sent again, answers not sent again, too many of them, and the trail that changes leave."""

from __future__ import annotations

import asyncio
from typing import Any

import httpx
import pytest
from litestar import Litestar
from sqlalchemy.ext.asyncio import AsyncSession

from service.app import create_app
from service.clock import FixedClock
from service.records.store import Store
from service.settings import Settings
from service.work import idempotency
from service.work.access import SYSTEM
from service.work.audit import list_audit
from tests.api.conftest import running
from tests.api.farm import Json, Place, all_rows, problem_of, token_headers

KEY = {"idempotency-key": "0b0e7a52-6d5c-4c0b-9c0e-6f1f5a4f7d10"}


def task_body(place: Place) -> Json:
    """Return what makes a task; nothing of it is unique, so a second one would be made."""
    return {"houseId": place.house["id"], "kind": "check", "dueOn": "2026-09-15", "title": "Look at roots"}


# --------------------------------------------------------------------------- sent again


async def test_a_request_sent_again_is_answered_as_the_first_time(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    first = await client.post("/v1/tasks", json=task_body(place), headers=KEY)
    assert first.status_code == 201
    assert "idempotency-replayed" not in first.headers
    before = await all_rows(store)
    again = await client.post("/v1/tasks", json=task_body(place), headers=KEY)
    assert (again.status_code, again.content) == (first.status_code, first.content)
    assert again.headers["idempotency-replayed"] == "true"
    for name in ("etag", "location", "content-type"):
        assert again.headers[name] == first.headers[name]
    assert await all_rows(store) == before
    # Without a key, and by someone else with the same key, it is another request.
    assert (await client.post("/v1/tasks", json=task_body(place))).json()["id"] != first.json()["id"]
    other = await token_headers(client, scopes=["write"])
    theirs = await client.post("/v1/tasks", json=task_body(place), headers={**KEY, **other})
    assert theirs.status_code == 201
    assert "idempotency-replayed" not in theirs.headers


async def test_the_same_key_with_another_request_is_refused(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    task = (await client.post("/v1/tasks", json=task_body(place), headers=KEY)).json()
    before = await all_rows(store)
    other = {**task_body(place), "title": "Look at leaves"}
    problem_of(await client.post("/v1/tasks", json=other, headers=KEY), 422)
    problem_of(await client.post(f"/v1/tasks/{task['id']}/done", headers=KEY), 422)
    for wrong in ("", "x" * 256, "caf\u00e9"):
        headers = {"idempotency-key": wrong.encode("latin-1")}
        problem_of(await client.post("/v1/tasks", json=task_body(place), headers=headers), 422)
    assert await all_rows(store) == before


async def test_a_refused_request_leaves_its_key_free(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    before = await all_rows(store)
    wrong = {**task_body(place), "houseId": 99}
    problem_of(await client.post("/v1/tasks", json=wrong, headers=KEY), 422, "/houseId")
    assert await all_rows(store) == before
    assert (await client.post("/v1/tasks", json=task_body(place), headers=KEY)).status_code == 201


async def test_the_same_request_many_times_at_once_changes_once(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    answers = await asyncio.gather(
        *(client.post("/v1/tasks", json=task_body(place), headers=KEY) for _ in range(6))
    )
    assert {answer.status_code for answer in answers} <= {201, 409}
    assert any(answer.status_code == 201 for answer in answers)
    assert len((await client.get("/v1/tasks")).json()["items"]) == 1


async def test_a_key_is_kept_for_two_days(
    client: httpx.AsyncClient, app: Litestar, store: Store, place: Place, clock: FixedClock
) -> None:
    await client.post("/v1/tasks", json=task_body(place), headers=KEY)
    later = FixedClock(clock.moment + idempotency.KEPT_FOR)
    app.state.clock = later
    again = await client.post("/v1/tasks", json=task_body(place), headers=KEY)
    assert again.status_code == 201
    assert "idempotency-replayed" not in again.headers
    async with store.write() as uow:
        await idempotency.forget_old(uow, later.moment)
    assert len((await all_rows(store))["idempotency_key"]) == 1


async def test_a_commit_that_fails_keeps_neither_change_nor_key(
    client: httpx.AsyncClient, store: Store, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = await all_rows(store)
    commit = AsyncSession.commit

    async def refuse(_session: AsyncSession) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(AsyncSession, "commit", refuse)
    problem_of(await client.post("/v1/tasks", json=task_body(place), headers=KEY), 500)
    monkeypatch.setattr(AsyncSession, "commit", commit)
    assert await all_rows(store) == before
    assert (await client.post("/v1/tasks", json=task_body(place), headers=KEY)).status_code == 201


async def test_an_answer_that_was_lost_is_found_again(
    client: httpx.AsyncClient, app: Litestar, store: Store, place: Place
) -> None:
    """The connection breaks while the answer is sent: the change is there, and sending again tells so."""

    class BrokenError(Exception):
        pass

    async def breaking(scope: Any, receive: Any, send: Any) -> None:
        async def lost(_message: Any) -> None:
            raise BrokenError

        if scope["type"] == "http":
            await app(scope, receive, lost)
        else:
            await app(scope, receive, send)

    headers = {**KEY, "authorization": client.headers["authorization"]}
    transport = httpx.ASGITransport(app=breaking)
    async with httpx.AsyncClient(transport=transport, base_url="http://test", headers=headers) as weak:
        with pytest.raises(Exception):  # noqa: B017 - whatever the server makes of it
            await weak.post("/v1/tasks", json=task_body(place))
    again = await client.post("/v1/tasks", json=task_body(place), headers=KEY)
    assert again.headers["idempotency-replayed"] == "true"
    assert len((await client.get("/v1/tasks")).json()["items"]) == 1


async def test_operations_with_transactions_of_their_own_keep_keys_too(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    path = f"/v1/farms/{place.farm['id']}/imports/orders"
    text = "buyer,crop,heads,dates\nMarket,Butterhead,40,2026-10-01\n"
    headers = {**KEY, "content-type": "text/csv"}
    first = await client.post(path, content=text, headers=headers)
    assert first.status_code < 300, first.text
    again = await client.post(path, content=text, headers=headers)
    assert again.headers["idempotency-replayed"] == "true"
    assert again.content == first.content
    # One that is refused frees its key.
    fresh = {**headers, "idempotency-key": "other"}
    assert (await client.post(path, content="buyer\n", headers=fresh)).status_code == 422
    assert [row[2] for row in (await all_rows(store))["idempotency_key"]] == [f"POST {path}?"]


async def test_a_secret_is_not_kept_to_be_answered_again(client: httpx.AsyncClient, store: Store) -> None:
    body = {"name": "tablet", "scopes": ["read"]}
    secret = (await client.post("/v1/tokens", json=body, headers=KEY)).json()["secret"]
    assert secret not in str(await all_rows(store))
    again = await client.post("/v1/tokens", json=body, headers=KEY)
    assert problem_of_replay(again)["status"] == 409
    assert len((await client.get("/v1/tokens")).json()["items"]) == 2


def problem_of_replay(answer: httpx.Response) -> Json:
    """Return the problem that a replay answers."""
    assert answer.headers["content-type"] == "application/problem+json"
    found: Json = answer.json()
    return found


# --------------------------------------------------------------------------- not sent again


async def test_what_is_unchanged_is_not_sent_again(client: httpx.AsyncClient, place: Place) -> None:
    for path in ("/v1/houses", f"/v1/houses/{place.house['id']}", f"/v1/houses/{place.house['id']}/line"):
        first = await client.get(path)
        tag = first.headers["etag"]
        for seen in (tag, f'"other", {tag}', "*", tag.removeprefix("W/")):
            again = await client.get(path, headers={"if-none-match": seen})
            assert (again.status_code, again.content) == (304, b"")
            assert again.headers["etag"] == tag
        other = await client.get(path, headers={"if-none-match": '"other"'})
        assert (other.status_code, other.content) == (200, first.content)
        assert "no-cache" in first.headers["cache-control"]
    path = f"/v1/houses/{place.house['id']}"
    tag = (await client.get(path)).headers["etag"]
    await client.patch(path, json={"name": "New"})
    assert (await client.get(path, headers={"if-none-match": tag})).status_code == 200


# --------------------------------------------------------------------------- too many


async def test_too_many_requests_are_told_when_to_try_again(
    client: httpx.AsyncClient, store: Store, clock: FixedClock
) -> None:
    app = create_app(store, clock, Settings(requests_per_minute=5))
    transport = httpx.ASGITransport(app=app)
    other = await token_headers(client, scopes=["read"])
    async with running(app), httpx.AsyncClient(transport=transport, base_url="http://test") as hurried:
        hurried.headers["authorization"] = client.headers["authorization"]
        statuses = [(await hurried.get("/v1/me")).status_code for _ in range(5)]
        assert statuses == [200] * 5
        refused = await hurried.get("/v1/me")
        problem_of(refused, 429)
        assert 1 <= int(refused.headers["retry-after"]) <= 12
        assert (await hurried.get("/v1/me", headers=other)).status_code == 200, "each asker has its own"


# --------------------------------------------------------------------------- the trail


async def test_every_change_leaves_a_line(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place
) -> None:
    headers = await token_headers(client, scopes=["write"], farmId=place.farm["id"])
    task = (await client.post("/v1/tasks", json=task_body(place), headers=headers)).json()
    await client.post(f"/v1/tasks/{task['id']}/done", headers=headers)
    problem_of(await client.post("/v1/tasks/99/done", headers=headers), 404)
    await client.get("/v1/tasks", headers=headers)
    listed = (await client.get("/v1/audit", params={"limit": 2})).json()["items"]
    assert [(line["operation"], line["status"], line["things"]) for line in listed] == [
        ("finishTask", 200, [f"task:{task['id']}"]),
        ("createTask", 201, [f"task:{task['id']}"]),
    ]
    for line in listed:
        assert line["name"] == "tablet"
        assert line["access"].startswith("token:")
        assert line["farmId"] == place.farm["id"]
        assert line["at"] == "2026-09-14T06:00:00Z"
    assert listed[0]["path"] == f"/v1/tasks/{task['id']}/done"
    by = await client.get("/v1/audit", params={"by": listed[0]["access"]})
    assert len(by.json()["items"]) == 2
    assert (await client.get("/v1/audit", params={"to": "2026-09-14T06:00:00Z"})).json()["items"] == []

    owner = await token_headers(client, scopes=["admin"], farmId=other_place.farm["id"])
    theirs = (await client.get("/v1/audit", headers=owner)).json()["items"]
    assert {line["farmId"] for line in theirs} == {other_place.farm["id"]}
    problem_of(await client.get("/v1/audit", headers=headers), 403)


async def test_what_is_judged_only_leaves_no_line(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    async with store.read() as uow:
        before, _ = await list_audit(uow, SYSTEM)
    await client.post(f"/v1/farms/{place.farm['id']}/plan", json={"weeks": 1})
    async with store.read() as uow:
        after, _ = await list_audit(uow, SYSTEM)
    assert [line.id for line in after] == [line.id for line in before]
