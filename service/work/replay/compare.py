"""Three growers in the same house: every seven days, as advised, and with all that is to come known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from service.agronomy.succession import CHANGE_DAYS_A_WEEK
from service.records.tables import Succession
from service.work.reforecast import HouseInput
from service.work.replay.follow import AdviceFollower
from service.work.replay.foresight import Best, foresee
from service.work.replay.loop import FixedInterval, Growth, Outcome, Rules, Telling, walk

REVERSED_DAYS = 10
_CHANGE_CELLS = 0.1  # of the cells, as a share, that counts as a change of what is told


@dataclass(frozen=True)
class Flapping:
    """How often what was told changed, and how often it was turned round soon after."""

    changes: int
    most_a_week: int
    reversals: int  # of the interval within REVERSED_DAYS
    weeks: float


@dataclass(frozen=True)
class Comparison:
    """What came of a house under the three."""

    name: str
    rules: Rules
    fixed: Outcome
    advised: Outcome
    best: Best
    flapping: Flapping
    winters_met: int  # by foresight
    winters: int

    @property
    def best_short(self) -> float:
        """Heads short with all that is to come known."""
        return sum(self.best.short.values())

    @property
    def closed(self) -> float:
        """Share of the gap in heads short, between a fixed interval and foresight, that the advice closes."""
        gap = self.fixed.short - self.best_short
        return (self.fixed.short - self.advised.short) / gap if gap > 0 else np.nan


def compare(
    name: str,
    growth: Growth,
    rules: Rules,
    known: HouseInput,
    succession: Succession,
    *,
    follow_from: int = 0,
    every_days: int = 1,
) -> Comparison:
    """Walk a house under the three growers. Pure: no clock, no database.

    Parameters
    ----------
    name
        What is walked.
    growth
        What becomes of seedings.
    rules
        The same for all.
    known
        The house as the service would read it, without batches; its measured hours reach over the whole walk.
    succession
        The one that is walked; its interval is changed as advised.
    follow_from
        Day up to which the advice is not asked, and all seed at the fixed interval.
    every_days
        Days between two looks at the advice.
    """
    fixed = FixedInterval(rules.cells_a_seeding)
    follower = AdviceFollower(known, succession, rules, fixed, follow_from, every_days)
    best = foresee(growth, rules)
    return Comparison(
        name,
        rules,
        walk(growth, rules, fixed),
        walk(growth, rules, follower),
        best,
        flapping([t for t in follower.told if t.day >= rules.orders_from]),
        *best.winters(rules),
    )


def flapping(told: Sequence[Telling]) -> Flapping:
    """Count the changes of what is told from look to look."""
    changes: list[
        tuple[int, int]
    ] = []  # day, and whether the interval became longer (1) or shorter (-1); 0: neither
    for before, now in pairwise(told):
        off = (now.interval_days - before.interval_days) * 7.0 / before.interval_days
        if abs(off) >= CHANGE_DAYS_A_WEEK - 0.1:  # intervals are told to a tenth of a day
            changes.append((now.day, int(np.sign(off))))
        elif abs(now.cells - before.cells) >= _CHANGE_CELLS * before.cells:
            changes.append((now.day, 0))
    days = np.array([day for day, _ in changes])
    turned = [(day, turn) for day, turn in changes if turn]
    return Flapping(
        changes=len(changes),
        most_a_week=max((int(((days >= d) & (days < d + 7)).sum()) for d in days), default=0),
        reversals=sum(
            turn == -before and day - at <= REVERSED_DAYS for (at, before), (day, turn) in pairwise(turned)
        ),
        weeks=(told[-1].day - told[0].day + 1) / 7.0 if told else 0.0,
    )


# --------------------------------------------------------------------------- what it says


def as_json(done: Comparison) -> dict[str, Any]:
    """Return a comparison as JSON shows it."""
    return {
        "name": done.name,
        "from": done.rules.on(done.rules.orders_from).isoformat(),
        "to": done.rules.on(done.rules.days - 1).isoformat(),
        "headsAWeek": done.rules.heads,
        "sites": done.rules.sites,
        "headsOrdered": done.fixed.ordered,
        "fixed": _outcome(done.fixed),
        "advice": _outcome(done.advised),
        "foresight": {"headsShort": round(done.best_short), "siteDays": round(done.best.site_days)},
        "gapClosed": None if np.isnan(done.closed) else round(done.closed, 3),
        "changes": done.flapping.changes,
        "mostChangesAWeek": done.flapping.most_a_week,
        "reversals": done.flapping.reversals,
        "wintersMetWithForesight": done.winters_met,
        "winters": done.winters,
    }


def _outcome(of: Outcome) -> dict[str, Any]:
    return {
        "headsShort": of.short,
        "weeksShort": of.weeks_short,
        "transplantsInWindow": None if np.isnan(of.window_share) else round(of.window_share, 3),
        "siteDays": of.site_days,
        "headsOvergrown": of.overgrown,
        "seedlingsThrownAway": of.thrown_away,
        "seedings": of.seedings,
        "cells": of.cells,
    }


def table(done: Comparison) -> list[str]:
    """Return a comparison in words."""
    fixed, advised = done.fixed, done.advised
    weeks = (done.rules.days - done.rules.orders_from) / 7.0
    rows = [
        ("", "every 7 days", "as advised", "foresight"),
        ("heads short", f"{fixed.short:,}", f"{advised.short:,}", f"{done.best_short:,.0f}"),
        (
            "transplants in the window",
            f"{fixed.window_share:.1%}",
            f"{advised.window_share:.1%}",
            "100.0%",
        ),
        ("site-days", f"{fixed.site_days:,}", f"{advised.site_days:,}", f"{done.best.site_days:,.0f}"),
        ("heads overgrown", f"{fixed.overgrown:,}", f"{advised.overgrown:,}", "0"),
        ("seedings", f"{fixed.seedings}", f"{advised.seedings}", ""),
    ]
    closed = (
        "" if np.isnan(done.closed) else f" The advice closes {done.closed:.0%} of the gap in heads short."
    )
    return [
        f"{done.name}: {done.rules.heads} heads a week for {weeks:.0f} weeks from"
        f" {done.rules.on(done.rules.orders_from):%d %b %Y}, {done.rules.sites:,} sites; foresight meets the order in"
        f" {done.winters_met} of {done.winters} winters.",
        *(f"{name:<26}{a:>14}{b:>14}{c:>14}" for name, a, b, c in rows),
        f"{done.flapping.changes} changes of advice in {done.flapping.weeks:.0f} weeks, at most"
        f" {done.flapping.most_a_week} in seven days; {done.flapping.reversals} turned round within"
        f" {REVERSED_DAYS} days.{closed}",
    ]
