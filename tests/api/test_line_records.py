"""The records of the line at the API: trays, seed, checks with pictures, treatments, two phones, house log, work."""

from __future__ import annotations

import asyncio
from datetime import date

import httpx
import pytest
from sqlalchemy import event

from service.records.store import Store
from service.records.tables import SeedLot
from service.work.pictures import LARGEST_BYTES
from tests.api.farm import Json, Place, all_rows, made, problem_of, refused, token_headers

PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 40


@pytest.fixture
async def batch(client: httpx.AsyncClient, place: Place) -> Json:
    """Have a batch of 200 cells, seeded three weeks before now."""
    return await made(
        client,
        "/v1/batches",
        {"successionId": place.succession["id"], "seededOn": "2026-08-24", "code": "B-1"},
    )


async def section(client: httpx.AsyncClient, place: Place, code: str, sites: int) -> Json:
    body = {"zoneId": place.channels["id"], "code": code, "sites": sites}
    return await made(client, "/v1/sections", body)


async def lot(store: Store, place: Place, number: str, **more: object) -> int:
    """Have a seed lot."""
    values = {
        "farm_id": place.farm["id"],
        "cultivar_id": place.cultivar["id"],
        "received_on": date(2026, 8, 1),
        "seeds": 5000,
        **more,
    }
    async with store.write() as uow:
        row = SeedLot(lot_number=number, **values)
        uow.session.add(row)
        await uow.flush()
        return row.id


# --------------------------------------------------------------------------- two phones


async def test_of_two_phones_with_the_same_transplant_one_wins(
    client: httpx.AsyncClient, place: Place, batch: Json
) -> None:
    path = f"/v1/batches/{batch['id']}"
    there = await section(client, place, "A", 300)
    fact = {"kind": "transplanted", "plants": 80, "sectionId": there["id"]}
    phones = [await token_headers(client, name=n, scopes=["write"]) for n in ("phone 1", "phone 2")]
    answers = await asyncio.gather(
        *(client.post(f"{path}/entries", json=fact, headers=phone) for phone in phones)
    )
    assert sorted(a.status_code for a in answers) == [201, 409], [a.text for a in answers]
    lost = next(a for a in answers if a.status_code == 409)
    problem = problem_of(lost, 409)
    assert "has just recorded the same (entry 2)" in problem["detail"]
    assert problem["current"] == (await client.get(path)).json()
    assert problem["current"]["inChannels"] == 80
    assert problem["current"]["inSections"] == [{"sectionId": there["id"], "plants": 80}]
    # It did happen twice:
    assert (await made(client, f"{path}/entries", {**fact, "again": True}))["batch"]["inChannels"] == 160


async def test_of_two_phones_that_saw_the_same_batch_one_is_told(
    client: httpx.AsyncClient, place: Place, batch: Json
) -> None:
    path, seen = f"/v1/batches/{batch['id']}", {"if-match": f'"{batch["version"]}"'}
    answers = await asyncio.gather(
        *(
            client.post(f"{path}/entries", json={"kind": "transplanted", "plants": n}, headers=seen)
            for n in (90, 91)
        )
    )
    assert sorted(a.status_code for a in answers) == [201, 412]
    lost = next(a for a in answers if a.status_code == 412)
    assert problem_of(lost, 412)["current"] == (await client.get(path)).json()


async def test_of_two_phones_that_count_differently_one_hears_of_the_other(
    client: httpx.AsyncClient, place: Place, batch: Json
) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    answers = await asyncio.gather(
        *(client.post(path, json={"kind": "transplanted", "plants": n}) for n in (150, 151))
    )
    assert sorted(a.status_code for a in answers) == [201, 409]
    lost = next(a for a in answers if a.status_code == 409)
    assert "first has just recorded entry 2" in problem_of(lost, 409, "/plants")["detail"]


