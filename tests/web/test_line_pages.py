"""Seed, packing, trace, plan, orders, conditions, log and settings: what their forms do, without a browser."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import timedelta
from urllib.parse import parse_qs, urljoin, urlsplit

import httpx
import openpyxl
import zxingcpp
from litestar import Litestar

from service.work.access import SYSTEM
from service.work.batches import append_entry
from tests.api.farm import all_rows
from tests.unit.papers.test_labels import rendered
from tests.web.test_pages import PASSWORD, SCRIPT, Visit, app, visit

__all__ = ["app", "visit"]


async def _pack(visit: Visit) -> str:
    """Sow from a lot, cut, pack and deliver by the pages; return the path of the packed lot."""
    house = visit.house
    lot = {
        "cultivar_id": visit.place.cultivar.id, "lot_number": "BS-7", "received_on": "2026-06-01", "seeds": "900",
        "form": "pelleted", "supplier": "Brook Seeds",
    }  # fmt: skip
    answer = await visit.post(f"{house}/seed/lots", **lot)
    assert answer.status_code == 303, answer.text
    assert answer.headers["location"].startswith("/seed-lots/1")
    async with visit.store.write() as uow:
        now = visit.clock.now()
        for values in (
            {"kind": "transplanted", "plants": 160, "happened_at": now - timedelta(days=3)},
            {"kind": "harvested", "plants": 100, "happened_at": now - timedelta(hours=2)},
        ):
            await append_entry(uow, visit.clock, SYSTEM, visit.batch_id, values)
    page = await visit.get(f"{house}/packing")
    assert "100 heads are cut and not packed" in page
    fields = re.findall(r'name="(heads-\d+)"', page)
    assert len(fields) == 1
    crop = re.findall(r'name="crop" value="(\d+)"', page)[0]
    refused = await visit.post(f"{house}/packed-lots", crop=crop, **{fields[0]: "101"})
    assert refused.status_code == 422
    assert "100 are left" in refused.text
    packed = await visit.post(f"{house}/packed-lots", crop=crop, **{fields[0]: "80", "weight_kg": "12,5"})
    assert packed.status_code == 303, packed.text
    return packed.headers["location"].split("?")[0]


async def test_a_harvest_is_packed_delivered_and_traced(visit: Visit) -> None:
    """From the buyer back to the batch and from the batch on to the buyer, and as a spreadsheet."""
    await visit.log_in("owner")
    order = {
        "crop_id": visit.place.crop.id, "buyer": "Mill Street", "amount": "50", "unit": "head", "weekdays": ["1", "5"],
        "starts_on": "2026-09-01", "price": "1,4", "price_currency": "EUR",
    }  # fmt: skip
    assert (await visit.post(f"{visit.house}/orders", **order)).status_code == 303
    assert "Mill Street" in await visit.get(f"{visit.house}/orders")
    lot = await _pack(visit)
    page = await visit.get(lot)
    assert "80 heads are still here" in page
    choice = re.findall(r'<option value="(\d+ [\d-]+)"', page)[0]
    too_many = await visit.post(f"{lot}/deliveries", order=choice, heads="81")
    assert too_many.status_code == 422
    assert "80 are left" in too_many.text
    assert (await visit.post(f"{lot}/deliveries", order=choice, heads="50")).status_code == 303
    page = await visit.get(lot)
    assert "30 heads are still here" in page
    # What was counted wrong is said anew, from what was read.
    delivered = re.findall(r'action="(/packed-lots/\d+/deliveries/\d+/correct)"', page)[0]
    assert (await visit.post(delivered, version="1", heads="81")).status_code == 422
    assert (await visit.post(delivered, version="1", heads="45")).status_code == 303
    assert (await visit.post(delivered, version="1", heads="44")).status_code == 422
    made_from = re.findall(r'id="correct-(heads-\d+)"', page)[0]
    correction = {"version": "1", "weight_kg": "12", "gtin": ""}
    refused = await visit.post(f"{lot}/correct", **correction, **{made_from: "44"})
    assert (refused.status_code, "45 of the lot were delivered" in refused.text) == (422, True)
    assert (await visit.post(f"{lot}/correct", **correction, **{made_from: "75"})).status_code == 303
    page = await visit.get(lot)
    assert "30 heads are still here" in page
    assert "75 heads, packed" in page
    assert (await visit.post(f"{lot}/deliveries/99/correct", version="1", heads="1")).status_code == 404
    assert "Mill Street" in page
    way = await visit.get("/trace?from=order:1")
    for name in ("N1-A", "Mill Street", lot.rsplit("/", 1)[0]):
        assert name in way
    found = await visit.client.get("/trace?q=mill")
    assert found.status_code == 303, "the only one that fits is opened"
    assert found.headers["location"].endswith("from=order%3A1")
    assert "1 packed lot" in await visit.get(f"/trace?from=batch:{visit.batch_id}")
    file = await visit.client.get(f"/v1/trace/export?from=batch:{visit.batch_id}")
    book = openpyxl.load_workbook(io.BytesIO(file.content))
    events = [row[0] for row in book["Events"].iter_rows(min_row=2, values_only=True)]
    assert sorted(str(event).lower() for event in events) == ["harvesting", "initial packing", "shipping"]
    assert "Nothing begins with nobody" in await visit.get("/trace?q=nobody")
    assert "no id of a batch" in await visit.get("/trace?from=batch:x", 422)
    assert "no such thing" in await visit.get("/trace?from=batch:999", 422)


async def test_seed_is_counted_tried_and_ordered(visit: Visit) -> None:
    """A use and a count leave what is left; a trial is judged once it is counted."""
    await visit.log_in("owner")
    house = visit.house
    for number, day in (("BS-7", "2026-06-01"), ("BS-8", "2026-09-01")):
        lot = {
            "cultivar_id": visit.place.cultivar.id, "lot_number": number, "received_on": day, "seeds": "900",
            "form": "pelleted", "germination_percent": "96", "germination_tested_on": "2026-06-01",
        }  # fmt: skip
        if number == "BS-8":
            lot["germination_tested_on"] = "2026-09-01"
        assert (await visit.post(f"{house}/seed/lots", **lot)).status_code == 303
    page = await visit.get(f"{house}/seed")
    assert "Sow lot BS-7: the oldest that is fit" in page
    assert (await visit.post("/seed-lots/1/uses", reason="loss", seeds="100")).status_code == 303
    assert "800 of 900 seeds left" in await visit.get("/seed-lots/1")
    assert (await visit.post("/seed-lots/1/uses", reason="count", seeds="820")).status_code == 303
    assert "20 more than by the books" in await visit.get("/seed-lots/1")
    refused = await visit.post("/seed-lots/1/uses", reason="test", seeds="9000")
    assert refused.status_code == 422
    assert "holds 820" in refused.text
    trial = {
        "new_lot_id": "2",
        "old_lot_id": "1",
        "new_sown": "100",
        "old_sown": "100",
        "sown_on": "2026-09-05",
    }
    assert (await visit.post(f"{house}/seed/trials", **trial)).status_code == 303
    assert (await visit.post(f"{house}/seed/trials/1", new_good="101", old_good="9")).status_code == 422
    assert (await visit.post(f"{house}/seed/trials/1", new_good="50", old_good="95")).status_code == 303
    assert "The new lot is worse" in await visit.get(f"{house}/seed")
    assert (await visit.post(f"{house}/seed/orders")).status_code == 303


async def test_a_plan_is_made_tried_and_accepted(visit: Visit) -> None:
    """Making and trying change nothing; accepting puts the seedings that were read on the work list."""
    await visit.log_in("owner")
    before = await all_rows(visit.store)
    page = await visit.get(f"{visit.house}/plan?make=1&weeks=26")
    assert await all_rows(visit.store) == before
    seedings = re.findall(r'name="seeding" value="([^"]+)"', page)
    assert seedings
    closed = await visit.get(
        f"{visit.house}/plan?make=1&weeks=26&zone_id={visit.place.channels.id}&zone_capacity=0"
    )
    assert "This tries something out" in closed
    starts, ends = (re.findall(rf'name="{n}" value="([\d-]+)"', page)[0] for n in ("starts_on", "ends_on"))
    sent = {"starts_on": starts, "ends_on": ends, "seeding": seedings}
    assert (await visit.post(f"{visit.house}/plan", **sent)).status_code == 303
    listed = [row for row in (await all_rows(visit.store))["task"] if "seed" in row]
    assert len(listed) == len(seedings), "others follow from the forecasts"
    assert "on the work list" in await visit.get(f"{visit.house}/plan")
    wrong = await visit.get(f"{visit.house}/plan?make=1&weeks=26&lamp_hours=25", 422)
    assert "must be from 0 to 24" in wrong
    rows = (await visit.get(f"{visit.house}/plan.csv?table=seedings&make=1&weeks=26")).splitlines()
    assert len(rows) == len(seedings) + 1


async def test_a_topic_becomes_a_sensor(visit: Visit) -> None:
    """What arrives and belongs to nobody is adopted, and is unknown no more."""
    from service.records.conditions import count_unknown_topics

    await visit.log_in("owner")
    now = visit.clock.now()
    topic = {
        "topic": "evenleaf/house/rh",
        "first_seen_at": now,
        "last_seen_at": now,
        "messages": 3,
        "last_payload": b"71",
    }
    async with visit.store.write() as uow:
        await count_unknown_topics(uow, [topic])
    assert "evenleaf/house/rh" in await visit.get(f"{visit.house}/conditions")
    sensor = {"topic": "evenleaf/house/rh", "quantity": "humidity_pct", "unit": "degC", "zone_id": ""}
    refused = await visit.post(f"{visit.house}/sensors", **sensor)
    assert refused.status_code == 422
    assert "is not a unit of humidity_pct" in refused.text
    assert (await visit.post(f"{visit.house}/sensors", **{**sensor, "unit": "%"})).status_code == 303
    rows = await all_rows(visit.store)
    assert (len(rows["sensor"]), len(rows["unknown_topic"])) == (1, 0)
    page = await visit.get(f"{visit.house}/conditions")
    assert "evenleaf/house/rh" in page
    assert (await visit.get(f"{visit.house}/conditions.csv?from=2026-09-01&to=2026-09-02")).count("\n") == 5


async def test_the_log_keeps_and_takes_back(visit: Visit) -> None:
    """Crew write the log down beside its caution and take it back; only growers write events."""
    await visit.log_in("crew")
    page = await visit.get(f"{visit.house}/log")
    assert "Add acid to water, never water to acid" in page
    form = {"kind": "solution", "ph": "5,9", "ec_ms_cm": "1.6"}
    assert (await visit.post(f"{visit.house}/log", **form)).status_code == 303
    refused = await visit.post(f"{visit.house}/log", kind="solution", ph="59")
    assert refused.status_code == 422
    page = await visit.get(f"{visit.house}/log")
    assert "pH 5.9" in page
    assert (await visit.post(f"{visit.house}/log", supersedes_id="1")).status_code == 303
    assert "pH 5.9" not in await visit.get(f"{visit.house}/log")
    event = {"kind": "shade", "starts_on": "2026-09-01", "light_percent": "70"}
    assert (await visit.post(f"{visit.house}/events", **event)).status_code == 403
    await visit.log_in("grower")
    assert (await visit.post(f"{visit.house}/events", **event)).status_code == 303
    assert "lets 70 % through" in await visit.get(f"{visit.house}/log")
    assert (await visit.post(f"{visit.house}/events/1/off")).status_code == 303
    assert "lets 70 % through" not in await visit.get(f"{visit.house}/log")


async def test_settings_are_saved_and_guarded(visit: Visit) -> None:
    """Saved once from what was read; people and tokens are the owner's; a secret is shown once."""
    await visit.log_in("owner")
    here = f"{visit.house}/settings"
    page = await visit.get(here)
    version = re.findall(r'settings/house".*?name="version" value="(\d+)"', page, re.DOTALL)[0]
    house = {"name": "East house", "version": version, "temp_vent_c": "26", "lamp_hours": "16"}
    assert (await visit.post(f"{here}/house", **house)).status_code == 303
    assert (await visit.post(f"{here}/house", **house)).status_code == 422, (
        "somebody else changed it meanwhile"
    )
    assert "East house" in await visit.get(here)
    farm = {"name": visit.place.farm.name, "version": "1", "address": "1 Greenhouse Lane", "phone": "none"}
    assert (await visit.post(f"{here}/farm", **farm)).status_code == 422
    assert (await visit.post(f"{here}/farm", **{**farm, "phone": "+1 555 010 0199"})).status_code == 303
    page = await visit.get(here)
    assert "1 Greenhouse Lane" in page
    assert 'value="+1 555 010 0199"' in page
    zone = visit.place.channels.id
    assert (await visit.post(f"{here}/sections", zone_id=zone, code="A", sites="9001")).status_code == 422
    assert (await visit.post(f"{here}/sections", zone_id=zone, code="A", sites="900")).status_code == 303
    assert (
        await visit.post(f"{here}/crops/{visit.place.crop.id}/cultivars", name="Beech")
    ).status_code == 303
    assert "Beech" in await visit.get(here)
    user = {"login": "sam", "display_name": "Sam", "role": "crew", "password": "short"}
    assert (await visit.post(f"{here}/users", **user)).status_code == 422
    assert (await visit.post(f"{here}/users", **{**user, "password": "nine tall basils"})).status_code == 303
    answer = await visit.post(f"{here}/tokens", name="gateway-7", scopes=["read"])
    assert answer.status_code == 200, answer.text
    secret = re.findall(r"evl_[\w-]+", answer.text)[0]
    assert secret not in await visit.get(here)
    bearer = {"authorization": f"Bearer {secret}"}
    visit.client.cookies.clear()
    assert (await visit.client.get("/v1/houses", headers=bearer)).status_code == 200
    await visit.log_in("grower")
    assert (await visit.post(f"{here}/farm", **farm)).status_code == 403
    assert "gateway-7" not in await visit.get(here), "tokens are shown to owners"
    assert (await visit.post(f"{here}/users", **user)).status_code == 403


