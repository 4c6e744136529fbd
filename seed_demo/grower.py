"""The simulated grower: written rules, followed day by day, and the facts they put into the ledgers.

Every morning the grower looks at what grew until midnight:

1. On Mondays leaves are counted on some plants of every batch in the nursery, and again when a batch is found
   ready; once, when the seedlings are up, how many came.
2. A batch whose heads have reached their weight is cut, whole, on the first working day.
3. Batches are transplanted from four true leaves on, the oldest first, if there are sites for all of a
   batch's best plants; the rest is graded out. Without sites they wait, and those behind them wait too.
   Seedlings that have grown far too old are thrown away.
4. Each programme is seeded at its interval, on its weekdays, if its trays find room on the nursery table.

There is no Sunday work. Nobody looks at forecasts: the interval stays what it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from seed_demo.crop import Day, Plant, Traits, Vigour, fresh_g, grow
from seed_demo.local import moment

TRANSPLANT_FROM = 4.15  # true leaves
TOO_OLD = 8.0
WORKING_DAYS = (1, 2, 3, 4, 5, 6)
COUNTING_DAY = 1
COUNT_EMERGENCE_AFTER_DAYS = 2  # from when the first are up

_PLANTS_COUNTED = 10
_LEAF_SPREAD = 0.35  # standard deviation between the plants of a batch
_HEADS_WEIGHED = 8
_WEIGHED_AT = (0.15, 0.45)  # of a ready head: some two weeks and one week before it is ready
_WEIGHT_SPREAD = 0.09  # relative, between the heads of a batch
_EMERGING = 0.94  # share of the cells
_BEST = 1.10  # dry weight of the kept seedlings over the mean
_VIGOUR_SPREAD = (0.04, 0.06)  # relative, of leaf rate and growth between batches


@dataclass(frozen=True, kw_only=True)
class Programme:
    """A succession as this grower runs it."""

    key: str
    name: str
    crop: str
    cultivar: str
    traits: Traits
    heads_per_harvest: int
    interval_days: float  # between seedings and between harvests
    first_weekday: int  # ISO, of the first seeding
    cells: int
    keep_share: float


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Room and conditions for a house's batches."""

    time_zone: str
    nursery_cells: int
    sites: int
    nursery_plants_m2: float
    channels_plants_m2: float
    nursery: Sequence[Day]  # from the first day on
    channels: Sequence[Day]


@dataclass(frozen=True, kw_only=True)
class Fact:
    """One line of a batch's ledger."""

    at: datetime
    kind: str
    plants: int | None = None
    leaves: float | None = None
    weight_g: float | None = None
    reason: str | None = None


@dataclass
class Story:
    """A batch, what became of it and what was written down."""

    programme: Programme
    seeded_on: date
    seeded_at: datetime
    vigour: Vigour
    plant: Plant
    facts: list[Fact] = field(default_factory=list)
    emerged_on: date | None = None
    plants: int = 0  # in place
    ready_on: date | None = None  # first day on which it could have been transplanted
    transplanted_on: date | None = None
    transplant_leaves: float | None = None  # true
    finished_on: date | None = None
    thrown_away: bool = False

    @property
    def in_nursery(self) -> bool:
        """Whether it stands in the nursery."""
        return self.transplanted_on is None and self.finished_on is None

    @property
    def in_channels(self) -> bool:
        """Whether it stands in the channels."""
        return self.transplanted_on is not None and self.finished_on is None

    def transplanted_before(self, when: datetime) -> bool:
        """Whether it stood in the channels at a moment."""
        return self.transplanted_on is not None and self.transplanted_on < when.date()

    def stage(self) -> str:
        """Return where it is now."""
        return "nursery" if self.in_nursery else "channels" if self.in_channels else "finished"


@dataclass(frozen=True)
class DayEnd:
    """Room taken after a day's work."""

    on: date
    nursery_cells: int
    sites: int
    seedings_skipped: int


@dataclass(frozen=True)
class Chronicle:
    """All batches of a house, in order of seeding, and its days."""

    stories: tuple[Story, ...]
    days: tuple[DayEnd, ...]


def run_house(
    programmes: Sequence[Programme], bench: Bench, first: date, days: int, rng: np.random.Generator
) -> Chronicle:
    """Follow the rules for a number of days in a house that is empty at first."""
    zone = ZoneInfo(bench.time_zone)
    stories: list[Story] = []
    ends: list[DayEnd] = []
    due = {p.key: _seeding_days(p, first, days) for p in programmes}
    for number in range(days):
        today = first + timedelta(days=number)
        if today.isoweekday() in WORKING_DAYS:
            _count(stories, today, zone, rng)
            _weigh(stories, today, zone)
            _harvest(stories, today, zone, rng)
            _transplant(stories, bench, today, zone, rng)
        skipped = 0
        for programme in programmes:
            if today in due[programme.key]:
                if _cells_taken(stories) + programme.cells <= bench.nursery_cells:
                    stories.append(_seed(programme, today, zone, rng))
                else:
                    skipped += 1
        ends.append(DayEnd(today, _cells_taken(stories), _sites_taken(stories), skipped))
        for story in stories:
            _grow(story, bench, number, today)
    return Chronicle(tuple(stories), tuple(ends))


def _seeding_days(programme: Programme, first: date, days: int) -> set[date]:
    start = first + timedelta(days=(programme.first_weekday - first.isoweekday()) % 7)
    count = int(days / programme.interval_days)
    return {start + timedelta(days=int(step * programme.interval_days)) for step in range(count + 1)}


