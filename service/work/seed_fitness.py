"""Which seed lot to sow: the oldest that is fit. What heat did to seed in store, and how lots come up in the house.

A lot is unfit if it is used up, not here yet, kept longer than seed of its form should be, or germinates below the
legal standard of its kind. It is doubted if nothing vouches for it: no germination test or an old one, heat in store
since, or an expected loss that rests on assumptions. A lot that is not doubted goes before one that is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from service.agronomy import lot_trial, seed
from service.agronomy.sampling import hourly
from service.clock import Clock
from service.records import batches as batch_records
from service.records import seed_stock as records
from service.records.store import UnitOfWork
from service.records.tables import Crop, SeedLot, Sensor
from service.work.access import Access
from service.work.crops import get_crop, get_cultivar
from service.work.ledger import derive
from service.work.seed_stock import (
    Germination,
    LotView,
    farm_day,
    germination_of,
    get_lot,
    start_of,
    views,
)
from service.work.seed_tests import CONSTANTS
from service.work.times import epoch_hours, moment_of

_HOUR_S = 3600.0
_NO_HOURS: NDArray[np.float64] = np.zeros(0)

FaultKind = Literal[
    "finished", "empty", "not_here", "too_old", "below_standard", "aged", "not_tested", "test_old", "hot"
]


@dataclass(frozen=True)
class Fault:
    """Something wrong with a lot."""

    kind: FaultKind
    unfit: bool
    """True: it is not to be sown; false: it is doubted."""
    sentence: str


@dataclass(frozen=True)
class Expected:
    """What a lot is expected to germinate now, by one set of published constants."""

    constants: str
    germination_percent: float


@dataclass(frozen=True)
class Store:
    """What a lot went through in store since its germination was last known, or since it came."""

    since: date
    hours: float
    measured_hours: float
    mean_c: float | None
    """Of the measured hours; none: nothing was measured."""
    highest_c: float | None
    warm_hours: float
    """Measured hours above 20 °C."""
    hot_hours: float
    """Measured hours above 30 °C."""
    last_hot_at: datetime | None
    expected: tuple[Expected, ...]
    """By each set of constants; none: no germination is known, or no constants are published for the kind."""
    assumed: tuple[str, ...]
    """What is not known and was taken for granted, in sentences."""


@dataclass(frozen=True)
class Condition:
    """A seed lot, how it was kept and whether it is fit."""

    lot: LotView
    age_days: int
    use_by: date
    """Last day on which it is young enough."""
    germination: Germination | None
    standard_percent: int | None
    store: Store
    faults: tuple[Fault, ...]

    @property
    def fit(self) -> bool:
        """Whether it may be sown."""
        return not any(fault.unfit for fault in self.faults)

    @property
    def doubted(self) -> bool:
        """Whether something speaks against it."""
        return bool(self.faults)


@dataclass(frozen=True)
class NextLot:
    """Which lot of a cultivar to sow now."""

    cultivar_id: int
    cultivar: str
    lot_id: int | None
    """None: none is fit."""
    reason: str
    lots: tuple[Condition, ...]
    """Every lot that is not finished, oldest first."""


# --------------------------------------------------------------------------- one lot


async def lot_condition(uow: UnitOfWork, clock: Clock, access: Access, lot_id: int) -> Condition:
    """Return how a lot was kept and whether it is fit to be sown."""
    lot = await get_lot(uow, access, lot_id)
    return (await conditions(uow, clock, lot.lot.farm_id, [lot.lot]))[0]


async def next_lot(uow: UnitOfWork, clock: Clock, access: Access, cultivar_id: int) -> NextLot:
    """Return which lot of a cultivar to sow now, why, and what is wrong with the others."""
    cultivar = await get_cultivar(uow, access, cultivar_id)
    crop = await get_crop(uow, access, cultivar.crop_id)
    lots = [x for x in await records.lots_of_cultivar(uow, cultivar_id) if x.finished_on is None]
    found = await conditions(uow, clock, crop.farm_id, lots)
    chosen, reason = choose(found)
    return NextLot(
        cultivar.id, cultivar.name, None if chosen is None else chosen.lot.lot.id, reason, tuple(found)
    )


def choose(lots: Sequence[Condition]) -> tuple[Condition | None, str]:
    """Return the lot to sow of those given oldest first, and why; none: none is fit."""
    fit = [c for c in lots if c.fit]
    if not fit:
        if not lots:
            return None, "There is no seed: order some."
        said = "; ".join(f"lot {c.lot.lot.lot_number}: {c.faults[0].sentence}" for c in lots)
        return None, f"No lot is fit to be sown. {said}."
    sound = [c for c in fit if not c.doubted]
    chosen = (sound or fit)[0]
    reason = (
        f"Sow lot {chosen.lot.lot.lot_number}: the oldest that is fit, {chosen.age_days} days here,"
        f" {chosen.lot.remaining} seeds left."
    )
    if chosen.doubted:
        reason += " But " + "; ".join(f.sentence for f in chosen.faults) + "."
    passed = [c for c in lots[: lots.index(chosen)] if c is not chosen]
    if passed:
        reason += " Passed over: " + "; ".join(
            f"lot {c.lot.lot.lot_number}, {c.faults[0].sentence}" for c in passed if c.faults
        )
        reason += "."
    return chosen, reason


async def conditions(uow: UnitOfWork, clock: Clock, farm_id: int, lots: Sequence[SeedLot]) -> list[Condition]:
    """Return how lots of a farm were kept and whether they are fit."""
    now = clock.now()
    today = await farm_day(uow, clock, farm_id)
    crops = await records.crops_of_lots(uow, lots)
    trials = await records.counted_trials(uow, [lot.id for lot in lots])
    sensors = await records.sensors_of(uow, [x.sensor_id for x in lots if x.sensor_id is not None])
    known = {lot.id: germination_of(lot, trials) for lot in lots}
    since = {lot.id: _since(lot, known[lot.id], today) for lot in lots}
    temps = {
        sensor_id: await _hours(uow, sensor, min(since[x.id] for x in lots if x.sensor_id == sensor_id), now)
        for sensor_id, sensor in sensors.items()
    }
    found = []
    for view in await views(uow, lots):
        lot = view.lot
        first, hours = temps.get(lot.sensor_id or 0, (0, _NO_HOURS))
        begin = int(epoch_hours(start_of(since[lot.id])))
        end = int(epoch_hours(now))
        inside = np.full(max(0, end - begin), np.nan)
        if hours.size:
            inside = hours[begin - first :][: inside.size]
        found.append(judge(view, crops[lot.cultivar_id][1], known[lot.id], since[lot.id], inside, today))
    return found


def judge(
    view: LotView,
    crop: Crop,
    germination: Germination | None,
    since: date,
    temp_c: NDArray[np.float64],
    today: date,
) -> Condition:
    """Return whether a lot is fit, from the temperatures of its store hour by hour since a day; NaN: not measured.

    Pure: no clock, no database.
    """
    lot = view.lot
    kind = seed.SEED_KIND.get(crop.profile)
    standard = seed.FEDERAL_STANDARD_PERCENT.get(kind) if kind else None
    keeping = seed.KEEPING[lot.form]
    store = _store(lot, kind, germination, since, temp_c)
    age = (today - lot.received_on).days
    use_by = lot.received_on + timedelta(days=keeping.limit_days)
    faults = [
        *_stock_faults(view, today, age, use_by, keeping.limit_days),
        *_germination_faults(lot, germination, standard, today),
    ]
    low = any(fault.kind == "below_standard" for fault in faults)  # before it aged at all
    faults += _store_faults(store, None if low else standard)
    faults.sort(key=lambda fault: not fault.unfit)
    return Condition(view, age, use_by, germination, standard, store, tuple(faults))


def _stock_faults(view: LotView, today: date, age: int, use_by: date, limit: int) -> Iterable[Fault]:
    lot = view.lot
    if lot.finished_on is not None:
        yield Fault("finished", True, f"it is finished since {lot.finished_on}")
    elif lot.received_on > today:
        yield Fault("not_here", True, f"it is expected on {lot.received_on}")
    elif view.remaining == 0:
        yield Fault("empty", True, "no seed is left of it" if view.remark is None else view.remark)
    if today > use_by:
        yield Fault(
            "too_old", True, f"it is {age} days here, and {lot.form} seed is kept {limit} days at most"
        )


def _germination_faults(
    lot: SeedLot, germination: Germination | None, standard: int | None, today: date
) -> Iterable[Fault]:
    if germination is None:
        yield Fault("not_tested", False, "its germination is not known")
        return
    share = germination.good / germination.tested
    if standard is not None and germination.source == "test" and (lot.germination_percent or 0.0) < standard:
        yield Fault(
            "below_standard",
            True,
            f"it germinated {lot.germination_percent:g} %, below the standard of {standard} %",
        )
    elif standard is not None and germination.source == "trial" and 100.0 * share < standard:
        _, high = lot_trial.share_interval(germination.good, germination.tested)
        yield Fault(
            "below_standard",
            100.0 * high < standard,
            f"only {germination.good} of {germination.tested} came up in trials, below the standard of {standard} %",
        )
    if germination.on is None:
        yield Fault("test_old", False, "nobody says when its germination was tested")
    elif (today - germination.on).days > seed.TEST_AGE_DAYS:
        yield Fault("test_old", False, f"its germination was last tested on {germination.on}: test it again")


def _store_faults(store: Store, standard: int | None) -> Iterable[Fault]:
    if store.hot_hours >= seed.STORE_HOT_HOURS:
        last = f", last on {store.last_hot_at:%Y-%m-%d}" if store.last_hot_at else ""
        yield Fault(
            "hot",
            False,
            f"it was above {seed.STORE_HOT_C:g} °C for {store.hot_hours:.0f} hours{last}, and may be dormant: test it",
        )
    below = [e for e in store.expected if standard is not None and e.germination_percent < standard]
    if below:
        least = min(e.germination_percent for e in store.expected)
        sure = len(below) == len(store.expected) and not store.assumed
        yield Fault(
            "aged",
            sure,
            f"as it was kept, it is expected to germinate {least:.0f} %, below the standard of {standard} %"
            + ("" if sure else " (rests on assumptions: test it)"),
        )


def _store(
    lot: SeedLot,
    kind: str | None,
    germination: Germination | None,
    since: date,
    temp_c: NDArray[np.float64],
) -> Store:
    measured = np.isfinite(temp_c)
    seen = temp_c[measured]
    hot = np.flatnonzero(measured & (np.nan_to_num(temp_c) > seed.STORE_HOT_C))
    mean = float(seen.mean()) if seen.size else math.nan
    last_hot = moment_of(epoch_hours(start_of(since)) + int(hot[-1])) if hot.size else None
    assumed: list[str] = []
    expected: tuple[Expected, ...] = ()
    names = CONSTANTS.get(kind or "", ())
    if germination is not None and names and temp_c.size:
        filled = temp_c
        if not seen.size:
            filled = np.full(temp_c.size, seed.STORE_TEMP_C)
            assumed.append(f"Its store is taken to be at {seed.STORE_TEMP_C:g} °C: nothing measured it.")
        elif seen.size < temp_c.size:
            filled = np.where(measured, temp_c, mean)
            if seen.size < 0.9 * temp_c.size:
                assumed.append(
                    f"{temp_c.size - seen.size} of {temp_c.size} hours were not measured: they are taken at the"
                    " mean of the others."
                )
        moisture = lot.moisture_percent
        if moisture is None:
            moisture = seed.STORE_MOISTURE_PERCENT
            assumed.append(
                f"Its moisture is taken to be {moisture:g} %: nobody said it. Moisture decides most."
            )
        keeping = seed.KEEPING[lot.form]
        if keeping.pace != 1.0:
            assumed.append(f"Seed that is {lot.form} is taken to age {keeping.pace:g} times as fast.")
        # A place on the curve needs a share off 0 and 1, whatever the test found.
        share = (germination.good + 0.5) / (germination.tested + 1.0)
        expected = tuple(
            Expected(
                seed.VIABILITY[name].origin,
                100.0
                * min(
                    germination.good / germination.tested,
                    float(
                        seed.viability(
                            share,
                            seed.ageing_probits(
                                filled, np.ones(filled.size), moisture, seed.VIABILITY[name], keeping.pace
                            ),
                            1.0,
                        )
                    ),
                ),
            )
            for name in names
        )
    return Store(
        since=since,
        hours=float(temp_c.size),
        measured_hours=float(seen.size),
        mean_c=mean if seen.size else None,
        highest_c=float(seen.max()) if seen.size else None,
        warm_hours=float((seen > seed.STORE_WARM_C).sum()),
        hot_hours=float(hot.size),
        last_hot_at=last_hot,
        expected=expected,
        assumed=tuple(assumed),
    )


def _since(lot: SeedLot, germination: Germination | None, today: date) -> date:
    """Return the day from which on the store tells: what came before it, a germination test has answered for."""
    tested = germination.on if germination is not None else None
    return min(today, max(lot.received_on, tested or lot.received_on))


async def _hours(
    uow: UnitOfWork, sensor: Sensor, since: date, now: datetime
) -> tuple[int, NDArray[np.float64]]:
    """Return the epoch hour of the first, and mean temperatures hour by hour up to now; NaN: not measured."""
    begin = start_of(since)
    first, end = int(epoch_hours(begin)), int(epoch_hours(now))
    if end <= first:
        return first, _NO_HOURS
    rows = await records.readings_since(uow, sensor.id, begin, now)
    times = np.array([epoch_hours(at) * _HOUR_S for at, _ in rows])
    values = np.array([value for _, value in rows], dtype=np.float64)
    sums = hourly(times, values, sensor.sampling, sensor.interval_s, first * _HOUR_S, end - first)
    return first, sums.mean


# --------------------------------------------------------------------------- how lots come up


@dataclass(frozen=True)
class LotEmergence:
    """How a lot came up in the house's batches."""

    lot: LotView
    batches: int
    """Of which emergence was counted, and which were sown with this lot alone."""
    not_told: int
    """Batches of mixes or of several lots, of which nobody knows which seed came up, and those not counted yet."""
    cells: int
    emerged: int
    share: float | None
    low: float | None
    """95 % interval, widened by how much batches differ."""
    high: float | None
    behind: bool
    """It comes up worse than the other lots of the cultivar or, without any, than the legal standard."""
    sentence: str


