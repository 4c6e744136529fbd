"""How full nursery and channels will be, day by day: from the forecasts, and from a plan if there is one.

Simplified, for a picture: a batch stands where it is until the median of its forecast, a seeding gives its cells back
as its plants are moved, and plants that nobody is to get stand until the last heads of their seeding are cut. A herb
that is cut several times stands until its last cut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records.places import zones_of
from service.records.store import UnitOfWork
from service.work.access import Access
from service.work.crops import list_crops
from service.work.line import HouseLine, LineBatch, house_line
from service.work.listing import MAX_LIMIT
from service.work.orders import list_orders, occurrences
from service.work.places import get_house
from service.work.planning.shown import PlannedSeeding
from service.work.profiles import head_kg, profile_of
from service.work.programme import list_successions
from service.work.times import local_day


@dataclass(frozen=True)
class SpaceDay:
    """Cells and sites that are taken on a day."""

    on: date
    cells: float
    sites: float


@dataclass(frozen=True)
class Space:
    """How full a house will be."""

    cells: int
    """Capacity of the nursery."""
    sites: int
    """Capacity of the channels."""
    days: Sequence[SpaceDay]


@dataclass(frozen=True)
class WeekOfHeads:
    """Heads of a crop that are ordered and that are expected in a week."""

    crop: str
    monday: date
    ordered: float
    expected: float
    """Of the batches that are seeded already, at the median of their forecast."""


async def house_space(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    house_id: int,
    days: int,
    seedings: Sequence[PlannedSeeding] = (),
) -> Space:
    """Return how full a house will be over so many days from today on, with the seedings of a plan."""
    house = await get_house(uow, access, house_id)
    local = ZoneInfo(house.time_zone)
    today = local_day(clock.now(), local)
    line = await house_line(uow, clock, access, house_id)
    successions, _ = await list_successions(uow, access, house_id=house_id, limit=MAX_LIMIT)
    keep = {s.id: s.keep_share for s in successions}
    taken = [[0.0, 0.0] for _ in range(days)]
    for batch in line.batches:
        _stand(taken, today, batch, keep.get(batch.succession_id, 1.0), local)
    for seeding in seedings:
        if seeding.house_id == house_id:
            _sow(taken, today, seeding)
    zones = await zones_of(uow, house_id)
    return Space(
        sum(z.capacity for z in zones if z.kind == "nursery"),
        sum(z.capacity for z in zones if z.kind == "channels"),
        [SpaceDay(today + timedelta(days=n), cells, sites) for n, (cells, sites) in enumerate(taken)],
    )


def _fill(taken: list[list[float]], kind: int, first: int, before: int, plants: float) -> None:
    for n in range(max(0, first), min(len(taken), before)):
        taken[n][kind] += plants


def _stand(taken: list[list[float]], today: date, batch: LineBatch, keep: float, local: ZoneInfo) -> None:
    """Put a batch that is there into the days; without a forecast it stays where it is."""
    never = len(taken)
    leaves = batch.last_harvest or batch.harvest
    cut = leaves.p50 if leaves else None
    cut_n = never if cut is None else max(1, (local_day(cut, local) - today).days)
    if batch.stage == "channels":
        _fill(taken, 1, 0, cut_n, batch.plants)
        return
    moved = batch.transplant.p50 if batch.transplant else None
    moved_n = never if moved is None else max(1, (local_day(moved, local) - today).days)
    _fill(taken, 0, 0, moved_n, batch.plants)
    _fill(taken, 1, moved_n, cut_n, round(keep * batch.plants))


def _sow(taken: list[list[float]], today: date, seeding: PlannedSeeding) -> None:
    begin = (seeding.on - today).days
    moved = [((day.on - today).days, day.count) for day in seeding.transplants]
    gone = [((day.on - today).days, day.count) for day in seeding.last_cuts]
    total = sum(n for _, n in moved)
    cleared = max((day for day, _ in moved), default=len(taken))
    for n in range(max(0, begin), min(len(taken), cleared)):
        share = sum(count for day, count in moved if day <= n) / total if total else 0.0
        taken[n][0] += seeding.cells * (1.0 - share)
    last = max(((day.on - today).days for day in seeding.harvests), default=len(taken))
    for n in range(max(0, min((day for day, _ in moved), default=len(taken))), min(len(taken), last)):
        taken[n][1] += sum(count for day, count in moved if day <= n) - sum(
            count for day, count in gone if day <= n
        )


async def weeks_of_heads(
    uow: UnitOfWork, clock: Clock, access: Access, house_id: int, weeks: int
) -> list[WeekOfHeads]:
    """Return what is ordered of the farm's crops and what this house's batches will give, week by week.

    An order by weight is counted in heads of the crop's target weight. A herb gives a head a cut; where its last cut
    lies beyond the forecast's horizon, its next alone is counted.
    """
    house = await get_house(uow, access, house_id)
    local = ZoneInfo(house.time_zone)
    today = local_day(clock.now(), local)
    monday = today - timedelta(days=today.weekday())
    mondays = [monday + timedelta(days=7 * n) for n in range(weeks)]
    crops, _ = await list_crops(uow, access, farm_id=house.farm_id, limit=MAX_LIMIT)
    orders, _ = await list_orders(uow, access, farm_id=house.farm_id, active=True, limit=MAX_LIMIT)
    line = await house_line(uow, clock, access, house_id)
    successions, _ = await list_successions(uow, access, house_id=house_id, limit=MAX_LIMIT)
    cuts = {crop.name: profile_of(crop).cuts for crop in crops}
    expected = _expected(line, {s.id: s.keep_share for s in successions}, cuts, local)
    found = []
    for crop in crops:
        ordered: dict[date, float] = dict.fromkeys(mondays, 0.0)
        for order in (o for o in orders if o.crop_id == crop.id):
            each = 1.0 if order.heads is not None else 1.0 / head_kg(profile_of(crop))
            for at in occurrences(order, today, mondays[-1] + timedelta(days=6)):
                ordered[at.on - timedelta(days=at.on.weekday())] += each * at.amount
        for begin in mondays:
            heads = sum(
                n
                for name, on, n in expected
                if name == crop.name and begin <= on <= begin + timedelta(days=6)
            )
            found.append(WeekOfHeads(crop.name, begin, ordered[begin], heads))
    shown = {w.crop for w in found if w.ordered or w.expected}
    return [w for w in found if w.crop in shown]


def _expected(
    line: HouseLine, keep: Mapping[int, float], cuts: Mapping[str, int], local: ZoneInfo
) -> list[tuple[str, date, float]]:
    today = local_day(line.at, local)
    found: list[tuple[str, date, float]] = []
    for batch in line.batches:
        share = 1.0 if batch.stage == "channels" else keep.get(batch.succession_id, 1.0)
        for at in _cuts_ahead(batch, cuts.get(batch.crop, 1)):
            on = max(today, local_day(at, local))  # what is overdue is cut now
            found.append((batch.crop, on, round(share * batch.plants)))
    return found


def _cuts_ahead(batch: LineBatch, cuts: int) -> list[datetime]:
    """Return when a batch of a crop of so many cuts will be cut, evenly apart from its next cut to its last."""
    first = batch.harvest.p50 if batch.harvest else None
    last = batch.last_harvest.p50 if batch.last_harvest else None
    if first is None:
        return []
    later = max(0, cuts - batch.cuts - 1)
    if last is None:  # how far apart they are is not known
        return [first]
    return [first + (last - first) * n / max(1, later) for n in range(later + 1)]