async def test_what_breaks_in_the_middle_leaves_nothing(
    client: httpx.AsyncClient, store: Store, place: Place, batch: Json
) -> None:
    task = {"houseId": place.house["id"], "kind": "transplant", "dueOn": "2026-09-14", "title": "Transplant"}
    await made(client, "/v1/tasks", {**task, "batchId": batch["id"]})
    before = await all_rows(store)

    def lose(_connection: object, _cursor: object, statement: str, *_rest: object) -> None:
        if statement.startswith("UPDATE task"):  # the last that the transaction sends
            raise ConnectionError("the line is down")

    event.listen(store.engine.sync_engine, "before_cursor_execute", lose)
    try:
        answer = await client.post(
            f"/v1/batches/{batch['id']}/entries", json={"kind": "transplanted", "plants": 80}
        )
        assert answer.status_code == 500
    finally:
        event.remove(store.engine.sync_engine, "before_cursor_execute", lose)
    assert await all_rows(store) == before
    kept = await made(client, f"/v1/batches/{batch['id']}/entries", {"kind": "transplanted", "plants": 80})
    assert (await client.get("/v1/tasks/1")).json()["doneEntryId"] == kept["entry"]["id"]


# --------------------------------------------------------------------------- sections, trays, seed


async def test_a_section_shows_what_stands_in_it(
    client: httpx.AsyncClient, place: Place, batch: Json
) -> None:
    a = await section(client, place, "A", 100)
    path = f"/v1/batches/{batch['id']}/entries"
    full = await client.post(path, json={"kind": "transplanted", "plants": 101, "sectionId": a["id"]})
    assert "of which 100 are free; 101 are needed" in problem_of(full, 422, "/sectionId")["detail"]
    await made(client, path, {"kind": "transplanted", "plants": 100, "sectionId": a["id"]})
    seen = await client.get(f"/v1/sections/{a['id']}")
    assert seen.json() == {**a, "standing": 100, "free": 0}
    changed = await client.patch(
        f"/v1/sections/{a['id']}", json={"sites": 120}, headers={"if-match": seen.headers["etag"]}
    )
    assert (changed.json()["free"], changed.headers["etag"]) == (20, '"2"')
    listed = await client.get("/v1/sections", params={"zoneId": place.channels["id"], "active": True})
    assert listed.json() == {"items": [changed.json()], "next": None}


async def test_a_batch_knows_its_trays_and_its_seed(
    client: httpx.AsyncClient, store: Store, place: Place, other_place: Place
) -> None:
    new, old = await lot(store, place, "L-2"), await lot(store, place, "L-1")
    theirs = await lot(store, other_place, "L-1")
    body = {"successionId": place.succession["id"], "cells": 200, "cellsPerTray": 80}
    sown = {"seedLots": [{"seedLotId": new, "cells": 120}, {"seedLotId": old, "seeds": 90, "cells": 80}]}
    batch = await made(client, "/v1/batches", {**body, **sown})
    assert batch["seedLots"] == [
        {"seedLotId": new, "seeds": 120, "cells": 120},
        {"seedLotId": old, "seeds": 90, "cells": 80},
    ]
    assert [(t["number"], t["cells"]) for t in batch["trays"]] == [(1, 80), (2, 80), (3, 40)]
    path, tray = f"/v1/batches/{batch['id']}", batch["trays"][2]["id"]
    counted = await made(
        client, f"{path}/entries", {"kind": "leaves_counted", "leavesEach": [4, 4.5, 5], "trayId": tray}
    )
    assert (counted["entry"]["leaves"], counted["entry"]["trayId"]) == (4.5, tray)

    changed = await client.patch(
        path,
        json={
            "seedLots": [{"seedLotId": old}],
            "trays": [{"number": 1, "cells": 110}, {"number": 3, "cells": 90}],
        },
    )
    assert changed.json()["seedLots"] == [{"seedLotId": old, "seeds": 200, "cells": None}]
    assert [t["id"] for t in changed.json()["trays"]] == [batch["trays"][0]["id"], tray]
    assert changed.json()["version"] > counted["batch"]["version"]
    assert (await client.get(path)).json() == changed.json()

    too_late = await lot(store, place, "L-3", received_on=date(2026, 9, 15))
    await refused(
        client,
        store,
        [
            ("PATCH", path, {"trays": [{"number": 1, "cells": 200}]}, 422, "/trays"),  # tray 3 was named
            ("PATCH", path, {"trays": [{"number": 3, "cells": 199}]}, 422, "/trays"),
            ("PATCH", path, {"seedLots": [{"seedLotId": theirs}]}, 422, "/seedLots/0/seedLotId"),
            ("PATCH", path, {"seedLots": [{"seedLotId": too_late}]}, 422, "/seedLots/0/seedLotId"),
            (
                "PATCH",
                path,
                {"seedLots": [{"seedLotId": old}, {"seedLotId": old}]},
                422,
                "/seedLots/1/seedLotId",
            ),
            ("PATCH", path, {"seedLots": [{"seedLotId": old, "cells": 201}]}, 422, "/seedLots/0/cells"),
            ("POST", "/v1/batches", {**body, "trays": [{"number": 1, "cells": 200}]}, 422, "/cellsPerTray"),
        ],
    )


