"""Stepping many crops hour by hour, fast: the numerics behind :func:`service.agronomy.growth.grow`.

A lane is one batch in one member of the outlook. All lanes are stepped together, one numpy call an operation, so
the time goes into passes over arrays. What keeps them few:

* Reserves are counted as the structure they could become, and both states per *ground*, the area of a plant times
  its growth multiplier. Then neither yield, area nor multiplier appears in an hour; a lane is rescaled when it
  moves to another spacing.
* Lanes are stepped in a group in order of emergence, so that those that have not emerged yet are its end. Each points
  at the column of conditions it lives under, that of its row in the nursery or in the channels.
* A group is put together anew every other day at most: lanes about to emerge come in, finished ones go. Until then
  the few that emerge, move or may finish are listed by position and seen to separately; all others take the same
  plain step.
* In the dark nothing is assimilated and no weight is gained, so cover and targets rest.
* Unless a carbon account is asked for, a group is stepped in single precision, which moves a weight by some
  millionths.
* Lanes are split into chunks, in order of emergence, that the processor's cache can hold.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Reals = NDArray[np.floating[Any]]  # of single or double precision

CHUNK_LANES = 16_384  # some twenty arrays of this length stay within a few megabytes
SPAN_HOURS = 48  # how far ahead it is listed what is about to happen
_FINISHED = 0.05  # share of finished lanes in a group from which a new group pays

_RESERVE, _STRUCTURE, _COVER = 0, 1, 2  # rows of the terms that an hour's changes are proportional to
_LIT, _DARK = 3, 2  # how many of them matter
_NOBODY = np.empty(0, dtype=np.intp)


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
        _Chunk(lanes, order[begin : begin + CHUNK_LANES], zones, of, lit, look_h, stop_early).run()


class _Chunk:
    """Lanes that share working arrays, in order of emergence, and their walk through time."""

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
        starts = lanes.start_h[ids]
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
        finished = self.group.finished if self._may_leave(hour) else 0
        return bisect_left(self.starts, until) > self.let_in or finished > _FINISHED * self.group.size

    def _may_leave(self, hour: int) -> bool:
        """Finished lanes grow on until they have been looked at."""
        return self.stop_early and hour > self.look_h

    def _new_group(self, hour: int, until: int) -> _Group:
        lanes = self.lanes
        self.let_in = bisect_left(self.starts, until)
        ids = self.ids[: self.let_in]
        if self._may_leave(hour):
            ids = ids[lanes.open[ids] < lanes.target.shape[0]]
        return _Group(lanes, ids, hour, self.rows, self.of)

    def _span(self, hour: int, until: int) -> None:
        group, lit = self.group, self.lit
        table = self._table(hour, until)
        waiting, movers = _Waiting(group, hour), _Movers(group, hour, until)
        finishing = _Finishing(group, table)
        sound = _sound_share(table, self.of)
        for now, drivers in enumerate(table, start=hour):
            if now <= self.look_h < now + 1:
                self.lanes.at_look[group.ids] = group.weight()
            drive = group.spread(drivers[: _LIT if lit[now] else _DARK])
            moving = movers.apply(drivers, drive, now)
            if waiting.first < group.size:
                waiting.apply(drive, now)
            group.evaluate(cover=bool(lit[now] or lit[now + 1]))
            poor = group.poor(sound)
            if moving.size:
                group.past[:, moving] = group.now[:, moving]  # nothing to extrapolate from
                finishing.respaced(moving)
            group.step(drive, poor)
            if lit[now] and finishing.at.size:
                finishing.check(now)
                if self._may_leave(now + 1) and group.finished == group.size:
                    break

    def _table(self, hour: int, until: int) -> Reals:
        """Return drivers of the terms, shape (hours, 3, 2 x rows), halved: see :meth:`_Group.step`."""
        table = np.empty((until - hour, _LIT, 2 * self.rows), dtype=self.group.reserves.dtype)
        for zone in (0, 1):
            part = table[:, :, zone * self.rows : (zone + 1) * self.rows]
            part[:, _RESERVE] = self.zones.growth[zone][hour:until]
            part[:, _STRUCTURE] = self.zones.maintenance[zone][hour:until]
            part[:, _COVER] = self.zones.assimilation[zone][hour:until]
        table[:, _RESERVE] *= 0.5
        table[:, _STRUCTURE:] *= 0.5 * self.of.yield_factor
        return table


def _sound_share(table: Reals, of: Coefficients) -> float:
    """Return the share of reserves above which no lane can overdraw them in an hour.

    Growth then takes at most 0.15 of the reserves and upkeep at most 0.3. So more than a third is left, and the
    next extrapolation stays positive too.
    """
    growth, upkeep = 2.0 * float(table[:, _RESERVE].max()), 2.0 * float(table[:, _STRUCTURE].max())
    return 4.0 * upkeep / (of.reserve_constant * of.yield_factor) if growth < 0.1 else np.inf


class _Group:
    """Lanes being stepped, in order of emergence."""

    def __init__(self, lanes: Lanes, ids: Index, hour: int, rows: int, of: Coefficients) -> None:
        self.lanes, self.ids, self.size, self.rows, self.of = lanes, ids, ids.size, rows, of
        self.finished = int(np.count_nonzero(lanes.open[ids] == lanes.target.shape[0]))
        # Where each is among the drivers: nursery first. A move takes effect over two hours.
        self.column = lanes.row[ids] + rows * (lanes.move_h[ids] <= hour - 1.0)
        real = np.float32 if lanes.account is None else np.float64
        self.decay = (-of.canopy_constant * lanes.multiplier[ids]).astype(real)
        self.reserve_factor = of.reserve_constant * of.yield_factor
        self.reserves: Reals = lanes.reserves[ids].astype(real)
        # Plain indexing would lay it out by lane.
        self.past: Reals = np.take(lanes.past, ids, axis=1).astype(real)
        self.now: Reals = np.zeros_like(self.past)
        self.now[_STRUCTURE] = lanes.structure[ids]
        self.change = np.zeros_like(self.past)
        self.drive = np.zeros_like(self.past)
        self.share: Reals = np.empty(self.size, dtype=real)

    def put_back(self) -> None:
        """Hand the state back to the lanes."""
        self.lanes.reserves[self.ids] = self.reserves
        self.lanes.structure[self.ids] = self.now[_STRUCTURE]
        self.lanes.past[:, self.ids] = self.past

    def spread(self, drivers: Reals) -> Reals:
        """Give each lane the drivers it lives under, shape (terms, lanes)."""
        drive = self.drive[: drivers.shape[0]]
        drivers.take(self.column, axis=1, out=drive, mode="clip")
        return drive

    def shoot(self, at: Index | slice) -> Reals:
        """Return the shoot weight times yield. [g per ground]"""
        structure = self.now[_STRUCTURE]
        return np.asarray(self.reserves[at] + self.of.yield_factor * self.of.shoot * structure[at])

    def weight(self) -> Array:
        """Return the shoot weight. [g a plant]"""
        return np.asarray(self.lanes.ground[self.ids] / self.of.yield_factor * self.shoot(slice(None)))

    def goal(self, ids: Index) -> Array:
        """Return the next target of lanes as yield times weight, inf where none is left. [g a plant]"""
        following, last = self.lanes.open[ids], self.lanes.target.shape[0] - 1
        return np.where(following <= last, self.lanes.target[np.minimum(following, last), ids], np.inf)

    def evaluate(self, cover: bool) -> None:
        """Work out the terms of the present state."""
        term, structure, covered = self.now
        share, reserves = self.share, self.reserves
        np.multiply(structure, self.reserve_factor, share)
        np.add(share, reserves, share)
        np.divide(reserves, share, share)
        np.multiply(share, structure, term)
        if cover:
            np.multiply(self.decay, structure, covered)
            np.exp(covered, covered)
            np.subtract(1.0, covered, covered)

    def poor(self, sound: float) -> Index:
        """Return the lanes whose share of reserves is not sound."""
        return np.flatnonzero(self.share < sound) if self.share.min() < sound else _NOBODY

    def step(self, drive: Reals, poor: Index) -> None:
        """Step an hour with the terms of its middle: half of three times the present less the past.

        The half is in the drivers. ``poor``: lanes that might overdraw their reserves.
        """
        terms = drive.shape[0]
        now, past, reserves = self.now, self.past, self.reserves
        change = self.change[:terms]
        np.multiply(now[:terms], 3.0, change)
        np.subtract(change, past[:terms], change)
        np.multiply(change, drive, change)
        if terms == _LIT:
            np.add(reserves, change[_COVER], reserves)
        if poor.size:
            self._limit(change, poor)
        np.subtract(reserves, change[_STRUCTURE], reserves)
        np.subtract(reserves, change[_RESERVE], reserves)
        if self.lanes.account is not None:
            self._book(change, self.lanes.account)
        np.add(now[_STRUCTURE], change[_RESERVE], past[_STRUCTURE])
        # What was now is past; only structure is known of the new now.
        self.now, self.past = past, now

    def _limit(self, change: Reals, poor: Index) -> None:
        """Pay upkeep, then growth, as far as reserves go."""
        upkeep, growth = change[_STRUCTURE], change[_RESERVE]
        asked, held = upkeep[poor], self.reserves[poor]
        paid = np.minimum(asked, held)
        upkeep[poor] = paid
        growth[poor] = np.minimum(np.maximum(growth[poor], 0.0), held - paid)
        if self.lanes.account is not None:
            ids = self.ids[poor]
            self.lanes.account[2, ids] += self.lanes.ground[ids] / self.of.yield_factor * (asked - paid)

    def _book(self, change: Reals, account: Array) -> None:
        to_dry_matter = self.lanes.ground[self.ids] / self.of.yield_factor
        if change.shape[0] == _LIT:
            account[0, self.ids] += to_dry_matter * change[_COVER]
        lost = change[_STRUCTURE] + (1.0 - self.of.yield_factor) * change[_RESERVE]
        account[1, self.ids] += to_dry_matter * lost


class _Waiting:
    """Lanes of a group that emerge within the span: until then nothing drives them, and then for a part of an hour."""

    def __init__(self, group: _Group, hour: int) -> None:
        starts = group.lanes.start_h[group.ids]
        up = int(np.searchsorted(starts, hour, side="right"))
        self.first = up  # of those that wait
        self.starts = starts[up:]
        self._up = up

    def apply(self, drive: Reals, now: int) -> None:
        """Scale drivers by the share of this hour after emergence."""
        waiting = int(np.searchsorted(self.starts, now, side="right"))
        self.first = self._up + waiting
        alive = np.maximum(now + 1.0 - self.starts[waiting:], 0.0).astype(drive.dtype)
        drive[:, self.first :] = drive[:, self.first :] * alive


class _Movers:
    """Lanes of a group that move to the channels before the end of the span.

    Only within two hours of its move a lane is between spacings; after them conditions are all that differs.
    """

    def __init__(self, group: _Group, hour: int, until: int) -> None:
        move_h = group.lanes.move_h[group.ids]
        at = np.flatnonzero((move_h < until) & (move_h > hour - 1.0))
        self.group = group
        self.at = at[np.argsort(move_h[at])]
        self.move_h = move_h[self.at]
        self._moves: list[float] = self.move_h.tolist()
        self._settled = 0

    def apply(self, drivers: Reals, drive: Reals, now: int) -> Index:
        """Blend the drivers of both zones by the share of this hour after the move.

        Returns
        -------
        ndarray of int
            Positions of the lanes that change spacing, which have no past this hour.
        """
        moving = slice(self._settled, bisect_left(self._moves, now + 1.0))
        if moving.start == moving.stop:
            return _NOBODY
        at = self.at[moving]
        moved = np.minimum(now + 1.0 - self.move_h[moving], 1.0)
        column, rows = self.group.column, self.group.rows
        nursery, channels = (drivers[: drive.shape[0], column[at] + rows * zone] for zone in (0, 1))
        drive[:, at] = nursery + (channels - nursery) * moved
        self._respace(at, moved)
        self._settled = bisect_right(self._moves, now)
        column[self.at[moving.start : self._settled]] += rows
        return at

    def _respace(self, at: Index, moved: Array) -> None:
        group, lanes = self.group, self.group.lanes
        ids = group.ids[at]
        nursery, channels = lanes.areas[0][ids], lanes.areas[1][ids]
        ground = lanes.multiplier[ids] * (nursery + (channels - nursery) * moved)
        scale = lanes.ground[ids] / ground
        states: tuple[Reals, Reals] = group.reserves, group.now[_STRUCTURE]
        for state in states:
            state[at] = state[at] * scale
        lanes.ground[ids] = ground


class _Finishing:
    """Lanes of a group that may reach a target within the span."""

    def __init__(self, group: _Group, table: Reals) -> None:
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
        self.could = could
        self.goal = group.goal(self.ids) / lanes.ground[self.ids]

    def respaced(self, moving: Index) -> None:
        """Set the goals anew if any of those listed changed spacing."""
        if self.could[moving].any():
            self.goal = self.group.goal(self.ids) / self.group.lanes.ground[self.ids]

    def check(self, now: int) -> None:
        """Note the targets that were reached in this hour, linear within it."""
        group, lanes, of = self.group, self.group.lanes, self.group.of
        weight = group.shoot(self.at)
        passed = (weight >= self.goal).nonzero()[0]
        while passed.size:
            ids = self.ids[passed]
            by_reserves, by_upkeep, gain = group.change[:, self.at[passed]]
            rise = gain - by_upkeep - (1.0 - of.yield_factor * of.shoot) * by_reserves
            beyond = (weight[passed] - self.goal[passed]) / np.where(rise > 0.0, rise, 1.0)
            lanes.reached[lanes.open[ids], ids] = now + np.maximum(1.0 - beyond, 0.0)
            lanes.open[ids] += 1
            group.finished += int(np.count_nonzero(lanes.open[ids] == lanes.target.shape[0]))
            self.goal[passed] = group.goal(ids) / lanes.ground[ids]
            passed = (weight >= self.goal).nonzero()[0]
