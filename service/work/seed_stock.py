"""Seed in store: lots received, what left them, and what is left.

What is left of a lot is what was received less what was sown in batches and what went into tests, trials and losses.
A count corrects it, up or down. If more was recorded as sown than there was, nothing is hidden: the lot is overdrawn by
so many seeds until it is counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import seed_stock as records
from service.records.listing import find, known
from service.records.places import houses_of
from service.records.store import UnitOfWork
from service.records.tables import Crop, Cultivar, House, LotTrial, SeedLot, SeedUse, Sensor
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.ticking import tick_order
from service.work.times import local_day

FORMS = ("raw", "pelleted", "primed")
REASONS = ("test", "trial", "loss", "count")
MOST_SEEDS = 100_000_000
MOST_DAYS_AHEAD = 366
"""How far ahead a delivery may be expected."""
TEST_SEEDS = 100
"""Taken as the size of a germination test that does not say: the least that is usual. Assumed."""

_LOT = {
    "cultivar_id": Field(fields.reference, required=True, fixed=True),
    "lot_number": Field(fields.text(60), required=True),
    "received_on": Field(fields.day, required=True),
    "seeds": Field(fields.whole(1, MOST_SEEDS), required=True),
    "supplier": Field(fields.text(), nullable=True),
    "form": Field(fields.one_of(*FORMS)),
    "germination_percent": Field(fields.number(0, 100, "%"), nullable=True),
    "germination_tested_on": Field(fields.day, nullable=True),
    "germination_seeds": Field(fields.whole(1), nullable=True),
    "moisture_percent": Field(
        fields.number(2, 25, "% of the fresh weight; pelleted seed: of the seed itself"), nullable=True
    ),
    "place": Field(fields.text(), nullable=True),
    "sensor_id": Field(fields.reference, nullable=True),
    "opened_on": Field(fields.day, nullable=True),
    "finished_on": Field(fields.day, nullable=True),
    "note": Field(fields.text(2000), nullable=True),
}
_LOT_TAKEN = FieldProblem("lot_number", "this lot of this cultivar was received on this day already")

_USE = {
    "reason": Field(fields.one_of(*REASONS), required=True),
    "seeds": Field(fields.whole(1, MOST_SEEDS)),
    "counted": Field(fields.whole(0, MOST_SEEDS)),
    "used_on": Field(fields.day),
    "note": Field(fields.text(2000), nullable=True),
}
_USE_TAKEN = FieldProblem("", "there is such a record already")


@dataclass(frozen=True)
class LotView:
    """A seed lot and what is left of it."""

    lot: SeedLot
    sown: int
    """Seeds, in batches."""
    used: int
    """Seeds in tests, trials and losses, less what counts found more."""

    @property
    def left(self) -> int:
        """Seeds by the books, which may be below zero."""
        return self.lot.seeds - self.sown - self.used

    @property
    def remaining(self) -> int:
        """Seeds that are there."""
        return max(0, self.left)

    @property
    def overdrawn(self) -> int:
        """Seeds recorded as gone that were not there."""
        return max(0, -self.left)

    @property
    def remark(self) -> str | None:
        """What is wrong with the books; none: nothing."""
        if self.left >= 0:
            return None
        return (
            f"{self.overdrawn} more seeds were recorded as gone than lot {self.lot.lot_number} ever held: count"
            " what is left, and record the count"
        )


# --------------------------------------------------------------------------- lots


async def create_lot(uow: UnitOfWork, clock: Clock, access: Access, values: Mapping[str, Any]) -> LotView:
    """Receive a seed lot. One that is ordered may be written down with the day on which it is expected.

    The first open task to order seed of its cultivar is ticked off.
    """
    cleaned = checked_new(_LOT, values)
    farm_id = await _farm_of_cultivar(uow, access, cleaned["cultivar_id"])
    lot = SeedLot(farm_id=farm_id, **cleaned)
    await _check_lot(uow, clock, lot)
    await saving.insert(uow, lot, _LOT_TAKEN)
    await tick_order(uow, access, clock.now(), lot)
    return LotView(lot, 0, 0)


async def get_lot(uow: UnitOfWork, access: Access, lot_id: int) -> LotView:
    """Return a seed lot and what is left of it."""
    return (await views(uow, [await _find_lot(uow, access, lot_id)]))[0]


async def list_lots(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    cultivar_id: int | None = None,
    finished: bool | None = None,
    lot_number: str | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[LotView], int | None]:
    """Return a page of seed lots and the id to go on after."""
    check_page(after, limit, farm_id=farm_id, cultivar_id=cultivar_id)
    lots, next_after = await records.page_lots(
        uow,
        within_farm=access.farm_id,
        farm_id=farm_id,
        cultivar_id=cultivar_id,
        finished=finished,
        lot_number=lot_number,
        after=after,
        limit=limit,
    )
    return await views(uow, lots), next_after


async def change_lot(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    lot_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> LotView:
    """Change a seed lot; ``finished_on`` says that it is used up or thrown away."""
    lot = await _find_lot(uow, access, lot_id)
    cleaned = checked_changes(_LOT, lot, changes)
    await _check_lot(uow, clock, Merged(lot, cleaned))
    await saving.update(uow, lot, cleaned, expected_version, _LOT_TAKEN)
    return await get_lot(uow, access, lot_id)


async def views(uow: UnitOfWork, lots: Sequence[SeedLot]) -> list[LotView]:
    """Return lots with what is left of them."""
    gone = await records.gone_of(uow, [lot.id for lot in lots])
    return [LotView(lot, gone[lot.id].sown, gone[lot.id].used) for lot in lots]


async def referred_lot(
    uow: UnitOfWork, access: Access, field: str, lot_id: int, *, lock: bool = False
) -> SeedLot:
    """Return the seed lot that a field refers to; locked, nobody else takes seed from it meanwhile."""
    lot = await (records.lock_lot(uow, lot_id) if lock else find(uow, SeedLot, lot_id))
    if lot is None or access.farm_id not in {None, lot.farm_id}:
        raise impossible(field, f"there is no seed lot {lot_id}")
    return lot


async def farm_day(uow: UnitOfWork, clock: Clock, farm_id: int) -> date:
    """Return today's date at a farm: of its first house; of a farm without one, in UTC."""
    houses = await houses_of(uow, farm_id)
    return local_day(clock.now(), ZoneInfo(houses[0].time_zone if houses else "UTC"))


