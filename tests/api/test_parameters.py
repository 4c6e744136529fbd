"""Parameters are those that are described: others, missing ones and wrong ones are named as clients know them."""

from __future__ import annotations

import re
from typing import Any

import httpx
import pytest

from service.api.description import METHODS
from service.records.store import Store
from tests.api.farm import Place, all_rows, made, problem_of, sensor_body
from tests.conftest import DATABASES

# The names of parameters do not depend on where the records are.
pytestmark = pytest.mark.parametrize("database_url", DATABASES[:1], indirect=True)

CSV = {"content-type": "text/csv"}


async def described(client: httpx.AsyncClient) -> list[tuple[str, str, dict[str, Any]]]:
    """Return (method, path with ids, operation) of everything that is described."""
    paths = (await client.get("/docs/openapi.json")).json()["paths"]
    return [
        (method.upper(), re.sub(r"\{\w+\}", "1", path), item[method])
        for path, item in paths.items()
        for method in METHODS
        if method in item and path.startswith("/v1")
    ]


def in_query(operation: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the parameters of an operation's query."""
    return [p for p in operation.get("parameters", []) if p["in"] == "query"]


def needed(operation: dict[str, Any]) -> dict[str, str]:
    """Return the parameters that have to be there, with values that they may have."""
    found = {}
    for parameter in in_query(operation):
        schema = parameter["schema"]
        usual = "2026-08-01" if schema.get("format") == "date" else "1"
        if parameter.get("required"):
            found[parameter["name"]] = schema.get("enum", [usual])[0]
    return found


@pytest.mark.parametrize("method", ["GET", "POST", "PATCH", "PUT", "DELETE"])
async def test_a_parameter_that_is_not_described_is_an_error(client: httpx.AsyncClient, method: str) -> None:
    for verb, path, operation in await described(client):
        if verb != method:
            continue
        names = [p["name"] for p in in_query(operation)]
        asked = {**needed(operation), "bogus": "1"}
        problem = problem_of(await client.request(verb, path, params=asked), 400, "/bogus")
        said = problem["errors"][0]["problem"]
        assert said.startswith("is not a parameter; there "), path
        assert set(re.findall(r"\w+", said.partition("; there ")[2])) - {"is", "are", "none"} == set(names)


async def test_what_was_only_to_be_tried_is_not_stored(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    await made(client, "/v1/sensors", sensor_body(place))
    before = await all_rows(store)
    answer = await client.post(
        f"/v1/houses/{place.house['id']}/imports/readings?dryrun=true",
        content="sensor,time,value\ncanopy temperature,2026-08-01T10:00Z,20\n",
        headers=CSV,
    )
    problem = problem_of(answer, 400, "/dryrun")
    assert problem["detail"] == "dryrun: is not a parameter; there is dryRun"
    assert await all_rows(store) == before


async def test_every_name_that_is_none_is_named_at_once(client: httpx.AsyncClient) -> None:
    problem_of(await client.get("/v1/batches?bogus=1&houseid=2&limit=5&bogus=2"), 400, "/bogus", "/houseid")


async def test_who_may_not_ask_is_told_so_first(
    client: httpx.AsyncClient, open_client: httpx.AsyncClient
) -> None:
    problem_of(await open_client.get("/v1/batches?bogus=1", headers={"authorization": "Bearer x"}), 401)


async def test_pages_and_the_description_take_what_others_hang_on(client: httpx.AsyncClient) -> None:
    for path in ("/docs", "/docs/openapi.json", "/health", "/setup"):
        assert (await client.get(f"{path}?utm_source=mail")).status_code == 200, path


async def test_a_missing_parameter_is_named(client: httpx.AsyncClient) -> None:
    problem_of(await client.get("/v1/trace"), 400, "/from")
    problem_of(await client.get("/v1/labels"), 400, "/batchId")
    problem_of(await client.get("/v1/farms/1/trace-export"), 400, "/from", "/to")
    problem_of(
        await client.get("/v1/farms/1/trace-export?too=2026-08-01&from=2026-07-01"), 400, "/to", "/too"
    )


async def test_a_wrong_parameter_is_named_as_it_is_described(client: httpx.AsyncClient) -> None:
    for method, path, operation in await described(client):
        asked = needed(operation)
        for parameter in in_query(operation):
            name = parameter["name"]
            kinds = parameter["schema"].get("oneOf", [parameter["schema"]])
            if any(kind["type"] == "string" and not {"enum", "format"} & kind.keys() for kind in kinds):
                continue
            answer = await client.request(method, path, params={**asked, name: "zzz"})
            said = problem_of(answer, 400, f"/{name}")["errors"][0]["problem"]
            if any("enum" in kind for kind in kinds):
                assert "it must be one of " in said, (path, name)


async def test_a_place_in_the_stream_is_named_as_it_was_sent(client: httpx.AsyncClient) -> None:
    problem_of(await client.get("/v1/events-stream?after=abc"), 400, "/after")
    headers = {"last-event-id": "abc"}
    problem_of(await client.get("/v1/events-stream", headers=headers), 400, "/Last-Event-ID")


async def test_words_that_a_field_may_be_are_listed(client: httpx.AsyncClient, place: Place) -> None:
    body = {**sensor_body(place), "sampling": "often"}
    problem = problem_of(await client.post("/v1/sensors", json=body), 400, "/sampling")
    assert problem["errors"][0]["problem"].endswith("; it must be one of change, instant, mean, total")
    zone = {"houseId": 1, "name": "Z", "code": "z", "kind": "cellar", "capacity": 1, "plantsM2": 1}
    problem = problem_of(await client.post("/v1/zones", json=zone), 400, "/kind")
    assert problem["errors"][0]["problem"].endswith("; it must be one of channels, nursery")
