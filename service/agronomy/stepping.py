"""Stepping many crops hour by hour, fast: the numerics behind :func:`service.agronomy.growth.grow`.

A lane is one batch in one member of the outlook. All lanes are stepped together, one numpy call an operation, so
the time goes into passes over arrays. What keeps them few:

* Reserves are counted as the structure they could become, and both states per *ground*, the area of a plant times
  its growth multiplier. Then neither yield, area nor multiplier appears in an hour; a lane is rescaled when it
  moves to another spacing.
* Lanes of one row of conditions lie side by side, the nursery's before the channels', so that the conditions of
  an hour are spread over lanes by one ``repeat`` instead of being gathered.
* Lanes are stepped in a group that is put together anew every other day at most: lanes about to emerge come in,
  finished ones go, moved ones change sides. Until then the few that emerge, move or may finish are listed by
  position and seen to separately; all others take the same plain step.
* In the dark nothing is assimilated and no weight is gained, so cover and targets rest.
* Lanes are split into chunks, in order of emergence, that the processor's cache can hold.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

CHUNK_LANES = 16_384  # some twenty arrays of this length stay within a few megabytes
SPAN_HOURS = 48  # how far ahead it is listed what is about to happen
_MISFITS = 0.05  # share of finished and moved lanes in a group from which a new group pays

_RESERVE, _STRUCTURE, _COVER = 0, 1, 2  # rows of the terms that an hour's changes are proportional to
_LIT, _DARK = 3, 2  # how many of them matter


class Coefficients(NamedTuple):
    """What stepping needs to know of the crop."""

    reserve_constant: float
    canopy_constant: float  # m2 of ground covered per g of structure, while leaves do not shade each other
    yield_factor: float
    shoot: float  # share of the structure that is above ground


class Zones(NamedTuple):
    """Drivers of nursery and channels, each array of shape (hours, rows), per hour."""

    growth: tuple[Array, Array]
    maintenance: tuple[Array, Array]
    assimilation: tuple[Array, Array]


@dataclass
class Lanes:
    """Lanes of a run and their state; each array of shape (lanes,) unless said otherwise."""

    row: Index
    start_h: Array
    move_h: Array
    ground: Array  # at present, m2 a plant
    areas: tuple[Array, Array]  # in the nursery and in the channels, m2 a plant
    multiplier: Array
    target: Array  # (targets, lanes): shoot weight times yield, g a plant
    reserves: Array
    structure: Array
    past: Array  # (3, lanes): reserve term, structure and cover an hour ago
    reached: Array  # (targets, lanes): hour
    open: Index  # first target that is not reached
    at_look: Array  # shoot weight, g a plant
    account: Array | None  # (3, lanes): assimilated, respired and unpaid, g a plant

    @classmethod
    def new(
        cls,
        row: Index,
        start_h: Array,
        move_h: Array,
        start_g: Array,
        areas: tuple[Array, Array],
        multiplier: Array,
        target_g: Array,
        of: Coefficients,
        account: bool,
    ) -> Lanes:
        """Return lanes at their start, three quarters of their dry matter structural."""
        # Moved before it emerged: it never stands in the nursery.
        nursery = move_h > np.maximum(np.floor(start_h), 0.0) - 1.0
        ground = multiplier * np.where(nursery, *areas)
        structure, reserves = 0.75 * start_g / ground, of.yield_factor * 0.25 * start_g / ground
        share = reserves / (of.reserve_constant * of.yield_factor * structure + reserves)
        cover = -np.expm1(-of.canopy_constant * multiplier * structure)
        weight = start_g * (0.25 + 0.75 * of.shoot)
        reached = np.where(target_g <= weight, 0.0, np.inf)
        return cls(
            row=row,
            start_h=start_h,
            move_h=move_h,
            ground=ground,
            areas=areas,
            multiplier=multiplier,
            target=of.yield_factor * target_g,
            reserves=reserves,
            structure=structure,
            past=np.stack([share * structure, structure, cover]),
            reached=reached,
            open=np.isfinite(reached).sum(axis=0),
            at_look=weight,
            account=np.zeros((3, row.size)) if account else None,
        )


def run(
    lanes: Lanes,
    zones: Zones,
    of: Coefficients,
    look_h: float,
    stop_early: bool,
) -> None:
    """Step lanes from emergence to their last target, or without ``stop_early`` to the end of the drivers."""
    lit = np.zeros(zones.growth[0].shape[0] + 1, dtype=bool)
    for assimilation in zones.assimilation:
        lit[:-1] |= assimilation.any(axis=1)
    order = np.argsort(lanes.start_h, kind="stable")
    for begin in range(0, order.size, CHUNK_LANES):
        ids = order[begin : begin + CHUNK_LANES]
        # By row, so that any choice of them in this order lies by row.
        ids = ids[np.argsort(lanes.row[ids], kind="stable")]
        _Chunk(lanes, ids, zones, of, lit, look_h, stop_early).run()


class _Chunk:
    """Lanes that share working arrays, and their walk through time."""

    def __init__(
        self,
        lanes: Lanes,
        ids: Index,
        zones: Zones,
        of: Coefficients,
        lit: NDArray[np.bool_],
        look_h: float,
        stop_early: bool,
    ) -> None:
        self.lanes, self.ids, self.zones, self.of = lanes, ids, zones, of
        self.lit, self.look_h, self.stop_early = lit, look_h, stop_early
        self.hours, self.rows = zones.growth[0].shape
        starts = np.sort(lanes.start_h[ids])
        self.starts: list[float] = starts[starts < self.hours].tolist()
        self.let_in = 0  # how many of them have come into a group
        self.group = _Group(lanes, ids[:0], 0, self.rows, of)

    def run(self) -> None:
        hour = int(max(self.starts[0], 0.0)) if self.starts else self.hours
        while hour < self.hours:
            until = min(hour + SPAN_HOURS, self.hours)
            if self._outdated(hour, until):
                self.group.put_back()
                self.group = self._new_group(hour, until)
                if not self.group.size and self.let_in == len(self.starts):
                    break
            if self.group.size:
                self._span(hour, until)
            hour = until
        self.group.put_back()
        if self.look_h >= self.hours and self.group.size:
            self.lanes.at_look[self.group.ids] = self.group.weight()

    def _outdated(self, hour: int, until: int) -> bool:
        group = self.group
        misfits = group.moved + (group.finished if self._may_leave(hour) else 0)
        return bisect_left(self.starts, until) > self.let_in or misfits > _MISFITS * group.size

    def _may_leave(self, hour: int) -> bool:
        """Finished lanes grow on until they have been looked at."""
        return self.stop_early and hour > self.look_h

    def _new_group(self, hour: int, until: int) -> _Group:
        lanes, ids = self.lanes, self.ids
        wanted = lanes.start_h[ids] < until
        if self._may_leave(hour):
            wanted &= lanes.open[ids] < lanes.target.shape[0]
        nursery = lanes.move_h[ids] > hour - 1.0  # a move takes effect over two hours
        in_nursery, in_channels = ids[wanted & nursery], ids[wanted & ~nursery]
        self.let_in = bisect_left(self.starts, until)
        return _Group(lanes, np.concatenate([in_nursery, in_channels]), in_nursery.size, self.rows, self.of)

    def _span(self, hour: int, until: int) -> None:
        group, lit = self.group, self.lit
        table = self._table(hour, until)
        waiting, movers = _Waiting(group, hour), _Movers(group, until)
        finishing = _Finishing(group, table)
        sound = _sound_share(table, self.of)
        for now, drivers in enumerate(table, start=hour):
            if now <= self.look_h < now + 1:
                self.lanes.at_look[group.ids] = group.weight()
            drive = np.repeat(drivers[: _LIT if lit[now] else _DARK], group.counts, axis=1)
            moving = movers.apply(drivers, drive, now)
            waiting.apply(drive, now)
            poor = group.evaluate(sound, cover=bool(lit[now] or lit[now + 1]))
            if moving.size:
                group.past[:, moving] = group.now[:, moving]  # nothing to extrapolate from
            group.step(drive, poor)
            if lit[now] and finishing.at.size:
                finishing.check(now)
                if self._may_leave(now + 1) and group.finished == group.size:
                    break
        group.moved = movers.settled(until)

    def _table(self, hour: int, until: int) -> Array:
        """Return drivers of the terms, shape (hours, 3, 2 x rows), halved: see :meth:`_Group.step`."""
        table = np.empty((until - hour, _LIT, 2 * self.rows))
        for zone in (0, 1):
            part = table[:, :, zone * self.rows : (zone + 1) * self.rows]
            np.multiply(self.zones.growth[zone][hour:until], 0.5, out=part[:, _RESERVE])
            half_yield = 0.5 * self.of.yield_factor
            np.multiply(self.zones.maintenance[zone][hour:until], half_yield, out=part[:, _STRUCTURE])
            np.multiply(self.zones.assimilation[zone][hour:until], half_yield, out=part[:, _COVER])
        return table


def _sound_share(table: Array, of: Coefficients) -> float:
    """Return the share of reserves above which no lane can overdraw them in an hour.

    Growth then takes at most 0.15 of the reserves and upkeep at most 0.3. So more than a third is left, and the
    next extrapolation stays positive too.
    """
    growth, upkeep = 2.0 * table[:, _RESERVE].max(), 2.0 * table[:, _STRUCTURE].max()
    return float(4.0 * upkeep / (of.reserve_constant * of.yield_factor)) if growth < 0.1 else np.inf


class _Group:
    """Lanes being stepped: those in the nursery first, each zone's by row."""

    def __init__(self, lanes: Lanes, ids: Index, in_nursery: int, rows: int, of: Coefficients) -> None:
        self.lanes, self.ids, self.size, self.in_nursery, self.of = lanes, ids, ids.size, in_nursery, of
        self.finished = int(np.count_nonzero(lanes.open[ids] == lanes.target.shape[0]))
        self.moved = 0  # lanes that are through with their move but lie among the nursery's
        column = lanes.row[ids]
        column[in_nursery:] += rows
        self.counts = np.bincount(column, minlength=2 * rows)
        self.decay = -of.canopy_constant * lanes.multiplier[ids]
        self.reserves = lanes.reserves[ids]
        self.past = np.take(lanes.past, ids, axis=1)  # plain indexing would lay it out by lane
        self.now = np.zeros_like(self.past)
        self.now[_STRUCTURE] = lanes.structure[ids]
        self.change = np.zeros_like(self.past)
        self.share = np.empty(self.size)

    def put_back(self) -> None:
        """Hand the state back to the lanes."""
        self.lanes.reserves[self.ids] = self.reserves
        self.lanes.structure[self.ids] = self.now[_STRUCTURE]
        self.lanes.past[:, self.ids] = self.past

    def shoot(self, at: Index | slice) -> Array:
        """Return the shoot weight times yield. [g per ground]"""
        factor = self.of.yield_factor * self.of.shoot
        return np.asarray(self.reserves[at] + factor * self.now[_STRUCTURE, at])

    def weight(self) -> Array:
        """Return the shoot weight. [g a plant]"""
        return np.asarray(self.lanes.ground[self.ids] / self.of.yield_factor * self.shoot(slice(None)))

    def goal(self, ids: Index) -> Array:
        """Return the next target of lanes as yield times weight, inf where none is left. [g a plant]"""
        following, last = self.lanes.open[ids], self.lanes.target.shape[0] - 1
        return np.where(following <= last, self.lanes.target[np.minimum(following, last), ids], np.inf)

    def evaluate(self, sound: float, cover: bool) -> Index | None:
        """Work out the terms of the present state; return the lanes whose share of reserves is not sound, if any."""
        term, structure, covered = self.now
        share = self.share
        np.multiply(structure, self.of.reserve_constant * self.of.yield_factor, out=share)
        np.add(share, self.reserves, out=share)
        np.divide(self.reserves, share, out=share)
        np.multiply(share, structure, out=term)
        if cover:
            np.multiply(self.decay, structure, out=covered)
            np.exp(covered, out=covered)
            np.subtract(1.0, covered, out=covered)
        return (share < sound).nonzero()[0] if np.minimum.reduce(share) < sound else None

    def step(self, drive: Array, poor: Index | None) -> None:
        """Step an hour with the terms of its middle: half of three times the present less the past.

        The half is in the drivers. ``poor``: lanes that might overdraw their reserves.
        """
        terms = drive.shape[0]
        change = self.change[:terms]
        np.multiply(self.now[:terms], 3.0, out=change)
        np.subtract(change, self.past[:terms], out=change)
        np.multiply(change, drive, out=change)
        if terms == _LIT:
            np.add(self.reserves, change[_COVER], out=self.reserves)
        if poor is not None:
            self._limit(change, poor)
        np.subtract(self.reserves, change[_STRUCTURE], out=self.reserves)
        np.subtract(self.reserves, change[_RESERVE], out=self.reserves)
        if self.lanes.account is not None:
            self._book(change, self.lanes.account)
        np.add(self.now[_STRUCTURE], change[_RESERVE], out=self.past[_STRUCTURE])
        self.now, self.past = (
            self.past,
            self.now,
        )  # what was now is past; only structure is known of the new now

    def _limit(self, change: Array, poor: Index) -> None:
        """Pay upkeep, then growth, as far as reserves go."""
        asked, held = change[_STRUCTURE, poor], self.reserves[poor]
        paid = np.minimum(asked, held)
        change[_STRUCTURE, poor] = paid
        change[_RESERVE, poor] = np.minimum(np.maximum(change[_RESERVE, poor], 0.0), held - paid)
        if self.lanes.account is not None:
            ids = self.ids[poor]
            self.lanes.account[2, ids] += self.lanes.ground[ids] / self.of.yield_factor * (asked - paid)

    def _book(self, change: Array, account: Array) -> None:
        to_dry_matter = self.lanes.ground[self.ids] / self.of.yield_factor
        if change.shape[0] == _LIT:
            account[0, self.ids] += to_dry_matter * change[_COVER]
        lost = change[_STRUCTURE] + (1.0 - self.of.yield_factor) * change[_RESERVE]
        account[1, self.ids] += to_dry_matter * lost


