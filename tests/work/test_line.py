"""The line of a house: batches in the order of their harvest, advice in force, open alerts."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Advice, Alert, Forecast
from service.work.access import SYSTEM, Access
from service.work.batches import append_entry, create_batch
from service.work.errors import NotFound
from service.work.line import HouseLine, Span, house_line, span
from service.work.programme import change_succession
from tests.work.conftest import Place

MADE = datetime(2026, 9, 14, 5, tzinfo=UTC)


async def line_of(store: Store, clock: FixedClock, place: Place, access: Access = SYSTEM) -> HouseLine:
    """Return the line of the house."""
    async with store.read() as uow:
        return await house_line(uow, clock, access, place.house.id)


async def seed(store: Store, clock: FixedClock, place: Place, code: str, day: date) -> int:
    """Seed a batch and return its id."""
    values = {"succession_id": place.succession.id, "seeded_on": day, "code": code}
    async with store.write() as uow:
        return (await create_batch(uow, clock, SYSTEM, values)).batch.id


def point(*days: int | None) -> dict[str, str | None]:
    """Return stored 10, 50 and 90 % points, in days after the forecast."""
    moments = [None if d is None else (MADE + timedelta(days=d)).isoformat() for d in days]
    return dict(zip(("p10", "p50", "p90"), moments, strict=True))


async def keep(store: Store, batch_id: int, *harvest: int | None, made: datetime = MADE) -> None:
    """Keep a forecast of a batch."""
    async with store.write() as uow:
        uow.session.add(
            Forecast(
                batch_id=batch_id,
                made_at=made,
                input_key="key",
                horizon_days=90,
                points={
                    event: point(-3, -2, None)
                    for event in ("emergence", "window_open", "window_close", "transplant")
                }
                | {"harvest": point(*harvest)},
                state={
                    "leaves": {"p10": 3.1, "p50": 3.6, "p90": 4.0},
                    "freshG": {"p10": 1.0, "p50": 1.4, "p90": 2.0},
                },
                parameters={},
                reasons=["Measured."],
            )
        )


async def advise(store: Store, succession_id: int, decision: str, made: datetime = MADE) -> None:
    """Keep an advice."""
    async with store.write() as uow:
        uow.session.add(
            Advice(
                succession_id=succession_id,
                made_at=made,
                input_key="key",
                decision=decision,
                binding="continuity",
                interval_days=7.0,
                advised_interval_days=6.0,
                cells_per_seeding=200,
                from_on=date(2026, 9, 21),
                probability=0.9,
                seedings=[],
                outcome={},
                reasons=[],
            )
        )


def alert(house_id: int, kind: str, opened: datetime, closed: datetime | None = None) -> Alert:
    """Return an alert."""
    return Alert(
        house_id=house_id,
        kind=kind,
        subject="zone:1",
        severity="warning",
        title=kind,
        detail="",
        next_step="",
        evidence={},
        opened_at=opened,
        updated_at=opened,
        closed_at=closed,
    )


async def test_an_empty_house_has_an_empty_line(store: Store, clock: FixedClock, place: Place) -> None:
    line = await line_of(store, clock, place)
    assert (line.house_id, line.house, line.time_zone) == (place.house.id, "North house", "Europe/Amsterdam")
    assert (line.at, line.batches, line.advice, line.alerts) == (clock.now(), [], [], [])


async def test_batches_lie_in_the_order_of_their_harvest(
    store: Store, clock: FixedClock, place: Place
) -> None:
    days = {"slow": 1, "dark": 2, "quick": 3, "new": 4, "newer": 5}
    ids = {code: await seed(store, clock, place, code, date(2026, 9, day)) for code, day in days.items()}
    await keep(store, ids["slow"], 30, 35, 40)
    await keep(store, ids["dark"], 80, None, None)
    await keep(store, ids["quick"], 10, 20, 25)
    line = await line_of(store, clock, place)
    assert [b.code for b in line.batches] == ["quick", "slow", "dark", "new", "newer"]


async def test_a_batch_shows_its_newest_forecast(store: Store, clock: FixedClock, place: Place) -> None:
    batch_id = await seed(store, clock, place, "a", date(2026, 9, 1))
    await keep(store, batch_id, 1, 2, 3, made=MADE - timedelta(days=1))
    await keep(store, batch_id, 30, 35, 40)
    (batch,) = (await line_of(store, clock, place)).batches
    assert (batch.crop, batch.succession, batch.succession_id) == (
        "Butterhead",
        "Butterhead, weekly",
        place.succession.id,
    )
    assert (batch.stage, batch.seeded_on, batch.plants) == ("nursery", date(2026, 9, 1), 200)
    assert batch.harvest == Span(*(MADE + timedelta(days=d) for d in (30, 35, 40)))
    assert batch.window_open == Span(MADE - timedelta(days=3), MADE - timedelta(days=2), None)
    assert (batch.leaves, batch.fresh_g, batch.reasons) == (3.6, 1.4, ["Measured."])
    assert (batch.forecast_at, batch.not_within_days) == (MADE, None)


async def test_a_harvest_not_reached_says_within_what(store: Store, clock: FixedClock, place: Place) -> None:
    await keep(store, await seed(store, clock, place, "a", date(2026, 9, 1)), 80, None, None)
    (batch,) = (await line_of(store, clock, place)).batches
    assert batch.harvest == Span(MADE + timedelta(days=80), None, None)
    assert batch.not_within_days == 90


async def test_a_batch_without_a_forecast_has_no_dates(store: Store, clock: FixedClock, place: Place) -> None:
    await seed(store, clock, place, "a", date(2026, 9, 1))
    (batch,) = (await line_of(store, clock, place)).batches
    dates = (batch.emergence, batch.window_open, batch.window_close, batch.transplant, batch.harvest)
    assert dates == (None,) * 5
    assert (batch.leaves, batch.fresh_g, batch.not_within_days, batch.forecast_at) == (None,) * 4
    assert batch.reasons == []


async def test_plants_are_those_that_still_stand_and_finished_batches_are_gone(
    store: Store, clock: FixedClock, place: Place
) -> None:
    async def write_down(batch_id: int, kind: str, day: int, **more: Any) -> None:
        values = {"kind": kind, "happened_at": datetime(2026, 9, day, 10, tzinfo=UTC), **more}
        async with store.write() as uow:
            await append_entry(uow, clock, SYSTEM, batch_id, values)

    done = await seed(store, clock, place, "done", date(2026, 8, 1))
    await write_down(done, "discarded", 2, plants=200, reason="damping off")
    part = await seed(store, clock, place, "part", date(2026, 8, 1))
    await write_down(part, "transplanted", 2, plants=150)
    await write_down(part, "harvested", 10, plants=40)
    (batch,) = (await line_of(store, clock, place)).batches
    assert (batch.code, batch.stage, batch.plants) == ("part", "channels", 160)


async def test_advice_in_force_is_the_newest_of_active_successions(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    await advise(store, place.succession.id, "hold", MADE - timedelta(days=1))
    await advise(store, place.succession.id, "shorten")
    await advise(store, other_place.succession.id, "lengthen")
    (item,) = (await line_of(store, clock, place)).advice
    assert (item.succession, item.advice.decision) == ("Butterhead, weekly", "shorten")
    async with store.write() as uow:
        await change_succession(uow, SYSTEM, place.succession.id, {"active": False})
    assert (await line_of(store, clock, place)).advice == []


async def test_open_alerts_of_the_house_are_shown_oldest_first(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    async with store.write() as uow:
        uow.session.add_all(
            [
                alert(place.house.id, "second", MADE),
                alert(place.house.id, "first", MADE - timedelta(days=1)),
                alert(place.house.id, "over", MADE, MADE),
                alert(other_place.house.id, "elsewhere", MADE),
            ]
        )
    line = await line_of(store, clock, place)
    assert [a.kind for a in line.alerts] == ["first", "second"]


async def test_another_farms_house_is_not_there(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    await seed(store, clock, other_place, "theirs", date(2026, 9, 1))
    own = Access("tablet", frozenset({"read"}), place.farm.id)
    assert (await line_of(store, clock, place, own)).batches == []
    with pytest.raises(NotFound) as theirs:
        await line_of(store, clock, other_place, own)
    async with store.read() as uow:
        with pytest.raises(NotFound) as nobodys:
            await house_line(uow, clock, own, 999)
    assert theirs.value.problems == nobodys.value.problems


def test_a_stored_point_becomes_moments() -> None:
    assert span(None) is None
    assert span(point(None, None, None)) == Span(None, None, None)
    assert span(point(1, 2, None)) == Span(MADE + timedelta(days=1), MADE + timedelta(days=2), None)
