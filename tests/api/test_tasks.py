"""Tasks over HTTP."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from service.records.store import Store
from tests.api.farm import Json, Place, all_rows, made, problem_of, token_headers


def task_body(place: Place, **more: Any) -> Json:
    """Return what puts a seeding on the list."""
    return {
        "houseId": place.house["id"],
        "kind": "seed",
        "dueOn": "2026-09-14",
        "title": "Seed 200 cells",
        **more,
    }


async def test_a_task_is_put_on_the_list_read_and_changed(client: httpx.AsyncClient, place: Place) -> None:
    batch = await made(client, "/v1/batches", {"successionId": place.succession["id"]})
    body = task_body(
        place, successionId=place.succession["id"], batchId=batch["id"], cells=200, plants=160, note="new lot"
    )
    answer = await client.post("/v1/tasks", json=body)
    assert answer.status_code == 201, answer.text
    first = answer.json()
    unsaid = ("assignedTo", "sectionId", "minutesEstimated", "minutesTaken", "proposedOn", "doneEntryId")
    nothing = dict.fromkeys(unsaid)
    assert first == {**body, **nothing, "id": 1, "doneAt": None, "doneBy": None, "version": 1}
    assert (answer.headers["location"], answer.headers["etag"]) == ("/v1/tasks/1", '"1"')
    assert (await client.get("/v1/tasks/1")).json() == first

    change = {"dueOn": "2026-09-15", "kind": "wet", "batchId": None, "note": None}
    changed = await client.patch("/v1/tasks/1", json=change, headers={"if-match": '"1"'})
    assert changed.json() == {**first, **change, "version": 2}
    problem_of(await client.patch("/v1/tasks/1", json=change, headers={"if-match": '"1"'}), 412)
    assert (await client.get("/v1/tasks")).json() == {"items": [changed.json()], "next": None}


async def test_a_task_is_ticked_off_and_the_tick_taken_back(client: httpx.AsyncClient, place: Place) -> None:
    first = await made(client, "/v1/tasks", task_body(place))
    crew = await token_headers(client, scopes=["write"], farmId=place.farm["id"])
    done = await client.post("/v1/tasks/1/done", headers={**crew, "if-match": '"1"'})
    assert done.status_code == 200, done.text
    assert done.json() == {**first, "doneAt": "2026-09-14T06:00:00Z", "doneBy": "tablet", "version": 2}
    assert done.headers["etag"] == '"2"'
    again = await client.post("/v1/tasks/1/done")  # by someone else: who did it first stays
    assert (again.status_code, again.json()) == (200, done.json())
    problem_of(await client.post("/v1/tasks/1/done", headers={"if-match": '"1"'}), 412)
    problem_of(await client.post("/v1/tasks/1/undone", headers={"if-match": '"1"'}), 412)
    opened = await client.post("/v1/tasks/1/undone", headers={"if-match": '"2"'})
    assert (opened.status_code, opened.json()) == (200, {**first, "version": 3})
    for path in ("/v1/tasks/99/done", "/v1/tasks/99/undone"):
        problem_of(await client.post(path), 404)


@pytest.mark.parametrize(
    ("change", "status", "field"),
    [
        ({"kind": "rest"}, 400, "/kind"),
        ({"dueOn": "today"}, 400, "/dueOn"),
        ({"dueOn": "1999-12-31"}, 422, "/dueOn"),
        ({"title": ""}, 422, "/title"),
        ({"cells": 0}, 422, "/cells"),
        ({"plants": "many"}, 400, "/plants"),
        ({"batchId": 99}, 422, "/batchId"),
        ({"successionId": 99}, 422, "/successionId"),
        ({"houseId": 99}, 422, "/houseId"),
        ({"doneBy": "me"}, 400, "/doneBy"),
    ],
)
async def test_a_task_that_cannot_be_is_refused(
    client: httpx.AsyncClient, store: Store, place: Place, change: Json, status: int, field: str
) -> None:
    before = await all_rows(store)
    problem_of(await client.post("/v1/tasks", json=task_body(place, **change)), status, field)
    assert await all_rows(store) == before


async def test_tasks_come_in_pages_and_can_be_narrowed(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    for day in ("14", "15", "16"):
        await made(client, "/v1/tasks", task_body(place, dueOn=f"2026-09-{day}"))
    await made(client, "/v1/tasks", task_body(other_place, kind="clean"))
    await client.post("/v1/tasks/2/done")

    async def listed(**params: Any) -> tuple[list[int], int | None]:
        answer = await client.get("/v1/tasks", params=params)
        assert answer.status_code == 200, answer.text
        return [item["id"] for item in answer.json()["items"]], answer.json()["next"]

    house = place.house["id"]
    assert await listed(houseId=house, limit=2) == ([1, 2], 2)
    assert await listed(houseId=house, limit=2, after=2) == ([3], None)
    assert await listed(dueFrom="2026-09-15", dueTo="2026-09-15") == ([2], None)
    assert await listed(dueTo="2026-09-14") == ([1, 4], None)
    assert await listed(open=True, houseId=house) == ([1, 3], None)
    assert await listed(open=False) == ([2], None)
    assert await listed(kind="clean") == ([4], None)
    assert await listed(batchId=1) == ([], None)


@pytest.mark.parametrize(
    ("query", "status", "field"),
    [
        ("dueFrom=2026", 400, "/dueFrom"),
        ("dueTo=2026-02-30", 400, "/dueTo"),
        ("dueFrom=2026-09-15&dueTo=2026-09-14", 422, "/dueTo"),
        ("kind=rest", 400, "/kind"),
        ("open=perhaps", 400, "/open"),
        ("batchId=-1", 422, "/batchId"),
        ("limit=501", 422, "/limit"),
    ],
)
async def test_a_page_that_cannot_be_is_refused(
    client: httpx.AsyncClient, query: str, status: int, field: str
) -> None:
    problem_of(await client.get(f"/v1/tasks?{query}"), status, field)


async def test_another_farms_tasks_look_as_if_they_were_not_there(
    client: httpx.AsyncClient, open_client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    mine = await made(client, "/v1/tasks", task_body(place))
    theirs = await made(client, "/v1/tasks", task_body(other_place))
    headers = await token_headers(client, scopes=["write"], farmId=place.farm["id"])
    path = f"/v1/tasks/{theirs['id']}"
    problem_of(await client.get(path, headers=headers), 404)
    problem_of(await client.patch(path, json={"title": "Mine"}, headers=headers), 404)
    problem_of(await client.post(f"{path}/done", headers=headers), 404)
    problem_of(await client.post(f"{path}/undone", headers=headers), 404)
    problem_of(await client.post("/v1/tasks", json=task_body(other_place), headers=headers), 422, "/houseId")
    assert (await client.get("/v1/tasks", headers=headers)).json()["items"] == [mine]

    reader = await token_headers(client, scopes=["read"])
    problem_of(await client.post(f"{path}/done", headers=reader), 403)
    del open_client.headers["authorization"]
    problem_of(await open_client.get("/v1/tasks"), 401)
