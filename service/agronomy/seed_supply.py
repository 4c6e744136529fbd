"""Seed in stock against seed to be sown: how long it lasts, and what to order when.

Seed is used in the order in which it turns too old, and what has turned too old is not sown. New seed is to arrive some
time before the first seeding that needs it, so that it can be tried beside the old (two weeks: common practice of the
trade, no source), and an order holds no more than is sown while it keeps (six months: likewise).

Packs make orders coarser. An order is the largest number of whole packs that is sown in time; only where that does not
even reach through the day that needs it, it is the smallest number that does, and what will be left over is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

AHEAD_DAYS = 14
COVER_DAYS = 183
LEAD_DAYS = 7
"""From order to arrival, if nothing is known of the supplier. Assumed."""


@dataclass(frozen=True)
class Stock:
    """Seed of a lot that is here, or is expected on a day."""

    seeds: int
    from_on: date
    """First day on which it can be sown."""
    until_on: date
    """Last day on which it is young enough."""


@dataclass(frozen=True)
class Need:
    """Seed sown on a day."""

    on: date
    seeds: int


@dataclass(frozen=True)
class Terms:
    """How seed is bought."""

    lead_days: int = LEAD_DAYS
    ahead_days: int = AHEAD_DAYS
    cover_days: int = COVER_DAYS
    """That an order covers at most, from its arrival on."""
    packs: tuple[int, ...] = (1,)
    """Seeds in the packs there are."""

    def __post_init__(self) -> None:
        """Refuse terms that make no sense."""
        if min(self.lead_days, self.ahead_days) < 0 or self.cover_days <= self.ahead_days:
            raise ValueError("an order must cover more days than it arrives ahead")
        if not self.packs or min(self.packs) < 1:
            raise ValueError("a pack holds at least one seed")


@dataclass(frozen=True)
class SeedOrder:
    """Seed to be ordered."""

    order_on: date
    arrive_on: date
    needed_on: date
    """First seeding that needs it."""
    seeds: int
    packs: tuple[tuple[int, int], ...]
    """(seeds in a pack, packs), largest first."""
    covers_to: date
    """Last seeding that it, with what is here, covers."""
    left_over: int
    """Of it, what is not sown before it is too old: the smallest packs hold more than is needed."""
    days_late: int
    """By so many days it arrives less than the wished time ahead, ordered today."""


@dataclass(frozen=True)
class Outlook:
    """How long seed lasts and what to order."""

    days_left: int | None
    """Days until the first seeding that the stock does not cover; none: it covers all."""
    runs_out_on: date | None
    missing: tuple[Need, ...]
    """Seedings that no order can still save, and by how many seeds they fall short."""
    too_old: int
    """Seeds of the stock that turn too old before they are sown."""
    orders: tuple[SeedOrder, ...]


def look_ahead(today: date, stock: Iterable[Stock], needs: Iterable[Need], terms: Terms) -> Outlook:
    """Say how long seed of one cultivar lasts and what to order when.

    Parameters
    ----------
    today : date
        Orders go out on this day at the earliest.
    stock : iterable of Stock
        What is here or expected.
    needs : iterable of Need
        What is sown, on any days from today on, in any order.
    terms : Terms
        How seed is bought.
    """
    wanted = _by_day(needs)
    shelf = _Shelf(stock)
    without = shelf.copy()
    short = [n for n in (without.sow(need) for need in wanted) if n.seeds > 0]
    runs_out_on = short[0].on if short else None
    too_old = without.left_by(max((n.on for n in wanted), default=today))

    orders: list[SeedOrder] = []
    missing: list[Need] = []
    for at, need in enumerate(wanted):
        lacking = shelf.sow(need)
        if lacking.seeds == 0:
            continue
        arrive_on = max(need.on - timedelta(terms.ahead_days), today + timedelta(terms.lead_days))
        if arrive_on > need.on:  # too late for this one, whatever is done
            missing.append(lacking)
            continue
        until_on = arrive_on + timedelta(terms.cover_days - 1)
        rest = [lacking, *(n for n in wanted[at + 1 :] if n.on <= until_on)]
        probe = shelf.copy()
        sown = lacking.seeds + sum(probe.sow(n).seeds for n in rest[1:])
        packs, seeds = _packs(sown, lacking.seeds, terms.packs)
        fresh = Stock(seeds - lacking.seeds, need.on, until_on)
        probe = _Shelf([*shelf.rest, fresh])
        covers_to = need.on
        for n in rest[1:]:
            if probe.sow(n).seeds > 0:
                break
            covers_to = n.on
        shelf = _Shelf([*shelf.rest, fresh])
        orders.append(
            SeedOrder(
                order_on=arrive_on - timedelta(terms.lead_days),
                arrive_on=arrive_on,
                needed_on=need.on,
                seeds=seeds,
                packs=packs,
                covers_to=covers_to,
                left_over=max(0, seeds - sown),
                days_late=terms.ahead_days - (need.on - arrive_on).days,
            )
        )
    days_left = None if runs_out_on is None else (runs_out_on - today).days
    return Outlook(days_left, runs_out_on, tuple(missing), too_old, tuple(orders))


def _by_day(needs: Iterable[Need]) -> list[Need]:
    days: dict[date, int] = {}
    for need in needs:
        days[need.on] = days.get(need.on, 0) + need.seeds
    return [Need(on, seeds) for on, seeds in sorted(days.items()) if seeds > 0]


class _Shelf:
    """Seed in stock, used in the order in which it turns too old."""

    def __init__(self, stock: Iterable[Stock]) -> None:
        self.rest = sorted((s for s in stock if s.seeds > 0), key=lambda s: (s.until_on, s.from_on))

    def copy(self) -> _Shelf:
        return _Shelf(self.rest)

    def sow(self, need: Need) -> Need:
        """Take the seed of a seeding away, and return what of it is not there."""
        lacking, rest = need.seeds, []
        for lot in self.rest:
            taken = min(lacking, lot.seeds) if lot.from_on <= need.on <= lot.until_on else 0
            lacking -= taken
            if lot.seeds > taken:
                rest.append(Stock(lot.seeds - taken, lot.from_on, lot.until_on))
        self.rest = rest
        return Need(need.on, lacking)

    def left_by(self, day: date) -> int:
        """Return the seeds that are there but too old by a day."""
        return sum(lot.seeds for lot in self.rest if lot.until_on < day)


def _packs(sown: int, least: int, sizes: Sequence[int]) -> tuple[tuple[tuple[int, int], ...], int]:
    """Return packs and their seeds: as many as are sown, or the fewest that hold the least."""
    ordered = sorted(set(sizes), reverse=True)
    below = _fill(sown, ordered)
    if sum(size * n for size, n in below) < least:
        below = _least(least, ordered)
    return below, sum(size * n for size, n in below)


def _fill(seeds: int, sizes: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Largest packs first, never above the number."""
    found = []
    for size in sizes:
        count, seeds = divmod(seeds, size)
        if count:
            found.append((size, count))
    return tuple(found)


def _least(seeds: int, sizes: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Packs that hold at least the number with little to spare: large ones, and one size to top them up."""
    best: tuple[int, int, tuple[tuple[int, int], ...]] | None = None
    for at, last in enumerate(sizes):
        chosen = dict(_fill(seeds, sizes[:at]))
        rest = seeds - sum(size * n for size, n in chosen.items())
        chosen[last] = math.ceil(rest / last)
        packs = tuple((size, n) for size, n in sorted(chosen.items(), reverse=True) if n)
        total = sum(size * n for size, n in packs)
        found = (total, sum(n for _, n in packs), packs)
        if best is None or found[:2] < best[:2]:
            best = found
    assert best is not None  # noqa: S101 - there is at least one size
    return best[2]
