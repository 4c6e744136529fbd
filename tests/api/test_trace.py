"""The way from seed to buyer and back over HTTP, and the recall's file against the raw tables."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import openpyxl
import pytest
from sqlalchemy import select
from sqlalchemy.event import listen

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import metadata
from tests.api.farm import Json, problem_of, token_headers
from tests.recall import Recall, make_recall

Rows = dict[str, list[dict[str, Any]]]


@pytest.fixture
async def recall(client: httpx.AsyncClient, store: Store, clock: FixedClock) -> Recall:
    """Have 24 batches, twelve of them of one seed lot."""
    return await make_recall(store, batches=12)


async def tables(store: Store) -> Rows:
    """Return every table as it lies there."""
    async with store.read() as uow:
        return {
            table.name: [dict(row._mapping) for row in await uow.session.execute(select(table))]
            for table in metadata.sorted_tables
        }


def walk(rows: Rows, seed_lot_id: int) -> dict[str, set[int]]:
    """Go from a seed lot to the deliveries through the raw tables, by the simplest means there are."""
    batches = {r["batch_id"] for r in rows["batch_seed_lot"] if r["seed_lot_id"] == seed_lot_id}
    entries = {r["id"]: r for r in rows["entry"]}
    better = {r["supersedes_id"]: r["id"] for r in rows["entry"] if r["supersedes_id"] is not None}

    def now(entry_id: int) -> int | None:
        while entry_id in better:
            entry_id = better[entry_id]
        return None if entries[entry_id]["void"] else entry_id

    harvests = {
        now(r["id"]) for r in rows["entry"] if r["kind"] == "harvested" and r["batch_id"] in batches
    } - {None}
    lots = {r["packed_lot_id"] for r in rows["packed_lot_harvest"] if now(r["entry_id"]) in harvests}
    deliveries = {r["id"] for r in rows["delivery"] if r["packed_lot_id"] in lots}
    return {
        "batches": batches,
        "harvests": {h for h in harvests if h is not None},
        "packedLots": lots,
        "deliveries": deliveries,
        "gone": {
            r["id"]
            for r in rows["entry"]
            if r["batch_id"] in batches and r["kind"] == "harvested" and (r["id"] in better or r["void"])
        },
    }


def ids(trace: Json, what: str, key: str = "id") -> set[int]:
    return {item[key] for item in trace[what]}


async def read(client: httpx.AsyncClient, beginning: str, **more: Any) -> Json:
    answer = await client.get("/v1/trace", params={"from": beginning, **more})
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def test_a_seed_lot_leads_to_all_who_got_heads(
    client: httpx.AsyncClient, store: Store, recall: Recall
) -> None:
    rows = await tables(store)
    for lot_id in (recall.seed_lot_id, recall.other_lot_id):
        raw = walk(rows, lot_id)
        assert len(raw["deliveries"]) > 40
        trace = await read(client, f"seedLot:{lot_id}")
        assert ids(trace, "batches") == raw["batches"]
        assert ids(trace, "harvests", "entryId") == raw["harvests"]
        assert ids(trace, "packedLots") == raw["packedLots"]
        assert ids(trace, "deliveries") == raw["deliveries"]
        assert ids(trace, "corrected", "entryId") == raw["gone"]
        assert ids(trace, "orders") == {recall.order_id}
        # A lot that was made from a harvest taken back is not followed, and is named all the same.
        named = {i for entry in trace["corrected"] for i in entry["packedLotIds"]}
        links = {(r["packed_lot_id"], r["entry_id"]) for r in rows["packed_lot_harvest"]}
        void = {r["supersedes_id"] for r in rows["entry"] if r["void"] and r["batch_id"] in raw["batches"]}
        assert named == {lot for lot, entry in links if entry in void} != set()


async def test_a_long_way_takes_no_more_statements_than_a_short_one(
    client: httpx.AsyncClient, store: Store, recall: Recall
) -> None:
    """What bounds its time: ``python -m tests.bench trace`` measures it."""
    asked: list[str] = []
    listen(
        store.engine.sync_engine,
        "before_cursor_execute",
        lambda _connection, _cursor, statement, *_more: asked.append(statement),
    )
    counts = []
    for beginning in ("batch:1", f"seedLot:{recall.seed_lot_id}", f"order:{recall.order_id}"):
        asked.clear()
        await read(client, beginning)
        counts.append(sum(statement.lstrip().startswith("SELECT") for statement in asked))
    assert max(counts) <= min(counts) + 2 <= 16, counts


async def test_the_way_back_meets_the_way_on(client: httpx.AsyncClient, recall: Recall) -> None:
    on = await read(client, f"seedLot:{recall.seed_lot_id}")
    for lot in on["packedLots"][:6]:
        back = await read(client, f"packedLot:{lot['id']}")
        assert recall.seed_lot_id in ids(back, "seedLots")
        assert back["packedLots"] == [lot]
        assert await read(client, f"lotCode:{lot['code']}") == back
        for harvest in lot["harvests"]:
            assert harvest["entryId"] in ids(back, "harvests", "entryId")
    delivery = on["deliveries"][3]
    back = await read(client, f"delivery:{delivery['id']}")
    assert (back["deliveries"], ids(back, "packedLots")) == ([delivery], {delivery["packedLotId"]})
    assert recall.seed_lot_id in ids(back, "seedLots")
    cut_twice = [h for h in on["harvests"] if sum(o["batchId"] == h["batchId"] for o in on["harvests"]) == 2]
    harvest = cut_twice[0]
    through = await read(client, f"harvest:{harvest['entryId']}")
    assert (through["harvests"], ids(through, "batches")) == ([harvest], {harvest["batchId"]})
    batch = await read(client, f"batch:{harvest['batchId']}")
    assert ids(through, "harvests", "entryId") < ids(batch, "harvests", "entryId")
    assert ids(through, "deliveries") <= ids(batch, "deliveries")

    order = await read(client, f"order:{recall.order_id}")
    assert ids(order, "batches") >= ids(on, "batches") - {0}
    day = order["deliveries"][0]["forOn"]
    one = await read(client, f"order:{recall.order_id}", on=day)
    assert {d["forOn"] for d in one["deliveries"]} == {day}
    assert ids(one, "packedLots") == {d["packedLotId"] for d in one["deliveries"]}


async def test_a_section_on_a_day_leads_to_what_stood_there(
    client: httpx.AsyncClient, store: Store, recall: Recall
) -> None:
    rows = await tables(store)
    moved = [r for r in rows["entry"] if r["kind"] == "moved"][-1]
    transplanted = next(
        r for r in rows["entry"] if r["kind"] == "transplanted" and r["batch_id"] == moved["batch_id"]
    )
    zone = ZoneInfo("Europe/Amsterdam")

    async def stood(section_id: int, at: datetime, days: int = 0) -> bool:
        day = date.fromordinal(at.astimezone(zone).date().toordinal() + days)
        trace = await read(client, f"section:{section_id}", on=str(day))
        return moved["batch_id"] in ids(trace, "batches")

    before, there = moved["from_section_id"], moved["section_id"]
    assert not await stood(before, transplanted["happened_at"], -1)
    assert await stood(before, transplanted["happened_at"])
    assert await stood(before, moved["happened_at"])
    assert not await stood(before, moved["happened_at"], 1)
    assert not await stood(there, moved["happened_at"], -1)
    assert await stood(there, moved["happened_at"], 3)
    last = max(r["happened_at"] for r in rows["entry"] if r["batch_id"] == moved["batch_id"])
    assert await stood(there, last)
    assert not await stood(there, last, 1)


async def sheet(client: httpx.AsyncClient, path: str, **params: Any) -> list[dict[str, str]]:
    answer = await client.get(path, params={"format": "csv", **params})
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/csv")
    assert "attachment" in answer.headers["content-disposition"]
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))


async def test_a_mock_recall_is_complete(client: httpx.AsyncClient, store: Store, recall: Recall) -> None:
    rows = await tables(store)
    raw = walk(rows, recall.seed_lot_id)
    params = {"from": f"seedLot:{recall.seed_lot_id}"}
    events = await sheet(client, "/v1/trace/export", **params)
    by_kind: dict[str, list[dict[str, str]]] = {}
    for event in events:
        by_kind.setdefault(event["Event"], []).append(event)
    assert {e["Event number"] for e in by_kind["Harvesting"]} == {f"harvest {i}" for i in raw["harvests"]}
    assert {e["Event number"] for e in by_kind["Shipping"]} == {f"delivery {i}" for i in raw["deliveries"]}
    lots = {r["id"]: r for r in rows["packed_lot"]}
    assert {e["Traceability lot code"] for e in by_kind["Initial packing"]} == {
        lots[i]["code"] for i in raw["packedLots"]
    }
    cooled = {i for i in raw["packedLots"] if lots[i]["cooled_at"] is not None}
    assert {int(e["Event number"].split()[1]) for e in by_kind["Cooling"]} == cooled != set()
    sent = sum(r["heads"] for r in rows["delivery"] if r["id"] in raw["deliveries"])
    assert sum(int(e["Quantity"]) for e in by_kind["Shipping"]) == sent
    heads = sum(r["plants"] for r in rows["entry"] if r["id"] in raw["harvests"])
    assert sum(int(e["Quantity"]) for e in by_kind["Harvesting"]) == heads
    packed = sum(r["heads"] for r in rows["packed_lot_harvest"] if r["packed_lot_id"] in raw["packedLots"])
    void = {r["supersedes_id"] for r in rows["entry"] if r["void"]}
    taken_back = sum(
        r["heads"]
        for r in rows["packed_lot_harvest"]
        if r["packed_lot_id"] in raw["packedLots"] and r["entry_id"] in void
    )
    assert sum(int(e["Quantity"]) for e in by_kind["Initial packing"]) == packed - taken_back

    # Key data elements that an event of its kind may not lack.
    needed = {
        "Harvesting": ["Recipient", "Commodity", "Variety", "Quantity", "Unit", "Farm location", "Growing area",
                       "Harvest date", "Reference document"],
        "Cooling": ["Recipient", "Commodity", "Variety", "Quantity", "Unit", "Cooling place", "Cooling date",
                    "Farm location", "Reference document"],
        "Initial packing": ["Date received for packing", "Quantity received for packing", "Farm location",
                            "Harvested by", "Harvest date", "Traceability lot code", "Product description",
                            "Quantity packed in the lot", "Traceability lot code source", "Packing date",
                            "Reference document"],
        "Shipping": ["Traceability lot code", "Quantity", "Product description", "Recipient", "Date",
                     "Reference document"],
    }  # fmt: skip
    own = {f"harvest {i}" for i in raw["harvests"]}
    for kind, columns in needed.items():
        for event in by_kind[kind]:
            if (
                kind in {"Initial packing", "Cooling"}
                and " ".join(event["Event number"].split()[2:]) not in own
            ):
                continue  # what was packed with it, from another batch
            assert all(event[column] for column in columns), event
    times = [e["Time"] or e["Date"] for e in events]
    assert times == sorted(times)
    assert all(datetime.fromisoformat(e["Time"]).utcoffset() for e in by_kind["Harvesting"])
    # What a spreadsheet would take for a formula is disarmed.
    assert {e["Recipient"] for e in by_kind["Shipping"]} == {"Market hall", "'+School kitchen"}
    seeds = await sheet(client, "/v1/trace/export", table="seedLots", **params)
    assert {(s["Seed lot number"], s["Supplier"]) for s in seeds} == {
        ("L-4711", "'=Seeds & Sons"),
        ("L-4712", "'=Seeds & Sons"),
    }
    areas = await sheet(client, "/v1/trace/export", table="sections", **params)
    assert {a["Longitude (degrees)"] for a in areas} <= {"-5.2", "-5.2003"}
    gone = await sheet(client, "/v1/trace/export", table="corrected", **params)
    assert {int(g["Entry"]) for g in gone} == raw["gone"]


async def test_the_spreadsheet_says_the_same(client: httpx.AsyncClient, recall: Recall) -> None:
    params = {"from": f"seedLot:{recall.seed_lot_id}"}
    answer = await client.get("/v1/trace/export", params=params)
    assert answer.status_code == 200, answer.text
    book = openpyxl.load_workbook(io.BytesIO(answer.content))
    assert book.sheetnames == ["Read this first", "Events", "Seed lots", "Growing areas", "Not followed"]
    assert "food-safety plan" in str(book["Read this first"]["A1"].value)
    names = {
        "Events": "events",
        "Seed lots": "seedLots",
        "Growing areas": "sections",
        "Not followed": "corrected",
    }
    for name, table in names.items():
        header, *rows = book[name].iter_rows(values_only=True)
        expected = await sheet(client, "/v1/trace/export", table=table, **params)
        assert list(header) == list(expected[0])
        for row, line in zip(rows, expected, strict=True):
            shown = ["" if cell is None else str(cell) for cell in row]
            told = [text.removeprefix("'") for text in line.values()]
            assert [s if not _is_number(s) else float(s) for s in shown] == [
                t if not _is_number(t) else float(t) for t in told
            ]
        assert all(cell.data_type != "f" for row in book[name].iter_rows() for cell in row)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


async def test_locations_carry_the_farms_name_address_and_telephone(
    client: httpx.AsyncClient, recall: Recall
) -> None:
    """21 CFR 1.1325(a), (b) and 1.1330(a): where it was, and the harvester's business name and telephone number."""
    params = {"from": f"seedLot:{recall.seed_lot_id}"}

    async def notes() -> list[str]:
        book = openpyxl.load_workbook(
            io.BytesIO((await client.get("/v1/trace/export", params=params)).content)
        )
        return [str(row[0]) for row in book["Read this first"].iter_rows(values_only=True)]

    assert any("no address and no telephone number written down" in note for note in await notes())
    place = {"address": "1 Greenhouse Lane, Northfield", "phone": "+1 555 010 0199"}
    assert (await client.patch(f"/v1/farms/{recall.farm_id}", json=place)).status_code == 200
    assert not any("written down" in note for note in await notes())
    for event in await sheet(client, "/v1/trace/export", **params):
        if "another batch" in event["Note"]:
            continue
        assert event["Farm"] == "Recall Farm"
        assert event["Farm address"] == place["address"]
        assert event["Farm phone"] == "'" + place["phone"], "disarmed, as it begins with a plus"
        if event["Event"] != "Shipping":
            assert (event["Harvested by"], event["Harvester phone"]) == ("Recall Farm", "'" + place["phone"])
            assert event["Recipient" if event["Event"] != "Initial packing" else "Packing place"] == (
                "Packing table, Recall Farm, 1 Greenhouse Lane, Northfield"
            )
        if event["Event"] in {"Initial packing", "Shipping"}:
            assert event["Traceability lot code source"] == (
                "Packing table, Recall Farm, 1 Greenhouse Lane, Northfield, +1 555 010 0199"
            )


