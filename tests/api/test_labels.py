"""Labels over HTTP: the printed code leads to the batch."""

from __future__ import annotations

import asyncio
import gc
import logging
from datetime import date

import httpx
import pytest
import zxingcpp

from service.records.store import Store
from service.records.tables import BatchSeedLot, SeedLot, Tray
from tests.api.farm import Place, made, problem_of, token_headers
from tests.api.test_packing import harvest, lot_body
from tests.unit.papers.test_labels import rendered, texts


async def test_a_batchs_trays_are_labelled(client: httpx.AsyncClient, store: Store, place: Place) -> None:
    batch = await made(
        client, "/v1/batches", {"successionId": place.succession["id"], "seededAt": "2026-09-01T23:30:00Z"}
    )
    async with store.write() as uow:
        lot = SeedLot(
            farm_id=place.farm["id"],
            cultivar_id=place.cultivar["id"],
            lot_number="L-4711",
            received_on=date(2026, 8, 1),
            seeds=5000,
        )
        uow.session.add(lot)
        await uow.flush()
        uow.session.add(BatchSeedLot(batch_id=batch["id"], seed_lot_id=lot.id, seeds=200))
        uow.session.add_all(Tray(batch_id=batch["id"], number=n, cells=100) for n in (1, 2))
    answer = await client.get("/v1/labels", params={"batchId": batch["id"]})
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    codes = zxingcpp.read_barcodes(rendered(answer.content))
    assert [code.text for code in codes] == [f"http://test/batches/{batch['id']}"] * 2
    told = texts(answer.content).replace("\r\n", " ")
    for part in ("N1-BUT-260902", "Early green", "2026-09-02", "L-4711", "Tray 1 of 2", "Tray 2 of 2"):
        assert part in told
    single = {"batchId": batch["id"], "sheet": "single 62x29", "trays": 3}
    answer = await client.get("/v1/labels", params=single)
    assert "Tray 3 of 3" in texts(answer.content).replace("\r\n", " ")


async def test_a_packed_lot_is_labelled(client: httpx.AsyncClient, place: Place) -> None:
    lot = await made(
        client, "/v1/packed-lots", lot_body(place, await harvest(client, place), gtin="9521234543213")
    )
    answer = await client.get(f"/v1/packed-lots/{lot['id']}/labels", params={"copies": 2})
    assert answer.status_code == 200, answer.text
    found = sorted(code.text for code in zxingcpp.read_barcodes(rendered(answer.content)))
    assert found == ["(01)09521234543213(10)N1-260914-01"] * 2 + [f"http://test/packed-lots/{lot['id']}"] * 2
    wide = {"columns": 2, "widthMm": 99.1}
    answer = await client.get(f"/v1/packed-lots/{lot['id']}/labels", params=wide)
    codes = {code.text for code in zxingcpp.read_barcodes(rendered(answer.content))}
    assert "(01)09521234543213(13)260914(10)N1-260914-01" in codes


async def test_a_crates_own_weight_and_count_are_carried_where_the_measure_varies(
    client: httpx.AsyncClient, place: Place
) -> None:
    entry = await harvest(client, place)
    lot = await made(client, "/v1/packed-lots", lot_body(place, entry, 40, gtin="99521234543216"))
    params = {"crateHeads": 12, "crateKg": 1.8, "columns": 1, "widthMm": 120}
    answer = await client.get(f"/v1/packed-lots/{lot['id']}/labels", params=params)
    assert answer.status_code == 200, answer.text
    codes = {code.text for code in zxingcpp.read_barcodes(rendered(answer.content))}
    assert "(01)99521234543216(13)260914(3103)001800(10)N1-260914-01(30)12" in codes
    assert "12 heads, 1.8 kg" in texts(answer.content).replace("\r\n", " ")
    for wrong in ("crateHeads", "crateKg"):
        answer = await client.get(f"/v1/packed-lots/{lot['id']}/labels", params={wrong: 0})
        problem_of(answer, 422, f"/{wrong}")


async def test_labels_that_cannot_be_are_refused(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    batch = await made(client, "/v1/batches", {"successionId": place.succession["id"]})
    for params, status, field in [
        ({}, 400, "/batchId"),
        ({"batchId": 99}, 404, None),
        ({"batchId": batch["id"], "sheet": "A5"}, 422, "/sheet"),
        ({"batchId": batch["id"], "columns": 4}, 422, "/sheet"),
        ({"batchId": batch["id"], "skip": 24}, 422, "/skip"),
        ({"batchId": batch["id"], "trays": 0}, 422, "/trays"),
    ]:
        problem_of(await client.get("/v1/labels", params=params), status, *([field] if field else []))
    stranger = await token_headers(client, scopes=["read"], farmId=other_place.farm["id"])
    problem_of(await client.get("/v1/labels", params={"batchId": batch["id"]}, headers=stranger), 404)
    problem_of(await client.get("/v1/packed-lots/1/labels?copies=0"), 422, "/copies")
    problem_of(await client.get("/v1/packed-lots/1/labels"), 404)


async def test_a_wrong_measure_leaves_nothing_in_the_log(
    client: httpx.AsyncClient, place: Place, caplog: pytest.LogCaptureFixture
) -> None:
    batch = await made(client, "/v1/batches", {"successionId": place.succession["id"]})
    for path in (f"/v1/labels?batchId={batch['id']}", "/v1/packed-lots/1/labels?copies=1"):
        for _ in range(5):
            problem_of(await client.get(f"{path}&columns=zzz"), 400, "/columns")
            problem_of(await client.get(f"{path}&sheet=A5"), 422, "/sheet")
    await asyncio.sleep(0)
    gc.collect()  # tasks whose fault nobody asked for are logged when they go
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING] == []