async def emergence_by_lot(uow: UnitOfWork, access: Access, cultivar_id: int) -> list[LotEmergence]:
    """Return how each lot of a cultivar came up in the house's batches, newest lot first."""
    cultivar = await get_cultivar(uow, access, cultivar_id)
    crop = await get_crop(uow, access, cultivar.crop_id)
    return await emergence(uow, await records.lots_of_cultivar(uow, cultivar_id), crop)


async def emergence(uow: UnitOfWork, lots: Sequence[SeedLot], crop: Crop) -> list[LotEmergence]:
    """Return how lots of one cultivar came up, newest first."""
    sown = await records.sown_of(uow, [lot.id for lot in lots])
    ids = sorted({s.batch.id for s in sown})
    lots_in = await records.lots_in_batches(uow, ids)
    states = {i: derive(entries) for i, entries in (await batch_records.entries_of(uow, ids)).items()}
    told: dict[int, list[tuple[int, int]]] = {lot.id: [] for lot in lots}
    untold = dict.fromkeys(told, 0)
    for s in sown:
        state = states[s.batch.id]
        if s.batch.cultivars or lots_in[s.batch.id] > 1 or state.failed is None:
            untold[s.lot_id] += 1
        else:
            told[s.lot_id].append((state.cells - state.failed, state.cells))
    kind = seed.SEED_KIND.get(crop.profile)
    standard = seed.FEDERAL_STANDARD_PERCENT.get(kind) if kind else None
    return [
        _emergence(view, told, untold[view.lot.id], standard) for view in reversed(await views(uow, lots))
    ]