class _Waiting:
    """Lanes of a group that emerge within the span: until then nothing drives them, and then for a part of an hour."""

    def __init__(self, group: _Group, hour: int) -> None:
        start_h = group.lanes.start_h[group.ids]
        at = np.flatnonzero(start_h > hour)
        self.at = at[np.argsort(start_h[at])]
        self.start_h = start_h[self.at]
        self._starts: list[float] = self.start_h.tolist()

    def apply(self, drive: Array, now: int) -> None:
        """Scale drivers by the share of this hour after emergence."""
        first = bisect_right(self._starts, now)
        if first < len(self._starts):
            drive[:, self.at[first:]] *= np.maximum(now + 1.0 - self.start_h[first:], 0.0)


class _Movers:
    """Lanes of a group that move to the channels before the end of the span, or have but still lie among the nursery's.

    Only lanes within an hour of their move change spacing; from then on conditions are all that differs.
    """

    def __init__(self, group: _Group, until: int) -> None:
        move_h = group.lanes.move_h[group.ids[: group.in_nursery]]
        at = np.flatnonzero(move_h < until)
        self.group = group
        self.at = at[np.argsort(move_h[at])]
        self.move_h = move_h[self.at]
        self.row = group.lanes.row[group.ids[self.at]]
        self._moves: list[float] = self.move_h.tolist()

    def apply(self, drivers: Array, drive: Array, now: int) -> Index:
        """Blend the drivers of both zones by the share of this hour after the move.

        Returns
        -------
        ndarray of int
            Positions of the lanes that change spacing, which have no past this hour.
        """
        begun = bisect_left(self._moves, now + 1.0)
        if not begun:
            return self.at[:0]
        at, row = self.at[:begun], self.row[:begun]
        moved = np.minimum(now + 1.0 - self.move_h[:begun], 1.0)
        rows = drivers.shape[1] // 2
        nursery = drivers[: drive.shape[0], row]
        drive[:, at] = nursery + (drivers[: drive.shape[0], row + rows] - nursery) * moved
        settled = bisect_right(self._moves, now - 1.0)
        self._respace(at[settled:], moved[settled:])
        return at[settled:]

    def _respace(self, at: Index, moved: Array) -> None:
        group, lanes = self.group, self.group.lanes
        ids = group.ids[at]
        nursery, channels = lanes.areas[0][ids], lanes.areas[1][ids]
        ground = lanes.multiplier[ids] * (nursery + (channels - nursery) * moved)
        scale = lanes.ground[ids] / ground
        group.reserves[at] *= scale
        group.now[_STRUCTURE, at] *= scale
        lanes.ground[ids] = ground

    def settled(self, until: int) -> int:
        """Return how many lanes are through with their move by then."""
        return bisect_right(self._moves, until - 1.0)


