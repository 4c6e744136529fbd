"""A plan as it is shown: seedings by date, what becomes of the orders, what binds, in words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from service.agronomy import planning as science
from service.agronomy.planning import Demand, Limit, Problem
from service.records.tables import Zone
from service.work.planning.draft import Draft, Wanted
from service.work.planning.given import FarmInput
from service.work.profiles import profile_of
from service.work.reforecast import HouseInput


@dataclass(frozen=True)
class Day:
    """Heads or plants on a day."""

    on: date
    count: float


@dataclass(frozen=True)
class Seeds:
    """Seeds of one cultivar."""

    cultivar_id: int | None
    cultivar: str | None
    seeds: int


@dataclass(frozen=True)
class PlannedSeeding:
    """A seeding of the plan and what becomes of it."""

    house_id: int
    house: str
    succession_id: int
    succession: str
    on: date
    trays: int
    cells: int
    cells_before: int | None  # in the plan in force; none: there is none
    seeds: tuple[Seeds, ...]  # a mix has a seed of each cultivar in every cell
    transplants: tuple[Day, ...]
    harvests: tuple[Day, ...]
    last_cuts: tuple[Day, ...]  # those of the harvests after which plants do not stand any more


@dataclass(frozen=True)
class Binding:
    """What stands in the way, and how much more of it would be enough."""

    kind: str  # sites | cells | labour | window | trays
    house_id: int | None
    house: str | None
    zone_id: int | None
    zone: str | None
    first_on: date | None
    last_on: date | None
    amount: float
    sentence: str


@dataclass(frozen=True)
class Expected:
    """Heads wanted on a day, and those that will be there."""

    order_id: int | None  # none too of an order that is only tried out
    succession_id: int | None
    crop_id: int
    crop: str
    buyer: str | None
    on: date
    heads: float
    planned: float
    short: float
    binding: tuple[Binding, ...]
    sentence: str | None  # of a shortfall


@dataclass(frozen=True)
class CropValue:
    """What a crop earns on a site, and how far orders support it."""

    crop_id: int
    crop: str
    price_a_head: float | None
    currency: str | None
    days_on_site: float
    heads_a_site: float
    per_site_week: float | None  # none: no order says a price
    site_weeks_a_head: float
    heads_ordered_a_week: float
    sites_ordered: float  # that the orders hold, on the mean
    heads_planned_a_week: float | None  # none: nothing was planned


@dataclass(frozen=True)
class SiteValues:
    """What the crops of a house earn on its sites."""

    house_id: int
    made_at: datetime
    starts_on: date
    ends_on: date
    sites: int
    values: tuple[CropValue, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class FarmPlan:
    """A plan, as shown."""

    farm_id: int
    made_at: datetime
    starts_on: date
    ends_on: date
    seedings: tuple[PlannedSeeding, ...]
    expected: tuple[Expected, ...]
    binding: tuple[Binding, ...]
    values: tuple[CropValue, ...]
    heads_wanted: float
    heads_planned: float
    heads_short: float
    plants_surplus: float
    gap: float
    within_gap: bool
    notes: tuple[str, ...]


def shown(
    given: FarmInput,
    draft: Draft,
    wanted: Sequence[Wanted],
    named: Sequence[tuple[Wanted, date]],
    problem: Problem,
    found: science.Plan,
) -> FarmPlan:
    planned: defaultdict[int, float] = defaultdict(float)
    for delivery in found.deliveries:
        planned[delivery.demand] += delivery.heads
    short = {s.demand: s for s in found.shortfalls}
    expected = []
    for number, (item, on) in enumerate(named):
        lacking = short.get(number)
        crop = given.crops[item.crop_id].name
        binding = tuple(_binding(draft, limit) for limit in lacking.limits) if lacking else ()
        expected.append(
            Expected(
                order_id=item.order_id if (item.order_id or 0) > 0 else None,
                succession_id=item.succession_id,
                crop_id=item.crop_id,
                crop=crop,
                buyer=item.buyer,
                on=on,
                heads=problem.demands[number].heads,
                planned=round(float(planned[number]), 1),
                short=round(lacking.heads, 1) if lacking else 0.0,
                binding=binding,
                sentence=_sentence(draft, problem.demands[number], item, on, crop, lacking, binding),
            )
        )
    order = sorted(range(len(expected)), key=lambda n: (expected[n].on, n))
    return FarmPlan(
        farm_id=given.farm_id,
        made_at=given.now,
        starts_on=given.starts_on,
        ends_on=given.ends_on,
        seedings=tuple(_seeding(given, draft, problem, found, p) for p in found.planned),
        expected=tuple(expected[n] for n in order),
        binding=tuple(_binding(draft, limit) for limit in found.limits),
        values=values_of(given, draft, wanted, expected),
        heads_wanted=sum(d.heads for d in problem.demands),
        heads_planned=round(float(sum(planned.values())), 1),
        heads_short=round(sum(s.heads for s in found.shortfalls), 1),
        plants_surplus=round(found.waste, 1),
        gap=round(found.gap, 4),
        within_gap=found.optimal,
        notes=tuple(_notes(given, draft, wanted, found)),
    )


def _seeding(
    given: FarmInput, draft: Draft, problem: Problem, found: science.Plan, planned: science.Planned
) -> PlannedSeeding:
    seeding = problem.seedings[planned.seeding]
    house, succession = draft.successions[seeding.programme]
    tray = problem.programmes[seeding.programme].tray_cells
    cells = planned.trays * tray
    moved: defaultdict[int, float] = defaultdict(float)
    cut: defaultdict[int, float] = defaultdict(float)
    for move in planned.moves:
        days = [course.transplant for course in seeding.ways[move.way]]
        moved[round(sum(days) / len(days))] += move.plants
    last: defaultdict[int, float] = defaultdict(float)
    for delivery in found.deliveries:
        if delivery.seeding == planned.seeding:
            day = problem.demands[delivery.demand].day
            cut[day] += delivery.heads
            if delivery.cut == max(len(course.cuts) for course in seeding.ways[delivery.way]) - 1:
                last[day] += delivery.heads
    mix: list[int | None] = [part.cultivar_id for part in succession.cultivars]
    ids = mix or [succession.cultivar_id]
    return PlannedSeeding(
        house_id=house.house.id,
        house=house.house.name,
        succession_id=succession.id,
        succession=succession.name,
        on=draft.day(seeding.day),
        trays=planned.trays,
        cells=cells,
        cells_before=seeding.trays_before * tray if problem.keep_plan else None,
        seeds=tuple(Seeds(i, None if i is None else given.cultivars[i], cells) for i in ids),
        transplants=_by_day(draft, moved),
        harvests=_by_day(draft, cut),
        last_cuts=_by_day(draft, last),
    )


def _by_day(draft: Draft, counts: Mapping[int, float]) -> tuple[Day, ...]:
    return tuple(
        Day(draft.day(day), round(float(n), 1)) for day, n in sorted(counts.items()) if n > science.SMALL
    )


def _binding(draft: Draft, limit: Limit) -> Binding:
    house: HouseInput | None = None
    zone: Zone | None = None
    if limit.where is not None:
        if limit.kind == "labour":
            house = draft.crew_houses[limit.where]
        else:
            house, zone = draft.zones[limit.where]
    first = None if limit.first_day is None else draft.day(limit.first_day)
    last = None if limit.last_day is None else draft.day(limit.last_day)
    amount = float(np.ceil(limit.amount - science.SMALL))
    said = {
        "window": f"no seeding that is still possible is ready on the day for {amount:.0f} heads",
        "trays": "no better plan of whole trays was found",
    }.get(limit.kind)
    if said is None and house is not None and first is not None and last is not None:
        what = "minutes of labour a day" if limit.kind == "labour" else limit.kind
        where = house.house.name + (f", {zone.name}" if zone else "")
        said = f"{amount:.0f} more {what} of {where} from {first:%d %b} to {last:%d %b} would be needed"
    return Binding(
        kind=limit.kind,
        house_id=house.house.id if house else None,
        house=house.house.name if house else None,
        zone_id=zone.id if zone else None,
        zone=zone.name if zone else None,
        first_on=first,
        last_on=last,
        amount=amount,
        sentence=said or limit.kind,
    )


def _sentence(
    draft: Draft,
    demand: Demand,
    item: Wanted,
    on: date,
    crop: str,
    lacking: science.Shortfall | None,
    binding: Sequence[Binding],
) -> str | None:
    if lacking is None:
        return None
    whose = f" for {item.buyer}" if item.buyer else ""
    text = f"{lacking.heads:.0f} of {demand.heads:.0f} heads of {crop}{whose} on {on:%d %b %Y} are short: "
    if not demand.programmes:
        return text + "no succession of the farm grows it."
    return text + "; ".join([*(b.sentence for b in binding), *_nearest(draft, demand, binding)]) + "."


def _nearest(draft: Draft, demand: Demand, binding: Sequence[Binding]) -> list[str]:
    """Say which possible seedings miss a day the least."""
    if "window" not in {b.kind for b in binding}:
        return []
    cuts = [
        (seeding.day, cut)
        for seeding in draft.seedings
        if seeding.programme in demand.programmes
        for way in seeding.ways
        for cut in way[0].cuts
    ]
    early = max((item for item in cuts if item[1].last < demand.day), key=lambda i: i[1].last, default=None)
    late = min((item for item in cuts if item[1].ready > demand.day), key=lambda i: i[1].ready, default=None)
    said = []
    if early:
        seeded, cut = early
        said.append(f"heads seeded on {draft.day(seeded):%d %b} may wait until {draft.day(cut.last):%d %b}")
    if late:
        seeded, cut = late
        said.append(f"those seeded on {draft.day(seeded):%d %b} are ready on {draft.day(cut.ready):%d %b}")
    return said


def values_of(
    given: FarmInput, draft: Draft, wanted: Sequence[Wanted], expected: Sequence[Expected] | None
) -> tuple[CropValue, ...]:
    """What each crop that is grown earns for a week of a site."""
    weeks = draft.days / 7.0
    found = []
    for crop_id in sorted({s.crop_id for _, s in draft.successions}):
        spans = [
            max(cut.ready for cut in course.cuts) - course.transplant
            for seeding in draft.seedings
            if draft.successions[seeding.programme][1].crop_id == crop_id
            for course in seeding.ways[len(seeding.ways) // 2]
        ]
        if not spans:
            continue
        profile = profile_of(given.crops[crop_id])
        own = [w for w in wanted if w.crop_id == crop_id]
        priced = [(w.price, w.currency, sum(n for _, n in w.days)) for w in own if w.price is not None]
        currencies = {currency for _, currency, n in priced if n > 0}
        price = None
        if len(currencies) == 1:
            price = sum(p * n for p, _, n in priced) / sum(n for _, _, n in priced)
        on_site = float(np.mean(spans)) + given.wish.turnaround_days
        value = science.value_per_site_week(price or 0.0, on_site, float(profile.cuts))
        a_week = sum(n for w in own for _, n in w.days) / weeks
        found.append(
            CropValue(
                crop_id=crop_id,
                crop=given.crops[crop_id].name,
                price_a_head=None if price is None else round(price, 4),
                currency=next(iter(currencies)) if price is not None else None,
                days_on_site=round(on_site, 1),
                heads_a_site=float(profile.cuts),
                per_site_week=None if price is None else round(value.per_site_week, 4),
                site_weeks_a_head=round(value.site_weeks_a_head, 3),
                heads_ordered_a_week=round(a_week, 1),
                sites_ordered=round(a_week * value.site_weeks_a_head),
                heads_planned_a_week=None
                if expected is None
                else round(sum(e.planned for e in expected if e.crop_id == crop_id) / weeks, 1),
            )
        )
    return tuple(sorted(found, key=lambda v: -(v.per_site_week or 0.0)))


def _notes(given: FarmInput, draft: Draft, wanted: Sequence[Wanted], found: science.Plan) -> list[str]:
    said = []
    if not given.houses:
        said.append("The farm has no house yet: there is nothing to plan.")
    elif not any(s.active for _, s in draft.successions):
        said.append("No succession of the farm is active: nothing can be seeded.")
    if given.houses and not any(w.order_id for w in wanted):
        said.append(
            "There are no orders: planned for what each succession is for, its heads every harvest interval."
        )
    grown = {s.crop_id for _, s in draft.successions}
    said += [
        f"{given.crops[crop_id].name} is ordered, but no succession grows it."
        for crop_id in sorted({w.crop_id for w in wanted if w.order_id} - grown)
    ]
    with_batches = {s.programme for s in draft.standing}
    for number, (_, succession) in enumerate(draft.successions):
        if succession.active and number not in with_batches:
            said.append(
                f"{succession.name} has no live batch: nothing of it can be cut before its first seeding is ready."
            )
    for name, count in draft.unreached.items():
        said.append(
            f"{name}: {count} possible seedings are not forecast to be ready by {given.ends_on:%d %b %Y} and are left"
            " out."
        )
    in_the_way: defaultdict[str, float] = defaultdict(float)
    for index, plants in found.cleared:
        in_the_way[draft.programmes[draft.standing[index].programme].name] += plants
    said += [
        f"{plants:.0f} plants of {name} stand in the way of what is ordered, and would be cleared at once."
        for name, plants in in_the_way.items()
    ]
    if not found.optimal:
        said.append(
            f"The time was up: a plan better by up to {found.gap:.1%} may exist. Fewer weeks or larger trays help."
        )
    return said
