"""Seed in store: lots, what is left of them, which to sow, and how they come up."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Batch, BatchSeedLot, Reading, SeedLot, Sensor, SuccessionCultivar
from service.work import batches, seed_alerts, seed_fitness, seed_stock
from service.work.access import SYSTEM, Access
from service.work.conclusions import list_alerts
from service.work.crops import create_cultivar
from service.work.errors import Conflict, Impossible, NotFound, StaleVersion
from service.work.seed_stock import LotView
from service.work.sensors import create_sensor
from tests.work.conftest import Place
from tests.work.refusals import refused

TODAY = date(2026, 9, 14)  # the day of the tests' clock
LOT = {"lot_number": "A-1", "received_on": date(2026, 8, 1), "seeds": 1000}
TESTED = {"germination_percent": 94.0, "germination_tested_on": date(2026, 7, 1), "germination_seeds": 400}


async def lot_of(store: Store, clock: FixedClock, place: Place, **more: Any) -> LotView:
    async with store.write() as uow:
        return await seed_stock.create_lot(
            uow, clock, SYSTEM, {"cultivar_id": place.cultivar.id, **LOT, **more}
        )


async def sow(store: Store, clock: FixedClock, place: Place, *lots: tuple[int, int], **more: Any) -> Batch:
    """Seed a batch from lots (id, seeds)."""
    async with store.write() as uow:
        made = await batches.create_batch(uow, clock, SYSTEM, {"succession_id": place.succession.id, **more})
        uow.session.add_all(
            BatchSeedLot(batch_id=made.batch.id, seed_lot_id=lot_id, seeds=seeds) for lot_id, seeds in lots
        )
    return made.batch


async def count(store: Store, clock: FixedClock, batch: Batch, plants: int) -> None:
    async with store.write() as uow:
        await batches.append_entry(
            uow, clock, SYSTEM, batch.id, {"kind": "emergence_counted", "plants": plants}
        )


async def sensor_of(store: Store, place: Place, values: list[tuple[datetime, float]]) -> Sensor:
    async with store.write() as uow:
        sensor = await create_sensor(
            uow,
            SYSTEM,
            {
                "house_id": place.house.id,
                "name": "seed fridge",
                "quantity": "temp_air_c",
                "unit": "degC",
                "interval_s": 3600.0,
                "topic": "evenleaf/{house}/fridge",
            },
        )
        await uow.flush()
        uow.session.add_all(Reading(sensor_id=sensor.id, at=at, value=value) for at, value in values)
    return sensor


# --------------------------------------------------------------------------- lots


async def test_a_lot_is_received_read_listed_and_changed(
    store: Store, clock: FixedClock, place: Place
) -> None:
    made = await lot_of(store, clock, place, supplier="Seed house", form="pelleted", **TESTED)
    async with store.write() as uow:
        found = await seed_stock.get_lot(uow, SYSTEM, made.lot.id)
        assert (found.lot.farm_id, found.lot.form, found.lot.germination_seeds) == (
            place.farm.id,
            "pelleted",
            400,
        )
        assert (found.remaining, found.overdrawn, found.remark) == (1000, 0, None)
        changed = await seed_stock.change_lot(
            uow, clock, SYSTEM, made.lot.id, {"finished_on": TODAY, "place": "fridge"}, 1
        )
        assert (changed.lot.version, changed.lot.place) == (2, "fridge")
        with refused(StaleVersion):
            await seed_stock.change_lot(uow, clock, SYSTEM, made.lot.id, {"place": "shelf"}, 1)
        assert (await seed_stock.list_lots(uow, SYSTEM, finished=False))[0] == []
        rows, _ = await seed_stock.list_lots(
            uow, SYSTEM, finished=True, cultivar_id=place.cultivar.id, farm_id=place.farm.id
        )
        assert [r.lot.id for r in rows] == [made.lot.id]
    with refused(Conflict, "lot_number"):
        await lot_of(store, clock, place)


WRONG = [
    ({"cultivar_id": 999}, "cultivar_id"),
    ({"lot_number": " "}, "lot_number"),
    ({"seeds": 0}, "seeds"),
    ({"form": "dusty"}, "form"),
    ({"received_on": TODAY + timedelta(days=367)}, "received_on"),
    ({"germination_percent": 101}, "germination_percent"),
    ({"germination_seeds": 100}, "germination_seeds"),
    ({"germination_tested_on": date(2026, 7, 1)}, "germination_tested_on"),
    ({**TESTED, "germination_tested_on": TODAY + timedelta(days=1)}, "germination_tested_on"),
    ({"moisture_percent": 30}, "moisture_percent"),
    ({"opened_on": date(2026, 7, 31)}, "opened_on"),
    ({"finished_on": TODAY + timedelta(days=1)}, "finished_on"),
    ({"sensor_id": 999}, "sensor_id"),
    ({"farm_id": 1}, "farm_id"),
]


async def test_a_lot_that_cannot_be_is_refused(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    made = await lot_of(store, clock, place)
    async with store.write() as uow:
        wet = await create_sensor(
            uow,
            SYSTEM,
            {"house_id": place.house.id, "name": "air", "quantity": "humidity_pct", "unit": "%"},
        )
        theirs = await create_sensor(
            uow,
            SYSTEM,
            {
                "house_id": other_place.house.id,
                "name": "air",
                "quantity": "temp_air_c",
                "unit": "degC",
                "topic": "elsewhere/air",
            },
        )
    wrongs = [*WRONG, ({"sensor_id": wet.id}, "sensor_id"), ({"sensor_id": theirs.id}, "sensor_id")]
    for wrong, field in wrongs:
        async with store.write() as uow:
            values = {"cultivar_id": place.cultivar.id, **LOT, "lot_number": "B-2", **wrong}
            with refused(Impossible, field):
                await seed_stock.create_lot(uow, clock, SYSTEM, values)
            with refused(Impossible, field):
                await seed_stock.change_lot(uow, clock, SYSTEM, made.lot.id, wrong)
    async with store.read() as uow:
        rows, _ = await seed_stock.list_lots(uow, SYSTEM)
    assert [(r.lot.lot_number, r.lot.version) for r in rows] == [("A-1", 1)]


async def test_another_farms_lots_are_not_there(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    theirs = await lot_of(store, clock, other_place)
    access = Access("crew", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        for call in (
            seed_stock.get_lot(uow, access, theirs.lot.id),
            seed_stock.change_lot(uow, clock, access, theirs.lot.id, {"seeds": 1}),
            seed_stock.record_use(uow, clock, access, theirs.lot.id, {"reason": "loss", "seeds": 1}),
            seed_stock.list_uses(uow, access, theirs.lot.id),
            seed_fitness.lot_condition(uow, clock, access, theirs.lot.id),
            seed_fitness.next_lot(uow, clock, access, other_place.cultivar.id),
            seed_fitness.emergence_by_lot(uow, access, other_place.cultivar.id),
        ):
            with refused(NotFound):
                await call
        with refused(Impossible, "cultivar_id"):
            await seed_stock.create_lot(uow, clock, access, {"cultivar_id": other_place.cultivar.id, **LOT})
        with refused(Impossible, "seed_lot_id"):
            await seed_stock.germination_of_lot(uow, access, theirs.lot.id)
        assert (await seed_stock.list_lots(uow, access))[0] == []


# --------------------------------------------------------------------------- what is left


async def test_seed_leaves_a_lot_and_a_count_puts_the_books_right(
    store: Store, clock: FixedClock, place: Place
) -> None:
    made = await lot_of(store, clock, place)
    lot_id = made.lot.id
    await sow(store, clock, place, (lot_id, 600))
    async with store.write() as uow:
        _, view = await seed_stock.record_use(uow, clock, SYSTEM, lot_id, {"reason": "test", "seeds": 100})
        assert (view.sown, view.used, view.remaining) == (600, 100, 300)
        with refused(Impossible, "seeds"):
            await seed_stock.record_use(uow, clock, SYSTEM, lot_id, {"reason": "loss", "seeds": 301})
        for wrong, field in (
            ({"reason": "loss"}, "seeds"),
            ({"reason": "count"}, "counted"),
            ({"reason": "count", "counted": 1, "seeds": 1}, "seeds"),
            ({"reason": "loss", "counted": 1, "seeds": 1}, "counted"),
            ({"reason": "gift", "seeds": 1}, "reason"),
            ({"reason": "loss", "seeds": 1, "used_on": TODAY + timedelta(days=1)}, "used_on"),
            ({"reason": "loss", "seeds": 1, "used_on": date(2026, 7, 31)}, "used_on"),
        ):
            with refused(Impossible, field):
                await seed_stock.record_use(uow, clock, SYSTEM, lot_id, wrong)
        use, view = await seed_stock.record_use(
            uow, clock, SYSTEM, lot_id, {"reason": "count", "counted": 340, "note": "by weight"}
        )
        assert (use.seeds, use.recorded_by, use.recorded_at) == (-40, "system", clock.now())
        assert view.remaining == 340
        assert (await seed_stock.get_lot(uow, SYSTEM, lot_id)).remaining == 340
        uses, _ = await seed_stock.list_uses(uow, SYSTEM, lot_id)
        assert [(u.reason, u.seeds) for u in uses] == [("test", 100), ("count", -40)]


async def test_more_sown_than_there_was_is_said_until_it_is_counted(
    store: Store, clock: FixedClock, place: Place
) -> None:
    made = await lot_of(store, clock, place, seeds=100)
    await sow(store, clock, place, (made.lot.id, 130))
    async with store.write() as uow:
        found = await seed_stock.get_lot(uow, SYSTEM, made.lot.id)
        assert (found.remaining, found.overdrawn) == (0, 30)
        assert found.remark is not None
        assert "30 more seeds" in found.remark
        _, after = await seed_stock.record_use(
            uow, clock, SYSTEM, made.lot.id, {"reason": "count", "counted": 12}
        )
        assert (after.remaining, after.overdrawn, after.remark) == (12, 0, None)


@given(
    st.integers(1, 5000),
    st.lists(st.tuples(st.sampled_from(["sown", "used", "count"]), st.integers(0, 2000)), max_size=30),
)
@settings(deadline=None)
def test_what_is_left_never_drifts(received: int, steps: list[tuple[str, int]]) -> None:
    """However seed leaves a lot, the books add up, and after a count they say what was counted."""
    lot = SeedLot(farm_id=1, cultivar_id=1, lot_number="A", received_on=TODAY, seeds=received)
    sown = used = 0
    for what, seeds in steps:
        before = LotView(lot, sown, used)
        if what == "sown":
            sown += seeds
        elif what == "used":
            used += min(seeds, before.remaining)
        else:
            used += before.left - seeds
            assert LotView(lot, sown, used).remaining == seeds
        after = LotView(lot, sown, used)
        assert after.remaining - after.overdrawn == received - sown - used
        assert min(after.remaining, after.overdrawn) == 0
        assert (after.remark is None) == (after.overdrawn == 0)


# --------------------------------------------------------------------------- which to sow


async def next_of(store: Store, clock: FixedClock, place: Place) -> seed_fitness.NextLot:
    async with store.read() as uow:
        return await seed_fitness.next_lot(uow, clock, SYSTEM, place.cultivar.id)


def faults(found: seed_fitness.NextLot) -> dict[str, list[str]]:
    return {c.lot.lot.lot_number: [f.kind for f in c.faults] for c in found.lots}


async def test_the_oldest_lot_that_is_fit_is_sown_first(
    store: Store, clock: FixedClock, place: Place
) -> None:
    assert (await next_of(store, clock, place)).reason == "There is no seed: order some."
    march = date(2026, 3, 1)
    await lot_of(store, clock, place, lot_number="OLD", received_on=march, **TESTED)
    low = {**TESTED, "germination_percent": 79.0}
    await lot_of(store, clock, place, lot_number="LOW", received_on=date(2026, 5, 1), **low)
    gone = await lot_of(store, clock, place, lot_number="GONE", received_on=date(2026, 6, 1), **TESTED)
    await sow(store, clock, place, (gone.lot.id, 1000))
    await lot_of(store, clock, place, lot_number="BARE", received_on=date(2026, 6, 2))
    good = await lot_of(store, clock, place, lot_number="GOOD", received_on=date(2026, 7, 2), **TESTED)
    await lot_of(store, clock, place, lot_number="NEW", received_on=date(2026, 9, 1), **TESTED)
    await lot_of(store, clock, place, lot_number="DUE", received_on=TODAY + timedelta(days=9), **TESTED)
    await lot_of(store, clock, place, lot_number="DONE", finished_on=TODAY, **TESTED)
    found = await next_of(store, clock, place)
    assert found.lot_id == good.lot.id
    assert faults(found) == {
        "OLD": ["too_old"],
        "LOW": ["below_standard"],
        "GONE": ["empty"],
        "BARE": ["not_tested"],
        "GOOD": [],
        "NEW": [],
        "DUE": ["not_here"],
    }
    assert "Sow lot GOOD: the oldest that is fit, 74 days here, 1000 seeds left." in found.reason
    assert "lot LOW, it germinated 79 %, below the standard of 80 %" in found.reason
    assert [c.fit for c in found.lots] == [False, False, False, True, True, True, False]


async def test_a_doubtful_lot_is_sown_where_there_is_no_better_and_it_is_said(
    store: Store, clock: FixedClock, place: Place
) -> None:
    old_test = {**TESTED, "germination_tested_on": date(2026, 3, 1)}
    made = await lot_of(store, clock, place, lot_number="DOUBT", **old_test)
    found = await next_of(store, clock, place)
    assert found.lot_id == made.lot.id
    assert faults(found) == {"DOUBT": ["test_old"]}
    assert "But its germination was last tested on 2026-03-01: test it again." in found.reason
    await lot_of(store, clock, place, lot_number="TIRED", received_on=date(2026, 3, 14), **TESTED)
    async with store.write() as uow:
        await seed_stock.change_lot(uow, clock, SYSTEM, made.lot.id, {"finished_on": TODAY})
    none = await next_of(store, clock, place)
    assert none.lot_id is None
    assert "it is 184 days here, and raw seed is kept 183 days at most" in none.reason


async def test_six_months_are_counted_to_the_day_and_primed_seed_keeps_half_as_long(
    store: Store, clock: FixedClock, place: Place
) -> None:
    for number, days, form in (
        ("R183", 183, "raw"),
        ("R184", 184, "raw"),
        ("P92", 92, "primed"),
        ("P93", 93, "primed"),
        ("C183", 183, "pelleted"),
    ):
        since = TODAY - timedelta(days=days)
        tested = {**TESTED, "germination_tested_on": TODAY - timedelta(days=10)}
        await lot_of(store, clock, place, lot_number=number, received_on=since, form=form, **tested)
    fit = {c.lot.lot.lot_number: c.fit for c in (await next_of(store, clock, place)).lots}
    assert fit == {"R183": True, "R184": False, "P92": True, "P93": False, "C183": True}


async def test_heat_in_store_is_counted_from_the_places_sensor_and_a_new_test_answers_for_it(
    store: Store, clock: FixedClock, place: Place
) -> None:
    begin = datetime(2026, 8, 1, tzinfo=UTC)
    values = [(begin + timedelta(hours=h), 5.0) for h in range(44 * 24 + 1)]
    # A heap of hot hours in the middle of August: 20 instants at 38 °C make 19 whole hours and two ramps.
    values[240:260] = [(at, 38.0) for at, _ in values[240:260]]
    sensor = await sensor_of(store, place, values)
    made = await lot_of(store, clock, place, sensor_id=sensor.id, moisture_percent=6.0, **TESTED)
    found = (await next_of(store, clock, place)).lots[0]
    assert [f.kind for f in found.faults] == ["hot"]
    assert found.fit
    store_seen = found.store
    assert (store_seen.since, store_seen.hot_hours, store_seen.highest_c) == (date(2026, 8, 1), 19.0, 38.0)
    assert store_seen.warm_hours == 21.0
    assert store_seen.last_hot_at == begin + timedelta(hours=258)
    assert store_seen.measured_hours == pytest.approx(store_seen.hours, abs=7)
    assert store_seen.assumed == ()
    # Ellis & Roberts 1980 with the constants of Ellis, Hong & Roberts 1989, summed by hand: 44 days at 5 °C and
    # 6 % are 44 / 4745 probits, 20 h at 38 °C 0.83 d / 105 d: of 94 % about 93.9 % are left.
    assert store_seen.expected[0].germination_percent == pytest.approx(93.8, abs=0.2)
    async with store.write() as uow:
        fresh = {"germination_percent": 93.0, "germination_tested_on": date(2026, 8, 20)}
        await seed_stock.change_lot(uow, clock, SYSTEM, made.lot.id, fresh)
    after = (await next_of(store, clock, place)).lots[0]
    assert (after.store.since, after.store.hot_hours, after.faults) == (date(2026, 8, 20), 0.0, ())


async def test_seed_kept_moist_and_warm_is_expected_to_fail(
    store: Store, clock: FixedClock, place: Place
) -> None:
    begin = datetime(2026, 8, 1, tzinfo=UTC)
    sensor = await sensor_of(store, place, [(begin + timedelta(hours=h), 28.0) for h in range(44 * 24 + 8)])
    kept = {"sensor_id": sensor.id, **TESTED}
    await lot_of(store, clock, place, lot_number="MOIST", moisture_percent=9.0, **kept)
    await lot_of(store, clock, place, lot_number="UNSAID", **kept)
    await lot_of(store, clock, place, lot_number="PRIMED", form="primed", moisture_percent=8.0, **kept)
    found = {c.lot.lot.lot_number: c for c in (await next_of(store, clock, place)).lots}
    assert [(f.kind, f.unfit) for f in found["MOIST"].faults] == [("aged", True)]
    assert all(e.germination_percent < 80 for e in found["MOIST"].store.expected)
    assert found["UNSAID"].faults == ()
    assert found["UNSAID"].store.assumed == (
        "Its moisture is taken to be 6 %: nobody said it. Moisture decides most.",
    )
    # It rests on how much faster primed seed ages, which is assumed: doubted, not refused.
    assert [(f.kind, f.unfit) for f in found["PRIMED"].faults] == [("aged", False)]


async def test_a_store_that_is_not_measured_is_taken_at_20_degrees_and_said(
    store: Store, clock: FixedClock, place: Place
) -> None:
    await lot_of(store, clock, place, moisture_percent=6.0, **TESTED)
    found = (await next_of(store, clock, place)).lots[0].store
    assert (found.measured_hours, found.mean_c, found.hot_hours) == (0.0, None, 0.0)
    assert found.assumed == ("Its store is taken to be at 20 °C: nothing measured it.",)
    assert len(found.expected) == 2
    assert found.expected[0].germination_percent == pytest.approx(93.4, abs=0.2)


# --------------------------------------------------------------------------- germination, emergence, alerts


async def test_what_a_lot_is_sown_by(store: Store, clock: FixedClock, place: Place) -> None:
    bare = await lot_of(store, clock, place, lot_number="BARE")
    unsized = await lot_of(store, clock, place, lot_number="U", germination_percent=90.0)
    tested = await lot_of(store, clock, place, lot_number="T", **TESTED)
    async with store.read() as uow:
        with refused(Impossible, "seed_lot_id"):
            await seed_stock.germination_of_lot(uow, SYSTEM, bare.lot.id)
        found = await seed_stock.germination_of_lot(uow, SYSTEM, unsized.lot.id)
        assert (found.good, found.tested, found.source) == (90, 100, "test")
        assert "taken as a test of 100 seeds" in found.sentence
        found = await seed_stock.germination_of_lot(uow, SYSTEM, tested.lot.id)
        assert (found.good, found.tested, found.on) == (376, 400, date(2026, 7, 1))


async def test_a_failing_lot_is_seen_over_its_batches(store: Store, clock: FixedClock, place: Place) -> None:
    good = await lot_of(store, clock, place, lot_number="GOOD", seeds=5000, **TESTED)
    bad = await lot_of(store, clock, place, lot_number="BAD", seeds=5000, **TESTED)
    idle = await lot_of(store, clock, place, lot_number="IDLE", **TESTED)
    for day, (lot, plants) in enumerate([(good, 186), (good, 190), (good, 184), (bad, 150), (bad, 138)]):
        on = TODAY - timedelta(days=12 - day)
        batch = await sow(store, clock, place, (lot.lot.id, 200), seeded_on=on)
        await count(store, clock, batch, plants)
    await sow(store, clock, place, (good.lot.id, 200))  # not counted yet
    both = await sow(store, clock, place, (good.lot.id, 100), (bad.lot.id, 100))
    await count(store, clock, both, 100)
    async with store.read() as uow:
        found = {
            e.lot.lot.lot_number: e
            for e in await seed_fitness.emergence_by_lot(uow, SYSTEM, place.cultivar.id)
        }
    assert list(found) == ["IDLE", "BAD", "GOOD"]
    said = found["BAD"]
    assert (said.batches, said.not_told, said.cells, said.emerged) == (2, 1, 400, 288)
    assert said.behind
    assert said.low is not None
    assert said.high is not None
    assert said.low < 0.72 < said.high < 0.93
    assert "worse than the other lots, 93%" in said.sentence
    assert (found["GOOD"].batches, found["GOOD"].not_told, found["GOOD"].behind) == (3, 2, False)
    assert (found["IDLE"].share, found["IDLE"].behind) == (None, False)
    assert idle.lot.id


async def test_batches_of_a_mix_do_not_tell_of_a_lot(store: Store, clock: FixedClock, place: Place) -> None:
    made = await lot_of(store, clock, place, **TESTED)
    async with store.write() as uow:
        second = await create_cultivar(uow, SYSTEM, {"crop_id": place.crop.id, "name": "Rowan"})
        succession = await uow.session.merge(place.succession)
        succession.cultivar_id = None
        succession.cultivars = [
            SuccessionCultivar(cultivar_id=c, share=0.5, place=n)
            for n, c in enumerate((place.cultivar.id, second.id))
        ]
    batch = await sow(store, clock, place, (made.lot.id, 200))
    await count(store, clock, batch, 10)
    async with store.read() as uow:
        (found,) = await seed_fitness.emergence_by_lot(uow, SYSTEM, place.cultivar.id)
    assert (found.batches, found.not_told, found.behind) == (0, 1, False)


async def test_who_keeps_no_seed_records_is_told_nothing(
    store: Store, clock: FixedClock, place: Place
) -> None:
    assert await seed_alerts.watch_seed(store, clock) == (0, 0)
    async with store.write() as uow:
        other = await create_cultivar(uow, SYSTEM, {"crop_id": place.crop.id, "name": "Rowan"})
    await lot_of(store, clock, place, cultivar_id=other.id, **TESTED)
    assert await seed_alerts.watch_seed(store, clock) == (0, 0)


async def test_alerts_open_with_what_is_wrong_and_close_with_it(
    store: Store, clock: FixedClock, place: Place
) -> None:
    begin = datetime(2026, 8, 1, tzinfo=UTC)
    sensor = await sensor_of(store, place, [(begin + timedelta(hours=h), 35.0) for h in range(48)])
    hot = await lot_of(store, clock, place, lot_number="HOT", seeds=600, sensor_id=sensor.id, **TESTED)
    old = await lot_of(store, clock, place, lot_number="OLD", received_on=date(2026, 3, 1), **TESTED)
    opened, closed = await seed_alerts.watch_seed(store, clock)
    assert (opened, closed) == (3, 0)
    async with store.read() as uow:
        alerts, _ = await list_alerts(uow, SYSTEM, house_id=place.house.id, open_=True)
    found = {(a.kind, a.subject): a for a in alerts}
    assert set(found) == {
        ("seed_store_heat", f"seed_lot:{hot.lot.id}"),
        ("seed_old", f"seed_lot:{old.lot.id}"),
        ("seed_running_out", f"cultivar:{place.cultivar.id}"),
    }
    heat = found["seed_store_heat", f"seed_lot:{hot.lot.id}"]
    assert heat.evidence["hotHours"] == 47.0
    assert "above 30 °C for 47 hours" in heat.detail
    assert await seed_alerts.watch_seed(store, clock) == (0, 0)
    async with store.write() as uow:
        await seed_stock.change_lot(uow, clock, SYSTEM, old.lot.id, {"finished_on": TODAY})
        await seed_stock.change_lot(
            uow, clock, SYSTEM, hot.lot.id, {"germination_tested_on": TODAY - timedelta(days=1)}
        )
        await seed_stock.create_lot(
            uow,
            clock,
            SYSTEM,
            {"cultivar_id": place.cultivar.id, **LOT, "lot_number": "PLENTY", "seeds": 20_000, **TESTED},
        )
    assert await seed_alerts.watch_seed(store, clock) == (0, 3)
