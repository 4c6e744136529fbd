"""How long a plan of 26 weeks takes: three houses, eight successions, orders twice a week, on one core."""

from __future__ import annotations

import time

import numpy as np

from service.agronomy.planning import (
    Course,
    Cut,
    Demand,
    Plan,
    Problem,
    Programme,
    Seeding,
    Space,
    Standing,
    solve,
)

DAYS = 182
HOUSES = 3
SUCCESSIONS = 8
TRAY_CELLS, PLANTS_A_TRAY = 20, 16.0
SEEDING_WEEKDAYS = (0, 3)
ORDER_WEEKDAYS = (1, 4)
HARVEST_WINDOW_DAYS = 5


def duration_days(seeded: int, slow: float) -> tuple[float, float]:
    """Days in the nursery and in the channels of a seeding: a winter in the middle, as without lamps at 45 N."""
    winter = np.exp(-(((seeded - 70.0) / 45.0) ** 2))
    return 14.0 + 7.0 * winter, slow * (24.0 + 22.0 * winter)


def courses(seeded: int, slow: float) -> tuple[tuple[Course, ...], ...]:
    """Moved early, in the middle or late in the window; ready later by as much as it waits past the middle."""
    nursery, channels = duration_days(seeded, slow)
    ways = []
    for wait in (-2, 0, 2):
        move = round(seeded + nursery + wait)
        ready = round(seeded + nursery + channels + max(0, wait))
        ways.append((Course(move, (Cut(ready, ready + HARVEST_WINDOW_DAYS),)),))
    return tuple(ways)


def problem(luck: int = 1, weekly_heads: int = 220) -> Problem:
    """Three houses whose sites are just short in winter; batches stand in them from the weeks before."""
    rng = np.random.default_rng(luck)
    spaces, programmes, seedings, standing = [], [], [], []
    slow = rng.uniform(0.85, 1.15, SUCCESSIONS)
    home = np.arange(SUCCESSIONS) % HOUSES
    for house in range(HOUSES):
        own = int(np.sum(home == house))
        sites = np.full(DAYS, own * weekly_heads * 6)
        sites[100:103] -= weekly_heads  # a section is cleaned
        spaces += [
            Space(f"nursery {house + 1}", np.full(DAYS, own * weekly_heads * 5)),
            Space(f"channels {house + 1}", sites, turnaround_days=1),
        ]
    closed = {102, 103}
    for index in range(SUCCESSIONS):
        house = int(home[index])
        programmes.append(
            Programme(f"succession {index + 1}", 2 * house, 2 * house + 1, TRAY_CELLS, PLANTS_A_TRAY)
        )
        seedings += [
            Seeding(index, day, courses(day, slow[index]))
            for day in range(DAYS)
            if day % 7 in SEEDING_WEEKDAYS and day not in closed
        ]
        for week in range(1, 6):
            ways = courses(-7 * week, slow[index])
            if ways[1][0].transplant > 3:
                standing.append(Standing(index, weekly_heads, ways, cells=round(1.25 * weekly_heads)))
            elif ways[1][0].cuts[0].last >= 0:
                standing.append(Standing(index, weekly_heads, ways[1:2], in_channels=True))
    crops = [frozenset({0, 1, 2}), frozenset({3, 4}), frozenset({5}), frozenset({6}), frozenset({7})]
    demands = [
        Demand(day, round(weekly_heads / 2 * len(crop) * rng.uniform(0.85, 1.15)), crop)
        for crop in crops
        for day in range(DAYS)
        if day % 7 in ORDER_WEEKDAYS
    ]
    return Problem(DAYS, tuple(spaces), tuple(programmes), tuple(seedings), tuple(demands), tuple(standing))


def run() -> dict[str, float | int | bool]:
    """Plan once and return the figures."""
    given = problem()
    began = time.perf_counter()
    plan: Plan = solve(given, gap=0.01, time_limit_s=30.0)
    seconds = time.perf_counter() - began
    return {
        "days": given.days,
        "seedingDays": len(given.seedings),
        "demands": len(given.demands),
        "seconds": round(seconds, 2),
        "gap": round(plan.gap, 4),
        "withinGap": plan.optimal,
        "headsOrdered": round(sum(d.heads for d in given.demands)),
        "headsShort": round(sum(s.heads for s in plan.shortfalls)),
        "headsWasted": round(plan.waste),
        "seedings": len(plan.planned),
    }