# --------------------------------------------------------------------------- checks, pictures, treatments


async def test_a_check_keeps_its_picture(client: httpx.AsyncClient, store: Store, batch: Json) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    check = await made(
        client, path, {"kind": "checked", "finding": "tipburn", "severity": "slight", "plants": 3}
    )
    there = f"{path}/{check['entry']['id']}/pictures"
    sent = await client.post(there, content=PNG, headers={"content-type": "application/octet-stream"})
    assert sent.status_code == 201, sent.text
    picture = sent.json()
    assert (picture["mediaType"], picture["sizeBytes"]) == ("image/png", len(PNG))
    again = await client.post(there, content=PNG)
    assert again.json() == picture
    assert (await client.get(path)).json()["items"][1]["pictures"] == [picture["id"]]

    got = await client.get(sent.headers["location"])
    assert (got.status_code, got.content) == (200, PNG)
    assert got.headers["content-type"] == "image/png"
    assert got.headers["x-content-type-options"] == "nosniff"
    assert "sandbox" in got.headers["content-security-policy"]
    assert got.headers["etag"] == f'"{picture["sha256"]}"'
    same = await client.get(sent.headers["location"], headers={"if-none-match": got.headers["etag"]})
    assert (same.status_code, same.content) == (304, b"")

    for content in (b"", b"<svg onload='x'/>", b"GIF89a" + b"\x00" * 20, b"RIFF\x00\x00\x00\x00WAVE"):
        problem_of(await client.post(there, content=content), 422, "")
    big = await client.post(there, content=PNG + b"\x00" * LARGEST_BYTES)
    assert big.status_code == 413
    problem_of(await client.post(f"{path}/999/pictures", content=PNG), 404)
    problem_of(await client.get("/v1/pictures/999"), 404)


async def test_another_farm_does_not_see_a_picture(
    client: httpx.AsyncClient, batch: Json, other_place: Place
) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    sent = await client.post(f"{path}/1/pictures", content=b"\xff\xd8\xff\xe0" + b"\x00" * 20)
    assert sent.json()["mediaType"] == "image/jpeg"
    theirs = await token_headers(client, scopes=["write"], farmId=other_place.farm["id"])
    problem_of(await client.get("/v1/pictures/1", headers=theirs), 404)
    problem_of(await client.post(f"{path}/1/pictures", content=PNG, headers=theirs), 404)