async def _find_lot(uow: UnitOfWork, access: Access, lot_id: int) -> SeedLot:
    lot = await find(uow, SeedLot, lot_id)
    if lot is None:
        raise NotFound(f"there is no seed lot {lot_id}")
    require(access, lot.farm_id)
    return lot


async def _farm_of_cultivar(uow: UnitOfWork, access: Access, cultivar_id: int) -> int:
    cultivar = await find(uow, Cultivar, cultivar_id)
    crop = None if cultivar is None else await known(uow, Crop, cultivar.crop_id)
    if crop is None or access.farm_id not in {None, crop.farm_id}:
        raise impossible("cultivar_id", f"there is no cultivar {cultivar_id}")
    return crop.farm_id


async def _check_lot(uow: UnitOfWork, clock: Clock, lot: SeedLot | Merged) -> None:
    """Refuse fields that do not go with each other, and a sensor that does not measure a place of the farm."""
    today = await farm_day(uow, clock, lot.farm_id)
    if lot.received_on > today + timedelta(days=MOST_DAYS_AHEAD):
        raise impossible("received_on", f"it is more than {MOST_DAYS_AHEAD} days ahead")
    if lot.germination_percent is None:
        for name in ("germination_tested_on", "germination_seeds"):
            if getattr(lot, name) is not None:
                raise impossible(name, "it goes with a germination_percent, and there is none")
    for name in ("germination_tested_on", "opened_on", "finished_on"):
        day = getattr(lot, name)
        if day is not None and day > today:
            raise impossible(name, f"it is {day}, and today is {today}")
    for name in ("opened_on", "finished_on"):
        day = getattr(lot, name)
        if day is not None and day < lot.received_on:
            raise impossible(name, f"it is before the lot was received, {lot.received_on}")
    if lot.sensor_id is not None:
        sensor = await find(uow, Sensor, lot.sensor_id)
        house = None if sensor is None else await known(uow, House, sensor.house_id)
        if sensor is None or house is None or house.farm_id != lot.farm_id:
            raise impossible("sensor_id", f"there is no sensor {lot.sensor_id} of this farm")
        if sensor.quantity != "temp_air_c":
            raise impossible("sensor_id", f"sensor {sensor.id} measures {sensor.quantity}, not temp_air_c")


# --------------------------------------------------------------------------- what leaves a lot