async def test_a_viewer_finds_nothing_to_send(visit: Visit) -> None:
    """Pages of a viewer hold no form that changes anything."""
    await visit.log_in("viewer")
    for page in visit.pages:
        if "/setup" in page or page == "/houses/new":
            continue
        main = (await visit.get(page)).split("<main", 1)[1].split("</main>")[0]
        forms = re.findall(r'<form[^>]*method="post"[^>]*action="([^"]+)"', main)
        assert not [form for form in forms if form != "/password"], (page, forms)


async def test_scripts_typed_here_are_only_text(visit: Visit) -> None:
    """Whatever is typed into these forms is shown as typed."""
    await visit.log_in("owner")
    lot = {"cultivar_id": visit.place.cultivar.id, "lot_number": SCRIPT[:60], "received_on": "2026-09-01",
           "seeds": "900", "form": "raw", "supplier": SCRIPT, "place": SCRIPT, "note": SCRIPT}  # fmt: skip
    assert (await visit.post(f"{visit.house}/seed/lots", **lot)).status_code == 303
    order = {"crop_id": visit.place.crop.id, "buyer": SCRIPT, "amount": "5", "unit": "kg", "weekdays": "1",
             "starts_on": "2026-09-01", "note": SCRIPT}  # fmt: skip
    assert (await visit.post(f"{visit.house}/orders", **order)).status_code == 303
    assert (await visit.post(f"{visit.house}/log", kind="note", note=SCRIPT)).status_code == 303
    pages = [await visit.get(page) for page in (*visit.pages, "/seed-lots/1", "/trace?from=order:1")]
    pages.append(await visit.get(f"/trace?q={SCRIPT}"))
    pages.append(await visit.get(f"/trace?from={SCRIPT}", 422))
    pages.append(
        (
            await visit.post(f"{visit.house}/settings/house", **dict.fromkeys(("name", "time_zone"), SCRIPT))
        ).text
    )
    for text in pages:
        for part in ("<script>alert", "<img src=x", "onerror=alert(2)>"):
            assert part not in text
    assert sum("&lt;script&gt;alert(1)" in text for text in pages) >= 6