async def test_a_treatment_holds_the_harvest_back(client: httpx.AsyncClient, batch: Json) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    await made(client, path, {"kind": "transplanted", "plants": 100, "happenedAt": "2026-09-10T08:00:00Z"})
    fact = {"kind": "treated", "product": "potassium soap", "happenedAt": "2026-09-13T08:00:00Z"}
    treated = await made(client, path, {**fact, "waitingDays": 3})
    assert "label" in treated["caution"]
    assert treated["batch"]["waitingUntil"] == "2026-09-16T08:00:00Z"
    harvest = {"kind": "harvested", "plants": 100, "weightG": 150, "grade": "A", "readiness": "ready"}
    early = await client.post(path, json=harvest)
    assert "until 2026-09-16 08:00 UTC" in problem_of(early, 422, "/happenedAt")["detail"]
    # The label says less: the treatment is corrected, and the harvest goes on.
    await made(client, path, {**fact, "waitingDays": 0.5, "supersedesId": treated["entry"]["id"]})
    cut = await made(client, path, harvest)
    assert (cut["entry"]["grade"], cut["batch"]["harvested"], cut["caution"]) == ("A", 100, None)


async def test_grading_out_has_one_name(client: httpx.AsyncClient, batch: Json) -> None:
    path = f"/v1/batches/{batch['id']}/entries"
    told = await made(client, path, {"kind": "discarded", "plants": 20, "reason": "Grade-out"})
    assert (told["entry"]["reason"], told["batch"]["gradedOut"]) == ("graded out", 20)
    counted = await made(client, path, {"kind": "emergence_counted", "plants": 180})
    assert (counted["batch"]["emerged"], counted["batch"]["failed"]) == (180, 20)


# --------------------------------------------------------------------------- house log