def _emergence(
    view: LotView, told: Mapping[int, Sequence[tuple[int, int]]], untold: int, standard: int | None
) -> LotEmergence:
    lot = view.lot
    own = told[lot.id]
    emerged, cells = sum(e for e, _ in own), sum(c for _, c in own)
    if not cells:
        said = f"Of lot {lot.lot_number} no emergence is told yet."
        return LotEmergence(view, 0, untold, 0, 0, None, None, None, False, said)
    low, high = lot_trial.clustered_interval(*np.array(own, dtype=np.float64).T)
    others = [pair for lot_id, pairs in told.items() if lot_id != lot.id for pair in pairs]
    other_cells = sum(c for _, c in others)
    against, whom = (None, "")
    if other_cells:
        against, whom = sum(e for e, _ in others) / other_cells, "the other lots"
    elif standard is not None:
        against, whom = standard / 100.0, "the legal standard"
    behind = against is not None and high < against
    said = (
        f"Of lot {lot.lot_number} {emerged} of {cells} cells came up, {emerged / cells:.0%}"
        f" ({low:.0%} to {high:.0%}), in {len(own)} batch{'' if len(own) == 1 else 'es'}."
    )
    if behind and against is not None:
        said += f" That is worse than {whom}, {against:.0%}."
    return LotEmergence(view, len(own), untold, cells, emerged, emerged / cells, low, high, behind, said)


def evidence_of(condition: Condition) -> dict[str, Any]:
    """Return the figures of a lot's store, for an alert."""
    return {
        "lotId": condition.lot.lot.id,
        "ageDays": condition.age_days,
        "hotHours": condition.store.hot_hours,
        "warmHours": condition.store.warm_hours,
        "measuredHours": condition.store.measured_hours,
        "expectedPercent": [round(e.germination_percent, 1) for e in condition.store.expected],
    }
