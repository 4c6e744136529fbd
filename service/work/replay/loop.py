"""The closed loop: what a house delivers when its seedings follow a rule, by rules for everything else.

A house is walked day by day. A :class:`Grower` decides what to seed; all else follows :class:`Rules` that are the same
for every grower:

- Seedlings are looked at every day from :data:`LOOK_LEAVES` true leaves on. Once a count says :data:`MOVE_LEAVES`, as
  many of those to be kept are moved as there are free sites, the oldest first. Where sites are late the others wait,
  and are moved as sites fall free.
- Seedlings counted at :data:`OLD_LEAVES` are thrown away.
- What is ordered is wanted on one weekday. It is cut from heads that are ready, the oldest first. A head may wait so
  many days on its site after it is ready; then it is thrown away and the site is free.

What becomes of a seeding is told by a :class:`Growth`, the same for every grower: seeded on the same day and moved on
the same day, plants do the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Days = NDArray[np.int64]

LOOK_LEAVES = 3.0
MOVE_LEAVES = 4.4  # counted; what counting costs in error, half a leaf of room to the window's end takes up
OLD_LEAVES = 7.0
COUNT_SPREAD = 0.2  # standard deviation of a counted mean, leaves
WEIGHED_SPREAD = 0.05  # relative, of a weighed sample
SAMPLE_DAYS = 7  # between two
SAMPLE_FROM = 0.2  # of the weight of a ready head

NoteKind = Literal["emerged", "counted", "transplanted", "discarded", "weighed", "harvested"]


class Growth(Protocol):
    """What becomes of seedings, in days of the walk."""

    @property
    def ready_g(self) -> float:
        """Fresh weight of a ready head."""

    def emerged(self, seeded: int) -> int:
        """Return the first morning on which seedlings are up."""

    def leaves(self, seeded: int, day: int) -> float:
        """Return the true leaves of seedlings in the nursery on a morning."""

    def ready(self, seeded: Days, moved: Days) -> Array:
        """Return when heads are ready; inf: not within what is known."""

    def fresh_g(self, seeded: int, moved: int, day: int) -> float:
        """Return the fresh weight of a head on a morning; nan: not known."""


@dataclass(frozen=True, kw_only=True)
class Rules:
    """What is the same for every grower."""

    first: date  # day 0
    days: int
    sites: int
    cells: int  # of the nursery
    keep_share: float  # of the cells seeded, moved
    heads: int  # ordered for each order day
    order_weekday: int  # ISO
    orders_from: int  # first day of orders, and of what is scored
    hold_days: int  # that a ready head may wait
    seeding_weekdays: tuple[int, ...] = (1, 2, 3, 4, 5, 6)
    window: tuple[float, float] = (4.0, 5.0)
    seed: int = 7

    @property
    def cells_a_seeding(self) -> int:
        """Cells that give as many plants as are ordered for an order day."""
        return math.ceil(self.heads / self.keep_share - 1e-9)

    def on(self, day: int) -> date:
        """Return the date of a day of the walk."""
        return self.first + timedelta(days=day)

    def order_days(self) -> list[int]:
        """Return the days on which heads are wanted."""
        return [
            d for d in range(self.orders_from, self.days) if self.on(d).isoweekday() == self.order_weekday
        ]


@dataclass(frozen=True)
class Note:
    """What the grower writes down of a batch, on a morning."""

    kind: NoteKind
    day: int
    plants: int = 0
    value: float = np.nan  # leaves, grams a head
    readiness: Literal["ready", "held"] | None = None


@dataclass
class Group:
    """Plants of a batch that were moved on one day."""

    moved: int
    plants: int
    ready: float


@dataclass
class Sown:
    """A batch of the walk."""

    seeded: int
    cells: int
    waiting: int  # to be moved still
    groups: list[Group] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    up: bool = False

    @property
    def standing(self) -> int:
        """Plants in the channels."""
        return sum(g.plants for g in self.groups)


class Grower(Protocol):
    """Decides what is seeded."""

    def cells(self, day: int, batches: Sequence[Sown]) -> int:
        """Return how many cells to seed on a day, having seen all batches so far; 0: none."""


@dataclass(frozen=True)
class Telling:
    """What was told at a look: the seeding interval and cells in force from then on."""

    day: int
    decision: str
    interval_days: float
    cells: int


@dataclass
class Outcome:
    """What came of a walk; of the days from the first orders on."""

    ordered: int = 0
    short: int = 0
    cut: int = 0
    weeks_short: int = 0
    moved: int = 0
    moved_in_window: int = 0
    thrown_away: int = 0  # seedlings that found no site in time
    overgrown: int = 0  # heads that nobody wanted in time
    site_days: int = 0
    seedings: int = 0
    cells: int = 0

    @property
    def window_share(self) -> float:
        """Share of transplants inside the window; seedlings thrown away for want of sites count as outside."""
        every = self.moved + self.thrown_away
        return self.moved_in_window / every if every else np.nan


def walk(growth: Growth, rules: Rules, grower: Grower) -> Outcome:
    """Walk a house under a grower."""
    batches: list[Sown] = []
    live: list[Sown] = []
    out = Outcome()
    order_days = set(rules.order_days())
    for day in range(rules.days):
        scored = day >= rules.orders_from
        _harvest(growth, rules, live, day, out, rules.heads if day in order_days else 0, scored=scored)
        free = rules.sites - sum(b.standing for b in live)
        for batch in live:
            free -= _tend(growth, rules, batch, day, free, out, scored=scored)
        cells = grower.cells(day, batches)
        if cells:
            room = rules.cells - sum(b.cells for b in live if b.waiting)
            if cells > room:
                raise ValueError(
                    f"{cells} cells are to be seeded on {rules.on(day)}, and there is room for {room}"
                )
            batch = Sown(day, cells, round(cells * rules.keep_share))
            batches.append(batch)
            live.append(batch)
        live = [b for b in live if b.waiting or b.standing]
        if scored:
            out.site_days += sum(b.standing for b in live)
            out.seedings += bool(cells)
            out.cells += cells
    return out


def _harvest(
    growth: Growth, rules: Rules, live: Sequence[Sown], day: int, out: Outcome, wanted: int, *, scored: bool
) -> None:
    there = sorted(
        ((g.ready, n, g, b) for n, b in enumerate(live) for g in b.groups if g.plants and g.ready <= day),
        key=lambda item: item[:2],
    )
    lacking = wanted
    for ready, _, group, batch in there:
        taken = min(lacking, group.plants) if day <= ready + rules.hold_days else 0
        if taken:
            group.plants -= taken
            lacking -= taken
            weight = growth.fresh_g(batch.seeded, group.moved, day)
            said: Literal["ready", "held"] = "held" if day - ready > 2.0 else "ready"
            batch.notes.append(Note("harvested", day, taken, weight, said))
        if group.plants and day + 1 > ready + rules.hold_days:
            batch.notes.append(Note("discarded", day, group.plants))
            out.overgrown += group.plants * scored
            group.plants = 0
    if scored and wanted:
        out.ordered += wanted
        out.cut += wanted - lacking
        out.short += lacking
        out.weeks_short += bool(lacking)


def _tend(
    growth: Growth, rules: Rules, batch: Sown, day: int, free: int, out: Outcome, *, scored: bool
) -> int:
    """Look at a batch: note what is seen, move what is ready to be moved. Return the sites taken."""
    _sample(growth, rules, batch, day)
    if not batch.waiting:
        return 0
    if day < growth.emerged(batch.seeded):
        return 0
    if not batch.up:
        batch.up = True
        # The day before it was looked for in vain, which is written down with what was found.
        if day - 1 > batch.seeded:
            batch.notes.append(Note("emerged", day - 1, 0))
        batch.notes.append(Note("emerged", day, batch.cells))
    leaves = growth.leaves(batch.seeded, day)
    if leaves < LOOK_LEAVES:
        return 0
    count = round(max(leaves + COUNT_SPREAD * _luck(rules.seed, batch.seeded, day), 0.0), 1)
    batch.notes.append(Note("counted", day, value=count))
    if count < MOVE_LEAVES:
        return 0
    moving = max(0, min(batch.waiting, free))
    if moving:
        ready = float(growth.ready(np.array([batch.seeded]), np.array([day]))[0])
        batch.groups.append(Group(day, moving, max(ready, day + 1.0)))
        batch.waiting -= moving
        batch.notes.append(Note("transplanted", day, moving))
        if scored:
            out.moved += moving
            out.moved_in_window += moving * (rules.window[0] <= leaves <= rules.window[1])
    if batch.waiting and count >= OLD_LEAVES:
        out.thrown_away += batch.waiting * scored
        batch.waiting = 0
    if not batch.waiting:
        kept = sum(n.plants for n in batch.notes if n.kind == "transplanted")
        if batch.cells > kept:  # the smallest, and what came too old
            batch.notes.append(Note("discarded", day, batch.cells - kept))
    return moving


def _sample(growth: Growth, rules: Rules, batch: Sown, day: int) -> None:
    """Weigh some heads once a week, as they near their weight; they are put back into their sites."""
    if not batch.groups or (day - batch.seeded) % SAMPLE_DAYS:
        return
    group = batch.groups[0]
    if not group.plants or day >= group.ready:
        return
    fresh = growth.fresh_g(batch.seeded, group.moved, day)
    if fresh >= SAMPLE_FROM * growth.ready_g:
        luck = _luck(rules.seed + 1, batch.seeded, day)
        batch.notes.append(Note("weighed", day, 1, round(fresh * (1.0 + WEIGHED_SPREAD * luck), 1)))


def _luck(seed: int, seeded: int, day: int) -> float:
    """Return a standard normal that depends on nothing but its place, so that growers share it."""
    return float(np.random.default_rng([seed, seeded, day]).standard_normal())


# --------------------------------------------------------------------------- growers


@dataclass(frozen=True)
class FixedInterval:
    """Seeds as many cells as the orders ask for, every so many days, come what may."""

    cells_a_seeding: int
    interval_days: int = 7

    def cells(self, day: int, batches: Sequence[Sown]) -> int:  # noqa: ARG002 - it looks at nothing
        """Return how many cells to seed on a day."""
        return self.cells_a_seeding if day % self.interval_days == 0 else 0
