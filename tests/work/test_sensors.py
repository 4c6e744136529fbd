"""Sensors: their topics, units and what of them stays."""

from __future__ import annotations

from typing import Any

from service.clock import FixedClock
from service.records.conditions import count_unknown_topics, unknown_topics_page
from service.records.store import Store
from service.work.access import SYSTEM, Access
from service.work.errors import Conflict, Impossible, NotFound
from service.work.sensors import change_sensor, create_sensor, get_sensor, list_sensors
from tests.work.conftest import Place
from tests.work.refusals import refused


def values(place: Place, **more: Any) -> dict[str, Any]:
    """Return the values of a light sensor over the nursery."""
    return {
        "house_id": place.house.id,
        "zone_id": place.nursery.id,
        "name": "Light, table 1",
        "quantity": "ppfd_umol",
        "unit": "umol m-2 s-1",
        **more,
    }


TOPICS = [
    ({}, "evenleaf/N1/table/ppfd_umol"),
    ({"zone_id": None}, "evenleaf/N1/ppfd_umol"),
    ({"topic": "{farm}/{house}/{zone}/{name}"}, "alder-farm/N1/table/light-table-1"),
    ({"topic": "gateway/7/état"}, "gateway/7/état"),
    ({"topic": "{name}", "name": "///"}, "unnamed"),
    ({"topic": "é" * 127}, "é" * 127),
]


async def test_a_topic_template_is_resolved(store: Store, place: Place) -> None:
    for more, topic in TOPICS:
        async with store.write() as uow:
            sensor = await create_sensor(uow, SYSTEM, values(place, **more))
        async with store.read() as uow:
            assert (await get_sensor(uow, SYSTEM, sensor.id)).topic == topic


WRONG_SENSORS = [
    ("topic", "evenleaf/+/ppfd"),
    ("topic", "evenleaf/#"),
    ("topic", "a\x00b"),
    ("topic", "a\nb"),
    ("topic", "a\ud800b"),
    ("topic", "$SYS/a"),
    ("topic", "{colour}/a"),
    ("topic", "a{/b"),
    ("topic", "é" * 128),
    ("topic", ""),
    ("quantity", "loudness"),
    ("unit", "degC"),
    ("unit", "J cm-2"),  # a running total, and it is sampled as instant
    ("sampling", "sometimes"),
    ("light_source", "moon"),
    ("value_pointer", "ppfd"),
    ("value_pointer", "/a~2"),
    ("value_pointer", "/a\x00"),
    ("interval_s", 0),
    ("factor", 0),
    ("factor", float("nan")),
    ("valid_max", -1.0),
    ("zone_id", 999),
    ("house_id", 999),
]


async def test_a_sensor_that_cannot_be_is_refused(store: Store, place: Place) -> None:
    for field, value in WRONG_SENSORS:
        async with store.write() as uow:
            with refused(Impossible, field):
                await create_sensor(uow, SYSTEM, values(place, **{"valid_min": 0.0, field: value}))
            assert await list_sensors(uow, SYSTEM) == ([], None)


async def test_lux_under_lamps_that_lux_cannot_see_is_refused(store: Store, place: Place) -> None:
    async with store.write() as uow:
        await create_sensor(uow, SYSTEM, values(place, unit="lx"))
        sensor = (await list_sensors(uow, SYSTEM))[0][0]
        with refused(Impossible, "light_source"):
            await change_sensor(uow, SYSTEM, sensor.id, {"light_source": None})
        with refused(Impossible, "light_source"):
            await change_sensor(uow, SYSTEM, sensor.id, {"light_source": "led_red"})
        with refused(Impossible, "unit"):
            await change_sensor(uow, SYSTEM, sensor.id, {"light_source": "red_blue_led"})


async def test_a_zone_placeholder_needs_a_zone(store: Store, place: Place) -> None:
    async with store.write() as uow:
        with refused(Impossible, "topic"):
            await create_sensor(uow, SYSTEM, values(place, zone_id=None, topic="a/{zone}"))


async def test_one_topic_may_carry_several_values(store: Store, place: Place, other_place: Place) -> None:
    async with store.write() as uow:
        await create_sensor(uow, SYSTEM, values(place, topic="gw/1", value_pointer="/ppfd"))
        await create_sensor(
            uow, SYSTEM, values(place, topic="gw/1", value_pointer="/t", quantity="temp_air_c", unit="degC")
        )
        with refused(Conflict, "topic"):
            await create_sensor(uow, SYSTEM, values(place, topic="gw/1", value_pointer="/t"))
        await create_sensor(uow, SYSTEM, values(place))
        with refused(Conflict, "topic"):  # the second farm has a house N1 too
            await create_sensor(uow, SYSTEM, values(other_place))


async def test_a_sensor_is_changed_but_not_moved(store: Store, place: Place) -> None:
    async with store.write() as uow:
        sensor = await create_sensor(uow, SYSTEM, values(place))
        for field, value in (("zone_id", place.channels.id), ("zone_id", None), ("quantity", "temp_air_c")):
            with refused(Impossible, field):
                await change_sensor(uow, SYSTEM, sensor.id, {field: value})
        changes = {
            "topic": "new/{zone}/{name}",
            "name": "East",
            "factor": 1.02,
            "active": False,
            "valid_max": 2500,
        }
        sensor = await change_sensor(uow, SYSTEM, sensor.id, changes, expected_version=1)
        assert (sensor.topic, sensor.factor, sensor.active, sensor.version) == (
            "new/table/east",
            1.02,
            False,
            2,
        )
        with refused(Impossible, "valid_max"):
            await change_sensor(uow, SYSTEM, sensor.id, {"valid_min": 2500})


async def test_a_claimed_topic_is_unknown_no_longer(store: Store, clock: FixedClock, place: Place) -> None:
    async with store.write() as uow:
        seen = {
            "first_seen_at": clock.now(),
            "last_seen_at": clock.now(),
            "messages": 1,
            "last_payload": b"21",
        }
        await count_unknown_topics(uow, [{"topic": topic, **seen} for topic in ("gw/1", "gw/2", "gw/3")])
        sensor = await create_sensor(uow, SYSTEM, values(place, topic="gw/1"))
        await change_sensor(uow, SYSTEM, sensor.id, {"topic": "gw/3"})
    async with store.read() as uow:
        assert [row.topic for row in await unknown_topics_page(uow)] == ["gw/2"]


async def test_sensors_are_listed_by_what_they_are(store: Store, place: Place, other_place: Place) -> None:
    mine = Access("grower", frozenset({"read"}), place.farm.id)
    async with store.write() as uow:
        light = await create_sensor(uow, SYSTEM, values(place))
        warmth = await create_sensor(
            uow, SYSTEM, values(place, zone_id=None, quantity="temp_air_c", unit="degC", active=False)
        )
        theirs = await create_sensor(uow, SYSTEM, values(other_place, topic="theirs"))
        for filters, found in (
            ({}, [light.id, warmth.id]),
            ({"zone_id": place.nursery.id}, [light.id]),
            ({"quantity": "temp_air_c"}, [warmth.id]),
            ({"active": True}, [light.id]),
            ({"house_id": other_place.house.id}, []),
        ):
            rows, _ = await list_sensors(uow, mine, **filters)
            assert [row.id for row in rows] == found
        with refused(NotFound):
            await get_sensor(uow, mine, theirs.id)
