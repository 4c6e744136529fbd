"""Batches: seeded, counted, transplanted, harvested, corrected."""

from __future__ import annotations

import httpx
import pytest

from service.records.store import Store
from tests.api.farm import Json, Place, all_rows, made, problem_of, refused


@pytest.fixture
async def batch(client: httpx.AsyncClient, place: Place) -> Json:
    """Have a batch of 200 cells, seeded two weeks before now."""
    return await made(
        client,
        "/v1/batches",
        {"successionId": place.succession["id"], "seededOn": "2026-08-31", "code": "B-1"},
    )


async def test_a_batch_follows_its_ledger(client: httpx.AsyncClient, place: Place, batch: Json) -> None:
    assert batch["stage"] == "nursery"
    assert batch["seededAt"] == "2026-08-31T06:00:00Z"  # 08:00 in the house
    assert batch["cells"] == batch["inNursery"] == 200
    path = f"/v1/batches/{batch['id']}"

    async def record(**fact: object) -> Json:
        return await made(client, f"{path}/entries", fact)

    await record(kind="emergence_counted", happenedAt="2026-09-04T08:00:00Z", plants=190)
    await record(kind="leaves_counted", happenedAt="2026-09-10T08:00:00+02:00", leaves=3.5)
    moved = await record(kind="transplanted", happenedAt="2026-09-12T08:00:00Z", plants=160)
    assert moved["entry"]["zoneId"] == place.channels["id"]
    assert moved["entry"]["recordedBy"] == "first"
    assert moved["entry"]["recordedAt"] == "2026-09-14T06:00:00Z"
    assert moved["batch"]["stage"] == "channels"
    assert (moved["batch"]["inNursery"], moved["batch"]["inChannels"]) == (30, 160)

    corrected = await record(
        kind="transplanted",
        happenedAt="2026-09-12T08:00:00Z",
        plants=150,
        supersedesId=moved["entry"]["id"],
        note="counted again",
    )
    assert (corrected["batch"]["inNursery"], corrected["batch"]["inChannels"]) == (40, 150)
    void = await record(supersedesId=corrected["entry"]["id"], void=True)
    assert void["batch"]["stage"] == "nursery"
    assert void["batch"] == (await client.get(path)).json()

    ledger = (await client.get(f"{path}/entries")).json()["items"]
    assert [entry["kind"] for entry in ledger] == [
        "seeded",
        "emergence_counted",
        "leaves_counted",
        "transplanted",
        "transplanted",
        "transplanted",
    ]
    assert ledger[3] == moved["entry"]
    assert ledger[5]["void"] is True
    assert ledger[2]["happenedAt"] == "2026-09-10T06:00:00Z"


async def test_batches_are_listed_by_stage(client: httpx.AsyncClient, place: Place, batch: Json) -> None:
    params = {"houseId": place.house["id"], "stage": "nursery"}
    assert (await client.get("/v1/batches", params=params)).json() == {"items": [batch], "next": None}
    params["stage"] = "finished"
    assert (await client.get("/v1/batches", params=params)).json() == {"items": [], "next": None}
    on = batch["seededOn"]
    for more, found in (
        ({"code": batch["code"]}, 1),
        ({"code": "another"}, 0),
        ({"from": on, "to": on}, 1),
        ({"from": "2099-01-01"}, 0),
        ({"to": "2000-01-01"}, 0),
    ):
        assert len((await client.get("/v1/batches", params=more)).json()["items"]) == found, more


IMPOSSIBLE: dict[str, tuple[Json, str]] = {
    "transplant before seeding": (
        {"kind": "transplanted", "happenedAt": "2026-08-30T08:00:00Z", "plants": 10},
        "/happenedAt",
    ),
    "leaves counted before seeding": (
        {"kind": "leaves_counted", "happenedAt": "2026-08-01T08:00:00Z", "leaves": 2.0},
        "/happenedAt",
    ),
    "more seedlings than cells": ({"kind": "emergence_counted", "plants": 201}, "/plants"),
    "more transplanted than seeded": ({"kind": "transplanted", "plants": 201}, "/plants"),
    "more discarded than seeded": ({"kind": "discarded", "plants": 500, "reason": "mildew"}, "/plants"),
    "harvest before transplant": ({"kind": "harvested", "plants": 10, "weightG": 120.0}, "/happenedAt"),
    "in the future": (
        {"kind": "leaves_counted", "happenedAt": "2026-09-15T08:00:00Z", "leaves": 3.0},
        "/happenedAt",
    ),
    "seeded twice": ({"kind": "seeded", "plants": 10}, "/kind"),
    "negative leaves": ({"kind": "leaves_counted", "leaves": -1.0}, "/leaves"),
    "a zone of nowhere": ({"kind": "transplanted", "plants": 10, "zoneId": 999}, "/zoneId"),
    "transplanted to the nursery": ({"kind": "transplanted", "plants": 10, "zoneId": 1}, "/zoneId"),
    "an entry that is not there": ({"kind": "discarded", "plants": 1, "supersedesId": 99}, "/supersedesId"),
}


async def test_what_cannot_have_happened_is_refused_and_nothing_changes(
    client: httpx.AsyncClient, store: Store, batch: Json
) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    await refused(client, store, [("POST", path, body, 422, field) for body, field in IMPOSSIBLE.values()])