async def test_a_scanned_label_opens_its_page_under_the_address_that_is_set(
    app: Litestar, visit: Visit
) -> None:
    """Behind a proxy a request comes to another address than the one that phones know."""
    await visit.log_in("owner")
    lot = await _pack(visit)
    public = "https://leaf.example.org"
    app.state.settings = replace(app.state.settings, public_url=f"{public}/")
    for path, page in (
        (f"/v1/labels?batchId={visit.batch_id}", f"/batches/{visit.batch_id}"),
        (f"/v1/packed-lots/{lot.rsplit('/', 1)[1]}/labels", lot),
    ):
        codes = zxingcpp.read_barcodes(rendered((await visit.client.get(path)).content))
        assert {code.text for code in codes} == {f"{public}{page}"}
        # A phone that has not logged in is led to the login there, and from it to what was scanned.
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app)) as phone:
            led = await phone.get(codes[0].text, headers={"accept": "text/html"})
            assert led.status_code == 303
            login = urljoin(codes[0].text, led.headers["location"])
            assert login.startswith(f"{public}/login")
            wanted = parse_qs(urlsplit(login).query)
            sent = {
                "login": "owner",
                "password": PASSWORD,
                **{name: said[0] for name, said in wanted.items()},
            }
            opened = await phone.post(f"{public}/login", data=sent)
            assert urljoin(login, opened.headers["location"]) == codes[0].text
            shown = await phone.get(codes[0].text, headers={"accept": "text/html"})
            assert shown.status_code == 200
            assert ("N1-A" if "batches" in page else "Packed lot") in shown.text
