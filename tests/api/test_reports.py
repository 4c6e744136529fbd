"""Reports of a house: figures worked out by hand, CSV, pictures, and who may."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any
from xml.etree import ElementTree as ET

import httpx
import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import (
    Batch,
    BatchSeedLot,
    Delivery,
    Entry,
    Forecast,
    PackedLot,
    PackedLotHarvest,
    SeedLot,
)
from tests.api.farm import Json, Place, problem_of, token_headers

MONDAY = datetime(2026, 8, 3, 6, tzinfo=UTC)
SPAN = {"from": "2026-08-03", "to": "2026-08-30"}


async def make_past(store: Store, place: Place) -> None:
    """Write four batches harvested a week apart, but the last three days late, straight into the records."""
    async with store.write() as uow:
        s = uow.session
        lot = SeedLot(
            farm_id=place.farm["id"],
            cultivar_id=place.cultivar["id"],
            lot_number="L-1",
            received_on=MONDAY.date(),
            seeds=9000,
        )
        s.add(lot)
        await s.flush()
        cuts = [(0, 160, None), (7, 160, "ready"), (14, 80, None), (24, 160, "early")]
        for n, (cut_day, heads, readiness) in enumerate(cuts):
            cut = MONDAY + timedelta(days=cut_day)
            seeded = cut - timedelta(days=42)
            batch = Batch(
                house_id=place.house["id"],
                succession_id=place.succession["id"],
                cultivar_id=place.cultivar["id"],
                code=f"P-{n}",
                seeded_on=seeded.date(),
                cells=200,
                created_at=seeded,
                stage="finished",
            )
            s.add(batch)
            await s.flush()

            put = partial(_put, s, batch.id)
            moved = cut - timedelta(days=26)
            put("seeded", seeded, plants=200, zone_id=place.nursery["id"])
            put("emergence_counted", seeded + timedelta(days=4), plants=heads, zone_id=place.nursery["id"])
            put("transplanted", moved, plants=heads, zone_id=place.channels["id"])
            if (
                n == 3
            ):  # counted too old; within the span: its transplant is on 1 August, so none of it is judged
                put("leaves_counted", moved - timedelta(days=1), leaves=7.0)
            entry = put(
                "harvested",
                cut,
                plants=heads,
                weight_g=150.0,
                readiness=readiness,
                zone_id=place.channels["id"],
            )
            await s.flush()
            s.add(BatchSeedLot(batch_id=batch.id, seed_lot_id=lot.id, seeds=210))
            for lead, late in ((30, 4.0), (10, 2.0), (2, -1.0)):
                s.add(_forecast(batch.id, cut - timedelta(days=lead), cut + timedelta(days=late), moved))
            if n == 0:
                packed = PackedLot(
                    farm_id=place.farm["id"],
                    house_id=place.house["id"],
                    crop_id=place.crop["id"],
                    code="P-1",
                    packed_at=cut,
                    heads=160,
                    recorded_at=cut,
                    recorded_by="crew",
                )
                s.add(packed)
                await s.flush()
                s.add(PackedLotHarvest(packed_lot_id=packed.id, entry_id=entry.id, heads=160))
                s.add(
                    Delivery(
                        farm_id=place.farm["id"],
                        packed_lot_id=packed.id,
                        for_on=cut.date(),
                        heads=100,
                        recorded_at=cut,
                        recorded_by="crew",
                        recipient="Shop",
                    )
                )


def _put(session: Any, batch_id: int, kind: str, at: datetime, **more: Any) -> Entry:
    entry = Entry(batch_id=batch_id, kind=kind, happened_at=at, recorded_at=at, recorded_by="crew", **more)
    session.add(entry)
    return entry


def _forecast(batch_id: int, made_at: datetime, harvest: datetime, moved: datetime) -> Forecast:
    def point(at: datetime) -> Json:
        days = timedelta(days=3)
        return {"p10": (at - days).isoformat(), "p50": at.isoformat(), "p90": (at + days).isoformat()}

    return Forecast(
        batch_id=batch_id,
        made_at=made_at,
        input_key="x",
        horizon_days=120,
        points={
            "harvest": point(harvest),
            "window_open": point(moved - timedelta(days=2)),
            "window_close": point(moved + timedelta(days=1)),
        },
        state={},
        parameters={},
        reasons=[],
    )


@pytest.fixture
async def past(client: httpx.AsyncClient, store: Store, place: Place, clock: FixedClock) -> Place:
    """Have a house with a past."""
    await make_past(store, place)
    return place


async def test_a_houses_report(client: httpx.AsyncClient, past: Place) -> None:
    answer = await client.get(f"/v1/houses/{past.house['id']}/report", params=SPAN)
    assert answer.status_code == 200, answer.text
    report = answer.json()
    # 9000 sites at 25 plants a square metre are 360 m2; 160 + 160 + 80 + 160 heads of 150 g in four weeks.
    assert (report["areaM2"], report["heads"], report["sites"]) == (360.0, 560, 9000)
    assert report["weightKg"] == pytest.approx(84.0)
    assert report["headsM2Week"] == pytest.approx(560 / 360 / 4)
    assert [(w["monday"], w["heads"], w["days"]) for w in report["weeks"]] == [
        ("2026-08-03", 160, 7),
        ("2026-08-10", 160, 7),
        ("2026-08-17", 80, 7),
        ("2026-08-24", 160, 7),
    ]
    # Heads of a week 160, 160, 80, 160: mean 140, standard deviation 40. Intervals 7, 7, 10 days: mean 8, sd sqrt(3).
    assert report["weeklyHeadsCv"] == pytest.approx(40 / 140)
    assert report["regularity"] == [
        {
            "successionId": past.succession["id"],
            "harvestDays": 4,
            "intervalMeanDays": 8.0,
            "intervalCv": pytest.approx(3**0.5 / 8),
        }
    ]
    # On Monday noon of the first week the first batch is gone and 160 + 80 + 160 stand, and so on.
    first = (160 + 80 + 160) * 7
    assert report["weeks"][0]["siteUse"] == pytest.approx(first / 7 / 9000)
    assert report["weeks"][3]["siteUse"] == pytest.approx(160 * 3 / 7 / 9000)
    stages = {s["stage"]: s for s in report["stages"]}
    assert (stages["channels"]["meanDays"], stages["total"]["batches"]) == (26.0, 4)
    assert stages["total"]["meanDays"] == 42.0
    # Four batches of 210 seeds; 100 of their heads were sold.
    assert (report["seeds"], report["seedsPerHeadSold"]) == (840, 8.4)
    assert report["seedsPerHeadHarvested"] == pytest.approx(840 / 560)
    errors = {e["leadDays"]: e for e in report["forecastErrors"]}
    assert report["forecastBatchesLeftOut"] == 1  # cut early
    assert (errors[1]["batches"], errors[1]["biasDays"], errors[1]["insideShare"]) == (3, -1.0, 1.0)
    assert (errors[3]["biasDays"], errors[7]["biasDays"]) == (2.0, 2.0)  # that of ten days before still held
    assert (errors[14]["meanAbsoluteDays"], errors[14]["insideShare"]) == (4.0, 0.0)
    assert 42 not in errors


async def test_transplants_in_the_window(client: httpx.AsyncClient, store: Store, past: Place) -> None:
    # Transplants are on 8, 15, 22 July and 1 August, 26 days before each harvest; only the last was counted.
    params = {"from": "2026-07-06", "to": "2026-08-02"}
    report = (await client.get(f"/v1/houses/{past.house['id']}/report", params=params)).json()
    assert (report["transplants"], report["transplantsJudged"]) == (560, 560)
    # By the forecasts that held, three were right in time; the count of seven leaves makes the last too old.
    assert report["windowShare"] == pytest.approx(400 / 560)


async def test_tables_and_pictures(client: httpx.AsyncClient, past: Place) -> None:
    path = f"/v1/houses/{past.house['id']}/report"
    answer = await client.get(f"{path}.csv", params=SPAN)
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert (rows[0]["Week from Monday"], rows[0]["Heads"]) == ("2026-08-03", "160")
    for table in ("stages", "forecastErrors", "regularity"):
        answer = await client.get(f"{path}.csv", params={**SPAN, "table": table})
        assert len(list(csv.reader(io.StringIO(answer.text)))) > 1
    for show in ("heads", "weight", "siteUse", "stages", "forecastErrors"):
        answer = await client.get(f"{path}.svg", params={**SPAN, "show": show})
        assert answer.headers["content-type"].startswith("image/svg+xml")
        root = ET.fromstring(answer.content)  # noqa: S314 - our own
        assert any(e.tag.endswith("desc") and e.text for e in root)


async def test_a_house_without_a_past_has_an_empty_report(client: httpx.AsyncClient, place: Place) -> None:
    path = f"/v1/houses/{place.house['id']}/report"
    report = (await client.get(path)).json()
    assert (report["heads"], report["windowShare"], report["seedsPerHeadSold"], report["stages"]) == (
        0,
        None,
        None,
        [],
    )
    assert (report["last"], len(report["weeks"])) == ("2026-09-14", 12)
    for show in ("heads", "stages", "forecastErrors"):
        assert (await client.get(f"{path}.svg", params={"show": show})).status_code == 200
    problem_of(await client.get(path, params={"from": "2026-09-01", "to": "2026-08-01"}), 422, "/to")
    problem_of(await client.get(path, params={"from": "2020-09-01"}), 422, "/to")


async def test_another_farms_report_is_not_there(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    stranger = await token_headers(client, scopes=["read"], farmId=other_place.farm["id"])
    for ending in ("", ".csv", ".svg"):
        problem_of(await client.get(f"/v1/houses/{place.house['id']}/report{ending}", headers=stranger), 404)