async def record_use(
    uow: UnitOfWork, clock: Clock, access: Access, lot_id: int, values: Mapping[str, Any]
) -> tuple[SeedUse, LotView]:
    """Write down seed that left a lot otherwise than into a batch, or what a count found.

    A test, trial or loss says how many ``seeds``; a count says how many are left (``counted``), and the books follow.

    Raises
    ------
    Impossible
        If more is taken than is there: then the books are wrong, and a count comes first.
    """
    cleaned = checked_new(_USE, values)
    await _find_lot(uow, access, lot_id)
    lot = await referred_lot(uow, access, "", lot_id, lock=True)
    there = (await views(uow, [lot]))[0]
    counting = cleaned["reason"] == "count"
    wanted, other = ("counted", "seeds") if counting else ("seeds", "counted")
    if other in cleaned:
        raise impossible(other, f"a {cleaned['reason']} says {wanted} instead")
    if wanted not in cleaned:
        raise impossible(wanted, "it is missing")
    today = await farm_day(uow, clock, lot.farm_id)
    used_on = cleaned.get("used_on", today)
    if not lot.received_on <= used_on <= today:
        raise impossible("used_on", f"it must lie between the day of receipt, {lot.received_on}, and today")
    seeds = there.left - cleaned["counted"] if counting else cleaned["seeds"]
    return await take(uow, clock, access, there, seeds, cleaned["reason"], used_on, cleaned.get("note"))


async def take(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    there: LotView,
    seeds: int,
    reason: str,
    used_on: date,
    note: str | None,
    field: str = "seeds",
) -> tuple[SeedUse, LotView]:
    """Take seeds from a locked lot, and return what was written down and the lot afterwards."""
    if reason != "count" and seeds > there.remaining:
        raise impossible(
            field,
            f"it is {seeds}, and lot {there.lot.lot_number} holds {there.remaining}; if there are more, record a count",
        )
    use = SeedUse(
        seed_lot_id=there.lot.id,
        used_on=used_on,
        seeds=seeds,
        reason=reason,
        recorded_at=clock.now(),
        recorded_by=access.name,
        note=note,
    )
    await saving.insert(uow, use, _USE_TAKEN)
    return use, LotView(there.lot, there.sown, there.used + seeds)


async def list_uses(
    uow: UnitOfWork, access: Access, lot_id: int, *, after: int | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[list[SeedUse], int | None]:
    """Return a page of what left a lot otherwise than into batches, and the id to go on after."""
    check_page(after, limit)
    await _find_lot(uow, access, lot_id)
    return await records.page_uses(uow, lot_id, after=after, limit=limit)


# --------------------------------------------------------------------------- germination


@dataclass(frozen=True)
class Germination:
    """What a lot's germination is known from."""

    good: int
    tested: int
    on: date | None
    source: str
    """``trial`` or ``test``."""
    sentence: str


def germination_of(lot: SeedLot, trials: Iterable[LotTrial]) -> Germination | None:
    """Return what is known of a lot's germination: the house's own trials, else the test it came with; none: nothing.

    The house's own seedlings count for more than a laboratory's germination: they are what is transplanted.
    """
    good = tested = 0
    newest: date | None = None
    for trial in trials:
        for its_lot, its_good, its_sown in (
            (trial.new_lot_id, trial.new_good, trial.new_sown),
            (trial.old_lot_id, trial.old_good, trial.old_sown),
        ):
            if its_lot == lot.id and its_good is not None and trial.counted_on is not None:
                good, tested = good + its_good, tested + its_sown
                newest = max(newest or trial.counted_on, trial.counted_on)
    if tested:
        return Germination(
            good, tested, newest, "trial", f"{good} of {tested} came up in the house's own trials"
        )
    if lot.germination_percent is None:
        return None
    seeds = lot.germination_seeds or TEST_SEEDS
    size = (
        ""
        if lot.germination_seeds
        else f", taken as a test of {TEST_SEEDS} seeds, since its size is not said"
    )
    return Germination(
        round(lot.germination_percent / 100.0 * seeds),
        seeds,
        lot.germination_tested_on,
        "test",
        f"{lot.germination_percent:g} % in the test it came with{size}",
    )


async def germination_of_lot(
    uow: UnitOfWork, access: Access, lot_id: int, field: str = "seed_lot_id"
) -> Germination:
    """Return what to sow a lot by: so many good seeds of so many tested.

    Raises
    ------
    Impossible
        If there is no such lot, or nothing is known of its germination.
    """
    lot = await referred_lot(uow, access, field, lot_id)
    found = germination_of(lot, await records.counted_trials(uow, [lot.id]))
    if found is None:
        raise impossible(
            field, f"nothing is known of the germination of lot {lot.lot_number}: test it, or sow a trial"
        )
    return found


def start_of(day: date) -> datetime:
    """Return the first moment of a day in UTC: near enough for seed that lies for months."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC)