async def test_a_farms_events_of_a_span(client: httpx.AsyncClient, store: Store, recall: Recall) -> None:
    rows = await tables(store)
    path = f"/v1/farms/{recall.farm_id}/trace-export"
    zone = ZoneInfo("Europe/Amsterdam")
    better = {r["supersedes_id"] for r in rows["entry"]}
    held = [r for r in rows["entry"] if r["kind"] == "harvested" and not r["void"] and r["id"] not in better]
    days = sorted(r["happened_at"].astimezone(zone).date() for r in held)
    first, last = days[5], days[20]
    events = await sheet(client, path, **{"from": first, "to": last})
    assert {e["Event number"] for e in events if e["Event"] == "Harvesting"} == {
        f"harvest {r['id']}" for r in held if first <= r["happened_at"].astimezone(zone).date() <= last
    }
    left = {f"delivery {r['id']}" for r in rows["delivery"] if first <= r["for_on"] <= last}
    void = {r["supersedes_id"] for r in rows["entry"] if r["void"]}
    lots = {r["packed_lot_id"] for r in rows["packed_lot_harvest"] if r["entry_id"] not in void}
    reached = {f"delivery {r['id']}" for r in rows["delivery"] if r["packed_lot_id"] in lots}
    assert {e["Event number"] for e in events if e["Event"] == "Shipping"} == left & reached
    areas = await sheet(client, path, **{"from": first, "to": last, "table": "sections"})
    assert len(areas) == 6
    problem_of(await client.get(path, params={"from": str(last), "to": str(first)}), 422, "/to")


