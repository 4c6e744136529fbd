"""What a house yielded over a span of days, and how evenly.

Rules
-----
- A week is an ISO week of local days, Monday to Sunday; the first and last week are cut by the span. Area is that of
  the channels: sites over plants a square metre.
- Site use is the mean share of the sites that are taken at noon of the week's days.
- A transplant is *in the window* if the last leaf count of the week before it lies from the leaves at which the crop's
  window opens to those at which it closes; without such a count, if it is between the medians of opening and closing
  of the forecast that held then. With neither it is not judged, and counted as such.
- Regularity is the coefficient of variation (standard deviation over mean, both of the sample) of the days between
  harvest days of one succession, and of the heads of whole weeks.
- Seed per head: seeds sown, of batches without a seed lot their cells, over heads, of the batches that were finished in
  the span; sold are the heads that left in packed lots.
- A forecast's error is the median date it gave minus the first harvest of the batch, days: above 0 it was too late.
  Batches that were said to be cut early, or held, are left out: their date says when they were cut, not when they
  were ready. Each batch counts once at each lead time, by the forecast that held so many days before;
  where only the last of each day is kept (see :mod:`service.work.thinning`), by the one that ended the day before.
"""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import batches as batch_records
from service.records import reports as records
from service.records.places import zones_of
from service.records.store import UnitOfWork
from service.records.tables import Batch, Entry
from service.work.access import Access
from service.work.fulfilment import check_days, sum_known
from service.work.ledger import LedgerState, derive, facts
from service.work.line import span
from service.work.places import get_house
from service.work.profiles import profile_of
from service.work.times import day_begin, local_day

LEADS_DAYS = (1, 3, 7, 14, 21, 28, 42)
"""Days before the harvest at which forecasts are looked at."""