class _Finishing:
    """Lanes of a group that may reach a target within the span."""

    def __init__(self, group: _Group, table: Array) -> None:
        """List lanes that would reach theirs if they had full cover in the zone with more light."""
        lanes, ids = group.lanes, group.ids
        gain = 2.0 * table[:, _COVER].sum(axis=0).reshape(2, -1).max(axis=0)
        ground = lanes.ground[ids]
        widest = np.maximum(ground, lanes.multiplier[ids] * lanes.areas[1][ids])
        most = ground * group.shoot(slice(None)) + 1.01 * gain[lanes.row[ids]] * widest
        could = most >= group.goal(ids)
        self.group = group
        self.at = could.nonzero()[0]
        self.ids = ids[self.at]
        self.goal = group.goal(self.ids)

    def check(self, now: int) -> None:
        """Note the targets that were reached in this hour, linear within it."""
        group, lanes, of = self.group, self.group.lanes, self.group.of
        weight = lanes.ground[self.ids] * group.shoot(self.at)
        passed = (weight >= self.goal).nonzero()[0]
        while passed.size:
            ids = self.ids[passed]
            by_reserves, by_upkeep, gain = group.change[:, self.at[passed]]
            rise = lanes.ground[ids] * (gain - by_upkeep - (1.0 - of.yield_factor * of.shoot) * by_reserves)
            beyond = (weight - self.goal)[passed] / np.where(rise > 0.0, rise, 1.0)
            lanes.reached[lanes.open[ids], ids] = now + np.maximum(1.0 - beyond, 0.0)
            lanes.open[ids] += 1
            group.finished += int(np.count_nonzero(lanes.open[ids] == lanes.target.shape[0]))
            self.goal[passed] = group.goal(ids)
            passed = (weight >= self.goal).nonzero()[0]
