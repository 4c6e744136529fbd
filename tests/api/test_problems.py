"""What is wrong is said as problem details, with the field named, and nothing is changed."""

from __future__ import annotations

import contextlib
import logging

import httpx
import pytest
from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncSession

from service.records.store import Store
from service.work import places
from tests.api.farm import Json, Place, all_rows, house_body, problem_of, refused, sensor_body
from tests.conftest import DATABASES

WRONG_SHAPES: list[tuple[bytes, str]] = [
    (b"", ""),
    (b"{", ""),
    (b"[]", ""),
    (b"null", ""),
    (b'"A"', ""),
    (b"\xff\xfe", ""),
    (b'{"name": "A"} trailing', ""),
    (b'{"name": NaN}', ""),
    (b"{}", "/name"),
    (b'{"name": null}', "/name"),
    (b'{"name": 3}', "/name"),
    (b'{"name": "A", "colour": "green"}', "/colour"),
    (b'{"name": "A", "created_at": "2026-01-01T00:00:00Z"}', "/created_at"),
    (b'{"name": "A", "a/b~c": 1}', "/a~1b~0c"),
]


async def test_a_body_of_the_wrong_shape_is_400(client: httpx.AsyncClient, store: Store) -> None:
    before = await all_rows(store)
    for content, field in WRONG_SHAPES:
        answer = await client.post("/v1/farms", content=content, headers={"content-type": "application/json"})
        assert problem_of(answer, 400, field)["title"] == "Bad Request"
        assert await all_rows(store) == before, content


WRONG_HOUSES: list[tuple[Json, int, str]] = [
    ({"latitudeDeg": 91}, 422, "/latitudeDeg"),
    ({"longitudeDeg": -181.0}, 422, "/longitudeDeg"),
    ({"latitudeDeg": "NaN"}, 400, "/latitudeDeg"),
    ({"latitudeDeg": "52.1"}, 400, "/latitudeDeg"),
    ({"latitude": 52.1}, 400, "/latitude"),
    ({"lightTransmission": 0}, 422, "/lightTransmission"),
    ({"lightTransmission": 60}, 422, "/lightTransmission"),
    ({"timeZone": "Mars/Base"}, 422, "/timeZone"),
    ({"timeZone": "../../etc/passwd"}, 422, "/timeZone"),
    ({"code": "a/b"}, 422, "/code"),
    ({"name": "\u0000"}, 422, "/name"),
    ({"tempHeatDayC": 30}, 422, "/tempHeatDayC"),
    ({"farmId": 99}, 422, "/farmId"),
    ({"farmId": 10**30}, 422, "/farmId"),
    ({"lampHours": 25}, 422, "/lampHours"),
]


