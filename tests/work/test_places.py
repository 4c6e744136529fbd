"""Farms, houses, zones, crops, cultivars and successions: made, read, changed, refused."""

from __future__ import annotations

from service.clock import FixedClock
from service.records import places as records
from service.records.store import Store
from service.work import crops, places, programme
from service.work.access import SYSTEM, Access
from service.work.errors import Conflict, Impossible, NotAllowed, NotFound, StaleVersion
from tests.work.conftest import Place
from tests.work.refusals import refused


async def test_what_was_made_is_read_back(store: Store, place: Place) -> None:
    async with store.read() as uow:
        house = await places.get_house(uow, SYSTEM, place.house.id)
        assert (house.code, house.time_zone, house.latitude_deg) == ("N1", "Europe/Amsterdam", 52.1)
        assert (house.light_transmission, house.elevation_m, house.version) == (0.6, 0.0, 1)
        assert (await places.get_farm(uow, SYSTEM, place.farm.id)).name == "Alder Farm"
        assert (await places.get_zone(uow, SYSTEM, place.channels.id)).capacity == 9000
        assert (await crops.get_crop(uow, SYSTEM, place.crop.id)).profile == "butterhead"
        assert (await crops.get_cultivar(uow, SYSTEM, place.cultivar.id)).name == "Alder"
        succession = await programme.get_succession(uow, SYSTEM, place.succession.id)
        assert (succession.seeding_weekdays, succession.keep_share, succession.active) == ([1], 0.8, True)


async def test_the_records_answer_what_a_forecast_asks(
    store: Store, place: Place, other_place: Place
) -> None:
    async with store.read() as uow:
        assert await records.all_house_ids(uow) == [place.house.id, other_place.house.id]
        assert (await records.house_of(uow, place.house.id)).name == "North house"
        zones = await records.zones_of(uow, place.house.id)
        assert [zone.kind for zone in zones] == ["nursery", "channels"]
        assert [s.id for s in await records.successions_of(uow, place.house.id)] == [place.succession.id]


WRONG_HOUSES = [
    ("latitude_deg", 90.1),
    ("latitude_deg", float("nan")),
    ("latitude_deg", "52"),
    ("latitude_deg", True),
    ("longitude_deg", -181),
    ("elevation_m", float("inf")),
    ("time_zone", "Europe/Nowhere"),
    ("time_zone", "../etc/passwd"),
    ("time_zone", "Europe"),
    ("time_zone", ""),
    ("time_zone", 5),
    ("light_transmission", 0.0),
    ("light_transmission", 1.01),
    ("co2_ppm", 0),
    ("lamp_hours", 25),
    ("lamp_ppfd_umol", -1),
    ("temp_vent_c", 10),
    ("name", "  "),
    ("name", "a\x00b"),
    ("name", "x" * 201),
    ("name", None),
    ("code", "a/b"),
    ("code", "-a"),
    ("code", "a" * 41),
    ("farm_id", 999),
    ("farm_id", 2**70),
    ("colour", "green"),
]


async def test_a_house_that_cannot_be_is_refused(store: Store, place: Place) -> None:
    for field, value in WRONG_HOUSES:
        named = "temp_heat_day_c" if field == "temp_vent_c" else field
        with refused(Impossible, named):
            async with store.write() as uow:
                await places.create_house(uow, SYSTEM, {**place.house_values, "code": "N2", field: value})
        if field != "farm_id":
            with refused(Impossible, named):
                async with store.write() as uow:
                    await places.change_house(uow, SYSTEM, place.house.id, {field: value})
        async with store.read() as uow:
            rows, _ = await places.list_houses(uow, SYSTEM)
        assert [(row.code, row.version) for row in rows] == [("N1", 1)]


async def test_all_problems_are_named_at_once(store: Store) -> None:
    async with store.write() as uow:
        with refused(
            Impossible, "farm_id", "name", "time_zone", "code", "latitude_deg", "longitude_deg", "colour"
        ):
            await places.create_house(uow, SYSTEM, {"latitude_deg": 100, "longitude_deg": None, "colour": 1})


async def test_a_change_counts_and_says_what_it_is_from(store: Store, place: Place) -> None:
    async with store.write() as uow:
        changes = {"light_transmission": 0.55, "name": " North "}
        house = await places.change_house(uow, SYSTEM, place.house.id, changes, expected_version=1)
        assert (house.version, house.name, house.light_transmission) == (2, "North", 0.55)
    async with store.write() as uow:
        with refused(StaleVersion):
            await places.change_house(uow, SYSTEM, place.house.id, {"name": "South"}, expected_version=1)
        house = await places.change_house(uow, SYSTEM, place.house.id, {}, expected_version=2)
        assert (house.version, house.name) == (2, "North")


