"""Perfect foresight: what a house could deliver at best, were all that is to come known.

Nothing but sites limits it. Then of all seedings that serve an order day within the days that a ready head may wait,
moved on any day inside the transplant window, one is at least as good as every other: the one that holds its sites
from the latest day on. How many plants of each are raised is a linear program over the days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from service.work.replay.loop import Growth, Rules

_SITE_DAY = 1e-4  # against a head: of plans as good, the one that holds fewer


class Serving(NamedTuple):
    """The best seeding for an order day."""

    order_day: int
    seeded: int
    moved: int


@dataclass(frozen=True)
class Best:
    """What could have been done."""

    servings: tuple[Serving, ...]
    plants: NDArray[np.float64]  # of each
    short: dict[int, float]  # by order day
    site_days: float  # from the first orders on

    def winters(self, rules: Rules) -> tuple[int, int]:
        """Return in how many winters (October to March) the order was met, and how many there were."""
        by_winter: dict[int, float] = {}
        for day, heads in self.short.items():
            on = rules.on(day)
            if on.month in {10, 11, 12, 1, 2, 3}:
                winter = on.year - (on.month <= 3)
                by_winter[winter] = by_winter.get(winter, 0.0) + heads
        return sum(lacking < 0.01 * rules.heads for lacking in by_winter.values()), len(by_winter)


def servings(growth: Growth, rules: Rules) -> list[Serving]:
    """Return the best seeding for each order day, where there is one."""
    best: dict[int, Serving] = {}
    pairs = []
    for seeded in range(rules.days):
        if rules.on(seeded).isoweekday() not in rules.seeding_weekdays:
            continue
        day = growth.emerged(seeded)
        while day < rules.days and (leaves := growth.leaves(seeded, day)) <= rules.window[1]:
            if leaves >= rules.window[0]:
                pairs.append((seeded, day))
            day += 1
    if not pairs:
        return []
    seeded_of, moved_of = np.array(pairs).T
    ready = growth.ready(seeded_of, moved_of)
    for order_day in rules.order_days():
        fits = np.flatnonzero((ready <= order_day) & (order_day <= ready + rules.hold_days))
        if fits.size:
            last = fits[np.argmax(moved_of[fits])]
            best[order_day] = Serving(order_day, int(seeded_of[last]), int(moved_of[last]))
    return list(best.values())


def foresee(growth: Growth, rules: Rules, found: Sequence[Serving] | None = None) -> Best:
    """Plan with all known."""
    chosen = tuple(servings(growth, rules) if found is None else found)
    held = held_by(chosen, rules.days)
    stays = np.array([s.order_day - s.moved for s in chosen], dtype=np.float64)
    result = milp(
        _SITE_DAY * stays - 1.0,
        bounds=Bounds(0.0, float(rules.heads)),
        constraints=LinearConstraint(csr_array(held.T), -np.inf, float(rules.sites)),
    )
    plants = np.asarray(result.x)
    short = dict.fromkeys(rules.order_days(), float(rules.heads))
    for serving, n in zip(chosen, plants, strict=True):
        short[serving.order_day] -= float(n)
    return Best(chosen, plants, short, float(plants @ held[:, rules.orders_from :].sum(axis=1)))


def held_by(chosen: Sequence[Serving], days: int) -> NDArray[np.float64]:
    """Return on which days a plant for each order day holds a site, shape (orders, days)."""
    held = np.zeros((len(chosen), days))
    for row, serving in enumerate(chosen):
        held[row, serving.moved : serving.order_day] = 1.0
    return held


def order_that_fits(growth: Growth, rules: Rules, winters: float = 0.8) -> int:
    """Return the largest order, in steps of 5 heads, that a house can meet in such a share of its winters."""
    chosen = servings(growth, rules)
    held = held_by(chosen, rules.days).sum(axis=0)
    most: dict[int, float] = {}
    for day in range(rules.orders_from, rules.days):
        on = rules.on(day)
        winter = on.year - (on.month <= 6)
        most[winter] = max(most.get(winter, 0.0), held[day])
    peaks = sorted(most.values())
    peak = peaks[min(len(peaks) - 1, int(np.ceil(winters * len(peaks) - 1e-9)) - 1)]
    return int(rules.sites / peak // 5 * 5)
