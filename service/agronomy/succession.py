r"""The succession: when to seed so that harvests stay even and sites are neither short nor empty.

A batch seeded at :math:`s` is harvested at :math:`H(s) = s + D(s)`. Harvests stay :math:`a` apart when the seeding
interval is :math:`a / (1 + D'(s))`: closer together while the duration grows, wider while it falls. The exact form
used here inverts :math:`H` at the wished harvest dates, member by member of the outlook.

This is the heat-unit rule of succession sowing [1]_ carried from one developmental sum to a whole forecast.

References
----------
.. [1] L. Ottosson, "Sequential sowing of peas", Acta Horticulturae 27, p. 34: the heat units between two sowings
   should be those between the corresponding harvests.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Decision = Literal["hold", "shorten", "lengthen"]
Binding = Literal["continuity", "sites", "window"]

HOURS = 24.0
LOOK_AHEAD_DAYS = 28.0  # advice holds for about this long
CHANGE_DAYS_A_WEEK = 0.5  # an interval is changed when it is off by this much in a week ...
CHANGE_PROBABILITY = 0.75  # ... and so many members agree on the direction
KEEP_DAYS_A_WEEK = 0.25  # a changed interval is kept until it is off by less than this ...
KEEP_PROBABILITY = 0.6  # ... or fewer members agree
SITES_ON = 1.03  # share of the sites beyond which they are called short ...
SITES_OFF = 0.97  # ... and below which they no longer are
FEWEST_CELLS = 0.75  # a seeding is cut to this share before the interval is stretched
STRETCHES = (1.0, 1.25, 1.5)  # times the interval, tried for seedings after a pause
LONGEST_STRETCH = 2.0  # times the present interval


class Curve(NamedTuple):
    """What becomes of seedings on a grid of moments: epoch hours; columns are members."""

    seeding_h: Array  # (points,), rising
    transplant_h: Array  # (points, members)
    harvest_h: Array  # (points, members); inf: not reached
    light_harvest_h: Array  # the same for light heads
    clear_h: Array | None = None  # last harvest of a crop of several cuts; none: there is but one
    light_clear_h: Array | None = None

    @property
    def cleared_h(self) -> Array:
        """When sites become free: at the last harvest."""
        return self.harvest_h if self.clear_h is None else self.clear_h

    @property
    def light_cleared_h(self) -> Array:
        """The same for light heads."""
        return self.light_harvest_h if self.light_clear_h is None else self.light_clear_h


class Occupants(NamedTuple):
    """Groups of plants that hold sites from transplant to last harvest; epoch hours, shape (groups, members)."""

    transplant_h: Array
    harvest_h: Array
    light_harvest_h: Array
    plants: Array  # (groups,)


class Coming(NamedTuple):
    """Seedings of another succession in the same zone, as it practises them."""

    curve: Curve
    seedings_h: Array  # epoch hours
    plants: float  # a seeding
    interval_days: float  # that it practises


class Outage(NamedTuple):
    """Sites that are out of use for a while."""

    from_h: float
    to_h: float
    sites: float


class Waiting(NamedTuple):
    """A group of seedlings on the nursery table that wants sites; epoch hours, medians."""

    window_open_h: float
    window_close_h: float
    harvest_h: float  # the last one
    plants: float
    own: bool = True  # of the succession that is advised


@dataclass(frozen=True, kw_only=True)
class Programme:
    """What a succession does now and wants."""

    harvest_interval_days: float
    seeding_interval_days: float
    cells: int
    keep_share: float


@dataclass(frozen=True, kw_only=True)
class Advice:
    """What to do with the seedings of a succession, and the figures behind it."""

    decision: Decision
    binding: Binding
    interval_days: float
    advised_interval_days: float
    cells: int
    probability: (
        float  # share of the members whose interval should move this way (or, on hold, by too little)
    )
    seedings_h: tuple[float, ...]  # advised moments, before rounding to allowed days
    continuity_interval_days: float
    duration_now_days: float | None  # from seeding to harvest, of the next seeding; none: not reached
    duration_slope: float | None  # days of duration gained or lost a day of seeding date
    gap_without_days: float | None  # mean days between harvests if nothing is changed
    gap_with_days: float | None
    sites_needed: float  # at the peak, if harvests were to stay even
    sites_peak_h: float | None
    sites: int  # in use at that peak
    sites_needed_light: float  # the same, cutting light heads
    sites_needed_advised: float  # at the peak while coming seedings stand there
    skipped: int  # seedings that a pause leaves out
    pause_until_h: float | None  # when to seed again after a pause; inf: not within what is looked at
    late: tuple[tuple[int, float], ...] = field(
        default=()
    )  # waiting groups that pass the window, sites free at
    seeding_cells: tuple[int, ...] = ()  # of each of the seedings; empty: ``cells`` of each
    wanted: float | None = None  # heads ordered that seedings to come can serve; none: nothing is ordered
    short_without: float | None = None  # of these, seeding on as now
    short_with: float | None = None
    changed_h: float = -np.inf  # since when this interval is advised for orders
    turned: int = 0  # whether it is longer (1) or shorter (-1) than the one before


def interval_days(harvest_interval_days: float, duration_slope: float) -> float:
    """Return the seeding interval of the continuity law, a / (1 + D').

    Parameters
    ----------
    harvest_interval_days : float
        Wished days between harvests.
    duration_slope : float
        Days by which the duration grows a day of seeding date; must be above -1.

    Raises
    ------
    ValueError
        If later seedings are harvested no later (slope of -1 or less): no interval keeps such harvests apart.
    """
    if duration_slope <= -1.0:
        raise ValueError("a duration that falls by a day a day brings all seedings to harvest at once")
    return harvest_interval_days / (1.0 + duration_slope)


def seedings_for(curve: Curve, wished_h: Array) -> Array:
    """Invert H: when to seed to harvest at the wished moments.

    Parameters
    ----------
    curve : Curve
        Seedings and their harvests.
    wished_h : ndarray, shape (wishes, members)
        Wished harvests.

    Returns
    -------
    ndarray, shape (wishes, members)
        Seeding moments; before the grid by the slope of its beginning, inf beyond its end or where the harvest is
        not reached.
    """
    harvest = np.maximum.accumulate(curve.harvest_h, axis=0)
    s = curve.seeding_h
    top = s.size - 2
    upper = np.sum(harvest[None, :, :] < wished_h[:, None, :], axis=1)  # points harvested before the wish
    low = np.clip(upper - 1, 0, top)
    column = np.arange(harvest.shape[1])
    h0, h1 = harvest[low, column], harvest[low + 1, column]
    with np.errstate(invalid="ignore"):  # inf - inf where nothing is reached
        rise = h1 - h0
        # A flat stretch of H: every seeding on it is harvested together; take its end.
        share = np.where(rise > 0.0, (wished_h - h0) / np.where(rise > 0.0, rise, 1.0), 1.0)
        found = s[low] + share * (s[low + 1] - s[low])
    return np.where((upper > top + 1) | ~np.isfinite(h1), np.inf, found)


def at(curve_h: Array, seeding_h: Array, moments_h: Array) -> Array:
    """Interpolate a date of the curve to other seeding moments, shape (moments, members); inf stays inf."""
    moments = np.asarray(moments_h, dtype=np.float64)
    low = np.clip(np.searchsorted(seeding_h, moments, side="right") - 1, 0, seeding_h.size - 2)
    share = ((moments - seeding_h[low]) / (seeding_h[low + 1] - seeding_h[low]))[:, None]
    h0, h1 = curve_h[low], curve_h[low + 1]
    both = np.isfinite(h0) & np.isfinite(h1)
    return np.where(
        both, np.where(both, h0, 0.0) + share * np.where(both, h1 - np.where(both, h0, 0.0), 0.0), np.inf
    )


def occupancy(transplant_h: Array, harvest_h: Array, plants: Array, moments_h: Array) -> Array:
    """Sites held at each moment, mean over members.

    Parameters
    ----------
    transplant_h, harvest_h : ndarray, shape (groups, members)
        From when to when.
    plants : ndarray, shape (groups,)
        How many.
    moments_h : ndarray, shape (moments,)
        When to look.

    Returns
    -------
    ndarray, shape (moments,)
    """
    if not plants.size:
        return np.zeros(moments_h.shape)
    when = moments_h[:, None, None]
    held = ((transplant_h[None] <= when) & (when < harvest_h[None])).mean(axis=2)
    return np.asarray(held @ plants)


def capacity(sites: float, outages: Sequence[Outage], moments_h: Array) -> Array:
    """Return the sites that are in use at each moment: all, less those that are out."""
    left = np.full(moments_h.shape, float(sites))
    for outage in outages:
        left -= np.where((outage.from_h <= moments_h) & (moments_h < outage.to_h), outage.sites, 0.0)
    return np.asarray(np.maximum(left, 0.0))


def place_waiting(
    waiting: Sequence[Waiting], free_from: Array, moments_h: Array, sites: float | Array
) -> list[tuple[int, float]]:
    """Put waiting seedlings on sites as they fall free, oldest first, and name those that pass their window.

    Parameters
    ----------
    waiting : sequence of Waiting
        Groups on the nursery table.
    free_from : ndarray, shape (moments,)
        Sites held by what stands in the channels already.
    moments_h : ndarray, shape (moments,)
        Rising moments, a day apart.
    sites : float or ndarray, shape (moments,)
        Capacity.

    Returns
    -------
    list of (index, moment)
        Groups that find sites only after their window has closed, and when; inf: not within the moments.
    """
    held = free_from.copy()
    late: list[tuple[int, float]] = []
    for index in sorted(range(len(waiting)), key=lambda i: waiting[i].window_open_h):
        group = waiting[index]
        room = (held + group.plants <= sites) & (moments_h >= group.window_open_h - HOURS)
        found = float(moments_h[np.argmax(room)]) if room.any() else np.inf
        # A window that has closed already was not missed for want of sites, if there are some today.
        if found > max(group.window_close_h, float(moments_h[0])) + HOURS:
            late.append((index, found))
        if np.isfinite(found):
            wait = max(0.0, found - 0.5 * (group.window_open_h + group.window_close_h))
            stays = (moments_h >= found) & (moments_h < group.harvest_h + wait)
            held = held + np.where(stays, group.plants, 0.0)
    return late


def advise(
    programme: Programme,
    now_h: float,
    last_seeding_h: float | None,
    last_harvest_h: Array | None,
    curve: Curve,
    standing: Occupants,
    others: Sequence[Coming],
    waiting: Sequence[Waiting],
    sites: int,
    previous: tuple[Decision, Binding] | None = None,
    outages: Sequence[Outage] = (),
    earliest_h: float = -np.inf,
) -> Advice:
    """Advise a succession.

    A seeding that was due and is not recorded is for the first moment on which may be seeded, and those after it are
    counted from there; what a longer lapse left out is lost.

    Parameters
    ----------
    programme : Programme
        What it does now and wants.
    now_h : float
        The present. [epoch hours]
    last_seeding_h : float or None
        Its newest seeding; none: it has not begun.
    last_harvest_h : ndarray, shape (members,), or None
        Forecast harvest of that batch.
    curve : Curve
        Seedings from now on; at least two points.
    standing : Occupants
        Batches of every succession that hold sites of the zone or are on their way there.
    others : sequence of Coming
        What the other successions of the zone go on seeding. Where sites are short, all give way alike.
    waiting : sequence of Waiting
        Seedlings on the nursery table bound for the zone.
    sites : int
        Capacity of the zone.
    previous : tuple, optional
        Decision and binding limit of the advice in force; a change needs better evidence than keeping it.
    outages : sequence of Outage
        Sites of the zone that are out of use for a while.
    earliest_h : float
        The first moment on which may be seeded, if that is not now. [epoch hours]

    Returns
    -------
    Advice
    """
    start_h = max(now_h, earliest_h)
    a, now_interval = programme.harvest_interval_days, programme.seeding_interval_days
    s0 = max(float(curve.seeding_h[0]), start_h) if last_seeding_h is None else last_seeding_h
    h0 = at(curve.harvest_h, curve.seeding_h, np.array([s0]))[0] if last_harvest_h is None else last_harvest_h
    count = max(3, round(LOOK_AHEAD_DAYS / a)) + _lost(curve, start_h, h0, a)
    wished = h0[None, :] + HOURS * a * np.arange(1, count + 1)[:, None]
    exact = seedings_for(curve, wished)
    continuity, decision, probability = _even(exact, s0, programme, previous[0] if previous else "hold")
    advised = continuity if decision != "hold" else now_interval

    days = now_h + HOURS * np.arange(0.0, (curve.seeding_h[-1] - now_h) / HOURS + 120.0)
    days = days[: _settled(days, curve)]
    plants = programme.cells * programme.keep_share

    held = occupancy(standing.transplant_h, standing.harvest_h, standing.plants, days)
    held_light = occupancy(standing.transplant_h, standing.light_harvest_h, standing.plants, days)

    def coming(interval: float, begin_h: float = start_h, *, light: bool = False) -> Array:
        """Sites that the coming seedings of all successions of the zone hold, at full size; after a pause of all."""
        own = Coming(curve, _moments(s0, interval, begin_h, curve), plants, interval)
        pause_h = begin_h if begin_h > start_h else now_h
        return np.asarray(
            sum(_sites_of(c, now_h if c is own else pause_h, days, light) for c in (own, *others))
        )

    open_sites = capacity(sites, outages, days)
    # Seedings cannot help what stands on sites that are taken out before their plants come.
    usable = np.where(coming(now_interval) > 0.0, open_sites, sites)
    need, need_h, room = _peak(held + coming(advised), usable, days, sites)
    need_light, _, _ = _peak(held_light + coming(advised, light=True), usable, days, sites)
    placed = place_waiting(waiting, _standing_only(standing, now_h, days), days, open_sites)
    late = [(index, found) for index, found in placed if waiting[index].own]
    threshold = room * (SITES_OFF if previous and previous[1] == "sites" else SITES_ON)
    binding: Binding = "continuity"
    cells, every, begin_h, pause_until_h = programme.cells, advised, start_h, None
    if need > threshold:
        binding = "sites"
        every, begin_h, share = _fit(
            max(now_interval, continuity), s0, start_h, curve, usable - held, plants, coming
        )
        cells = int(share * programme.cells)
        if not cells:
            pause_until_h, every = np.inf, now_interval
        elif begin_h > start_h:
            pause_until_h = float(_moments(s0, every, begin_h, curve)[0])
        advised = every
        stretched = every > now_interval * (1.0 + CHANGE_DAYS_A_WEEK / 7.0)
        decision = "lengthen" if stretched or pause_until_h is not None else "hold"
        probability = 1.0
    elif late:
        binding = "window"
        # The trade's rule: a day longer (common practice, no source).
        advised = every = max(advised, now_interval + 1.0)
        decision = "lengthen"
        probability = 1.0

    if pause_until_h == np.inf:
        seedings = np.empty(0)
    elif binding == "continuity" and decision != "hold":
        seedings = _exact_moments(exact, start_h, continuity)
    else:
        seedings = _moments(s0, every, begin_h, curve)[:count]
    if last_seeding_h is None and pause_until_h is None:
        seedings = np.concatenate([[s0], seedings[seedings > s0]])
    return Advice(
        decision=decision,
        binding=binding,
        interval_days=now_interval,
        advised_interval_days=advised,
        cells=cells,
        probability=probability,
        seedings_h=tuple(seedings.tolist()),
        continuity_interval_days=continuity,
        duration_now_days=_median_days(curve.harvest_h[0] - curve.seeding_h[0]),
        duration_slope=_slope(curve),
        gap_without_days=_gap(curve, _moments(s0, now_interval, start_h, curve)[:count], s0, h0),
        gap_with_days=_gap(curve, seedings, s0, h0),
        sites_needed=need,
        sites_peak_h=need_h,
        sites=round(room),
        sites_needed_light=need_light,
        sites_needed_advised=_peak_while_coming(
            held, cells / programme.cells * coming(every, begin_h), cells * programme.keep_share
        ),
        skipped=round((begin_h - start_h) / HOURS / every) if cells else 0,
        pause_until_h=pause_until_h,
        late=tuple(late),
    )


def _even(
    exact: Array, s0: float, programme: Programme, held_before: Decision
) -> tuple[float, Decision, float]:
    """Return the interval that even harvests ask for, what to do about it, and how many members agree.

    Parameters
    ----------
    exact : ndarray, shape (wishes, members)
        Seedings that meet the wished harvests. [epoch hours]
    """
    now_interval = programme.seeding_interval_days
    each = (exact[-1] - s0) / HOURS / len(exact)  # (members,): mean interval of the coming seedings
    longest = LONGEST_STRETCH * max(programme.harvest_interval_days, now_interval)
    each = np.clip(np.where(np.isfinite(each), each, longest), 1.0, longest)
    continuity = float(np.median(each))

    off = (each - now_interval) * 7.0 / now_interval  # days a week
    middle = (continuity - now_interval) * 7.0 / now_interval
    direction: Decision = "shorten" if middle < 0 else "lengthen"
    agree = float(np.mean(off < 0 if middle < 0 else off > 0))
    keeping = held_before == direction
    enough = abs(middle) >= (KEEP_DAYS_A_WEEK if keeping else CHANGE_DAYS_A_WEEK)
    sure = agree >= (KEEP_PROBABILITY if keeping else CHANGE_PROBABILITY)
    if enough and sure:
        return continuity, direction, agree
    return continuity, "hold", float(np.mean(np.abs(off) < CHANGE_DAYS_A_WEEK))


def _moments(s0: float, interval: float, begin_h: float, curve: Curve) -> Array:
    """Seedings an interval apart to the end of the curve: after the last one, but none before a moment."""
    return np.arange(max(s0 + HOURS * interval, begin_h), curve.seeding_h[-1] + 1.0, HOURS * interval)


def _lost(curve: Curve, start_h: float, h0: Array, harvest_interval_days: float) -> int:
    """Return how many of the wished harvests have passed before a seeding made now would be ready."""
    ready, before = np.median(at(curve.harvest_h, curve.seeding_h, np.array([start_h]))[0]), np.median(h0)
    if not (np.isfinite(ready) and np.isfinite(before)):
        return 0
    return max(0, int((ready - before) / HOURS / harvest_interval_days))


def _exact_moments(exact: Array, start_h: float, interval: float) -> Array:
    """Medians over members; of those that were missed one is made up for, unless the next is near."""
    middle = np.median(exact, axis=1)
    middle = middle[np.isfinite(middle)]
    coming = middle[middle > start_h]
    if coming.size == middle.size:
        return np.asarray(coming)
    near = coming - start_h < 0.5 * HOURS * interval
    return np.concatenate([[start_h], coming[~near]])


def _settled(days: Array, curve: Curve) -> int:
    """Days until the last seeding of the curve would be transplanted: later demand is not complete."""
    last = float(np.median(curve.transplant_h[-1]))
    return int(np.searchsorted(days, last)) if np.isfinite(last) else days.size


def _standing_only(standing: Occupants, now_h: float, days: Array) -> Array:
    """Sites held by what is in the channels now."""
    there = (
        np.median(standing.transplant_h, axis=1) <= now_h if standing.plants.size else np.empty(0, dtype=bool)
    )
    return occupancy(standing.transplant_h[there], standing.harvest_h[there], standing.plants[there], days)


def _sites_of(seedings: Coming, begin_h: float, days: Array, light: bool) -> Array:
    moments = seedings.seedings_h[seedings.seedings_h >= begin_h]
    curve = seedings.curve
    return occupancy(
        at(curve.transplant_h, curve.seeding_h, moments),
        at(curve.light_cleared_h if light else curve.cleared_h, curve.seeding_h, moments),
        np.full(moments.size, seedings.plants),
        days,
    )


def _peak(demand: Array, usable: Array, days: Array, sites: int) -> tuple[float, float | None, float]:
    """Demand, moment and usable sites where most are short or fewest are left."""
    if not demand.size:
        return 0.0, None, float(sites)
    top = int(np.argmax(demand - usable))
    return float(demand[top]), float(days[top]), float(usable[top])


def _peak_while_coming(held: Array, coming: Array, least: float) -> float:
    """Largest demand on days on which coming seedings stand in the channels."""
    return float((held + coming)[coming > 0.4 * least].max(initial=0.0))


def _fit(
    shortest: float,
    s0: float,
    start_h: float,
    curve: Curve,
    room: Array,
    plants: float,
    coming: Callable[[float, float], Array],
) -> tuple[float, float, float]:
    """Find the next seedings that find their sites at nearly full size.

    Tried in this order: as often as ``shortest`` but smaller, then up to half as long again between seedings, then
    after a pause of a day more.

    Returns
    -------
    tuple
        Interval; moment before which none is made, later than ``start_h`` after a pause; share of the full size.
    """
    due_h = max(start_h, s0 + HOURS * shortest)
    tries = [(start_h, float(interval)) for interval in np.arange(shortest, 1.5 * shortest + 0.01, 0.5)]
    tries += [
        (float(begin_h), shortest * stretch)
        for begin_h in np.arange(due_h + HOURS, curve.seeding_h[-1] + 1.0, HOURS)
        for stretch in STRETCHES
    ]
    best = (shortest, start_h, 0.0)
    for begin_h, interval in tries:
        wanted = coming(interval, begin_h)
        busy = wanted > 0.5 * plants  # a coming seeding stands there in most members
        if not busy.any():
            continue
        share = float(np.clip((room[busy] / wanted[busy]).min(), 0.0, 1.0))
        if share >= FEWEST_CELLS:
            return interval, begin_h, share
        if share > best[2]:
            best = (interval, begin_h, share)
    return best


def _median_days(hours: Array) -> float | None:
    middle = float(np.median(hours)) / HOURS
    return middle if np.isfinite(middle) else None


def _slope(curve: Curve) -> float | None:
    durations = np.median(curve.harvest_h - curve.seeding_h[:, None], axis=1)
    good = np.isfinite(durations) & (curve.seeding_h <= curve.seeding_h[0] + HOURS * LOOK_AHEAD_DAYS)
    if good.sum() < 2:
        return None
    return float(np.polyfit(curve.seeding_h[good], durations[good], 1)[0])


def _gap(curve: Curve, moments: Array, s0: float, h0: Array) -> float | None:
    """Mean days between the harvests of coming seedings, counted from the newest batch."""
    moments = moments[(moments <= curve.seeding_h[-1]) & (moments > s0)]
    if not moments.size:
        return None
    last = np.median(at(curve.harvest_h, curve.seeding_h, moments[-1:]))
    first = np.median(h0)
    if not (np.isfinite(first) and np.isfinite(last)):
        return None
    return float(last - first) / HOURS / moments.size
