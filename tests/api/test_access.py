"""Who is let in, to what, and what is not theirs."""

from __future__ import annotations

import asyncio

import httpx
import pytest
from litestar import Litestar
from sqlalchemy import select, update
from sqlalchemy.exc import OperationalError

from service.records.store import Store
from service.records.tables import Token
from service.work import access as tokens
from tests.api.farm import Json, Place, all_rows, made, problem_of, refused, sensor_body, token_headers


async def test_without_a_known_token_nothing_is_open(open_client: httpx.AsyncClient) -> None:
    wrong = [
        "",
        "Bearer",
        "Bearer ",
        "Bearer evl_wrong",
        "Basic dXNlcjpwYXNz",
        "bearer \u00ff",
        "Token evl_wrong",
    ]
    for headers in ({}, *({"authorization": text.encode("latin-1")} for text in wrong)):
        for method, path in (("GET", "/v1/farms"), ("POST", "/v1/farms"), ("GET", "/v1/houses/1/line")):
            answer = await open_client.request(method, path, headers=headers)
            problem_of(answer, 401)
            assert answer.headers["www-authenticate"].startswith("Bearer")


async def test_health_is_open(open_client: httpx.AsyncClient) -> None:
    answer = await open_client.get("/health")
    assert answer.status_code == 200
    assert answer.json() == {"status": "ok", "at": "2026-09-14T06:00:00Z"}


async def test_a_token_lets_in_until_it_is_revoked(client: httpx.AsyncClient, place: Place) -> None:
    answer = await client.post("/v1/tokens", json={"name": "tablet", "scopes": ["read"]})
    assert answer.status_code == 201
    assert answer.headers["cache-control"] == "no-store"
    token = answer.json()
    headers = {"authorization": f"bearer {token.pop('secret')}"}
    assert (await client.get("/v1/farms", headers=headers)).json()["items"] == [place.farm]

    listed = (await client.get("/v1/tokens")).json()["items"]
    assert [t["name"] for t in listed] == ["first", "tablet"]
    used = {**token, "lastUsedAt": "2026-09-14T06:00:00Z"}
    assert listed[1] == used
    assert not any("secret" in t for t in listed)

    revoked = await client.delete(f"/v1/tokens/{token['id']}")
    assert revoked.status_code == 200
    assert revoked.json() == {**used, "revokedAt": "2026-09-14T06:00:00Z"}
    problem_of(await client.get("/v1/farms", headers=headers), 401)
    problem_of(await client.delete("/v1/tokens/99"), 404)


ALLOWED: list[tuple[str, str, str, bool]] = [
    ("read", "GET", "/v1/houses/1", True),
    ("read", "PATCH", "/v1/houses/1", False),
    ("read", "POST", "/v1/houses/1/reforecast", False),
    ("read", "POST", "/v1/batches", False),
    ("write", "GET", "/v1/houses/1", True),
    ("write", "PATCH", "/v1/houses/1", True),
    ("write", "POST", "/v1/farms", False),
    ("write", "PATCH", "/v1/farms/1", False),
    ("write", "POST", "/v1/tokens", False),
    ("write", "GET", "/v1/tokens", False),
    ("write", "DELETE", "/v1/tokens/1", False),
    ("ingest", "GET", "/v1/houses/1", False),
    ("ingest", "PATCH", "/v1/houses/1", False),
    ("admin", "PATCH", "/v1/farms/1", True),
]


async def test_a_scope_allows_what_it_names(client: httpx.AsyncClient, store: Store, place: Place) -> None:
    headers = {s: await token_headers(client, scopes=[s]) for s in ("read", "write", "ingest", "admin")}
    for scope, method, path, allowed in ALLOWED:
        before = await all_rows(store)
        body = None if method == "GET" else {}
        answer = await client.request(method, path, headers=headers[scope], json=body)
        if allowed:
            assert answer.status_code == 200, answer.text
        else:
            assert "scope" in problem_of(answer, 403)["detail"]
            assert await all_rows(store) == before, (scope, method, path)


async def test_a_farms_token_finds_nothing_of_another_farm(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place
) -> None:
    batch = await made(client, "/v1/batches", {"successionId": place.succession["id"]})
    sensor = await made(client, "/v1/sensors", sensor_body(place))
    headers = await token_headers(client, scopes=["write"], farmId=other_place.farm["id"])
    before = await all_rows(store)

    rows = {
        "farms": place.farm,
        "houses": place.house,
        "zones": place.nursery,
        "crops": place.crop,
        "cultivars": place.cultivar,
        "successions": place.succession,
        "batches": batch,
        "sensors": sensor,
    }
    for kind, row in rows.items():
        path = f"/v1/{kind}/{row['id']}"
        problem_of(await client.get(path, headers=headers), 404)
        if kind != "farms":
            problem_of(await client.patch(path, json={}, headers=headers), 404)
            problem_of(await client.patch(path, json={}, headers={**headers, "if-match": '"9"'}), 404)
        listed = (await client.get(f"/v1/{kind}", headers=headers)).json()["items"]
        assert row["id"] not in [item["id"] for item in listed], kind
    for path in (
        f"/v1/houses/{place.house['id']}/line",
        f"/v1/batches/{batch['id']}/entries",
        f"/v1/batches/{batch['id']}/forecasts",
        f"/v1/successions/{place.succession['id']}/advice",
        f"/v1/zones/{place.nursery['id']}/hours",
        f"/v1/sensors/{sensor['id']}/readings",
        f"/v1/alerts?houseId={place.house['id']}",
    ):
        problem_of(await client.get(path, headers=headers), 404)
    problem_of(await client.post(f"/v1/houses/{place.house['id']}/reforecast", headers=headers), 404)
    entry = {"kind": "discarded", "plants": 1}
    problem_of(await client.post(f"/v1/batches/{batch['id']}/entries", json=entry, headers=headers), 404)
    assert await all_rows(store) == before