LONGEST_DAYS = 800
_USUAL_WEEKS = 12
_LONGEST_CROP_DAYS = 200
_COUNT_HOLDS = timedelta(days=7)
_NEVER = datetime(9999, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Week:
    """One week of a house."""

    monday: date
    days: int
    """Of the span; 7: the whole week."""
    heads: int
    weight_kg: float | None
    """None: some heads were not weighed."""
    heads_m2: float | None
    """A square metre of channels; None: the house has no channels."""
    weight_kg_m2: float | None
    site_use: float | None
    """0 to 1, above 1 if more was transplanted than there are sites."""
    transplants: int
    """Plants."""
    transplants_judged: int
    transplants_in_window: int


@dataclass(frozen=True, kw_only=True)
class Regularity:
    """How evenly one succession was harvested."""

    succession_id: int
    harvest_days: int
    interval_mean_days: float | None
    interval_cv: float | None


@dataclass(frozen=True, kw_only=True)
class Stage:
    """Days that batches spent in a stage that ended in the span."""

    stage: str
    """emergence: seeding to emergence; nursery: seeding to first transplant; channels: that to first harvest;
    total: seeding to first harvest."""
    batches: int
    mean_days: float
    least_days: float
    most_days: float


@dataclass(frozen=True, kw_only=True)
class LeadError:
    """How far off forecasts of the harvest were at one lead time."""

    lead_days: int
    batches: int
    bias_days: float | None
    """Mean of median forecast minus harvest; above 0: too late."""
    mean_absolute_days: float | None
    inside_share: float | None
    """Of harvests inside the 10 to 90 % range, 0 to 1."""
    not_reached: int
    """Forecasts that did not reach the harvest within their horizon; they are in no mean."""


@dataclass(frozen=True, kw_only=True)
class Report:
    """What a house yielded, and how evenly."""

    house_id: int
    house: str
    first: date
    last: date
    area_m2: float
    sites: int
    heads: int
    weight_kg: float | None
    heads_m2_week: float | None
    weight_kg_m2_week: float | None
    site_use: float | None
    transplants: int
    transplants_judged: int
    window_share: float | None
    weekly_heads_cv: float | None
    seeds: int
    """Of the batches finished in the span."""
    seeds_per_head_harvested: float | None
    seeds_per_head_sold: float | None
    weeks: Sequence[Week]
    regularity: Sequence[Regularity]
    stages: Sequence[Stage]
    forecast_errors: Sequence[LeadError]
    forecast_batches_left_out: int
    """Cut early, or held."""


async def house_report(
    uow: UnitOfWork, clock: Clock, access: Access, house_id: int, first: date | None, last: date | None
) -> Report:
    """Return the report of a house on local days from ``first`` to ``last``, of the last twelve weeks if not said.

    Days after today are left out.
    """
    house = await get_house(uow, access, house_id)
    zone = ZoneInfo(house.time_zone)
    today = local_day(clock.now(), zone)
    last = min(last, today) if last is not None and (first is None or first <= today) else (last or today)
    if first is None:
        first = last - timedelta(days=last.weekday() + 7 * (_USUAL_WEEKS - 1))
    check_days(first, last, LONGEST_DAYS)
    seeded_from = first - timedelta(days=_LONGEST_CROP_DAYS)
    batches = await records.batches_seeded(uow, house_id, seeded_from, last, day_begin(first, zone))
    ledgers = await batch_records.entries_of(uow, [batch.id for batch in batches])
    crops = await records.crops_by_succession(uow, house_id)
    channels = [z for z in await zones_of(uow, house_id) if z.kind == "channels"]
    seen = [_Seen(batch, facts(ledgers[batch.id]), zone) for batch in batches]
    transplants = await _transplants(uow, seen, crops, first, last)
    area = sum(z.capacity / z.plants_m2 for z in channels)
    sites = sum(z.capacity for z in channels)
    weeks = _weeks(seen, transplants, first, last, zone, area, sites)
    finished = [s for s in seen if _in(s.finished_on, first, last)]
    seeds_sown = await records.seeds_sown(uow, [s.batch.id for s in finished])
    sold = await records.heads_sold(uow, [s.batch.id for s in finished])
    seeds = sum(seeds_sown.get(s.batch.id, s.batch.cells) for s in finished)
    harvested = sum(n for s in finished for _, n, _ in s.cut)
    left = sum(sold.values())
    errors, left_out = await _forecast_errors(uow, seen, first, last)
    whole = [week for week in weeks if week.days == 7]
    heads = sum(week.heads for week in weeks)
    weight = sum_known(week.weight_kg for week in weeks)
    span_weeks = ((last - first).days + 1) / 7.0
    judged = sum(week.transplants_judged for week in weeks)
    used = [(week.site_use, week.days) for week in weeks if week.site_use is not None]
    return Report(
        house_id=house.id,
        house=house.name,
        first=first,
        last=last,
        area_m2=area,
        sites=sites,
        heads=heads,
        weight_kg=weight,
        heads_m2_week=heads / area / span_weeks if area else None,
        weight_kg_m2_week=weight / area / span_weeks if area and weight is not None else None,
        site_use=sum(u * n for u, n in used) / sum(n for _, n in used) if used else None,
        transplants=sum(week.transplants for week in weeks),
        transplants_judged=judged,
        window_share=sum(week.transplants_in_window for week in weeks) / judged if judged else None,
        weekly_heads_cv=variation([float(week.heads) for week in whole]),
        seeds=seeds,
        seeds_per_head_harvested=seeds / harvested if harvested else None,
        seeds_per_head_sold=seeds / left if left else None,
        weeks=weeks,
        regularity=_regularity(seen, first, last),
        stages=_stages(seen, first, last),
        forecast_errors=errors,
        forecast_batches_left_out=left_out,
    )


class _Seen:
    """A batch, and what its ledger says of when things happened."""

    def __init__(self, batch: Batch, held: Sequence[Entry], zone: ZoneInfo) -> None:
        self.batch = batch
        self.held = held
        self.zone = zone
        self.state: LedgerState = derive(held)
        self.cut = [(e.happened_at, e.plants or 0, e.weight_g) for e in held if e.kind == "harvested"]
        self.harvests = [e for e in held if e.kind == "harvested"]
        self.finished_on = None if self.state.finished_at is None else local_day(self.state.finished_at, zone)

    def in_channels(self) -> list[tuple[datetime, int]]:
        """Return when the number of plants in the channels changed, and what it was from then on."""
        steps = []
        for n, entry in enumerate(self.held, start=1):
            if entry.kind in {"transplanted", "discarded", "harvested"}:
                steps.append((entry.happened_at, derive(self.held[:n]).in_channels))
        return steps


def _weeks(
    seen: Sequence[_Seen],
    transplants: Iterable[tuple[date, int, bool | None]],
    first: date,
    last: date,
    zone: ZoneInfo,
    area: float,
    sites: int,
) -> list[Week]:
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    taken = dict.fromkeys(days, 0)
    noons = {day: datetime.combine(day, time(12), zone).astimezone(UTC) for day in days}
    cuts: dict[date, list[tuple[int, float | None]]] = defaultdict(list)
    for batch in seen:
        for at, heads, weight_g in batch.cut:
            cuts[_monday(local_day(at, zone))] += [(heads, weight_g)] * _in(local_day(at, zone), first, last)
        steps = batch.in_channels()
        for (since, plants), (until, _) in pairwise([*steps, (_NEVER, 0)]):
            begin = max(local_day(since, zone), first)
            end = min(local_day(until, zone), last)
            for n in range((end - begin).days + 1):
                day = begin + timedelta(days=n)
                if since <= noons[day] < until:
                    taken[day] += plants
    moved: dict[date, list[tuple[int, bool | None]]] = defaultdict(list)
    for on, plants, right in transplants:
        moved[_monday(on)].append((plants, right))
    weeks = []
    for monday in sorted({_monday(day) for day in days}):
        own = [day for day in days if _monday(day) == monday]
        heads = sum(n for n, _ in cuts[monday])
        weight = sum_known(None if w is None else n * w / 1000.0 for n, w in cuts[monday] if n)
        weeks.append(
            Week(
                monday=monday,
                days=len(own),
                heads=heads,
                weight_kg=weight,
                heads_m2=heads / area if area else None,
                weight_kg_m2=weight / area if area and weight is not None else None,
                site_use=sum(taken[day] for day in own) / len(own) / sites if sites else None,
                transplants=sum(n for n, _ in moved[monday]),
                transplants_judged=sum(n for n, right in moved[monday] if right is not None),
                transplants_in_window=sum(n for n, right in moved[monday] if right),
            )
        )
    return weeks


async def _transplants(
    uow: UnitOfWork, seen: Sequence[_Seen], crops: Mapping[int, Any], first: date, last: date
) -> list[tuple[date, int, bool | None]]:
    """Return day, plants and whether it was in the window (None: not known) of each transplant of the span."""
    found: list[tuple[date, int, bool | None]] = []
    open_: list[tuple[_Seen, Entry]] = []
    for batch in seen:
        profile = profile_of(crops[batch.batch.succession_id])
        for entry in batch.held:
            on = local_day(entry.happened_at, batch.zone)
            if entry.kind != "transplanted" or not _in(on, first, last):
                continue
            counts = [
                leaves
                for at, leaves in batch.state.leaf_counts
                if entry.happened_at - _COUNT_HOLDS <= at <= entry.happened_at
            ]
            if counts:
                right = profile.window_open_leaves <= counts[-1] <= profile.window_close_leaves
                found.append((on, entry.plants or 0, right))
            else:
                open_.append((batch, entry))
    held = await records.forecasts_that_held(uow, [(b.batch.id, e.happened_at) for b, e in open_])
    for batch, entry in open_:
        on = local_day(entry.happened_at, batch.zone)
        points = held.get((batch.batch.id, entry.happened_at))
        found.append(
            (on, entry.plants or 0, None if points is None else _in_window(points, entry.happened_at))
        )
    return found


def _in_window(points: Mapping[str, Any], at: datetime) -> bool | None:
    opens, closes = span(points.get("window_open")), span(points.get("window_close"))
    if opens is None or opens.p50 is None or closes is None:
        return None
    return opens.p50 <= at and (closes.p50 is None or at <= closes.p50)


def _regularity(seen: Sequence[_Seen], first: date, last: date) -> list[Regularity]:
    days: dict[int, set[date]] = defaultdict(set)
    for batch in seen:
        for at, _, _ in batch.cut:
            on = local_day(at, batch.zone)
            if _in(on, first, last):
                days[batch.batch.succession_id].add(on)
    rows = []
    for succession_id, every in sorted(days.items()):
        intervals = [float((b - a).days) for a, b in pairwise(sorted(every))]
        rows.append(
            Regularity(
                succession_id=succession_id,
                harvest_days=len(every),
                interval_mean_days=statistics.fmean(intervals) if intervals else None,
                interval_cv=variation(intervals),
            )
        )
    return rows


def variation(values: Sequence[float]) -> float | None:
    """Return the coefficient of variation: sample standard deviation over mean; None with fewer than two values."""
    if len(values) < 2 or not (mean := statistics.fmean(values)):
        return None
    return statistics.stdev(values) / mean


def _stages(seen: Sequence[_Seen], first: date, last: date) -> list[Stage]:
    spans: dict[str, list[float]] = {"emergence": [], "nursery": [], "channels": [], "total": []}
    for batch in seen:
        state = batch.state
        cut = batch.cut[0][0] if batch.cut else None
        for stage, begin, end in (
            ("emergence", state.seeded_at, state.emerged_at),
            ("nursery", state.seeded_at, state.transplanted_at),
            ("channels", state.transplanted_at, cut),
            ("total", state.seeded_at, cut),
        ):
            if begin is not None and end is not None and _in(local_day(end, batch.zone), first, last):
                spans[stage].append((end - begin) / timedelta(days=1))
    return [
        Stage(
            stage=stage,
            batches=len(days),
            mean_days=statistics.fmean(days),
            least_days=min(days),
            most_days=max(days),
        )
        for stage, days in spans.items()
        if days
    ]


def moments_judged(entries: Iterable[Entry]) -> list[datetime]:
    """Return the moments of a batch's ledger of which a report asks what its forecast was then."""
    held = facts(entries)
    harvests = [e.happened_at for e in held if e.kind == "harvested"]
    return [
        *(e.happened_at for e in held if e.kind == "transplanted"),
        *(harvests[0] - timedelta(days=lead) for lead in LEADS_DAYS if harvests),
    ]


async def _forecast_errors(
    uow: UnitOfWork, seen: Sequence[_Seen], first: date, last: date
) -> tuple[list[LeadError], int]:
    done = [s for s in seen if s.harvests and _in(local_day(s.cut[0][0], s.zone), first, last)]
    judged = [s for s in done if s.harvests[0].readiness in {None, "ready"}]
    moments = {
        (s.batch.id, s.cut[0][0] - timedelta(days=lead)): (s, lead)
        for s in judged
        for lead in LEADS_DAYS
        if s.cut[0][0] - timedelta(days=lead) >= s.state.seeded_at
    }
    held = await records.forecasts_that_held(uow, list(moments))
    off: dict[int, list[float]] = defaultdict(list)
    inside: dict[int, list[bool]] = defaultdict(list)
    beyond: dict[int, int] = defaultdict(int)
    for key, points in held.items():
        batch, lead = moments[key]
        harvest, happened = span(points.get("harvest")), batch.cut[0][0]
        if harvest is None:
            continue
        if harvest.p50 is None:
            beyond[lead] += 1
            continue
        off[lead].append((harvest.p50 - happened) / timedelta(days=1))
        if harvest.p10 is not None:
            inside[lead].append(harvest.p10 <= happened and (harvest.p90 is None or happened <= harvest.p90))
    rows = [
        LeadError(
            lead_days=lead,
            batches=len(off[lead]),
            bias_days=_mean(off[lead]),
            mean_absolute_days=_mean([abs(x) for x in off[lead]]),
            inside_share=_mean([float(x) for x in inside[lead]]),
            not_reached=beyond[lead],
        )
        for lead in LEADS_DAYS
        if off[lead] or beyond[lead]
    ]
    return rows, len(done) - len(judged)


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _in(day: date | None, first: date, last: date) -> bool:
    return day is not None and first <= day <= last


def _mean(values: Sequence[float]) -> float | None:
    return statistics.fmean(values) if values else None
