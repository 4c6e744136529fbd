"""Seedings for orders: those after which the fewest heads are short, over all members of the outlook.

The continuity law (:mod:`service.agronomy.succession`) keeps harvests evenly apart. Where heads are ordered for given
days, more is known: which of these days batches that are there will serve, and how sure that is. A ready head may wait
some days for its order, so a batch that is late leaves an order short while one that is early is only waste, and how
early to aim depends on how unsure its harvest is. All of this is weighed up at once: seedings on allowed days are
added, each time the one that saves the most heads in the mean over the members, until none saves enough to be worth
its plants or finds its sites; then each is taken out once and put where it is worth the most beside the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from service.agronomy.forecast import EARLY_SHARE
from service.agronomy.succession import (
    CHANGE_DAYS_A_WEEK,
    HOURS,
    LONGEST_STRETCH,
    LOOK_AHEAD_DAYS,
    Advice,
    Array,
    Coming,
    Curve,
    Decision,
    Occupants,
    Outage,
    Programme,
    at,
    capacity,
    occupancy,
)

PART = 1 / 3  # of a usual seeding: the steps in which seedings are put together; finer is more work; assumed
WORTH = 0.06  # heads that a plant must save in the mean: a seedling costs little beside a head short; assumed
SITE_DAY_WORTH = 2e-4  # and more a day on its site: of two as good the shorter is taken; assumed
USED = 0.97  # of the sites that are counted on: moves come together; assumed
WAIT = 0.5  # of the time that a ready head may wait, which it does in the mean; assumed
MEMBERS = 24  # that are weighed up, of those of the outlook; assumed
MOST_PARTS = 90
_LUCK = 31  # tells these draws from others
KEEP_DAYS = 7.0  # an interval that was advised is not changed sooner ...
KEEP_DIRECTION_DAYS = 14.0  # ... and not turned round sooner


class Wishes(NamedTuple):
    """Heads that are wanted on coming days, in rising order."""

    at_h: Array  # (wishes,), epoch hours
    heads: Array  # (wishes,)


class Supply(NamedTuple):
    """Harvests to come of batches that are there."""

    ready_h: Array  # (harvests, members), epoch hours
    plants: Array  # (harvests,)


@dataclass(frozen=True, kw_only=True)
class Orders:
    """What is ordered of a succession, and what there is for it."""

    wishes: Wishes
    supply: Supply
    hold_days: float  # that a ready head may wait
    allowed_h: Array  # moments on which may be seeded, rising, within the curve; epoch hours
    cuts: int = 1  # harvests of a planting
    own_spread: float = 0.0  # of the log weight of heads, from batch to batch: standard deviation


class Previous(NamedTuple):
    """The advice in force."""

    interval_days: float  # practised when it was given
    advised_interval_days: float
    changed_h: float = -np.inf  # when the interval it advises was last another
    turned: int = 0  # whether that interval is longer (1) or shorter (-1) than the one before


def short_heads(wishes: Wishes, ready_h: Array, plants: Array, hold_h: float) -> Array:
    """Return the heads that wishes stay short, each served in turn from what became ready first.

    Parameters
    ----------
    wishes : Wishes
        What is wanted.
    ready_h : ndarray, shape (harvests, lanes)
        When heads are ready; they may be cut from then on.
    plants : ndarray, shape (harvests,)
        How many.
    hold_h : float
        How long they may wait. [h]

    Returns
    -------
    ndarray, shape (wishes, lanes)
    """
    order = np.argsort(ready_h, axis=0, kind="stable")
    ready = np.take_along_axis(ready_h, order, axis=0)
    left = plants.astype(np.float64)[order]
    short = np.empty((wishes.at_h.size, ready_h.shape[1]))
    for k, (when, heads) in enumerate(zip(wishes.at_h, wishes.heads, strict=True)):
        there = np.where((ready <= when) & (when <= ready + hold_h), left, 0.0)
        before = np.cumsum(there, axis=0) - there
        taken = np.clip(heads - before, 0.0, there)
        left -= taken
        short[k] = heads - taken.sum(axis=0)
    return short


def own_luck_h(ready_h: Array, light_h: Array, moments_h: Array, spread: float) -> Array:
    """Return how much later or earlier seedings are ready by what is peculiar to each batch, in hours.

    A batch whose heads weigh a share more or less on a day is ready as many days before or after as heads take to
    grow by that share; to first order, at the pace between light and full heads. In the curve seedings to come share
    their luck, here each has its own as well. It belongs to the day of seeding, so that it is the same at each look.

    Parameters
    ----------
    ready_h, light_h : ndarray, shape (moments, members)
        When heads reach the target, and :data:`~service.agronomy.forecast.EARLY_SHARE` of it; inf: not reached.
    moments_h : ndarray, shape (moments,)
        When is seeded. [epoch hours]
    spread : float
        Standard deviation of the log weight from batch to batch.

    Returns
    -------
    ndarray, shape (moments, members)
    """
    luck = [
        np.random.default_rng([_LUCK, int(at_h // HOURS)]).standard_normal(ready_h.shape[1])
        for at_h in moments_h
    ]
    both = np.isfinite(ready_h) & np.isfinite(light_h)
    pace_h = np.where(both, np.where(both, ready_h, 0.0) - np.where(both, light_h, 0.0), 0.0) / -np.log(
        EARLY_SHARE
    )
    return np.asarray(spread * pace_h * np.array(luck).reshape(ready_h.shape))


def cut_moments(first_h: Array, last_h: Array, cuts: int) -> Array:
    """Return the moments of cuts between the first and the last, evenly apart (assumed), shape (cuts, ...)."""
    if cuts == 1:
        return first_h[None]
    share = np.linspace(0.0, 1.0, cuts).reshape(-1, *[1] * first_h.ndim)
    both = np.isfinite(first_h) & np.isfinite(last_h)
    apart = np.where(both, np.where(both, last_h, 0.0) - np.where(both, first_h, 0.0), 0.0)
    return np.where(both | (share == 0.0), first_h + share * apart, np.inf)


def for_orders(
    advice: Advice,
    programme: Programme,
    now_h: float,
    curve: Curve,
    standing: Occupants,
    others: Sequence[Coming],
    sites: int,
    outages: Sequence[Outage],
    orders: Orders,
    previous: Previous | None = None,
) -> Advice:
    """Return advice for even harvests as advice for orders.

    Parameters
    ----------
    advice : Advice
        What is advised for even harvests; its figures of durations and harvest gaps stand.
    programme, now_h, curve, standing, others, sites, outages
        As of :func:`service.agronomy.succession.advise`.
    orders : Orders
        What is ordered.
    previous : Previous, optional
        The advice in force.
    """
    hold_h = HOURS * orders.hold_days
    few = slice(None, None, max(1, curve.harvest_h.shape[1] // MEMBERS))
    days = now_h + HOURS * np.arange(0.0, (curve.seeding_h[-1] - now_h) / HOURS + 120.0)
    there = Supply(orders.supply.ready_h[:, few], orders.supply.plants)

    def harvests(moments: Array) -> Array:
        """All cuts of seedings, shape (cuts, moments, members)."""
        first = at(curve.harvest_h, curve.seeding_h, moments)
        light = at(curve.light_harvest_h, curve.seeding_h, moments)
        last = first if curve.clear_h is None else at(curve.clear_h, curve.seeding_h, moments)
        own = own_luck_h(first, light, moments, orders.own_spread)
        return cut_moments((first + own)[:, few], (last + own)[:, few], orders.cuts)

    moments = orders.allowed_h
    ready = harvests(moments)
    wait_h = WAIT * hold_h
    stays = _stays(curve, moments, wait_h, days)
    held = occupancy(standing.transplant_h, standing.harvest_h + wait_h, standing.plants, days)
    room = _room(programme, USED * capacity(sites, outages, days) - held, others, days)
    reach = _reach(orders.wishes, ready, hold_h)
    part = PART * programme.cells * programme.keep_share
    within = _reach(orders.wishes, ready, hold_h, 0.0)
    chosen, refused = _choose(within, there, ready, stays, room, part, hold_h)
    plants = np.asarray(part * np.bincount(chosen, minlength=moments.size), dtype=np.float64)
    used = np.flatnonzero(plants)

    def short(more_h: Array, each: Array) -> float:
        more = harvests(more_h)
        ready_h = np.concatenate([there.ready_h, more.reshape(-1, more.shape[-1])])
        every = np.concatenate([there.plants, np.tile(each, orders.cuts)])
        return float(short_heads(reach, ready_h, every, hold_h).mean(axis=1).sum())

    usual = np.arange(now_h, curve.seeding_h[-1], HOURS * programme.seeding_interval_days)
    usual_plants = _admitted(programme.cells * programme.keep_share, _stays(curve, usual, wait_h, days), room)
    told = _told(programme, now_h, curve, orders.wishes, orders.cuts, previous)
    return replace(
        advice,
        decision=told.decision,
        binding="sites"
        if refused
        else "window"
        if advice.late and told.decision == "lengthen"
        else "continuity",
        advised_interval_days=told.advised,
        cells=programme.cells,
        probability=told.probability,
        seedings_h=tuple(moments[used].tolist()),
        seeding_cells=tuple(math.ceil(n / programme.keep_share - 1e-9) for n in plants[used]),
        sites_needed_advised=float((held + plants @ stays).max(initial=0.0)),
        skipped=0,
        pause_until_h=None,
        wanted=short(np.empty(0), np.empty(0)),
        short_without=short(usual, usual_plants),
        short_with=short(moments[used], plants[used]),
        changed_h=told.changed_h,
        turned=told.turned,
    )


def _stays(curve: Curve, moments: Array, wait_h: float, days: Array) -> Array:
    """Share of members in which a plant of each seeding holds a site, shape (moments, days)."""
    moved = at(curve.transplant_h, curve.seeding_h, moments)[:, :, None]
    gone = at(curve.cleared_h, curve.seeding_h, moments)[:, :, None] + wait_h
    return np.asarray(((moved <= days) & (days < gone)).mean(axis=1))


def _admitted(plants: float, stays: Array, room: Array) -> Array:
    """Return the plants of each of some seedings, one after the other, that find sites, shape (moments,)."""
    left, found = room.copy(), np.empty(len(stays))
    for number, share in enumerate(stays):
        found[number] = min(plants, max(0.0, float(left[share > 0.5].min(initial=np.inf))))
        left -= found[number] * share
    return found


def _room(programme: Programme, free: Array, others: Sequence[Coming], days: Array) -> Array:
    """Sites left by others; where there are not enough for all, each succession has its share of what is free."""
    if not others:
        return free
    rest = np.zeros(days.size)
    rate = 0.0
    for other in others:
        curve = other.curve
        moments = other.seedings_h
        rest += occupancy(
            at(curve.transplant_h, curve.seeding_h, moments),
            at(curve.cleared_h, curve.seeding_h, moments),
            np.full(moments.size, other.plants),
            days,
        )
        rate += other.plants / (HOURS * other.interval_days)
    own = programme.cells * programme.keep_share / (HOURS * programme.seeding_interval_days)
    return np.asarray(np.maximum(free - rest, free * own / (own + rate)))


def _reach(wishes: Wishes, ready: Array, hold_h: float, share: float = 0.5) -> Wishes:
    """Return the wishes that a seeding could serve in at least such a share of the members."""
    if not ready.size:
        return Wishes(wishes.at_h[:0], wishes.heads[:0])
    first, last = np.quantile(ready[0, 0], share, method="higher"), np.median(ready[-1, -1])
    inside = (wishes.at_h >= first) & (wishes.at_h <= last + hold_h)
    return Wishes(wishes.at_h[inside], wishes.heads[inside])


@dataclass
class _Plan:
    """Seedings, each of the size of a part, and what they are worth."""

    wishes: Wishes
    supply: Supply
    ready: Array  # (cuts, moments, members)
    stays: Array  # (moments, days), share of a plant's site
    room: Array  # (days,)
    part: float
    hold_h: float
    chosen: list[int] = field(default_factory=list)  # moments, some perhaps several times
    refused: bool = False  # whether one that is worth it found no sites

    def best(self) -> int | None:
        """Return the moment at which one part more is worth the most; none: nowhere."""
        cuts, moments, members = self.ready.shape
        of = self.ready[:, self.chosen].reshape(-1, members)
        base_ready = np.concatenate([self.supply.ready_h, of])
        base_plants = np.concatenate([self.supply.plants, np.full(len(of), self.part)])
        lanes = np.concatenate([np.repeat(base_ready[:, None, :], moments, axis=1), self.ready])
        plants = np.concatenate([base_plants, np.full(cuts, self.part)])
        now = short_heads(self.wishes, base_ready, base_plants, self.hold_h).sum(axis=0).mean()
        short = short_heads(self.wishes, lanes.reshape(-1, moments * members), plants, self.hold_h)
        saved = now - short.sum(axis=0).reshape(moments, members).mean(axis=1)
        worth = saved - self.part * (WORTH + SITE_DAY_WORTH * self.stays.sum(axis=1))
        left = self.room - self.part * self.stays[self.chosen].sum(axis=0)
        fits = np.array([left[b].min(initial=np.inf) >= self.part for b in self.stays > 0.5])
        if (worth > 0.0).any() and worth[~fits].max(initial=0.0) > worth[fits].max(initial=0.0):
            self.refused = True
        worth = np.where(fits, worth, -np.inf)
        best = int(np.argmax(worth))  # of several the earliest: late is short, early only waits
        return best if worth[best] > 0.0 else None

    def add(self) -> None:
        """Add parts while they are worth it."""
        while len(self.chosen) < MOST_PARTS and (best := self.best()) is not None:
            self.chosen.append(best)

    def settle(self) -> None:
        """Take each part out and put it where it is worth the most beside the others, if anywhere."""
        for moment in sorted(self.chosen):
            self.chosen.remove(moment)
            if (best := self.best()) is not None:
                self.chosen.append(best)
        self.add()


def _choose(
    wishes: Wishes, supply: Supply, ready: Array, stays: Array, room: Array, part: float, hold_h: float
) -> tuple[list[int], bool]:
    """Choose seedings, each of the size of a part.

    Returns
    -------
    list of int, bool
        Moments, some perhaps several times; whether one that is worth it found no sites.
    """
    if not wishes.at_h.size or part <= 0.0:
        return [], False
    # What is gone before the first of these wishes in every member does not bear on them.
    lasts = supply.ready_h.max(axis=1, initial=-np.inf) + hold_h >= wishes.at_h[0]
    plan = _Plan(
        wishes, Supply(supply.ready_h[lasts], supply.plants[lasts]), ready, stays, room, part, hold_h
    )
    plan.add()
    plan.settle()
    return plan.chosen, plan.refused


class _Told(NamedTuple):
    decision: Decision
    advised: float
    probability: float
    changed_h: float
    turned: int


def _told(
    programme: Programme, now_h: float, curve: Curve, wishes: Wishes, cuts: int, previous: Previous | None
) -> _Told:
    """Return the seeding interval at which seedings of the usual size meet the orders; it does not flap.

    The days of harvest that the seedings of the coming weeks cover, over these weeks, tell how fast seedings are
    used up.
    """
    now_interval = programme.seeding_interval_days
    each_h = at(curve.harvest_h, curve.seeding_h, np.array([now_h, now_h + HOURS * LOOK_AHEAD_DAYS]))
    span = (wishes.at_h[-1] - wishes.at_h[0]) / HOURS if wishes.at_h.size > 1 else 0.0
    rate = float(wishes.heads[1:].sum()) / span if span > 0.0 else 0.0  # heads a day
    longest = LONGEST_STRETCH * max(programme.harvest_interval_days, now_interval)
    with np.errstate(invalid="ignore", divide="ignore"):
        covered = (each_h[1] - each_h[0]) / HOURS  # days of harvest, (members,)
        pace = (
            cuts * programme.cells * programme.keep_share / rate * LOOK_AHEAD_DAYS / covered
            if rate
            else covered * np.nan
        )
    pace = np.clip(np.where(np.isfinite(pace) & (covered > 0.0), pace, longest), 1.0, longest)
    wished = float(np.median(pace))
    in_force, changed_h, turned = now_interval, now_h, 0
    if previous is not None:
        taken_up = previous.interval_days != now_interval
        in_force = now_interval if taken_up else previous.advised_interval_days
        changed_h, turned = previous.changed_h, previous.turned
    off = (wished - in_force) * 7.0 / now_interval
    turn = int(np.sign(off))
    since = (now_h - changed_h) / HOURS if previous is not None else np.inf
    if (
        abs(off) >= CHANGE_DAYS_A_WEEK
        and since >= KEEP_DAYS
        and (turn != -turned or since >= KEEP_DIRECTION_DAYS)
    ):
        in_force, changed_h, turned = wished, now_h, turn
    decision: Decision = "hold"
    if abs(in_force - now_interval) >= 0.05:
        decision = "shorten" if in_force < now_interval else "lengthen"
    agree = {
        "shorten": pace < now_interval,
        "lengthen": pace > now_interval,
        "hold": np.abs(pace - now_interval) * 7.0 / now_interval < CHANGE_DAYS_A_WEEK,
    }
    return _Told(
        decision,
        in_force,
        float(np.mean(agree[decision])),
        changed_h,
        turned,
    )
