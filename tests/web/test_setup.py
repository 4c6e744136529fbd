"""The forms that set a house up: whose it is, its short code, and what a batch was sown with."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.records.tables import Farm, House
from service.web.setup import code_of
from service.work.access import SYSTEM
from service.work.places import create_farm, list_farms, list_houses
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
