"""The line of a house, its forecasts, advice and alerts."""

from __future__ import annotations

from datetime import UTC, date, datetime

import httpx
import pytest
from litestar import Litestar

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Advice, Alert, Forecast
from service.work.reforecast import Reforecaster
from tests.api.farm import Json, Place, made, problem_of, token_headers

EARLIER = datetime(2026, 9, 13, 6, tzinfo=UTC)
NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)


@pytest.fixture
async def batches(client: httpx.AsyncClient, place: Place) -> tuple[Json, Json]:
    """Have two batches: a young one made first, and an older one."""
    path, succession = "/v1/batches", {"successionId": place.succession["id"]}
    young = await made(client, path, {**succession, "seededOn": "2026-09-10", "code": "young"})
    old = await made(client, path, {**succession, "seededOn": "2026-08-24", "code": "old"})
    return young, old


async def add_forecast(store: Store, batch: Json, made_at: datetime, harvest: list[str | None]) -> None:
    """Keep a forecast as a re-forecast does."""
    never = dict.fromkeys(("p10", "p50", "p90"))
    span = {
        "p10": "2026-09-20T06:00:00+00:00",
        "p50": "2026-09-21T06:00:00+00:00",
        "p90": "2026-09-22T06:00:00+00:00",
    }
    async with store.write() as uow:
        uow.session.add(
            Forecast(
                batch_id=batch["id"],
                made_at=made_at,
                input_key="k",
                horizon_days=120,
                points={
                    "emergence": span,
                    "window_open": span,
                    "window_close": span,
                    "transplant": span,
                    "harvest": dict(zip(never, harvest, strict=True)),
                },
                state={
                    "leaves": {"p10": 2.0, "p50": 2.4, "p90": 2.9},
                    "freshG": {"p10": 1.0, "p50": 1.2, "p90": 1.5},
                },
                parameters={"profile": "butterhead"},
                reasons=["Light is 12 % below the expectation."],
            )
        )


OCTOBER = ["2026-10-18T06:00:00+00:00", "2026-10-20T06:00:00+00:00", None]
NOVEMBER = ["2026-11-18T06:00:00+00:00", "2026-11-20T06:00:00+00:00", "2026-11-25T06:00:00+00:00"]


async def test_forecasts_are_listed_newest_first(
    client: httpx.AsyncClient, store: Store, batches: tuple[Json, Json]
) -> None:
    young, _ = batches
    await add_forecast(store, young, EARLIER, NOVEMBER)
    await add_forecast(store, young, NOW, OCTOBER)
    path = f"/v1/batches/{young['id']}/forecasts"
    first = (await client.get(path, params={"limit": 1})).json()
    [forecast] = first["items"]
    assert forecast["madeAt"] == "2026-09-14T06:00:00Z"
    assert forecast["points"]["harvest"] == {
        "p10": "2026-10-18T06:00:00Z",
        "p50": "2026-10-20T06:00:00Z",
        "p90": None,
        "notWithinDays": 120,
    }
    assert forecast["points"]["windowOpen"] == {
        "p10": "2026-09-20T06:00:00Z",
        "p50": "2026-09-21T06:00:00Z",
        "p90": "2026-09-22T06:00:00Z",
    }
    assert forecast["state"]["freshG"]["p50"] == 1.2
    assert forecast["parameters"] == {"profile": "butterhead"}
    rest = (await client.get(path, params={"after": first["next"]})).json()
    assert [f["madeAt"] for f in rest["items"]] == ["2026-09-13T06:00:00Z"]
    assert rest["next"] is None


async def test_the_line_is_in_order_of_harvest(
    client: httpx.AsyncClient, store: Store, place: Place, batches: tuple[Json, Json]
) -> None:
    young, old = batches
    path = f"/v1/houses/{place.house['id']}/line"
    line = (await client.get(path)).json()
    assert line["house"] == {"id": place.house["id"], "name": "North house", "timeZone": "Europe/Amsterdam"}
    assert line["at"] == "2026-09-14T06:00:00Z"
    assert [b["code"] for b in line["batches"]] == ["old", "young"]  # not forecast yet: by age
    assert line["batches"][0]["harvest"] is None
    assert line["advice"] == line["alerts"] == []

    await add_forecast(store, young, NOW, OCTOBER)
    await add_forecast(store, old, NOW, NOVEMBER)
    line = (await client.get(path)).json()
    assert [b["code"] for b in line["batches"]] == ["young", "old"]
    first = line["batches"][0]
    assert first["crop"] == "Butterhead"
    assert first["succession"] == "Butterhead, weekly"
    assert first["stage"] == "nursery"
    assert first["seededOn"] == "2026-09-10"
    assert (first["plants"], first["leaves"], first["freshG"]) == (200, 2.4, 1.2)
    assert first["harvest"]["p50"] == "2026-10-20T06:00:00Z"
    assert first["windowClose"]["p90"] == "2026-09-22T06:00:00Z"
    assert first["reasons"] == ["Light is 12 % below the expectation."]


async def test_a_harvest_that_is_not_reached_says_within_which_days(
    client: httpx.AsyncClient, store: Store, place: Place, batches: tuple[Json, Json]
) -> None:
    await add_forecast(store, batches[0], NOW, [None, None, None])
    line = (await client.get(f"/v1/houses/{place.house['id']}/line")).json()
    young = next(b for b in line["batches"] if b["code"] == "young")
    assert young["harvest"] == {"p10": None, "p50": None, "p90": None, "notWithinDays": 120}


