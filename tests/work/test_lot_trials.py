"""Trials of seed lots: sown from both lots, counted, judged, and what they tell of a lot's germination."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from scipy.stats import boschloo_exact

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import LotTrial
from service.work import lot_trials, seed_fitness, seed_stock
from service.work.access import SYSTEM, Access
from service.work.errors import Impossible, NotFound, StaleVersion
from tests.work.conftest import Place
from tests.work.refusals import refused
from tests.work.test_seed_stock import TESTED, TODAY, lot_of


async def two_lots(store: Store, clock: FixedClock, place: Place, **more: Any) -> tuple[int, int]:
    old = await lot_of(store, clock, place, lot_number="OLD", **TESTED)
    new = await lot_of(store, clock, place, lot_number="NEW", received_on=date(2026, 9, 1), **more)
    return new.lot.id, old.lot.id


async def try_out(store: Store, clock: FixedClock, new: int, old: int, **more: Any) -> LotTrial:
    values = {"new_lot_id": new, "old_lot_id": old, "new_sown": 200, "old_sown": 150, **more}
    async with store.write() as uow:
        return await lot_trials.create_trial(uow, clock, SYSTEM, values)


async def test_a_trial_takes_seed_from_both_lots_is_counted_and_judged(
    store: Store, clock: FixedClock, place: Place
) -> None:
    new, old = await two_lots(store, clock, place)
    trial = await try_out(store, clock, new, old)
    assert (trial.sown_on, trial.new_good, trial.counted_on) == (TODAY, None, None)
    with refused(Impossible, "new_good"):
        await lot_trials.judge_trial(store, SYSTEM, trial.id)
    async with store.write() as uow:
        assert (await seed_stock.get_lot(uow, SYSTEM, new)).remaining == 800
        assert (await seed_stock.get_lot(uow, SYSTEM, old)).remaining == 850
        uses, _ = await seed_stock.list_uses(uow, SYSTEM, new)
        assert [(u.reason, u.seeds, u.used_on) for u in uses] == [("trial", 200, TODAY)]
        counted = await lot_trials.change_trial(
            uow, clock, SYSTEM, trial.id, {"new_good": 150, "old_good": 140}, 1
        )
        assert (counted.counted_on, counted.version) == (TODAY, 2)
        with refused(StaleVersion):
            await lot_trials.change_trial(uow, clock, SYSTEM, trial.id, {"note": "again"}, 1)
    found = await lot_trials.judge_trial(store, SYSTEM, trial.id)
    assert (found.new_lot.lot_number, found.old_lot.lot_number) == ("NEW", "OLD")
    assert found.judgement.verdict == "worse"
    assert found.judgement.p_value == boschloo_exact([[150, 140], [50, 10]]).pvalue
    with refused(Impossible, "margin"):
        await lot_trials.judge_trial(store, SYSTEM, trial.id, {"margin": 0.6})


async def test_a_trial_tells_what_to_sow_a_lot_by(store: Store, clock: FixedClock, place: Place) -> None:
    new, old = await two_lots(store, clock, place)
    await try_out(store, clock, new, old, new_good=150, old_good=140)
    await try_out(store, clock, new, old, new_sown=100, old_sown=100, new_good=80, old_good=92)
    await try_out(store, clock, new, old)  # not counted
    async with store.read() as uow:
        found = await seed_stock.germination_of_lot(uow, SYSTEM, new)
        assert (found.good, found.tested, found.source, found.on) == (230, 300, "trial", TODAY)
        found = await seed_stock.germination_of_lot(uow, SYSTEM, old)
        assert (found.good, found.tested, found.source) == (232, 250, "trial")
        chosen = await seed_fitness.next_lot(uow, clock, SYSTEM, place.cultivar.id)
    # 230 of 300 is 77 %, and could be 80 %: the new lot is doubted, not refused.
    faults = {c.lot.lot.lot_number: [(f.kind, f.unfit) for f in c.faults] for c in chosen.lots}
    assert faults == {"OLD": [], "NEW": [("below_standard", False)]}
    assert chosen.lot_id == old


async def test_a_trial_that_cannot_be_is_refused_and_takes_no_seed(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    new, old = await two_lots(store, clock, place)
    theirs = await lot_of(store, clock, other_place)
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"new_lot_id": old}, "old_lot_id"),
        ({"new_lot_id": 999}, "new_lot_id"),
        ({"old_lot_id": theirs.lot.id}, "old_lot_id"),
        ({"new_sown": 0}, "new_sown"),
        ({"new_sown": 1001}, "new_sown"),
        ({"old_sown": 1001}, "old_sown"),
        ({"sown_on": TODAY + timedelta(days=1)}, "sown_on"),
        ({"sown_on": date(2026, 8, 31)}, "sown_on"),
        ({"new_good": 201, "old_good": 1}, "new_good"),
        ({"new_good": 20}, "old_good"),
        ({"counted_on": TODAY}, "new_good"),
        ({"new_good": 1, "old_good": 1, "counted_on": TODAY + timedelta(days=1)}, "counted_on"),
        (
            {"sown_on": date(2026, 9, 3), "new_good": 1, "old_good": 1, "counted_on": date(2026, 9, 2)},
            "counted_on",
        ),
    ]
    for more, field in wrong:
        with refused(Impossible, field):
            await try_out(store, clock, new, old, **more)
    trial = await try_out(store, clock, new, old)
    async with store.write() as uow:
        for change, field in (
            ({"new_sown": 300}, "new_sown"),
            ({"old_lot_id": new}, "old_lot_id"),
            ({"new_good": 201, "old_good": 10}, "new_good"),
            ({"old_good": 10}, "new_good"),
        ):
            with refused(Impossible, field):
                await lot_trials.change_trial(uow, clock, SYSTEM, trial.id, change)
        assert (await seed_stock.get_lot(uow, SYSTEM, new)).remaining == 800
        assert (await seed_stock.get_lot(uow, SYSTEM, old)).remaining == 850


async def test_another_farms_trials_are_not_there(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    new, old = await two_lots(store, clock, other_place)
    theirs = await try_out(store, clock, new, old, new_good=1, old_good=1)
    mine_new, mine_old = await two_lots(store, clock, place)
    mine = await try_out(store, clock, mine_new, mine_old)
    access = Access("crew", frozenset({"write"}), place.farm.id)
    async with store.write() as uow:
        with refused(NotFound):
            await lot_trials.get_trial(uow, access, theirs.id)
        with refused(NotFound):
            await lot_trials.change_trial(uow, clock, access, theirs.id, {"note": "mine"})
        with refused(Impossible, "old_lot_id"):  # the first of the two to be looked up
            await lot_trials.create_trial(
                uow, clock, access, {"new_lot_id": new, "old_lot_id": old, "new_sown": 1, "old_sown": 1}
            )
        rows, _ = await lot_trials.list_trials(uow, access)
        assert [row.id for row in rows] == [mine.id]
        rows, _ = await lot_trials.list_trials(uow, SYSTEM, lot_id=old, farm_id=other_place.farm.id)
        assert [row.id for row in rows] == [theirs.id]
    with refused(NotFound):
        await lot_trials.judge_trial(store, access, theirs.id)