async def test_a_house_that_cannot_be_is_refused(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    body = {**house_body(place.farm["id"]), "code": "N2"}
    cases = [
        ("POST", "/v1/houses", {**body, **change}, status, field) for change, status, field in WRONG_HOUSES
    ]
    await refused(client, store, cases)


async def test_every_wrong_value_is_named_at_once(client: httpx.AsyncClient, place: Place) -> None:
    body = {**house_body(place.farm["id"]), "latitudeDeg": 100, "co2Ppm": -1}
    problem_of(await client.post("/v1/houses", json=body), 422, "/latitudeDeg", "/co2Ppm")


async def test_what_is_said_names_fields_as_they_are_in_json(client: httpx.AsyncClient, place: Place) -> None:
    body = {**house_body(place.farm["id"]), "latitudeDeg": 100, "co2Ppm": -1}
    said = problem_of(await client.post("/v1/houses", json=body), 422, "/latitudeDeg", "/co2Ppm")
    assert said["detail"].startswith("latitudeDeg: it is 100, ")
    sensor = {**sensor_body(place), "validMin": 30.0, "validMax": 10.0}
    said = problem_of(await client.post("/v1/sensors", json=sensor), 422, "/validMax")
    assert said["errors"][0]["problem"] == "it is 10, and must be above validMin, 30"
    said = problem_of(await client.get("/v1/tasks?dueFrom=2026-09-15&dueTo=2026-09-14"), 422, "/dueTo")
    assert said["detail"] == "it must not be before dueFrom"
    # What is a word of the trade and no field stays as it is.
    sensor = {**sensor_body(place), "unit": "degX"}
    assert "temp_air_c" in problem_of(await client.post("/v1/sensors", json=sensor), 422, "/unit")["detail"]


WRONG_SENSORS: list[tuple[Json, str]] = [
    ({"unit": "degX"}, "/unit"),
    ({"unit": "umol m-2 s-1"}, "/unit"),
    ({"quantity": "ppfd_umol", "unit": "lx", "lightSource": "red_led"}, "/lightSource"),
    ({"quantity": "ppfd_umol", "unit": "J cm-2", "sampling": "instant"}, "/unit"),
    ({"quantity": "colour"}, "/quantity"),
    ({"topic": "evenleaf/#"}, "/topic"),
    ({"topic": "{nothing}"}, "/topic"),
    ({"valuePointer": "value"}, "/valuePointer"),
    ({"intervalS": 0}, "/intervalS"),
    ({"validMin": 30.0, "validMax": 10.0}, "/validMax"),
    ({"zoneId": 99}, "/zoneId"),
]


async def test_a_sensor_that_cannot_be_is_refused(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    body = sensor_body(place)
    cases = [("POST", "/v1/sensors", {**body, **change}, 422, field) for change, field in WRONG_SENSORS]
    await refused(client, store, cases)


WRONG_CHANGES: list[tuple[str, Json, int, str]] = [
    ("houses", {"latitudeDeg": -91}, 422, "/latitudeDeg"),
    ("houses", {"farmId": 2}, 400, "/farmId"),
    ("houses", {"version": 9}, 400, "/version"),
    ("houses", {"tempVentC": 10}, 422, "/tempHeatDayC"),
    ("houses", {"name": None}, 400, "/name"),
    ("zones", {"capacity": 0}, 422, "/capacity"),
    ("zones", {"kind": "channels"}, 400, "/kind"),
    ("crops", {"profile": "cabbage"}, 422, "/profile"),
    ("crops", {"windowOpenLeaves": 5.0, "windowCloseLeaves": 4.0}, 422, "/windowCloseLeaves"),
    ("successions", {"seedingWeekdays": [0]}, 422, "/seedingWeekdays"),
    ("successions", {"seedingWeekdays": [1.5]}, 400, "/seedingWeekdays/0"),
    ("successions", {"keepShare": 1.5}, 422, "/keepShare"),
    ("successions", {"nurseryZoneId": 2}, 422, "/nurseryZoneId"),
    ("successions", {"cellsPerSeeding": 4001}, 422, "/cellsPerSeeding"),
]


async def test_a_change_that_cannot_be_is_refused(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    cases = [
        ("PATCH", f"/v1/{kind}/1", change, status, field) for kind, change, status, field in WRONG_CHANGES
    ]
    await refused(client, store, cases)


async def test_a_name_is_taken_once(client: httpx.AsyncClient, store: Store, place: Place) -> None:
    before = await all_rows(store)
    problem_of(await client.post("/v1/houses", json=house_body(place.farm["id"])), 409, "/code")
    crop = {"farmId": place.farm["id"], "name": "Butterhead", "profile": "leaf"}
    problem_of(await client.post("/v1/crops", json=crop), 409, "/name")
    assert await all_rows(store) == before


async def test_an_unknown_path_is_404(client: httpx.AsyncClient) -> None:
    for path in ("/nothing", "/v1/nothing", "/v1/farms/one", "/docs/nothing"):
        problem_of(await client.get(path), 404)


async def test_what_is_not_there_is_404(client: httpx.AsyncClient) -> None:
    for kind in ("farms", "houses", "zones", "crops", "cultivars", "successions", "batches", "sensors"):
        for row_id in (0, 99, 2**63, 10**30):
            problem_of(await client.get(f"/v1/{kind}/{row_id}"), 404)
            problem_of(await client.patch(f"/v1/{kind}/{row_id}", json={}), 404)


async def test_a_wrong_method_is_405(client: httpx.AsyncClient) -> None:
    answer = await client.put("/v1/farms", json={})
    problem_of(answer, 405)
    assert set(answer.headers["allow"].replace(" ", "").split(",")) >= {"GET", "POST"}


async def test_a_bug_is_500_logged_and_tells_no_internals(
    client: httpx.AsyncClient,
    store: Store,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def broken(*_args: object, **_kwargs: object) -> None:
        raise ZeroDivisionError("the secret innards")

    monkeypatch.setattr(places, "create_farm", broken)
    before = await all_rows(store)
    with caplog.at_level(logging.ERROR, logger="service.api.problems"):
        answer = await client.post("/v1/farms", json={"name": "A"})
    problem_of(answer, 500)
    assert "innards" not in answer.text
    assert "ZeroDivisionError" not in answer.text
    [record] = caplog.records
    assert record.getMessage() == "POST /v1/farms failed"
    assert record.exc_info is not None
    assert record.exc_info[0] is ZeroDivisionError
    assert await all_rows(store) == before


async def test_a_failing_commit_is_what_the_client_hears(
    client: httpx.AsyncClient, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refuse(_session: AsyncSession) -> None:
        raise OSError("the disk is full")

    before = await all_rows(store)
    monkeypatch.setattr(AsyncSession, "commit", refuse)
    problem_of(await client.post("/v1/farms", json={"name": "A"}), 500)
    assert await all_rows(store) == before


@pytest.mark.parametrize("database_url", DATABASES[1:], indirect=True)  # SQLite's connections are files
async def test_more_than_can_be_answered_is_503_and_says_when_to_come_again(
    store: Store, client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    pool = store.engine.pool
    monkeypatch.setattr(pool, "_timeout", 0.2)
    async with contextlib.AsyncExitStack() as stack:
        while pool.checkedout() < 15:  # five that stay and ten more, SQLAlchemy's own defaults
            uow = await stack.enter_async_context(store.read())
            await uow.session.execute(text("SELECT 1"))
        answer = await client.get("/v1/farms")
        problem_of(answer, 503)
        assert int(answer.headers["retry-after"]) > 0
    assert (await client.get("/v1/farms")).status_code == 200