async def test_what_others_changed_meanwhile_is_not_overwritten(store: Store, place: Place) -> None:
    async with store.read() as mine:
        held = await places.get_house(mine, SYSTEM, place.house.id)
        async with store.write() as theirs:
            await places.change_house(theirs, SYSTEM, place.house.id, {"co2_ppm": 800})
        if store.dialect == "postgresql":  # SQLite does not let a reader go on to write over a newer state
            with refused(Conflict):
                await places.change_house(mine, SYSTEM, held.id, {"co2_ppm": 900})
            with refused(NotFound):
                await places.get_house(mine, SYSTEM, 999)  # the transaction goes on
    async with store.read() as uow:
        assert (await places.get_house(uow, SYSTEM, place.house.id)).co2_ppm == 800


async def test_a_name_taken_is_a_conflict_and_the_transaction_goes_on(store: Store, place: Place) -> None:
    async with store.write() as uow:
        with refused(Conflict, "code"):
            await places.create_house(uow, SYSTEM, place.house_values)
        with refused(Conflict, "name"):
            await programme.create_succession(uow, SYSTEM, place.succession_values)
        with refused(Conflict, "name"):
            await crops.create_cultivar(uow, SYSTEM, {"crop_id": place.crop.id, "name": "Alder"})
        second = await places.create_house(uow, SYSTEM, {**place.house_values, "code": "N2"})
        with refused(Conflict, "code"):
            await places.change_house(uow, SYSTEM, second.id, {"code": "N1"})
    async with store.read() as uow:
        rows, _ = await places.list_houses(uow, SYSTEM)
    assert [row.code for row in rows] == ["N1", "N2"]


async def test_what_is_fixed_stays(store: Store, place: Place, other_place: Place) -> None:
    async with store.write() as uow:
        with refused(Impossible, "farm_id"):
            await places.change_house(uow, SYSTEM, place.house.id, {"farm_id": other_place.farm.id})
        with refused(Impossible, "kind"):
            await places.change_zone(uow, SYSTEM, place.nursery.id, {"kind": "channels"})
        zone = await places.change_zone(uow, SYSTEM, place.nursery.id, {"kind": "nursery", "capacity": 5000})
        assert zone.capacity == 5000


WRONG_ZONES = [("capacity", 0), ("capacity", 1.5), ("plants_m2", 0), ("kind", "roof")]


async def test_a_zone_that_cannot_be_is_refused(store: Store, place: Place) -> None:
    values = {
        "house_id": place.house.id,
        "name": "Zone",
        "code": "z",
        "kind": "channels",
        "capacity": 10,
        "plants_m2": 20.0,
    }
    async with store.write() as uow:
        for field, value in WRONG_ZONES:
            with refused(Impossible, field):
                await places.create_zone(uow, SYSTEM, {**values, field: value})


async def test_a_crop_needs_a_profile_and_a_window_that_opens_first(store: Store, place: Place) -> None:
    values = {"farm_id": place.farm.id, "name": "Leaf", "profile": "leaf"}
    async with store.write() as uow:
        with refused(Impossible, "profile"):
            await crops.create_crop(uow, SYSTEM, {**values, "profile": "../butterhead"})
        with refused(Impossible, "window_close_leaves"):
            await crops.create_crop(
                uow, SYSTEM, {**values, "window_open_leaves": 5, "window_close_leaves": 4}
            )
        crop = await crops.create_crop(
            uow, SYSTEM, {**values, "window_open_leaves": 4.0, "target_fresh_g": 90}
        )
        with refused(Impossible, "window_close_leaves"):
            await crops.change_crop(uow, SYSTEM, crop.id, {"window_close_leaves": 4.0})
        crop = await crops.change_crop(uow, SYSTEM, crop.id, {"target_fresh_g": None})
        assert crop.target_fresh_g is None


def test_profiles_are_the_files_that_come_along() -> None:
    assert {"basil", "butterhead", "leaf"} <= set(crops.profile_names())


WRONG_SUCCESSIONS = [
    ("seeding_weekdays", []),
    ("seeding_weekdays", [1, 1]),
    ("seeding_weekdays", [0]),
    ("seeding_weekdays", [8]),
    ("seeding_weekdays", [True]),
    ("seeding_weekdays", [[]]),
    ("keep_share", 0),
    ("keep_share", 1.1),
    ("harvest_interval_days", 0.5),
    ("seeding_interval_days", 61),
    ("heads_per_harvest", 0),
    ("cells_per_seeding", 4001),  # the nursery holds 4000
    ("active", 1),
]


