"""The forms that set a house up: whose it is, its short code, and what a batch was sown with."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

import pytest

from service.records.tables import Farm, House
from service.web.setup import code_of
from service.work.access import SYSTEM
from service.work.batches import append_entry, change_batch, get_batch, list_batches
from service.work.crops import create_cultivar
from service.work.places import create_farm, list_farms, list_houses
from service.work.programme import create_succession
from service.work.seed_stock import create_lot
from service.work.users import create_user, prepare_user
from tests.web.test_pages import PASSWORD, Visit, app, visit

__all__ = ["app", "visit"]

HOUSE = {
    "name": "South house", "latitude_deg": "52.1", "longitude_deg": "5.2", "time_zone": "Europe/Amsterdam",
    "light_percent": "60", "nursery_cells": "2000", "nursery_plants": "650", "channel_sites": "1500",
    "channels_plants": "25",
}  # fmt: skip


async def _houses(visit: Visit) -> dict[str, tuple[str, str]]:
    """Return the farm and the code of each house, by its name."""
    async with visit.store.read() as uow:
        farms: dict[int, Farm] = {f.id: f for f in (await list_farms(uow, SYSTEM))[0]}
        houses: list[House] = (await list_houses(uow, SYSTEM))[0]
    return {h.name: (farms[h.farm_id].name, h.code) for h in houses}


async def _limited(visit: Visit) -> None:
    """Log in as a grower of the farm, limited to it."""
    values = {
        "login": "robin", "display_name": "Robin", "role": "grower", "farm_id": visit.place.farm.id,
    }  # fmt: skip
    new = await prepare_user(values, PASSWORD)
    async with visit.store.write() as uow:
        await create_user(uow, visit.clock, SYSTEM, new)
    answer = await visit.client.post("/login", data={"login": "robin", "password": PASSWORD})
    assert answer.status_code == 303, answer.text
    visit.csrf = (await visit.client.get("/session.json")).json()["csrf"]


async def _another_farm(visit: Visit) -> int:
    async with visit.store.write() as uow:
        return (await create_farm(uow, visit.clock, SYSTEM, {"name": "Birch Farm"})).id


async def test_the_only_farm_is_named_and_not_asked_for(visit: Visit) -> None:
    await visit.log_in("owner")
    page = await visit.get("/houses/new")
    assert 'name="farm_id"' not in page
    assert "Alder Farm" in page
    assert (await visit.post("/houses/new", **HOUSE)).status_code == 303
    assert (await _houses(visit))["South house"] == ("Alder Farm", "south")


async def test_a_house_goes_to_the_farm_that_is_chosen(visit: Visit) -> None:
    other = await _another_farm(visit)
    await visit.log_in("owner")
    page = await visit.get("/houses/new")
    assert re.findall(r'<option value="(\w+)"', page.partition("<datalist")[0]) == ["1", str(other), "new"]
    assert (await visit.post("/houses/new", **HOUSE)).status_code == 422, "a choice that was not made"
    assert (await visit.post("/houses/new", farm_id=str(other), **HOUSE)).status_code == 303
    assert (await _houses(visit))["South house"] == ("Birch Farm", "south")
    assert (await visit.post("/houses/new", farm_id="99", **HOUSE)).status_code == 422


async def test_a_new_farm_is_made_with_its_house(visit: Visit) -> None:
    await visit.log_in("owner")
    assert (await visit.post("/houses/new", farm="Cedar Farm", **HOUSE)).status_code == 303
    assert (await _houses(visit))["South house"] == ("Cedar Farm", "south")
    nameless = await visit.post("/houses/new", farm_id="new", **HOUSE)
    assert nameless.status_code == 422
    assert 'id="farm-problem" data-problem="farm">' in nameless.text
    both = await visit.post("/houses/new", farm_id="1", farm="Dogwood Farm", **HOUSE)
    assert both.status_code == 422, "either a farm that is there or a new one"
    assert 'value="Dogwood Farm"' in both.text


async def test_who_is_limited_to_a_farm_makes_houses_of_that_farm(visit: Visit) -> None:
    other = await _another_farm(visit)
    await _limited(visit)
    page = await visit.get("/houses/new")
    assert "Birch Farm" not in page
    assert 'name="farm' not in page
    for given in ({"farm_id": str(other)}, {"farm": "Cedar Farm"}, {"farm_id": "new", "farm": "Cedar Farm"}):
        assert (await visit.post("/houses/new", **HOUSE, **given)).status_code == 422
    assert (await visit.post("/houses/new", **HOUSE)).status_code == 303
    assert (await _houses(visit))["South house"] == ("Alder Farm", "south")


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("North house", "north"), ("Our house", "our"), ("Château 2", "chateau"), ("Østre hus", "ostre"),
        ("Straße", "strasse"), ("North-East (new)", "north-east"), ("2", "2"), ("温室", "house"), ("—", "house"),
        ("x" * 200, "x" * 30),
    ],
)  # fmt: skip
def test_a_code_is_the_first_word_of_the_name(name: str, code: str) -> None:
    assert code_of(name, set()) == code


def test_a_code_is_one_of_the_farm() -> None:
    assert code_of("North house", {"north", "North-2"}) == "north-3"


async def test_the_topic_that_will_be_made_is_shown(visit: Visit) -> None:
    await visit.log_in("owner")
    made: Any = await visit.post("/houses/new", **{**HOUSE, "name": "West house"})
    house = made.headers["location"].removesuffix("/setup")
    assert "evenleaf/west/channels/temp_air_c" in await visit.get(f"{house}/setup?step=sensors")


# --------------------------------------------------------------------------- what a batch was sown with


async def _lot(visit: Visit, number: str, received_on: str, **more: Any) -> int:
    values = {
        "cultivar_id": visit.place.cultivar.id, "lot_number": number, "received_on": date.fromisoformat(received_on),
        "seeds": 900, "germination_percent": 96.0, "germination_tested_on": date(2026, 9, 1),
    }  # fmt: skip
    async with visit.store.write() as uow:
        return (await create_lot(uow, visit.clock, SYSTEM, {**values, **more})).lot.id


async def _sown(visit: Visit, batch_id: int) -> list[tuple[int, int, int | None]]:
    async with visit.store.read() as uow:
        rows = (await get_batch(uow, SYSTEM, batch_id)).seed_lots
    return sorted((row.seed_lot_id, row.seeds, row.cells) for row in rows)


async def test_a_batch_is_sown_from_the_lot_to_sow_next_unless_another_is_chosen(visit: Visit) -> None:
    await visit.log_in("owner")
    setup = f"{visit.house}/setup"
    assert 'name="lot_' not in await visit.get(f"{setup}?step=batch"), "there is no seed to choose"
    unfit = await _lot(visit, "BS-1", "2026-01-05", germination_percent=20.0)
    oldest = await _lot(visit, "BS-7", "2026-06-01")
    newer = await _lot(visit, "BS-8", "2026-09-01")
    field = f"lot_{visit.place.cultivar.id}"
    page = await visit.get(f"{setup}?step=batch")
    choice = page.partition(f'name="{field}"')[2].partition("</select>")[0]
    assert f'value="{oldest}" selected' in choice
    assert f'value="{newer}"' in choice
    assert f'value="{unfit}"' not in choice
    batch = {"succession_id": str(visit.place.succession.id), "seeded_on": "2026-09-10", "cells": "40"}
    for chosen, sown in ((str(newer), [(newer, 40, None)]), ("", [])):
        made = await visit.post(f"{setup}/batch", **batch, **{field: chosen})
        assert made.status_code == 303, made.text
        async with visit.store.read() as uow:
            newest = (await list_batches(uow, SYSTEM))[0][-1].batch.id
        assert await _sown(visit, newest) == sown
    early = await visit.post(f"{setup}/batch", **{**batch, "seeded_on": "2026-08-30", field: str(newer)})
    assert early.status_code == 422
    assert f'id="{field}-problem" data-problem="{field}">seed lot {newer} was received on' in early.text


async def test_where_any_cultivar_may_be_sown_no_lot_is_chosen_for_the_grower(visit: Visit) -> None:
    await visit.log_in("owner")
    async with visit.store.write() as uow:
        values = {**visit.place.succession_values, "cultivar_id": None, "name": "Any"}
        await create_succession(uow, SYSTEM, values)
        other = await create_cultivar(uow, SYSTEM, {"crop_id": visit.place.crop.id, "name": "Red"})
    await _lot(visit, "BS-7", "2026-06-01")
    await _lot(visit, "R-1", "2026-06-01", cultivar_id=other.id)
    page = await visit.get(f"{visit.house}/setup?step=batch")
    [field] = re.findall(r'<select id="lot_of_crop.*?</select>', page, re.DOTALL)
    # A browser takes the first where none is selected.
    assert "selected" not in field
    assert re.findall(r'<option value="(\d*)"', field)[0] == ""


async def test_of_a_mix_there_is_a_lot_of_each_cultivar(visit: Visit) -> None:
    await visit.log_in("owner")
    async with visit.store.write() as uow:
        other = await create_cultivar(uow, SYSTEM, {"crop_id": visit.place.crop.id, "name": "Red"})
        mix = [
            {"cultivar_id": visit.place.cultivar.id, "share": 0.5},
            {"cultivar_id": other.id, "share": 0.5},
        ]
        values = {**visit.place.succession_values, "cultivar_id": None, "cultivars": mix, "name": "Mix"}
        succession = await create_succession(uow, SYSTEM, values)
    lots = [
        await _lot(visit, "BS-7", "2026-06-01"),
        await _lot(visit, "R-1", "2026-06-01", cultivar_id=other.id),
    ]
    page = await visit.get(f"{visit.house}/setup?step=batch")
    fields = [f"lot_{visit.place.cultivar.id}", f"lot_{other.id}"]
    assert [f'name="{field}"' in page for field in fields] == [True, True]
    batch = {"succession_id": str(succession.id), "seeded_on": "2026-09-10", "cells": "40"}
    made = await visit.post(
        f"{visit.house}/setup/batch", **batch, **{f: str(lot) for f, lot in zip(fields, lots, strict=True)}
    )
    assert made.status_code == 303, made.text
    assert await _sown(visit, visit.batch_id + 1) == [(lot, 40, None) for lot in lots]


async def test_the_lot_of_a_batch_can_be_said_afterwards(visit: Visit) -> None:
    await visit.log_in("owner")
    field, here = f"lot_{visit.place.cultivar.id}", f"/batches/{visit.batch_id}"
    assert f'action="{here}/seed"' not in await visit.get(here), "there is no seed to name"
    first, later = await _lot(visit, "BS-7", "2026-06-01"), await _lot(visit, "BS-8", "2026-09-13")
    page = await visit.get(here)
    assert "It is not said what it was sown with." in page
    assert f'value="{later}"' not in page.partition(f'name="{field}"')[2].partition("</select>")[0]
    said = await visit.post(f"{here}/seed", version="1", **{field: str(first)})
    assert said.status_code == 303, said.text
    assert "Lot BS-7" in await visit.get(here)
    stale = await visit.post(f"{here}/seed", version="1", **{field: ""})
    assert stale.status_code == 422, "someone else has changed it since"
    async with visit.store.write() as uow:
        await change_batch(uow, SYSTEM, visit.batch_id, {"seed_lots": [{"seed_lot_id": first, "seeds": 30}]})
    version = re.findall(r'name="version" value="(\d+)"', await visit.get(here))[0]
    assert (await visit.post(f"{here}/seed", version=version, **{field: str(first)})).status_code == 303
    assert await _sown(visit, visit.batch_id) == [(first, 30, None)], "how many seeds is not forgotten"
    version = re.findall(r'name="version" value="(\d+)"', await visit.get(here))[0]
    assert (await visit.post(f"{here}/seed", version=version, **{field: ""})).status_code == 303
    assert await _sown(visit, visit.batch_id) == []


async def test_a_harvest_has_a_grade_and_one_leaf_is_one(visit: Visit) -> None:
    await visit.log_in("owner")
    here = f"/batches/{visit.batch_id}"
    now = visit.clock.now()
    async with visit.store.write() as uow:
        for values in (
            {"kind": "leaves_counted", "leaves": 1.0, "happened_at": now - timedelta(days=5)},
            {"kind": "transplanted", "plants": 160, "happened_at": now - timedelta(days=3)},
        ):
            await append_entry(uow, visit.clock, SYSTEM, visit.batch_id, values)
    assert 'name="grade"' in await visit.get(here)
    cut = await visit.post(f"{here}/entries", kind="harvested", plants="100", grade="A")
    assert cut.status_code == 303, cut.text
    page = await visit.get(here)
    assert "Grade A" in page
    assert "1 leaf" in page
    assert "1 leaves" not in page
