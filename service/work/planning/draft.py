"""A farm as a problem of the planning: its houses, batches, possible seedings, and what is wanted of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.agronomy import planning as science
from service.agronomy import succession as law
from service.agronomy.forecast import Dates
from service.agronomy.planning import Course, Cut, Demand, Programme, Seeding, Space, Standing
from service.agronomy.profile import CropProfile
from service.records.tables import HouseEvent, Order, Succession, Zone
from service.work.events import closed_days
from service.work.orders import occurrences
from service.work.planning.given import FarmInput, Wish
from service.work.profiles import head_kg, profile_of
from service.work.reforecast import HouseInput, LiveBatch, dates_ahead, learn
from service.work.times import epoch_hours, seeding_moment

_GRID_DAYS = 7  # apart are the seedings that are forecast; those between are interpolated
_NEVER = 2**62  # id of an event that is only tried out: the last word of its day


@dataclass(frozen=True)
class Wanted:
    """An order, or what a succession is for, as the plan sees it."""

    order_id: int | None
    crop_id: int
    buyer: str | None
    days: tuple[tuple[date, float], ...]  # heads
    price: float | None = None  # a head
    currency: str | None = None
    succession_id: int | None = None


@dataclass
class Draft:
    """A problem in the making, with what its parts stand for."""

    begin: date  # day 0
    days: int
    spaces: list[Space] = field(default_factory=list)
    zones: list[tuple[HouseInput, Zone]] = field(default_factory=list)  # of the spaces
    crews: list[science.Crew] = field(default_factory=list)
    crew_houses: list[HouseInput] = field(default_factory=list)
    programmes: list[Programme] = field(default_factory=list)
    successions: list[tuple[HouseInput, Succession]] = field(default_factory=list)  # of the programmes
    seedings: list[Seeding] = field(default_factory=list)
    standing: list[Standing] = field(default_factory=list)
    unreached: Counter[str] = field(default_factory=Counter)  # seedings without a harvest, by succession

    def day(self, index: int) -> date:
        """Return the day at an index."""
        return self.begin + timedelta(days=index)

    def index(self, day: date) -> int:
        """Return the index of a day."""
        return (day - self.begin).days


# --------------------------------------------------------------------------- what is wanted


def wanted_of(given: FarmInput, today: date) -> list[Wanted]:
    """Return the orders, with what is tried out."""
    changes: dict[int, dict[str, Any]] = {}
    for change in given.wish.orders:
        changes.setdefault(change["order_id"], {}).update(change)
    found = []
    for order in given.orders:
        change = changes.get(order.id, {})
        if not change.get("active", order.active):
            continue
        profile = profile_of(given.crops[order.crop_id])
        as_held = order if order.active else _taken_up(order)
        amount = change.get("heads", change.get("weight_kg"))
        weighs_kg = head_kg(profile)
        days = [
            (at.on, np.ceil((amount or at.amount) / (1.0 if order.heads is not None else weighs_kg)))
            for at in occurrences(as_held, today, given.ends_on)
        ]
        price = change.get("price", order.price)
        if price is not None and order.price_unit == "kg":
            price *= weighs_kg
        found.append(
            Wanted(
                order.id,
                order.crop_id,
                order.buyer,
                tuple((on, float(n)) for on, n in days),
                price,
                order.price_currency,
            )
        )
    return found


def _taken_up(order: Order) -> Order:
    """Return an order that was called off as if it had not been."""
    columns = {c.key: getattr(order, c.key) for c in Order.__table__.columns}
    held = Order(**{k: v for k, v in columns.items() if k not in {"id", "version"}} | {"active": True})
    held.id = order.id
    return held


def standing_demand(
    given: FarmInput, succession: Succession, programme: int, problem: Draft
) -> Wanted | None:
    """What a succession is for: its heads every harvest interval, from when it can first be ready."""
    sources: list[Seeding | Standing] = [*problem.seedings, *problem.standing]
    ready = [
        min(course.cuts[0].ready for way in source.ways for course in way)
        for source in sources
        if source.programme == programme
    ]
    if not ready:
        return None
    days = []
    day = float(max(0, min(ready)))
    while problem.day(round(day)) <= given.ends_on:
        days.append((problem.day(round(day)), float(succession.heads_per_harvest)))
        day += succession.harvest_interval_days
    return Wanted(None, succession.crop_id, None, tuple(days), succession_id=succession.id)


def demands_of(draft: Draft, wanted: Sequence[Wanted]) -> tuple[list[Demand], list[tuple[Wanted, date]]]:
    """Return what is to be cut on which day: the day itself, or the last one before on which a house works."""
    demands, named = [], []
    for item in wanted:
        growers = [
            number
            for number, (_, s) in enumerate(draft.successions)
            if s.crop_id == item.crop_id and item.succession_id in {None, s.id}
        ]
        closed = [closed_days(draft.successions[n][0].events) for n in growers]
        shut = frozenset.intersection(*closed) if closed else frozenset()
        for on, heads in item.days:
            day = on
            while day in shut and day > draft.begin:
                day -= timedelta(days=1)
            demands.append(Demand(draft.index(day), heads, frozenset(growers)))
            named.append((item, on))
    return demands, named


# --------------------------------------------------------------------------- what there is


class _Medians(NamedTuple):
    """Days, from day 0 on, at which a batch or seeding gets where, by group of members; inf: never."""

    opens: NDArray[np.float64]  # (rows, groups) each
    middle: NDArray[np.float64]
    closes: NDArray[np.float64]
    first: NDArray[np.float64]
    clear: NDArray[np.float64]


def _grouped(dates: Dates, noon_h: float, groups: int) -> _Medians:
    """Return medians of groups of members, from fast to slow, in days from day 0 on."""
    last = np.where(
        np.isfinite(dates.clear), dates.clear, np.nanmax(np.r_[dates.window_open.ravel(), 0]) + 1e4
    )
    order = np.argsort(last.mean(axis=0), kind="stable")
    parts = np.array_split(order, groups)

    def days(column: NDArray[np.float64]) -> NDArray[np.float64]:
        return (np.stack([np.median(column[:, part], axis=1) for part in parts], axis=1) - noon_h) / 24.0

    return _Medians(
        days(dates.window_open),
        days(dates.transplant),
        days(dates.window_close),
        days(dates.harvest),
        days(dates.clear),
    )


def draw_up(given: FarmInput, today: date) -> Draft:
    days = (given.ends_on - today).days + 1
    draft = Draft(today, days)
    for house in given.houses:
        _add_house(given, draft, _tried(given, house, today))
    return draft


def _tried(given: FarmInput, house: HouseInput, today: date) -> HouseInput:
    """Return a house with the lamps that are tried out."""
    changes = [c for c in given.wish.houses if c["house_id"] == house.house.id]
    lamps = {k: v for c in changes for k, v in c.items() if k in {"lamp_hours", "lamp_ppfd_umol"}}
    if not lamps:
        return house
    event = HouseEvent(house_id=house.house.id, kind="lamps", starts_on=today, **lamps)
    event.id = _NEVER
    return replace(house, events=[*house.events, event])


def _add_house(given: FarmInput, draft: Draft, house: HouseInput) -> None:
    wish = given.wish
    place = {zone_id: len(draft.spaces) + n for n, zone_id in enumerate(house.zones)}
    for zone in house.zones.values():
        draft.spaces.append(
            Space(
                f"{house.house.name}, {zone.name}",
                _capacity(wish, draft, house, zone),
                wish.turnaround_days if zone.kind == "channels" else 0,
            )
        )
        draft.zones.append((house, zone))
    labour = [
        c["labour_minutes"] for c in wish.houses if c["house_id"] == house.house.id and "labour_minutes" in c
    ]
    crew = None
    if labour:
        crew = len(draft.crews)
        draft.crews.append(
            science.Crew(
                house.house.name,
                np.full(draft.days, labour[-1]),
                wish.seed_minutes_a_tray,
                wish.move_minutes_a_plant,
                wish.cut_minutes_a_head,
            )
        )
        draft.crew_houses.append(house)
    if not house.successions:
        return
    noon_h = epoch_hours(datetime.combine(draft.begin, time(12), house.zone_info).astimezone(UTC))
    earliest = house.today + timedelta(days=int(given.now > seeding_moment(house.today, house.zone_info)))
    grid = [
        seeding_moment(earliest + timedelta(days=n), house.zone_info)
        for n in range(0, (given.ends_on - earliest).days + _GRID_DAYS, _GRID_DAYS)
    ]
    moments = np.array([epoch_hours(moment) for moment in grid])
    live, ahead = dates_ahead(learn(house), moments)
    for succession in house.successions:
        number = len(draft.programmes)
        profile = profile_of(house.crops[succession.crop_id])
        tray = min(wish.tray_cells, house.zones[succession.nursery_zone_id].capacity)
        draft.programmes.append(
            Programme(
                succession.name,
                place[succession.nursery_zone_id],
                place[succession.channels_zone_id],
                tray,
                tray * succession.keep_share,
                crew,
            )
        )
        draft.successions.append((house, succession))
        courses = _Courses(wish, profile, draft.days)
        for item in house.live:
            if item.batch.succession_id == succession.id:
                _add_batch(
                    draft,
                    courses,
                    number,
                    succession,
                    item,
                    _grouped(live[item.batch.id], noon_h, wish.groups),
                )
        if succession.active:
            first = max(earliest, given.starts_on)
            days = _seeding_days(house, succession, first, given.ends_on)
            _add_seedings(draft, courses, number, house, days, moments, ahead[succession.id], noon_h, given)


def _capacity(wish: Wish, draft: Draft, house: HouseInput, zone: Zone) -> NDArray[np.int64]:
    """Cells or sites of a zone by day: less what is cleaned, with what is tried out."""
    capacity = np.full(draft.days, zone.capacity, dtype=np.int64)

    def span(first: date | None, last: date | None) -> slice:
        begin = 0 if first is None else max(0, draft.index(first))
        return slice(begin, draft.days if last is None else max(begin, draft.index(last) + 1))

    for change in wish.zones:
        if change["zone_id"] == zone.id:
            capacity[span(change.get("starts_on"), change.get("ends_on"))] = change["capacity"]
    for event in house.events:
        if event.kind == "cleaning" and event.zone_id == zone.id:
            out = zone.capacity if event.sites is None else event.sites
            capacity[span(event.starts_on, event.ends_on)] -= out
    return np.maximum(capacity, 0)


def _seeding_days(house: HouseInput, succession: Succession, first: date, last: date) -> list[date]:
    closed = closed_days(house.events)
    months = house.seasons.get(succession.id)
    every = (first + timedelta(days=n) for n in range((last - first).days + 1))
    return [
        day
        for day in every
        if day.isoweekday() in succession.seeding_weekdays
        and day not in closed
        and (months is None or day.month in months)
    ]


@dataclass(frozen=True)
class _Courses:
    """Turns dates of the forecast into the courses of the plan."""

    wish: Wish
    profile: CropProfile
    days: int

    def ways(self, row: int, medians: _Medians, earliest: int, cuts: int) -> science.Ways | None:
        """Return the ways of what is yet to be moved; none: it is not ready within the outlook."""
        columns = [column[row] for column in medians]
        if not all(np.isfinite(column).all() for column in columns):
            return None
        opens, middle, closes, first, clear = (np.ceil(column).astype(int) for column in columns)
        waits = sorted(
            {*(opens - middle).tolist(), 0, *(closes - middle).tolist()} if opens.size == 1 else {0}
        )
        found = []
        for wait in [w for w in waits if w <= max(0, int((closes - middle).max()))]:
            way = []
            for g in range(opens.size):
                move = max(int(middle[g]) + wait, earliest)
                late = max(0, move - max(int(middle[g]), earliest))
                way.append(Course(move, self._cuts(move, int(first[g]) + late, int(clear[g]) + late, cuts)))
            if tuple(way) not in found:
                found.append(tuple(way))
        return tuple(found)

    def standing(self, row: int, medians: _Medians, cuts: int) -> science.Ways:
        """Return the one way of what stands on its sites; what is never ready stands to the end."""
        way = []
        for first, clear in zip(medians.first[row], medians.clear[row], strict=True):
            if not np.isfinite(first):
                way.append(Course(-1, (Cut(self.days, self.days),)))
            else:
                ready = max(0, int(np.ceil(first)))
                last = int(np.ceil(clear)) if np.isfinite(clear) else self.days
                way.append(Course(-1, self._cuts(-1, ready, max(ready, last), cuts)))
        return (tuple(way),)

    def _cuts(self, move: int, first: int, clear: int, cuts: int) -> tuple[Cut, ...]:
        """Space the cuts evenly, each with its window, which ends before the next begins."""
        window = self.wish.harvest_window_days
        first = max(first, move + 1)
        ready = np.unique(np.linspace(first, max(clear, first), cuts).round().astype(int)).tolist()
        ends = [following - 1 for following in ready[1:]] + [ready[-1] + window]
        return tuple(Cut(r, min(r + window, end)) for r, end in zip(ready, ends, strict=True))


def _add_batch(
    draft: Draft, courses: _Courses, number: int, succession: Succession, item: LiveBatch, medians: _Medians
) -> None:
    state = item.state
    cuts = max(1, courses.profile.cuts - len(state.cuts))
    if state.in_channels:
        draft.standing.append(
            Standing(number, float(state.in_channels), courses.standing(0, medians, cuts), in_channels=True)
        )
    if state.in_nursery:
        keep = round(state.cells * succession.keep_share) - state.in_channels - state.harvested
        plants = max(0, min(state.in_nursery, keep))
        ways = courses.ways(0, medians, 0, cuts)
        if ways is None:  # it stays on the table to the end
            ways = ((Course(draft.days, (Cut(draft.days + 1, draft.days + 1),)),) * courses.wish.groups,)
            plants = 0
        draft.standing.append(Standing(number, float(plants), ways, cells=state.in_nursery))


def _add_seedings(
    draft: Draft,
    courses: _Courses,
    number: int,
    house: HouseInput,
    days: Sequence[date],
    grid_h: NDArray[np.float64],
    dates: Dates,
    noon_h: float,
    given: FarmInput,
) -> None:
    succession = draft.successions[number][1]
    if not days:
        return
    wanted_h = np.array([epoch_hours(seeding_moment(day, house.zone_info)) for day in days])
    between = Dates(*(law.at(column, grid_h, wanted_h) for column in dates))
    medians = _grouped(between, noon_h, given.wish.groups)
    tray = draft.programmes[number].tray_cells
    before = {t.due_on: t.cells for t in given.tasks if t.succession_id == succession.id}
    for row, day in enumerate(days):
        index = draft.index(day)
        ways = courses.ways(row, medians, index + 1, courses.profile.cuts)
        if ways is None:
            draft.unreached[succession.name] += 1
            continue
        draft.seedings.append(Seeding(number, index, ways, round((before.get(day) or 0) / tray)))