async def test_a_succession_that_cannot_be_is_refused(store: Store, place: Place) -> None:
    for field, value in WRONG_SUCCESSIONS:
        async with store.write() as uow:
            with refused(Impossible, field):
                await programme.create_succession(
                    uow, SYSTEM, {**place.succession_values, "name": "Other", field: value}
                )
            with refused(Impossible, field):
                await programme.change_succession(uow, SYSTEM, place.succession.id, {field: value})


async def test_a_succession_keeps_to_its_house_and_crop(
    store: Store, place: Place, other_place: Place
) -> None:
    wrong = {
        "nursery_zone_id": (place.channels.id, other_place.nursery.id, 999),
        "channels_zone_id": (place.nursery.id, other_place.channels.id),
        "crop_id": (other_place.crop.id, 999),
        "cultivar_id": (other_place.cultivar.id, 999),
    }
    async with store.write() as uow:
        for field, ids in wrong.items():
            for wrong_id in ids:
                with refused(Impossible, field):
                    await programme.create_succession(
                        uow, SYSTEM, {**place.succession_values, "name": "Other", field: wrong_id}
                    )
        changed = await programme.change_succession(
            uow,
            SYSTEM,
            place.succession.id,
            {"seeding_weekdays": [4, 1], "cultivar_id": None, "active": False},
        )
        assert (changed.seeding_weekdays, changed.cultivar_id, changed.active) == ([1, 4], None, False)


async def test_a_farm_is_called_upon_at_a_number(place: Place, store: Store) -> None:
    async with store.write() as uow:
        for phone in (
            "+1 555 010 0199",
            "(01632) 960 001",
            "555-0101",
            "01632.960001 ext. 12",
            "+441632960001 x7",
        ):
            farm = await places.change_farm(
                uow, SYSTEM, place.farm.id, {"phone": f" {phone} ", "address": "1 Lane"}
            )
            assert (farm.phone, farm.address) == (phone, "1 Lane")
        farm = await places.change_farm(uow, SYSTEM, place.farm.id, {"phone": None, "address": None})
        assert (farm.phone, farm.address) == (None, None)
        for wrong in ("", "1234", "call Ada", "+1 555 010 0199 01999", "٥٥٥٠١٠١", "555 0101 x", 5):
            with refused(Impossible, "phone"):
                await places.change_farm(uow, SYSTEM, place.farm.id, {"phone": wrong})


async def test_another_farm_looks_as_if_it_were_not_there(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    access = Access("grower", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        for ask, wrong_id in (
            (places.get_farm, other_place.farm.id),
            (places.get_house, other_place.house.id),
            (places.get_zone, other_place.nursery.id),
            (crops.get_crop, other_place.crop.id),
            (crops.get_cultivar, other_place.cultivar.id),
            (programme.get_succession, other_place.succession.id),
        ):
            with refused(NotFound):
                await ask(uow, access, wrong_id)
            with refused(NotFound):
                await ask(uow, SYSTEM, 2**64)
        with refused(NotFound):
            await places.change_house(uow, access, other_place.house.id, {"name": "Mine"})
        with refused(Impossible, "farm_id"):
            await places.create_house(uow, access, {**other_place.house_values, "code": "N9"})
        with refused(Impossible, "house_id"):
            await programme.create_succession(uow, access, {**other_place.succession_values, "name": "Mine"})
        with refused(NotAllowed):
            await places.create_farm(uow, clock, access, {"name": "Third"})
        seen = [
            [row.id for row in (await listing(uow, access))[0]]
            for listing in (
                places.list_farms,
                places.list_houses,
                crops.list_crops,
                programme.list_successions,
            )
        ]
    assert seen == [[place.farm.id], [place.house.id], [place.crop.id], [place.succession.id]]


async def test_pages_go_on_after_the_last_row(store: Store, place: Place) -> None:
    async with store.write() as uow:
        for number in range(2, 6):
            await places.create_house(uow, SYSTEM, {**place.house_values, "code": f"N{number}"})
    codes, after, pages = [], None, 0
    async with store.read() as uow:
        while pages == 0 or after is not None:
            rows, after = await places.list_houses(uow, SYSTEM, farm_id=place.farm.id, after=after, limit=2)
            codes += [row.code for row in rows]
            pages += 1
        assert (codes, pages) == (["N1", "N2", "N3", "N4", "N5"], 3)
        assert await places.list_houses(uow, SYSTEM, farm_id=999) == ([], None)
        zones, _ = await places.list_zones(uow, SYSTEM, house_id=place.house.id, kind="channels")
        assert [zone.id for zone in zones] == [place.channels.id]
        for wrong in ({"limit": 0}, {"limit": 501}, {"after": -1}, {"farm_id": 2**63}):
            with refused(Impossible, *wrong):
                await places.list_houses(uow, SYSTEM, **wrong)
        with refused(Impossible, "kind"):
            await places.list_zones(uow, SYSTEM, kind="roof")
