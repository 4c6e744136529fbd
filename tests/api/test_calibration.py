"""What is believed of a house's crops, as the API shows it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import httpx
import numpy as np
import pytest

from service.clock import FixedClock
from service.records.conditions import save_hours
from service.records.store import Store
from service.work.reforecast import Reforecaster
from tests.api.farm import Json, Place, made, problem_of, token_headers

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
SEEDED = NOW - timedelta(days=60)


async def _measured(store: Store, place: Place) -> None:
    times = [SEEDED - timedelta(days=1) + timedelta(hours=h) for h in range(24 * 61)]
    rows = [
        {
            "zone_id": zone["id"],
            "at": at,
            **{f"temp_{name}_c": 20.0 for name in ("mean", "min", "max")},
            "temp_coverage": 1.0,
            "light_mol": 1.2 if 6 <= at.hour < 18 else 0.0,
            "light_coverage": 1.0,
        }
        for zone in (place.nursery, place.channels)
        for at in times
    ]
    async with store.write() as uow:
        await save_hours(uow, rows)


async def _entry(client: httpx.AsyncClient, batch: Json, kind: str, days: float, **more: object) -> Json:
    at = (SEEDED + timedelta(days=days)).isoformat()
    body = {"kind": kind, "happenedAt": at, **more}
    entry: Json = (await made(client, f"/v1/batches/{batch['id']}/entries", body))["entry"]
    return entry


@pytest.fixture
async def batch(client: httpx.AsyncClient, store: Store, place: Place) -> Json:
    """Have a batch that was counted twice, the second time wrongly, and harvested."""
    await _measured(store, place)
    batch = await made(
        client,
        "/v1/batches",
        {"successionId": place.succession["id"], "seededAt": SEEDED.isoformat(), "code": "first"},
    )
    await _entry(client, batch, "leaves_counted", 14, leaves=3.0)
    await _entry(client, batch, "leaves_counted", 17, leaves=40.0)
    await _entry(client, batch, "transplanted", 18, plants=160)
    await _entry(client, batch, "harvested", 50, plants=100, weightG=140.0)
    return batch


async def _calibration(client: httpx.AsyncClient, house: Json) -> Json:
    answer = await client.get(f"/v1/houses/{house['id']}/calibration")
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_before_any_evidence_the_prior_is_shown(client: httpx.AsyncClient, place: Place) -> None:
    found = await _calibration(client, place.house)
    assert found["houseId"] == place.house["id"]
    (item,) = found["items"]
    assert (item["crop"], item["cultivar"], item["evidence"]) == ("Butterhead", "Early green", [])
    for belief in (item["leafRate"], item["growth"]):
        assert belief["posterior"] == belief["prior"]
        assert belief["prior"] == {"p10": 0.8575, "p50": 1.0, "p90": 1.1662, "logSd": 0.12}
        assert (belief["evidence"], belief["batches"], belief["batchSpread"]) == (0, 0.0, 0.07)


async def test_evidence_is_explained(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place, batch: Json
) -> None:
    await Reforecaster(store, clock, members=10, horizon_days=60).house(place.house["id"])
    (item,) = (await _calibration(client, place.house))["items"]
    weighed, wrong, counted = item["evidence"]  # newest first
    assert [(p["parameter"], p["kind"]) for p in item["evidence"]] == [
        ("growth", "weighed"),
        ("leaf", "leaves_counted"),
        ("leaf", "leaves_counted"),
    ]
    for piece in item["evidence"]:
        assert (piece["batchId"], piece["batch"], piece["measured"]) == (batch["id"], "first", 1.0)
    assert (counted["observed"], counted["at"]) == (
        3.0,
        (SEEDED + timedelta(days=14)).isoformat().replace("+00:00", "Z"),
    )
    assert counted["low"] == counted["high"] == pytest.approx(3.0 / counted["expected"], abs=1e-3)
    assert counted["trust"] > 0.9
    assert wrong["trust"] < 0.05
    assert wrong["weight"] < 0.1 * counted["weight"]
    assert weighed["low"] == weighed["high"]
    # The posterior lies between the profile and what was recorded.
    assert (item["leafRate"]["evidence"], item["growth"]["evidence"]) == (2, 1)
    for belief, piece in ((item["leafRate"], counted), (item["growth"], weighed)):
        ends = sorted([1.0, piece["low"]])
        assert ends[0] < belief["posterior"]["p50"] < ends[1]
        assert belief["posterior"]["logSd"] < belief["prior"]["logSd"]
        assert 0.0 < belief["batches"] < 1.0
        told = [p for p in item["evidence"] if p["parameter"] == piece["parameter"]]
        assert np.log(belief["posterior"]["p50"]) == pytest.approx(
            sum(p["weight"] * np.log(p["low"]) for p in told), rel=0.3
        )


async def test_a_harvest_without_a_weight_says_how_ready_it_was(
    client: httpx.AsyncClient, store: Store, clock: FixedClock, place: Place, batch: Json
) -> None:
    entries = (await client.get(f"/v1/batches/{batch['id']}/entries")).json()["items"]
    harvest = entries[-1]
    assert harvest["readiness"] is None
    again = await _entry(
        client, batch, "harvested", 50, plants=100, readiness="early", supersedesId=harvest["id"]
    )
    assert again["readiness"] == "early"
    await Reforecaster(store, clock, members=10, horizon_days=60).house(place.house["id"])
    piece = (await _calibration(client, place.house))["items"][0]["evidence"][0]
    assert (piece["kind"], piece["readiness"], piece["entryId"]) == ("cut", "early", again["id"])
    assert (piece["observed"], piece["low"]) == (None, None)
    assert piece["high"] > 0.0
    path = f"/v1/batches/{batch['id']}/entries"
    body = {"kind": "harvested", "plants": 1, "readiness": "ripe"}
    assert (await client.post(path, json=body)).status_code in {400, 422}
    count = {"kind": "leaves_counted", "leaves": 3.0, "readiness": "ready"}
    problem_of(await client.post(path, json=count), 422, "/readiness")


async def test_other_farms_and_strangers_see_nothing(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    path = f"/v1/houses/{place.house['id']}/calibration"
    theirs = await token_headers(client, scopes=["read"], farmId=other_place.farm["id"])
    own = await token_headers(client, scopes=["read"], farmId=place.farm["id"])
    ingest = await token_headers(client, scopes=["ingest"])
    problem_of(await client.get(path, headers=theirs), 404)
    assert (await client.get(path, headers=own)).status_code == 200
    problem_of(await client.get(path, headers=ingest), 403)
    problem_of(await client.get(path, headers={"authorization": ""}), 401)
    problem_of(await client.get("/v1/houses/99/calibration"), 404)