async def test_a_correction_that_makes_a_later_fact_impossible_is_refused(
    client: httpx.AsyncClient, store: Store, batch: Json
) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    await made(client, path, {"kind": "transplanted", "happenedAt": "2026-09-12T08:00:00Z", "plants": 160})
    seeded = (await client.get(path)).json()["items"][0]
    before = await all_rows(store)
    fewer = {
        "kind": "seeded",
        "happenedAt": seeded["happenedAt"],
        "plants": 100,
        "supersedesId": seeded["id"],
    }
    assert "/plants" in {e["field"] for e in (await client.post(path, json=fewer)).json()["errors"]}
    later = {**fewer, "happenedAt": "2026-09-13T08:00:00Z", "plants": 200}
    assert (await client.post(path, json=later)).status_code == 422
    assert await all_rows(store) == before


async def test_an_entry_can_ask_for_the_batch_as_it_was_read(
    client: httpx.AsyncClient, store: Store, batch: Json
) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    first = await client.post(
        path, json={"kind": "discarded", "plants": 5, "reason": "damping off"}, headers={"if-match": '"1"'}
    )
    assert first.status_code == 201
    assert first.headers["etag"] == '"2"'
    before = await all_rows(store)
    again = await client.post(path, json={"kind": "discarded", "plants": 5}, headers={"if-match": '"1"'})
    problem_of(again, 412)
    assert await all_rows(store) == before


WRONG_SEEDINGS: list[tuple[Json, str]] = [
    ({"seededOn": "2026-09-20"}, "/seededOn"),
    ({"seededAt": "2026-09-14T07:00:00Z"}, "/seededAt"),
    ({"seededAt": "2026-09-13T07:00:00Z", "seededOn": "2026-09-12"}, "/seededOn"),
    ({"cells": 0}, "/cells"),
    ({"cells": 10**9}, "/cells"),
    ({"cultivarId": 77}, "/cultivarId"),
    ({"successionId": 77}, "/successionId"),
    ({"code": ""}, "/code"),
]


async def test_a_seeding_that_cannot_be_is_refused(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    body = {"successionId": place.succession["id"]}
    cases = [("POST", "/v1/batches", {**body, **given}, 422, field) for given, field in WRONG_SEEDINGS]
    await refused(client, store, cases)


async def test_a_code_is_taken_once(
    client: httpx.AsyncClient, store: Store, place: Place, batch: Json
) -> None:
    before = await all_rows(store)
    answer = await client.post("/v1/batches", json={"successionId": place.succession["id"], "code": "B-1"})
    problem_of(answer, 409, "/code")
    assert await all_rows(store) == before


# --------------------------------------------------------------------------- several cuts, mixes


async def test_a_herb_is_cut_until_its_last_cut(client: httpx.AsyncClient, place: Place) -> None:
    herb = {"farmId": place.farm["id"], "name": "Rocket", "profile": "rocket"}  # of two cuts
    crop = await made(client, "/v1/crops", herb)
    succession = await made(
        client,
        "/v1/successions",
        {**_again(place), "cropId": crop["id"], "name": "Rocket", "cultivarId": None},
    )
    batch = await made(
        client, "/v1/batches", {"successionId": succession["id"], "seededOn": "2026-08-01", "cells": 80}
    )
    path = f"/v1/batches/{batch['id']}/entries"
    await made(client, path, {"kind": "transplanted", "happenedAt": "2026-08-14T08:00:00Z", "plants": 80})
    cut = {"kind": "harvested", "plants": 80, "weightG": 30.0}
    first = await made(client, path, {**cut, "happenedAt": "2026-08-30T08:00:00Z"})
    assert first["entry"]["regrows"] is True
    assert (first["batch"]["inChannels"], first["batch"]["cuts"], first["batch"]["harvested"]) == (80, 1, 0)
    last = await made(client, path, {**cut, "happenedAt": "2026-09-13T08:00:00Z"})
    assert last["entry"]["regrows"] is False
    assert (last["batch"]["stage"], last["batch"]["cuts"], last["batch"]["harvested"]) == ("finished", 1, 80)


async def test_a_succession_of_a_mix(client: httpx.AsyncClient, store: Store, place: Place) -> None:
    second = await made(client, "/v1/cultivars", {"cropId": place.crop["id"], "name": "Late red"})
    mix = [{"cultivarId": c["id"], "share": 0.5} for c in (second, place.cultivar)]
    body = {**_again(place), "name": "Mix", "cultivarId": None, "cultivars": mix}
    succession = await made(client, "/v1/successions", body)
    assert succession["cultivars"] == mix
    path = f"/v1/successions/{succession['id']}"
    assert (await client.get(path)).json() == succession
    batch = await made(client, "/v1/batches", {"successionId": succession["id"]})
    assert batch["cultivars"] == mix
    await refused(
        client,
        store,
        [
            ("PATCH", path, {"cultivars": [{"cultivarId": second["id"], "share": 1.0}]}, 422, "/cultivars"),
            ("PATCH", path, {"cultivars": [*mix, mix[0]]}, 422, "/cultivars"),
            ("PATCH", path, {"cultivarId": second["id"]}, 422, "/cultivars"),
            ("PATCH", path, {"cultivars": [{"cultivarId": second["id"]}]}, 400, "/cultivars/0/share"),
        ],
    )
    changed = await client.patch(
        path, json={"cultivars": [], "cultivarId": second["id"]}, headers={"if-match": '"1"'}
    )
    assert (changed.status_code, changed.json()["cultivars"], changed.headers["etag"]) == (200, [], '"2"')


def _again(place: Place) -> Json:
    """Return what makes the place's succession once more."""
    return {k: v for k, v in place.succession.items() if k not in {"id", "version", "active"}}
