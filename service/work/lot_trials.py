"""Trials of a new seed lot beside the one in use: sown, counted, judged."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from service.agronomy import lot_trial as science
from service.agronomy.lot_trial import Judgement, Trial
from service.clock import Clock
from service.records import seed_stock as records
from service.records.listing import find, known
from service.records.store import Store, UnitOfWork
from service.records.tables import LotTrial, SeedLot
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.seed_stock import farm_day, referred_lot, take, views

_SOWN = "it cannot be changed: the seed is gone; sow another trial instead"
_TRIAL = {
    "new_lot_id": Field(fields.reference, required=True, fixed=True),
    "old_lot_id": Field(fields.reference, required=True, fixed=True),
    "sown_on": Field(fields.day, fixed=True, why_fixed=_SOWN),
    "new_sown": Field(fields.whole(1, science.MOST_SEEDS), required=True, fixed=True, why_fixed=_SOWN),
    "old_sown": Field(fields.whole(1, science.MOST_SEEDS), required=True, fixed=True, why_fixed=_SOWN),
    "new_good": Field(fields.whole(0, science.MOST_SEEDS), nullable=True),
    "old_good": Field(fields.whole(0, science.MOST_SEEDS), nullable=True),
    "counted_on": Field(fields.day, nullable=True),
    "note": Field(fields.text(2000), nullable=True),
}
_COUNT = ("new_good", "old_good", "counted_on")
_TAKEN = FieldProblem("", "there is such a trial already")
# The same counts say the same, and the exact test takes a while.
_judge = lru_cache(maxsize=256)(science.judge)
_MARGIN = {"margin": Field(fields.number(0.01, 0.5, "(share)"))}


@dataclass(frozen=True)
class TrialVerdict:
    """What a trial says."""

    trial: LotTrial
    new_lot: SeedLot
    old_lot: SeedLot
    judgement: Judgement


async def create_trial(uow: UnitOfWork, clock: Clock, access: Access, values: Mapping[str, Any]) -> LotTrial:
    """Sow a new lot beside the one in use; the seed leaves both lots. The counts may be given at once."""
    cleaned = checked_new(_TRIAL, values)
    ids = {name: cleaned[name] for name in ("new_lot_id", "old_lot_id")}
    if ids["new_lot_id"] == ids["old_lot_id"]:
        raise impossible("old_lot_id", "a lot cannot be tried beside itself")
    found = {}  # locked in the order of their ids, so that two trials do not wait for each other
    for name, lot_id in sorted(ids.items(), key=lambda item: item[1]):
        found[name] = await referred_lot(uow, access, name, lot_id, lock=True)
    new, old = found["new_lot_id"], found["old_lot_id"]
    if new.cultivar_id != old.cultivar_id:
        raise impossible("old_lot_id", "both lots must be of the same cultivar")
    today = await farm_day(uow, clock, new.farm_id)
    cleaned.setdefault("sown_on", today)
    _count_today(cleaned, Merged(None, {**dict.fromkeys(_COUNT), **cleaned}), today)
    trial = LotTrial(farm_id=new.farm_id, **cleaned)
    if not max(new.received_on, old.received_on) <= trial.sown_on <= today:
        raise impossible("sown_on", "it must lie between the day on which both lots are here, and today")
    _check_counts(trial)
    if trial.counted_on is not None and trial.counted_on > today:
        raise impossible("counted_on", f"it is {trial.counted_on}, and today is {today}")
    for lot, seeds, field in ((new, trial.new_sown, "new_sown"), (old, trial.old_sown, "old_sown")):
        there = (await views(uow, [lot]))[0]
        await take(uow, clock, access, there, seeds, "trial", trial.sown_on, None, field)
    await saving.insert(uow, trial, _TAKEN)
    return trial


async def get_trial(uow: UnitOfWork, access: Access, trial_id: int) -> LotTrial:
    """Return a trial."""
    trial = await find(uow, LotTrial, trial_id)
    if trial is None:
        raise NotFound(f"there is no lot trial {trial_id}")
    require(access, trial.farm_id)
    return trial


async def list_trials(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    lot_id: int | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[LotTrial], int | None]:
    """Return a page of trials and the id to go on after; ``lot_id`` may be either lot of one."""
    check_page(after, limit, farm_id=farm_id, seed_lot_id=lot_id)
    return await records.page_trials(
        uow, within_farm=access.farm_id, farm_id=farm_id, lot_id=lot_id, after=after, limit=limit
    )


async def change_trial(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    trial_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> LotTrial:
    """Write down what came up in a trial, or put it right; ``counted_on`` is today, if it is not said."""
    trial = await get_trial(uow, access, trial_id)
    cleaned = checked_changes(_TRIAL, trial, changes)
    today = await farm_day(uow, clock, trial.farm_id)
    after = Merged(trial, cleaned)
    _count_today(cleaned, after, today)
    _check_counts(after)
    if after.counted_on is not None and after.counted_on > today:
        raise impossible("counted_on", f"it is {after.counted_on}, and today is {today}")
    await saving.update(uow, trial, cleaned, expected_version, _TAKEN)
    return trial


async def judge_trial(
    store: Store, access: Access, trial_id: int, values: Mapping[str, Any] | None = None
) -> TrialVerdict:
    """Say what a trial says; no transaction is held while computing.

    ``margin`` is the share by which the new lot may be worse and still be as good.

    Raises
    ------
    Impossible
        If it is not counted yet, or the margin is out of bounds.
    """
    margin = checked_new(_MARGIN, values or {}).get("margin", science.MARGIN)
    async with store.read() as uow:
        trial = await get_trial(uow, access, trial_id)
        new = await known(uow, SeedLot, trial.new_lot_id)
        old = await known(uow, SeedLot, trial.old_lot_id)
    if trial.new_good is None or trial.old_good is None:
        raise impossible("new_good", "the trial is not counted yet")
    counts = Trial(trial.new_good, trial.new_sown, trial.old_good, trial.old_sown)
    return TrialVerdict(trial, new, old, await asyncio.to_thread(_judge, counts, margin))


def _count_today(cleaned: dict[str, Any], after: Merged, today: date) -> None:
    """Take today as the day of a count that does not say its own."""
    counted = after.new_good is not None or after.old_good is not None
    if counted and after.counted_on is None and "counted_on" not in cleaned:
        cleaned["counted_on"] = today


def _check_counts(trial: LotTrial | Merged) -> None:
    missing = [name for name in _COUNT if getattr(trial, name) is None]
    if 0 < len(missing) < len(_COUNT):
        raise impossible(missing[0], "it is missing: both lots are counted on one day")
    for name in ("new", "old"):
        good, sown = getattr(trial, f"{name}_good"), getattr(trial, f"{name}_sown")
        if good is not None and good > sown:
            raise impossible(f"{name}_good", f"it is {good}, and {sown} were sown")
    if trial.counted_on is not None and trial.counted_on < trial.sown_on:
        raise impossible("counted_on", f"it is before the trial was sown, {trial.sown_on}")
