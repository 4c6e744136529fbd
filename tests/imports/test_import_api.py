"""Imports over HTTP."""

from __future__ import annotations

import httpx
import pytest
from litestar import Litestar
from sqlalchemy import func, select

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Entry, Hour, Order, Reading, Sensor
from tests.api.farm import problem_of, token_headers
from tests.work.conftest import Place, make_place

CSV = {"content-type": "text/csv"}
READINGS = "sensor,time,value\n" + "".join(f"canopy,2023-03-25T{h:02}:00Z,{60 + h}\n" for h in range(12))
BATCH = 'batch,succession,kind,happenedAt,plants\nx,"Butterhead, weekly",seeded,2025-03-03,200\n'
ORDER = "buyer,crop,heads,weekdays,startsOn\nCorner Shop,Butterhead,120,1 4,2026-09-14\n"


async def count(store: Store, table: type[Reading | Entry | Order | Hour]) -> int:
    async with store.read() as uow:
        return (await uow.session.execute(select(func.count()).select_from(table))).scalar_one()


async def test_readings_are_brought_once_and_their_hours_are_there(
    client: httpx.AsyncClient, store: Store, place: Place, thermometer: Sensor
) -> None:
    path = f"/v1/houses/{place.house.id}/imports/readings"
    trial = await client.post(f"{path}?dryRun=true", content=READINGS, headers=CSV)
    expected = {"rows": 12, "new": 12, "changed": 0, "unchanged": 0, "faults": [], "notes": []}
    assert (trial.status_code, trial.json()) == (200, expected)
    assert await count(store, Reading) == 0
    answer = await client.post(path, content=READINGS, headers=CSV)
    assert (answer.status_code, answer.json()) == (200, expected)
    assert (await count(store, Reading), await count(store, Hour)) == (12, 12)
    again = await client.post(path, content=READINGS, headers=CSV)
    assert again.json() == {**expected, "new": 0, "unchanged": 12}


async def test_batches_and_orders_are_brought_once(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    paths = [
        (f"/v1/houses/{place.house.id}/imports/batches", BATCH, Entry),
        (f"/v1/farms/{place.farm.id}/imports/orders", ORDER, Order),
    ]
    for path, file, table in paths:
        for new in (1, 0):
            answer = await client.post(path, content=file, headers=CSV)
            assert answer.status_code == 200, answer.text
            assert (answer.json()["new"], answer.json()["unchanged"]) == (new, 1 - new)
            assert await count(store, table) == 1
    (batch,) = (await client.get("/v1/batches")).json()["items"]
    (entry,) = (await client.get(f"/v1/batches/{batch['id']}/entries")).json()["items"]
    assert (batch["code"], batch["stage"], entry["recordedBy"]) == ("x", "nursery", "first")


async def test_faults_are_told_with_their_lines(
    client: httpx.AsyncClient, store: Store, place: Place, thermometer: Sensor
) -> None:
    path = f"/v1/houses/{place.house.id}/imports/readings"
    file = READINGS + "canopy,2023-03-26T02:30,60\nroof,2023-03-26T04:30,60\n"
    problem = problem_of(await client.post(path, content=file), 422, "/time", "/sensor")
    assert [(error["line"], error["field"]) for error in problem["errors"]] == [
        (14, "/time"),
        (15, "/sensor"),
    ]
    trial = await client.post(f"{path}?dryRun=true", content=file)
    assert trial.status_code == 200
    assert trial.json()["faults"] == problem["errors"]
    assert (trial.json()["rows"], trial.json()["new"]) == (14, 0)
    late = BATCH + "x,,emergence_counted,2025-03-09,201\n"
    problem = problem_of(
        await client.post(f"/v1/houses/{place.house.id}/imports/batches", content=late), 422, "/plants"
    )
    assert problem["errors"][0]["line"] == 3
    assert (await count(store, Reading), await count(store, Entry)) == (0, 0)


@pytest.mark.parametrize(
    ("body", "fault"), [(b"", "the file is empty"), (b"\xff\xfe", "not UTF-8"), (b'{"a": 1}', "not known")]
)
async def test_what_is_no_file_is_refused(
    client: httpx.AsyncClient, place: Place, body: bytes, fault: str
) -> None:
    for path in (f"houses/{place.house.id}/imports/batches", f"farms/{place.farm.id}/imports/orders"):
        answer = await client.post(f"/v1/{path}", content=body)
        assert answer.status_code == 422
        assert fault in answer.json()["errors"][0]["problem"]


async def test_bringing_takes_the_right_to_write_on_that_farm(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place
) -> None:
    other = await make_place(store, clock, "Birch Farm")
    path = f"/v1/houses/{place.house.id}/imports/batches"
    reader = await token_headers(client, scopes=["read"])
    problem_of(await client.post(path, content=BATCH, headers=reader), 403)
    elsewhere = await token_headers(client, scopes=["write"], farmId=other.farm.id)
    problem_of(await client.post(path, content=BATCH, headers=elsewhere), 404)
    problem_of(
        await client.post(f"/v1/farms/{place.farm.id}/imports/orders", content=ORDER, headers=elsewhere), 404
    )
    problem_of(await client.post("/v1/houses/999/imports/readings", content=READINGS), 404)
    assert await count(store, Entry) == 0


def test_the_description_says_that_a_csv_file_is_taken(app: Litestar) -> None:
    paths = app.openapi_schema.to_schema()["paths"]
    for path in (
        "/v1/houses/{house_id}/imports/readings",
        "/v1/houses/{house_id}/imports/batches",
        "/v1/farms/{farm_id}/imports/orders",
    ):
        operation = paths[path]["post"]
        assert list(operation["requestBody"]["content"]) == ["text/csv"]
        assert {"name": "dryRun", "in": "query"}.items() <= operation["parameters"][-1].items()
        assert {"200", "422"} <= set(operation["responses"])