async def test_the_house_log_keeps_what_was_measured_and_added(
    client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    path = f"/v1/houses/{place.house['id']}/log"
    measured = await made(client, path, {"kind": "solution", "ph": 6.4, "ecMsCm": 1.5, "tempSolutionC": 19.5})
    assert measured["caution"] is None
    acid = {"kind": "addition", "substance": "nitric acid 38 %", "amount": 120, "amountUnit": "mL", "ph": 5.8}
    added = await made(client, path, acid)
    assert "Add acid to water, never water to acid" in added["caution"]
    assert "chlorine" in added["caution"]
    cleaned = await made(client, path, {"kind": "cleaning", "what": "trays", "substance": "peracetic acid"})
    assert "goggles" in cleaned["caution"]
    fixed = await made(client, path, {**acid, "amount": 12, "supersedesId": added["entry"]["id"]})
    await made(client, path, {"supersedesId": cleaned["entry"]["id"], "void": True})
    listed = (await client.get(path)).json()["items"]
    assert [entry["id"] for entry in listed] == [1, 2, 3, 4, 5]
    assert (await client.get(path, params={"holding": True})).json()["items"] == [
        measured["entry"],
        fixed["entry"],
    ]
    assert (await client.get(path, params={"kind": "addition", "from": "2026-09-15T00:00:00Z"})).json()[
        "items"
    ] == []
    await refused(
        client,
        store,
        [
            ("POST", path, {"kind": "solution", "ph": 14.5}, 422, "/ph"),
            ("POST", path, {"kind": "solution", "ecMsCm": 1400}, 422, "/ecMsCm"),
            ("POST", path, {"kind": "solution", "tempSolutionC": 60}, 422, "/tempSolutionC"),
            ("POST", path, {"kind": "solution"}, 422, "/ph"),
            ("POST", path, {"kind": "addition", "amount": 1, "amountUnit": "L"}, 422, "/substance"),
            ("POST", path, {"kind": "addition", "substance": "feed A", "amount": 1}, 422, "/amountUnit"),
            ("POST", path, {"kind": "cleaning"}, 422, "/what"),
            ("POST", path, {"kind": "note"}, 422, "/note"),
            ("POST", path, {"kind": "note", "note": "x", "ph": 6}, 422, "/ph"),
            (
                "POST",
                path,
                {"kind": "note", "note": "x", "happenedAt": "2026-09-14T07:00:00Z"},
                422,
                "/happenedAt",
            ),
            ("POST", path, {"kind": "solution", "ph": 6, "supersedesId": 2}, 409, "/supersedesId"),
            ("POST", path, {"kind": "solution", "ph": 6, "supersedesId": 99}, 422, "/supersedesId"),
            ("POST", path, {"void": True}, 422, "/supersedesId"),
        ],
    )


# --------------------------------------------------------------------------- work


async def test_the_day_lists_what_is_due_and_facts_tick_it_off(
    client: httpx.AsyncClient, place: Place, batch: Json
) -> None:
    house = place.house["id"]
    body = {"houseId": house, "dueOn": "2026-09-13", "batchId": batch["id"]}
    await made(client, "/v1/tasks", {**body, "kind": "transplant", "title": "Transplant", "plants": 100})
    await made(client, "/v1/tasks", {**body, "kind": "count", "title": "Count", "assignedTo": "crew 2"})
    clean = {"houseId": house, "kind": "clean", "dueOn": "2026-09-14", "title": "Clean the channels"}
    await made(client, "/v1/tasks", clean)
    day = (await client.get(f"/v1/houses/{house}/work")).json()
    assert (day["on"], day["closed"]) == ("2026-09-14", False)
    assert [(i["task"]["kind"], i["minutes"], i["overdue"]) for i in day["items"]] == [
        ("transplant", 10.0, True),
        ("count", 15.0, True),
        ("clean", 60.0, False),
    ]
    assert day["minutesLeft"] == 85.0
    mine = await client.get(f"/v1/houses/{house}/work", params={"on": "2026-09-14", "person": "crew 1"})
    assert [i["task"]["kind"] for i in mine.json()["items"]] == ["transplant", "clean"]

    moved = await made(
        client,
        f"/v1/batches/{batch['id']}/entries",
        {"kind": "transplanted", "plants": 100, "minutesTaken": 30},
    )
    await made(client, f"/v1/houses/{house}/log", {"kind": "cleaning", "what": "channels"})
    task = (await client.get("/v1/tasks/1")).json()
    assert (task["doneAt"], task["doneBy"]) == ("2026-09-14T06:00:00Z", "first")
    assert (task["doneEntryId"], task["minutesTaken"]) == (moved["entry"]["id"], 30.0)
    assert (await client.get("/v1/tasks/3")).json()["doneAt"] is not None
    assert (await client.get("/v1/tasks/2")).json()["doneAt"] is None
    # Taken back, it is to be done again; a plant is taken to last longer by now: (0.3 + 4 x 0.1) / 5 min.
    await made(client, "/v1/tasks", {**body, "kind": "transplant", "title": "More", "plants": 50})
    day = (await client.get(f"/v1/houses/{house}/work")).json()
    assert next(i["minutes"] for i in day["items"] if i["task"]["title"] == "More") == 7.0
    await made(
        client, f"/v1/batches/{batch['id']}/entries", {"supersedesId": moved["entry"]["id"], "void": True}
    )
    task = (await client.get("/v1/tasks/1")).json()
    assert (task["doneAt"], task["doneEntryId"], task["minutesTaken"]) == (None, None, None)


async def test_proposing_work_twice_changes_nothing(client: httpx.AsyncClient, place: Place) -> None:
    house = place.house["id"]
    event_ = {"houseId": house, "kind": "cleaning", "zoneId": place.channels["id"], "sites": 90}
    await made(client, "/v1/events", {**event_, "startsOn": "2026-09-15", "endsOn": "2026-09-16"})
    first = await client.post(f"/v1/houses/{house}/work")
    assert first.json() == {"created": 1, "moved": 0, "withdrawn": 0}
    assert (await client.post(f"/v1/houses/{house}/work")).json() == {
        "created": 0,
        "moved": 0,
        "withdrawn": 0,
    }
    task = (await client.get("/v1/tasks/1")).json()
    assert (task["kind"], task["dueOn"], task["title"]) == (
        "clean",
        "2026-09-15",
        "Clean 90 sites of Channels",
    )
