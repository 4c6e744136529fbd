"""A small farm made through the API, and what the tests look at."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import httpx
from sqlalchemy import select

from service.records.store import Store
from service.records.tables import metadata

Json = dict[str, Any]


@dataclass(frozen=True)
class Place:
    """A farm with one house and one succession in it, as the API answered them."""

    farm: Json
    house: Json
    nursery: Json
    channels: Json
    crop: Json
    cultivar: Json
    succession: Json


async def made(client: httpx.AsyncClient, path: str, body: Json) -> Json:
    """Make something, and return it as answered."""
    answer = await client.post(path, json=body)
    assert answer.status_code == 201, answer.text
    return answer.json()


async def make_place(client: httpx.AsyncClient, name: str) -> Place:
    """Make a farm with one house and one succession in it."""
    farm = await made(client, "/v1/farms", {"name": name})
    house = await made(client, "/v1/houses", house_body(farm["id"]))
    zone = {"houseId": house["id"], "plantsM2": 25.0}
    nursery = await made(
        client, "/v1/zones", {**zone, "name": "Table", "code": "table", "kind": "nursery", "capacity": 4000}
    )
    channels = await made(
        client, "/v1/zones", {**zone, "name": "Channels", "code": "ch", "kind": "channels", "capacity": 9000}
    )
    crop = await made(
        client, "/v1/crops", {"farmId": farm["id"], "name": "Butterhead", "profile": "butterhead"}
    )
    cultivar = await made(client, "/v1/cultivars", {"cropId": crop["id"], "name": "Early green"})
    succession = await made(
        client,
        "/v1/successions",
        {
            "houseId": house["id"],
            "cropId": crop["id"],
            "cultivarId": cultivar["id"],
            "nurseryZoneId": nursery["id"],
            "channelsZoneId": channels["id"],
            "name": "Butterhead, weekly",
            "headsPerHarvest": 150,
            "harvestIntervalDays": 7,
            "seedingIntervalDays": 7,
            "seedingWeekdays": [1, 4],
            "cellsPerSeeding": 200,
            "keepShare": 0.8,
        },
    )
    return Place(farm, house, nursery, channels, crop, cultivar, succession)


def house_body(farm_id: int) -> Json:
    """Return what makes a house."""
    return {
        "farmId": farm_id,
        "name": "North house",
        "code": "N1",
        "latitudeDeg": 52.1,
        "longitudeDeg": 5.2,
        "timeZone": "Europe/Amsterdam",
    }


def sensor_body(place: Place) -> Json:
    """Return what makes a sensor."""
    return {
        "houseId": place.house["id"],
        "zoneId": place.nursery["id"],
        "name": "canopy temperature",
        "quantity": "temp_air_c",
        "unit": "degC",
    }


async def token_headers(client: httpx.AsyncClient, **body: Any) -> dict[str, str]:
    """Return the headers of a request with a new token."""
    token = await made(client, "/v1/tokens", {"name": "tablet", **body})
    return {"authorization": f"Bearer {token['secret']}"}


async def all_rows(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Return everything that is stored, but when a token was last used: that is no change."""
    async with store.read() as uow:
        return {
            table.name: [
                tuple(row)
                for row in await uow.session.execute(
                    select(*(c for c in table.columns if c.name != "last_used_at")).order_by(
                        *table.primary_key
                    )
                )
            ]
            for table in metadata.sorted_tables
        }


async def refused(
    client: httpx.AsyncClient, store: Store, cases: Iterable[tuple[str, str, Json, int, str]]
) -> None:
    """Check cases of (method, path, body, status, field): each is refused, names the field and changes nothing.

    One store serves them all: each case has to leave it as it was anyway.
    """
    before = await all_rows(store)
    for method, path, body, status, field in cases:
        problem_of(await client.request(method, path, json=body), status, field)
        assert await all_rows(store) == before, (method, path, body)


def problem_of(answer: httpx.Response, status: int, *fields: str) -> Json:
    """Check that an answer is a problem of this status that names just these fields, and return it."""
    assert answer.status_code == status, (answer.request.content, answer.text)
    assert answer.headers["content-type"] == "application/problem+json"
    problem: Json = answer.json()
    assert problem["status"] == status
    assert problem["title"]
    assert problem["detail"]
    assert problem["instance"] == answer.request.url.path
    assert sorted(error["field"] for error in problem.get("errors", [])) == sorted(fields), problem
    assert all(error["problem"] for error in problem.get("errors", []))
    return problem