async def test_a_farms_token_cannot_refer_to_another_farm(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place
) -> None:
    headers = await token_headers(client, scopes=["write"], farmId=other_place.farm["id"])
    before = await all_rows(store)
    bodies: list[tuple[str, Json, str]] = [
        ("zones", {**place.nursery, "code": "t3"}, "/houseId"),
        ("crops", {"farmId": place.farm["id"], "name": "Basil", "profile": "basil"}, "/farmId"),
        ("cultivars", {"cropId": place.crop["id"], "name": "Red"}, "/cropId"),
        ("batches", {"successionId": place.succession["id"]}, "/successionId"),
        ("sensors", sensor_body(place), "/houseId"),
    ]
    for kind, body, field in bodies:
        new = {name: value for name, value in body.items() if name not in {"id", "version"}}
        problem_of(await client.post(f"/v1/{kind}", json=new, headers=headers), 422, field)
    assert await all_rows(store) == before


async def test_nobody_gives_more_than_they_may(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place
) -> None:
    headers = await token_headers(client, scopes=["admin"], farmId=place.farm["id"])
    before = await all_rows(store)
    everywhere = {"name": "wider", "scopes": ["read"]}
    problem_of(await client.post("/v1/tokens", json=everywhere, headers=headers), 403, "/farmId")
    elsewhere = {**everywhere, "farmId": other_place.farm["id"]}
    problem_of(await client.post("/v1/tokens", json=elsewhere, headers=headers), 422, "/farmId")
    problem_of(await client.post("/v1/farms", json={"name": "Cedar Farm"}, headers=headers), 403)
    problem_of(await client.get("/v1/unknown-topics", headers=headers), 403)
    problem_of(await client.delete("/v1/tokens/1", headers=headers), 404)
    assert await all_rows(store) == before


WRONG_TOKENS: list[tuple[Json, int, str]] = [
    ({"name": "", "scopes": ["read"]}, 422, "/name"),
    ({"name": "a", "scopes": []}, 422, "/scopes"),
    ({"name": "a", "scopes": ["everything"]}, 400, "/scopes/0"),
    ({"name": "a"}, 400, "/scopes"),
    ({"name": "a", "scopes": ["read"], "farmId": 99}, 422, "/farmId"),
    ({"name": "a", "scopes": ["read"], "secret": "mine"}, 400, "/secret"),
]


async def test_a_token_that_cannot_be_is_refused(client: httpx.AsyncClient, store: Store) -> None:
    cases = [("POST", "/v1/tokens", body, status, field) for body, status, field in WRONG_TOKENS]
    await refused(client, store, cases)


async def test_a_long_write_holds_up_no_read(
    app: Litestar, client: httpx.AsyncClient, place: Place, store: Store
) -> None:
    """Reads are answered while others write, and a token's last use is noted when they have done."""
    token = (await client.post("/v1/tokens", json={"name": "tablet", "scopes": ["read"]})).json()
    headers = {"authorization": f"Bearer {token['secret']}"}
    async with store.write() as uow:  # SQLite's only write lock; PostgreSQL's of these rows
        await uow.session.execute(update(Token).values(name=Token.name))
        for path in (f"/v1/houses/{place.house['id']}/line", "/v1/batches", "/v1/farms"):
            async with asyncio.timeout(10):  # less than the database would have the writer wait
                answer = await client.get(path, headers=headers)
            assert answer.status_code == 200, answer.text
        async with store.read() as other:
            assert (
                await other.session.scalar(select(Token.last_used_at).where(Token.id == token["id"])) is None
            )
    for _ in range(200):
        async with store.read() as other:
            used = await other.session.scalar(select(Token.last_used_at).where(Token.id == token["id"]))
        if used is not None:
            break
        await asyncio.sleep(0.05)
    assert used == app.state.clock.now()


async def test_a_use_that_cannot_be_noted_fails_no_read(
    app: Litestar, client: httpx.AsyncClient, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the database says, the reader has the answer; the next request notes the use."""
    token = (await client.post("/v1/tokens", json={"name": "tablet", "scopes": ["read"]})).json()
    headers = {"authorization": f"Bearer {token['secret']}"}

    async def locked(*_: object) -> None:
        raise OperationalError("UPDATE token", {}, Exception("database is locked"))

    with monkeypatch.context() as broken:
        broken.setattr(tokens, "touch_token", locked)
        assert (await client.get("/v1/farms", headers=headers)).status_code == 200
    assert (await client.get("/v1/farms", headers=headers)).status_code == 200
    listed = {t["name"]: t for t in (await client.get("/v1/tokens")).json()["items"]}
    assert listed["tablet"]["lastUsedAt"] == "2026-09-14T06:00:00Z"