async def test_what_cannot_be_traced_is_refused(
    client: httpx.AsyncClient, store: Store, recall: Recall
) -> None:
    for beginning, on, status, field in [
        ("seedLot", None, 422, "/from"),
        ("seedLot:", None, 422, "/from"),
        ("seedLot:x", None, 422, "/from"),
        ("seedLot:٣", None, 422, "/from"),
        ("crate:3", None, 422, "/from"),
        (f"section:{recall.section_ids[0]}", None, 422, "/on"),
        ("batch:1", "2026-01-01", 422, "/on"),
        ("order:1", "soon", 400, "/on"),
        ("seedLot:999", None, 404, None),
        ("seedLot:999999999999999999", None, 404, None),
        ("harvest:1", None, 404, None),  # a seeding
        ("lotCode:none", None, 404, None),
        ("section:999", "2026-01-01", 404, None),
    ]:
        for path in ("/v1/trace", "/v1/trace/export"):
            params = {"from": beginning} | ({"on": on} if on else {})
            problem_of(await client.get(path, params=params), status, *([field] if field else []))


async def test_another_farm_sees_nothing_of_it(
    client: httpx.AsyncClient, store: Store, recall: Recall
) -> None:
    rows = await tables(store)
    other = (await client.post("/v1/farms", json={"name": "Birch Farm"})).json()
    headers = await token_headers(client, scopes=["read"], farmId=other["id"])
    lot = rows["packed_lot"][0]
    for beginning, on in [
        (f"seedLot:{recall.seed_lot_id}", None),
        ("batch:1", None),
        (f"harvest:{rows['packed_lot_harvest'][0]['entry_id']}", None),
        (f"packedLot:{lot['id']}", None),
        (f"lotCode:{lot['code']}", None),
        ("delivery:1", None),
        (f"order:{recall.order_id}", None),
        (f"section:{recall.section_ids[0]}", "2022-01-01"),
    ]:
        params = {"from": beginning} | ({"on": on} if on else {})
        for path in ("/v1/trace", "/v1/trace/export"):
            problem_of(await client.get(path, params=params, headers=headers), 404)
    path = f"/v1/farms/{recall.farm_id}/trace-export?from=2022-01-01&to=2022-02-01"
    problem_of(await client.get(path, headers=headers), 404)
