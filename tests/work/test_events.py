"""House events: recorded, changed, called off, refused, and what they amount to."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.records import events as records
from service.records.store import Store
from service.records.tables import HouseEvent
from service.work import crops, events
from service.work.access import SYSTEM, Access
from service.work.errors import Conflict, Impossible, NotFound, StaleVersion
from service.work.events import closed_days, course_of, lamp_mol, outages
from service.work.times import epoch_hours
from tests.work.conftest import Place
from tests.work.refusals import refused

MAY, JUNE = date(2026, 5, 4), date(2026, 6, 1)
SHADE = {"kind": "shade", "starts_on": MAY, "light_factor": 0.7}


async def record(store: Store, place: Place, **values: Any) -> HouseEvent:
    async with store.write() as uow:
        return await events.create_event(uow, SYSTEM, {"house_id": place.house.id, **values})


def hours(place: Place, day: date, at: int = 12, count: int = 1) -> np.ndarray:
    local = datetime(day.year, day.month, day.day, at, tzinfo=ZoneInfo(place.house.time_zone))
    return int(epoch_hours(local.astimezone(UTC))) + np.arange(count, dtype=np.int64)


# --------------------------------------------------------------------------- rows


async def test_an_event_is_read_back_listed_changed_and_called_off(store: Store, place: Place) -> None:
    event = await record(store, place, **SHADE, note="one coat")
    await record(store, place, kind="closed", starts_on=MAY, ends_on=MAY)
    async with store.write() as uow:
        read = await events.get_event(uow, SYSTEM, event.id)
        assert (read.kind, read.starts_on, read.ends_on, read.light_factor) == ("shade", MAY, None, 0.7)
        assert (read.note, read.active, read.version, read.zone_id) == ("one coat", True, 1, None)
        rows, following = await events.list_events(uow, SYSTEM, house_id=place.house.id, kind="shade")
        assert ([row.id for row in rows], following) == ([event.id], None)
        changed = await events.change_event(
            uow, SYSTEM, event.id, {"ends_on": JUNE, "light_factor": 0.5}, expected_version=1
        )
        assert (changed.version, changed.ends_on, changed.light_factor) == (2, JUNE, 0.5)
        with refused(StaleVersion):
            await events.change_event(uow, SYSTEM, event.id, {"note": None}, expected_version=1)
        await events.change_event(uow, SYSTEM, event.id, {"active": False})
        assert [row.kind for row in await records.events_of(uow, place.house.id)] == ["closed"]


WRONG = [
    ({"kind": "paint"}, "kind"),
    ({"light_factor": None}, "light_factor"),
    ({"light_factor": 0}, "light_factor"),
    ({"light_factor": 1.1}, "light_factor"),
    ({"starts_on": None}, "starts_on"),
    ({"starts_on": "2026-05-04"}, "starts_on"),
    ({"ends_on": date(2026, 5, 3)}, "ends_on"),
    ({"sites": 10}, "sites"),
    ({"temp_vent_c": 20}, "temp_vent_c"),
    ({"kind": "set_points"}, "light_factor"),
    ({"kind": "set_points", "light_factor": None}, "temp_heat_day_c"),
    ({"kind": "set_points", "light_factor": None, "temp_heat_day_c": 25}, "temp_heat_day_c"),
    ({"kind": "set_points", "light_factor": None, "temp_vent_c": 17}, "temp_vent_c"),
    ({"kind": "set_points", "light_factor": None, "temp_heat_night_c": float("nan")}, "temp_heat_night_c"),
    ({"kind": "lamps", "light_factor": None}, "lamp_ppfd_umol"),
    ({"kind": "lamps", "light_factor": None, "lamp_hours": 25}, "lamp_hours"),
    ({"kind": "closed", "light_factor": None}, "ends_on"),
    ({"kind": "closed", "light_factor": None, "ends_on": date(2027, 6, 1)}, "ends_on"),
    ({"kind": "cleaning", "light_factor": None, "ends_on": JUNE}, "zone_id"),
    ({"kind": "cleaning", "light_factor": None, "ends_on": JUNE, "zone_id": 99}, "zone_id"),
    ({"house_id": 99}, "house_id"),
    ({"colour": "white"}, "colour"),
]


async def test_an_event_that_cannot_be_is_refused(store: Store, place: Place, other_place: Place) -> None:
    cleaning = {"kind": "cleaning", "light_factor": None, "ends_on": JUNE}
    elsewhere = [
        ({**cleaning, "zone_id": other_place.channels.id}, "zone_id"),
        ({**cleaning, "zone_id": place.nursery.id}, "zone_id"),
        ({**cleaning, "zone_id": place.channels.id, "sites": 9001}, "sites"),
    ]
    async with store.write() as uow:
        for wrong, field in [*WRONG, *elsewhere]:
            with refused(Impossible, field):
                await events.create_event(uow, SYSTEM, {"house_id": place.house.id, **SHADE, **wrong})
    async with store.read() as uow:
        assert await events.list_events(uow, SYSTEM) == ([], None)


async def test_of_one_kind_two_do_not_start_on_one_day(
    store: Store, place: Place, other_place: Place
) -> None:
    first = await record(store, place, **SHADE)
    await record(store, other_place, **SHADE)
    await record(store, place, kind="set_points", starts_on=MAY, temp_vent_c=26)
    for _ in range(2):
        await record(store, place, kind="closed", starts_on=MAY, ends_on=MAY)
    async with store.write() as uow:
        with refused(Conflict, "starts_on"):
            await events.create_event(uow, SYSTEM, {"house_id": place.house.id, **SHADE})
        await events.change_event(uow, SYSTEM, first.id, {"active": False})
        again = await events.create_event(uow, SYSTEM, {"house_id": place.house.id, **SHADE})
        with refused(Conflict, "starts_on"):
            await events.change_event(uow, SYSTEM, first.id, {"active": True})
        assert again.active


async def test_an_event_keeps_to_its_farm(store: Store, place: Place, other_place: Place) -> None:
    mine, theirs = await record(store, place, **SHADE), await record(store, other_place, **SHADE)
    access = Access("grower", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        rows, _ = await events.list_events(uow, access)
        assert [row.id for row in rows] == [mine.id]
        with refused(NotFound):
            await events.get_event(uow, access, theirs.id)
        with refused(NotFound):
            await events.change_event(uow, access, theirs.id, {"note": "mine"})
        with refused(Impossible, "house_id"):
            await events.create_event(uow, access, {"house_id": other_place.house.id, **SHADE})


# --------------------------------------------------------------------------- what they amount to


async def test_what_started_last_holds_while_it_lasts(store: Store, place: Place) -> None:
    await record(store, place, **SHADE)
    await record(store, place, kind="shade", starts_on=date(2026, 5, 20), ends_on=JUNE, light_factor=0.5)
    await record(store, place, kind="set_points", starts_on=JUNE, temp_heat_night_c=10)
    async with store.read() as uow:
        course = course_of(place.house, await records.events_of(uow, place.house.id))
    days = [date(2026, 5, 3), MAY, date(2026, 5, 19), date(2026, 5, 20), JUNE, date(2026, 6, 2)]
    settings = [course.at(hours(place, day))[:3] for day in days]
    assert [(s[0], d[0], n[0]) for s, d, n in settings] == [
        (1.0, 18.0, 16.0),
        (0.7, 18.0, 16.0),
        (0.7, 18.0, 16.0),
        (0.5, 18.0, 16.0),
        (0.5, 18.0, 10.0),
        (0.7, 18.0, 10.0),
    ]
    # A day is a local day: in Amsterdam it begins two hours before that of UTC.
    assert course.at(hours(place, MAY, at=0) - np.array([1])).shade == [1.0]
    assert course.at(hours(place, MAY, at=0)).shade == [0.7]


async def test_lamps_follow_their_schedule_from_day_to_day(store: Store, place: Place) -> None:
    await record(store, place, kind="lamps", starts_on=MAY, lamp_ppfd_umol=100, lamp_start_h=6, lamp_hours=4)
    await record(store, place, kind="lamps", starts_on=JUNE, ends_on=JUNE, lamp_hours=2.5)
    async with store.read() as uow:
        known = await records.events_of(uow, place.house.id)

    def lit(day: date) -> list[float]:
        return (lamp_mol(place.house, hours(place, day, at=0, count=24), known) / 0.36).round(9).tolist()

    assert lit(date(2026, 5, 3)) == [0.0] * 24
    assert lit(MAY) == [0.0] * 6 + [1.0] * 4 + [0.0] * 14
    assert lit(JUNE) == [0.0] * 6 + [1.0, 1.0, 0.5] + [0.0] * 15
    assert lit(date(2026, 6, 2)) == lit(MAY)
    assert not lamp_mol(place.house, hours(place, MAY, at=0, count=24)).any()


async def test_cleaning_takes_sites_and_closed_days_are_named(store: Store, place: Place) -> None:
    zone = place.channels
    await record(store, place, kind="cleaning", starts_on=MAY, ends_on=MAY, zone_id=zone.id, sites=300)
    await record(store, place, kind="cleaning", starts_on=JUNE, ends_on=date(2026, 6, 3), zone_id=zone.id)
    await record(store, place, kind="closed", starts_on=date(2026, 12, 24), ends_on=date(2026, 12, 26))
    async with store.read() as uow:
        known = await records.events_of(uow, place.house.id)
    found = outages(place.house, known, zone)
    assert [(o.sites, o.to_h - o.from_h) for o in found] == [(300.0, 24.0), (zone.capacity, 72.0)]
    assert found[0].from_h == hours(place, MAY, at=0)[0]
    assert outages(place.house, known, place.nursery) == []
    assert closed_days(known) == {date(2026, 12, d) for d in (24, 25, 26)}


async def test_seasons_of_the_cultivars_of_a_succession(store: Store, place: Place) -> None:
    async with store.write() as uow:
        assert await records.seasons_of(uow, [place.succession]) == {}
        cultivar = await crops.change_cultivar(uow, SYSTEM, place.cultivar.id, {"season_months": [9, 3, 4]})
        assert cultivar.season_months == [3, 4, 9]
        assert await records.seasons_of(uow, [place.succession]) == {place.succession.id: [3, 4, 9]}
        for wrong in ([], [0], [13], [1, 1], "May"):
            with refused(Impossible, "season_months"):
                await crops.change_cultivar(uow, SYSTEM, place.cultivar.id, {"season_months": wrong})