async def test_advice_and_alerts(client: httpx.AsyncClient, store: Store, place: Place) -> None:
    def advice(made_at: datetime, decision: str) -> Advice:
        return Advice(
            succession_id=place.succession["id"],
            made_at=made_at,
            input_key="k",
            decision=decision,
            binding="continuity",
            interval_days=7.0,
            advised_interval_days=5.5,
            cells_per_seeding=200,
            from_on=date(2026, 9, 17),
            probability=0.93,
            seedings=[{"on": "2026-09-17", "cells": 200}],
            outcome={"harvestGapDaysWithout": 9.1},
            reasons=["Light fell from 14.2 to 11.8 mol."],
        )

    def alert(kind: str, closed_at: datetime | None) -> Alert:
        return Alert(
            house_id=place.house["id"],
            kind=kind,
            subject=f"succession:{place.succession['id']}",
            severity="warning",
            title="Harvests drift apart",
            detail="9.1 days instead of 7.",
            next_step="Seed more often.",
            evidence={"days": 9.1},
            opened_at=EARLIER,
            updated_at=NOW,
            closed_at=closed_at,
        )

    async with store.write() as uow:
        for row in (advice(EARLIER, "hold"), alert("gap", NOW)):
            uow.session.add(row)
            await uow.flush()
        uow.session.add_all([advice(NOW, "shorten"), alert("sites", None)])

    path = f"/v1/successions/{place.succession['id']}/advice"
    items = (await client.get(path)).json()["items"]
    assert [item["decision"] for item in items] == ["shorten", "hold"]
    assert items[0]["from"] == "2026-09-17"
    assert items[0]["seedings"] == [{"on": "2026-09-17", "cells": 200}]

    async def kinds(**params: object) -> list[str]:
        answer = await client.get("/v1/alerts", params=params)  # type: ignore[arg-type]
        return [item["kind"] for item in answer.json()["items"]]

    assert await kinds() == ["sites", "gap"]
    assert await kinds(houseId=place.house["id"], open="true") == ["sites"]
    assert await kinds(open="false") == ["gap"]

    line = (await client.get(f"/v1/houses/{place.house['id']}/line")).json()
    assert line["advice"] == [{"succession": "Butterhead, weekly", "advice": items[0]}]
    assert [(a["kind"], a["closedAt"]) for a in line["alerts"]] == [("sites", None)]


async def test_a_house_is_forecast_again_on_demand(
    app: Litestar,
    client: httpx.AsyncClient,
    store: Store,
    clock: FixedClock,
    place: Place,
    batches: tuple[Json, Json],
) -> None:
    app.state.reforecast = Reforecaster(store, clock, members=10, horizon_days=60).house
    path = f"/v1/houses/{place.house['id']}"
    run = await client.post(f"{path}/reforecast")
    assert run.status_code == 200, run.text
    assert run.json()["changed"] is True
    assert run.json()["forecasts"] == 2

    line = (await client.get(f"{path}/line")).json()
    assert [b["code"] for b in line["batches"]] == ["old", "young"]
    for batch in line["batches"]:
        assert batch["forecastAt"] == "2026-09-14T06:00:00Z"
        window = batch["windowOpen"]
        assert window["p10"] <= window["p50"] <= window["p90"]
        assert batch["windowClose"]["p50"] > window["p50"]
    assert len(line["advice"]) == run.json()["advice"] == 1

    again = await client.post(f"{path}/reforecast")
    assert again.json()["changed"] is False
    problem_of(await client.post("/v1/houses/99/reforecast"), 404)


async def test_the_advice_that_was_read_is_accepted_once(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    def advice(made_at: datetime, cells: int) -> Advice:
        return Advice(
            succession_id=place.succession["id"], made_at=made_at, input_key="k", decision="shorten",
            binding="continuity", interval_days=7.0, advised_interval_days=5.5, cells_per_seeding=cells,
            from_on=date(2026, 9, 15), probability=0.9, seedings=[{"on": "2026-09-15", "cells": cells}], outcome={},
            reasons=[],
        )  # fmt: skip

    async with store.write() as uow:
        uow.session.add_all([advice(EARLIER, 210), advice(NOW, 220)])
    path = f"/v1/successions/{place.succession['id']}/advice"
    newest, older = (await client.get(path)).json()["items"]
    stale = await client.post(f"{path}/{older['id']}/accept")
    assert stale.status_code == 409, stale.text
    assert "no longer in force" in stale.json()["detail"]
    assert (await client.get("/v1/tasks")).json()["items"] == []
    reader = await token_headers(client, scopes=["read", "record"])
    assert (await client.post(f"{path}/{newest['id']}/accept", headers=reader)).status_code == 403
    key = {"Idempotency-Key": "accept-1"}
    done = await client.post(f"{path}/{newest['id']}/accept", headers=key)
    assert done.status_code == 200, done.text
    assert done.json() == {
        "successionId": place.succession["id"], "created": 1, "withdrawn": 0, "intervalChanged": True,
        "seedingIntervalDays": 5.5, "cellsPerSeeding": 200,
    }  # fmt: skip
    again = await client.post(f"{path}/{newest['id']}/accept", headers=key)
    assert (again.json(), again.headers["Idempotency-Replayed"]) == (done.json(), "true")
    anew = await client.post(f"{path}/{newest['id']}/accept")
    assert (anew.json()["created"], anew.json()["intervalChanged"]) == (0, False)
    tasks = (await client.get("/v1/tasks")).json()["items"]
    assert [(task["dueOn"], task["cells"]) for task in tasks] == [("2026-09-15", 220)]
    succession = (await client.get(f"/v1/successions/{place.succession['id']}")).json()
    assert (succession["seedingIntervalDays"], succession["cellsPerSeeding"]) == (5.5, 200)