def _seed(programme: Programme, today: date, zone: ZoneInfo, rng: np.random.Generator) -> Story:
    leaves, growth = (1.0 + spread * rng.standard_normal() for spread in _VIGOUR_SPREAD)
    return Story(
        programme=programme,
        seeded_on=today,
        seeded_at=moment(today, 14.0, zone),
        vigour=Vigour(leaves, growth),
        plant=Plant(),
        plants=programme.cells,
    )


def _count(stories: Sequence[Story], today: date, zone: ZoneInfo, rng: np.random.Generator) -> None:
    for story in stories:
        if not story.in_nursery or story.emerged_on is None:
            continue
        counted = any(fact.kind == "emergence_counted" for fact in story.facts)
        if not counted and (today - story.emerged_on).days >= COUNT_EMERGENCE_AFTER_DAYS:
            story.plants = int(rng.binomial(story.programme.cells, _EMERGING))
            at = moment(today, 8.0, zone)
            story.facts.append(Fact(at=at, kind="emergence_counted", plants=story.plants))
        if today.isoweekday() == COUNTING_DAY and story.plant.leaves >= 0.5:
            _count_leaves(story, today, zone, rng)


def _count_leaves(story: Story, today: date, zone: ZoneInfo, rng: np.random.Generator) -> None:
    """Count on some plants and write it down; once a day is enough."""
    at = moment(today, 8.5, zone)
    if all(fact.at != at for fact in story.facts):
        error = _LEAF_SPREAD / math.sqrt(_PLANTS_COUNTED) * rng.standard_normal()
        leaves = round(max(0.0, story.plant.leaves + error), 1)
        story.facts.append(Fact(at=at, kind="leaves_counted", leaves=leaves))


def _weigh(stories: Sequence[Story], today: date, zone: ZoneInfo) -> None:
    """Weigh some heads, which stay, twice on their way."""
    for story in stories:
        share = fresh_g(story.plant, story.programme.traits) / story.programme.traits.ready_g
        done = sum(fact.kind == "weighed" for fact in story.facts)
        if (
            not story.in_channels
            or share >= 1.0
            or share < _WEIGHED_AT[min(done, 1)]
            or done == len(_WEIGHED_AT)
        ):
            continue
        rng = np.random.default_rng([story.seeded_on.toordinal(), done, story.programme.cells])
        error = _WEIGHT_SPREAD / math.sqrt(_HEADS_WEIGHED) * rng.standard_normal()
        weight = round(fresh_g(story.plant, story.programme.traits) * (1.0 + error), 1)
        at = moment(today, 9.0, zone)
        story.facts.append(Fact(at=at, kind="weighed", plants=_HEADS_WEIGHED, weight_g=weight))


def _harvest(stories: Sequence[Story], today: date, zone: ZoneInfo, rng: np.random.Generator) -> None:
    for story in stories:
        traits = story.programme.traits
        if not story.in_channels or fresh_g(story.plant, traits) < traits.ready_g:
            continue
        error = _WEIGHT_SPREAD / math.sqrt(_HEADS_WEIGHED) * rng.standard_normal()
        weight = round(fresh_g(story.plant, traits) * (1.0 + error), 1)
        at = moment(today, 9.5, zone)
        story.facts.append(Fact(at=at, kind="harvested", plants=story.plants, weight_g=weight))
        story.plants = 0
        story.finished_on = today


def _transplant(
    stories: Sequence[Story], bench: Bench, today: date, zone: ZoneInfo, rng: np.random.Generator
) -> None:
    blocked = False
    for story in stories:  # the oldest first
        if not story.in_nursery or story.plant.leaves < TRANSPLANT_FROM:
            continue
        if story.ready_on is None:
            story.ready_on = today
            _count_leaves(story, today, zone, rng)
        at = moment(today, 10.5, zone)
        keep = min(story.plants, round(story.programme.cells * story.programme.keep_share))
        if story.plant.leaves > TOO_OLD:
            story.facts.append(Fact(at=at, kind="discarded", plants=story.plants, reason="too old"))
            story.plants = 0
            story.finished_on = today
            story.thrown_away = True
        elif blocked or _sites_taken(stories) + keep > bench.sites:
            blocked = True
        else:
            if story.plants > keep:
                rest = story.plants - keep
                story.facts.append(Fact(at=at, kind="discarded", plants=rest, reason="graded out"))
            story.facts.append(Fact(at=moment(today, 11.0, zone), kind="transplanted", plants=keep))
            story.plants = keep
            story.transplanted_on = today
            story.transplant_leaves = story.plant.leaves
            story.plant = replace(story.plant, dry_g=story.plant.dry_g * _BEST)


def _grow(story: Story, bench: Bench, number: int, today: date) -> None:
    if story.finished_on is not None or story.seeded_on == today:  # seeded in the afternoon: the day is over
        return
    day, density = (
        (bench.nursery[number], bench.nursery_plants_m2)
        if story.in_nursery
        else (bench.channels[number], bench.channels_plants_m2)
    )
    story.plant = grow(story.plant, story.programme.traits, story.vigour, day, density)
    if story.emerged_on is None and story.plant.emerged:
        story.emerged_on = today + timedelta(days=1)


def _cells_taken(stories: Sequence[Story]) -> int:
    return sum(story.programme.cells for story in stories if story.in_nursery)


def _sites_taken(stories: Sequence[Story]) -> int:
    return sum(story.plants for story in stories if story.in_channels)
