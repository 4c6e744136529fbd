"""Herbs of several cuts, mixes of cultivars, and seeds in the heat, from what is written down to what is said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.clock import FixedClock
from service.records.conditions import save_hours
from service.records.store import Store
from service.records.tables import Alert, Forecast, Succession
from service.work.access import SYSTEM
from service.work.batches import append_entry, change_batch, create_batch, get_batch, list_entries
from service.work.crops import create_crop, create_cultivar
from service.work.errors import Impossible
from service.work.ledger import LedgerState
from service.work.places import change_house
from service.work.planning.shown import Day, PlannedSeeding
from service.work.planning.space import house_space, weeks_of_heads
from service.work.programme import change_succession, create_succession, get_succession
from service.work.reforecast import Reforecaster
from tests.work.conftest import Place
from tests.work.refusals import refused

SEEDED = datetime(2026, 7, 1, 6, tzinfo=UTC)


def day(number: float) -> datetime:
    """Return the moment so many days after seeding."""
    return SEEDED + timedelta(days=number)


@dataclass
class Bed:
    """A succession of some crop, seeded once."""

    store: Store
    place: Place
    succession: Succession
    cultivars: list[int]
    batch_id: int = 0

    async def seed(self, **more: Any) -> None:
        """Seed a batch of 100 cells."""
        values = {"succession_id": self.succession.id, "seeded_at": SEEDED, "cells": 100, **more}
        async with self.store.write() as uow:
            self.batch_id = (await create_batch(uow, FixedClock(SEEDED), SYSTEM, values)).batch.id

    async def write_down(self, kind: str, number: float, **more: Any) -> LedgerState:
        """Append to the ledger."""
        values = {"kind": kind, "happened_at": day(number), **more}
        async with self.store.write() as uow:
            _, seen = await append_entry(uow, FixedClock(day(number)), SYSTEM, self.batch_id, values)
        return seen.state

    async def measure(self, until: float, *, temp: float) -> None:
        """Have hours of 16 mol a day and this temperature stored for both zones since seeding."""
        rows = [
            {
                "zone_id": zone.id,
                "at": SEEDED + timedelta(hours=h),
                "temp_mean_c": temp,
                "temp_min_c": temp,
                "temp_max_c": temp,
                "temp_coverage": 1.0,
                "light_mol": 1.0 if (6 + h) % 24 in range(4, 20) else 0.0,
                "light_coverage": 1.0,
            }
            for zone in (self.place.nursery, self.place.channels)
            for h in range(round(24 * until))
        ]
        async with self.store.write() as uow:
            await save_hours(uow, rows)

    async def forecast(self, number: float) -> Forecast:
        """Re-forecast the house at a moment and return what is said of the batch."""
        house_id = self.place.house.id
        await Reforecaster(self.store, FixedClock(day(number)), members=10, horizon_days=90).house(house_id)
        async with self.store.read() as uow:
            newest = select(Forecast).where(Forecast.batch_id == self.batch_id).order_by(Forecast.id.desc())
            return (await uow.session.scalars(newest.limit(1))).one()

    async def alerts(self) -> list[Alert]:
        """Return the alerts about heat."""
        async with self.store.read() as uow:
            return list(await uow.session.scalars(select(Alert).where(Alert.kind == "seed_heat")))


async def make_bed(store: Store, place: Place, profile: str, **more: Any) -> Bed:
    """Make a crop of a profile with four cultivars, and a succession of it."""
    async with store.write() as uow:
        await change_house(uow, SYSTEM, place.house.id, {"latitude_deg": 40.0})
        crop = await create_crop(uow, SYSTEM, {"farm_id": place.farm.id, "name": profile, "profile": profile})
        cultivars = [
            (await create_cultivar(uow, SYSTEM, {"crop_id": crop.id, "name": f"No. {n}"})).id
            for n in range(4)
        ]
        mixed = [{"cultivar_id": cultivars[n], "share": share} for n, share in more.pop("shares", {}).items()]
        values = {
            **place.succession_values,
            "crop_id": crop.id,
            "cultivar_id": None,
            "name": f"{profile}, weekly",
            "cells_per_seeding": 100,
            "cultivars": mixed,
            **more,
        }
        succession = await create_succession(uow, SYSTEM, values)
    return Bed(store, place, succession, cultivars)


def p50(forecast: Forecast, event: str) -> float:
    """Return the median of a date, in days after seeding."""
    return (datetime.fromisoformat(forecast.points[event]["p50"]) - SEEDED) / timedelta(days=1)


# --------------------------------------------------------------------------- several cuts


@pytest.fixture
async def cress(store: Store, place: Place) -> Bed:
    """Have watercress of four cuts on its sites for two weeks."""
    bed = await make_bed(store, place, "watercress")
    await bed.seed()
    await bed.measure(60, temp=21.0)
    await bed.write_down("transplanted", 15, plants=100)
    return bed


async def test_all_cuts_but_the_last_leave_the_plants_standing(cress: Bed) -> None:
    for number, cut in enumerate((32.0, 42.0, 52.0), start=1):
        state = await cress.write_down("harvested", cut, plants=100, weight_g=40.0)
        assert (state.in_channels, state.stage, len(state.cuts)) == (100, "channels", number)
    state = await cress.write_down("harvested", 62, plants=100, weight_g=40.0)
    assert (state.in_channels, state.harvested, state.stage) == (0, 100, "finished")
    async with cress.store.read() as uow:
        entries = await list_entries(uow, SYSTEM, cress.batch_id)
    assert [e.regrows for e in entries] == [None, None, True, True, True, False]


async def test_a_cut_may_take_two_days_and_be_the_last_by_word(cress: Bed) -> None:
    await cress.write_down("harvested", 32, plants=30)
    state = await cress.write_down("harvested", 33, plants=70)
    assert [at for at, _ in state.cuts] == [day(33)]
    state = await cress.write_down("harvested", 44, plants=100, regrows=False)
    assert state.stage == "finished"


async def test_a_correction_of_a_cut_stays_one(cress: Bed) -> None:
    await cress.write_down("harvested", 32, plants=100, weight_g=40.0)
    await cress.write_down("harvested", 42, plants=100, weight_g=40.0)
    async with cress.store.read() as uow:
        first = next(e for e in await list_entries(uow, SYSTEM, cress.batch_id) if e.kind == "harvested")
    async with cress.store.write() as uow:
        again = {
            "kind": "harvested",
            "happened_at": day(32),
            "plants": 100,
            "weight_g": 38.0,
            "supersedes_id": first.id,
        }
        _, seen = await append_entry(uow, FixedClock(day(50)), SYSTEM, cress.batch_id, again)
    assert [w for _, w in seen.state.cuts] == [38.0, 40.0]


async def test_a_head_is_gone_when_it_is_cut(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "butterhead")
    await bed.seed()
    await bed.write_down("transplanted", 15, plants=100)
    state = await bed.write_down("harvested", 50, plants=100)
    assert state.stage == "finished"
    async with bed.store.read() as uow:
        assert (await list_entries(uow, SYSTEM, bed.batch_id))[-1].regrows is None


async def test_after_a_cut_the_forecast_is_of_the_next(cress: Bed) -> None:
    before = await cress.forecast(30)
    first, last = p50(before, "harvest"), p50(before, "last_harvest")
    assert first + 3 * 4 < last < first + 3 * 25
    await cress.write_down("harvested", 34, plants=100, weight_g=42.0)
    after = await cress.forecast(36)
    assert 38 < p50(after, "harvest") < 34 + 25
    assert p50(after, "harvest") + 2 * 4 < p50(after, "last_harvest")
    assert any(
        r.startswith("Cut 1 of 4 was on 04 Aug; it regrows from the 18 g left.") for r in after.reasons
    )
    # A lighter cut left less to regrow from.
    await cress.write_down("harvested", 46, plants=100, weight_g=20.0)
    lighter = await cress.forecast(46)
    assert p50(lighter, "harvest") - 46 > p50(after, "harvest") - 34
    assert any("Cut 2 of 4" in r and "9 g left" in r for r in lighter.reasons)


async def test_a_herb_holds_its_sites_until_its_last_cut(cress: Bed) -> None:
    await cress.write_down("harvested", 32, plants=100, weight_g=40.0)
    made = await cress.forecast(36)
    async with cress.store.read() as uow:
        space = await house_space(uow, FixedClock(day(36)), SYSTEM, cress.place.house.id, 84)
    last = round(p50(made, "last_harvest")) - 36
    sites = [d.sites for d in space.days]
    assert set(sites[: last - 1]) == {100.0}
    assert set(sites[last + 2 :]) == {0.0}


async def test_every_cut_of_a_herb_gives_heads(cress: Bed) -> None:
    await cress.write_down("harvested", 32, plants=100, weight_g=40.0)
    made = await cress.forecast(36)
    async with cress.store.read() as uow:
        weeks = await weeks_of_heads(uow, FixedClock(day(36)), SYSTEM, cress.place.house.id, 12)
    expected = {w.monday: w.expected for w in weeks if w.expected}
    first, last = p50(made, "harvest"), p50(made, "last_harvest")
    days = [day(first + (last - first) * n / 2).date() for n in range(3)]
    assert sum(expected.values()) == 300.0
    assert set(expected) == {on - timedelta(days=on.weekday()) for on in days}


async def test_a_planned_herb_gives_its_sites_back_at_its_last_cut(store: Store, place: Place) -> None:
    def on(number: int) -> date:
        return SEEDED.date() + timedelta(days=number)

    seeding = PlannedSeeding(
        house_id=place.house.id,
        house="N1",
        succession_id=place.succession.id,
        succession="Cress",
        on=on(0),
        trays=6,
        cells=120,
        cells_before=None,
        seeds=(),
        transplants=(Day(on(20), 100.0),),
        harvests=(Day(on(50), 100.0), Day(on(65), 100.0), Day(on(80), 60.0), Day(on(82), 40.0)),
        last_cuts=(Day(on(80), 60.0), Day(on(82), 40.0)),
    )
    async with store.read() as uow:
        space = await house_space(uow, FixedClock(SEEDED), SYSTEM, place.house.id, 90, [seeding])
    sites = {n: space.days[n].sites for n in (19, 20, 49, 50, 65, 79, 80, 81, 82, 89)}
    assert sites == {
        **dict.fromkeys((20, 49, 50, 65, 79), 100.0),
        **dict.fromkeys((80, 81), 40.0),
        **dict.fromkeys((19, 82, 89), 0.0),
    }


async def test_a_crop_cut_once_has_no_last_cut(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "butterhead")
    await bed.seed()
    assert "last_harvest" not in (await bed.forecast(3)).points


# --------------------------------------------------------------------------- mixes


async def test_a_mix_is_kept_in_its_order_and_goes_into_its_batches(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "leaf", shares={2: 0.5, 0: 0.3, 1: 0.2})
    await bed.seed()
    async with store.read() as uow:
        kept = await get_succession(uow, SYSTEM, bed.succession.id)
        batch = (await get_batch(uow, SYSTEM, bed.batch_id)).batch
    mix = [(bed.cultivars[2], 0.5), (bed.cultivars[0], 0.3), (bed.cultivars[1], 0.2)]
    assert [(m.cultivar_id, m.share) for m in kept.cultivars] == mix
    assert [(m.cultivar_id, m.share) for m in batch.cultivars] == mix
    # What the succession sows from now on changes nothing about what was sown.
    async with store.write() as uow:
        halves = [{"cultivar_id": c, "share": 0.5} for c in bed.cultivars[1:3]]
        changed = await change_succession(uow, SYSTEM, bed.succession.id, {"cultivars": halves}, 1)
    assert changed.version == 2
    async with store.read() as uow:
        kept = await get_succession(uow, SYSTEM, bed.succession.id)
        batch = (await get_batch(uow, SYSTEM, bed.batch_id)).batch
    assert [(m.cultivar_id, m.share) for m in kept.cultivars] == [(c, 0.5) for c in bed.cultivars[1:3]]
    assert len(batch.cultivars) == 3


async def test_a_batch_of_one_cultivar_is_of_no_mix(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "leaf", shares={0: 0.5, 1: 0.5})
    await bed.seed(cultivar_id=bed.cultivars[3])
    async with store.read() as uow:
        assert (await get_batch(uow, SYSTEM, bed.batch_id)).batch.cultivars == []
    await bed.seed()
    async with store.write() as uow:
        found = await change_batch(uow, SYSTEM, bed.batch_id, {"cultivar_id": bed.cultivars[3]})
    assert found.batch.cultivars == []


@pytest.mark.parametrize(
    "shares",
    [{0: 1.0}, {0: 0.5, 1: 0.4}, {0: 1.2, 1: -0.2}, {0: 0.5, 1: 0.5, 2: 0.5}, {0: 0.0, 1: 1.0}],
    ids=["alone", "less", "negative", "more", "nothing"],
)
async def test_shares_that_make_no_whole_are_refused(
    store: Store, place: Place, shares: dict[int, float]
) -> None:
    with refused(Impossible, "cultivars"):
        await make_bed(store, place, "leaf", shares=shares)


async def test_a_mix_of_what_is_not_of_the_crop_is_refused(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "leaf", shares={0: 0.5, 1: 0.5})
    changes: list[dict[str, Any]] = [
        {"cultivars": [{"cultivar_id": c, "share": 0.5} for c in (bed.cultivars[0], place.cultivar.id)]},
        {"cultivars": [{"cultivar_id": bed.cultivars[0], "share": 0.5}] * 2},
        {"cultivars": [{"cultivar_id": bed.cultivars[0]}, {"share": 0.5}]},
        {"cultivar_id": bed.cultivars[0]},
    ]
    for change in changes:
        with refused(Impossible, "cultivars"):
            async with store.write() as uow:
                await change_succession(uow, SYSTEM, bed.succession.id, change)
    async with store.write() as uow:
        one = {"cultivar_id": bed.cultivars[0], "cultivars": []}
        changed = await change_succession(uow, SYSTEM, bed.succession.id, one)
    assert (changed.cultivar_id, changed.cultivars) == (bed.cultivars[0], [])


async def test_a_mix_is_forecast_by_its_slowest_member(store: Store, place: Place) -> None:
    plain = await make_bed(store, place, "leaf")
    await plain.seed()
    alone = await plain.forecast(1)
    async with store.write() as uow:
        thirds = [
            {"cultivar_id": c, "share": s} for c, s in zip(plain.cultivars, (0.6, 0.2, 0.2), strict=False)
        ]
        await change_succession(uow, SYSTEM, plain.succession.id, {"cultivars": thirds})
    await plain.seed(code="mixed")
    mixed = await plain.forecast(1)
    # Each seedling begins as a whole one, so the one with the largest share has the furthest way to go.
    assert -6 < p50(mixed, "harvest") - p50(alone, "harvest") < 0.5
    assert p50(mixed, "window_open") == pytest.approx(p50(alone, "window_open"), abs=1.5)


# --------------------------------------------------------------------------- heat


async def test_seeds_in_the_heat_are_spoken_of_until_emergence_is_counted(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "butterhead")
    await bed.seed()
    await bed.measure(1, temp=29.0)
    said = await bed.forecast(1)
    (alert,) = await bed.alerts()
    assert (alert.subject, alert.severity, alert.closed_at) == (f"batch:{bed.batch_id}", "warning", None)
    assert alert.evidence["limitC"] == 25.7
    assert alert.evidence["hoursSoFar"] == 24.0
    assert alert.detail in said.reasons
    assert alert.detail.startswith("In the first two days after seeding 24 hours were above 25.7 °C")
    await bed.measure(5, temp=21.0)
    # Only what was hot is said: all hours are stored anew, and the heat is gone.
    await bed.forecast(5)
    (alert,) = await bed.alerts()
    assert alert.closed_at == day(5)


async def test_an_emergence_count_ends_the_worry(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "butterhead")
    await bed.seed()
    await bed.measure(5, temp=29.0)
    said = await bed.forecast(5)
    assert "48 hours were above 25.7 °C" in said.reasons[-1]
    await bed.write_down("emergence_counted", 5, plants=70)
    said = await bed.forecast(5.1)
    assert not any("dormant" in r for r in said.reasons)
    assert [a.closed_at for a in await bed.alerts()] == [day(5.1)]


async def test_what_bothers_lettuce_does_not_bother_basil(store: Store, place: Place) -> None:
    bed = await make_bed(store, place, "basil")
    await bed.seed()
    await bed.measure(2, temp=29.0)
    await bed.forecast(2)
    assert await bed.alerts() == []
