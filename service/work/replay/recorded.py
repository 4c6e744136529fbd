"""A recorded past as a house to be walked: what a seeding on another day would have become.

Nobody knows what plants would have done that were never sown. Between batches that were, it is taken to lie between
what these did: when they came up, when they had how many leaves, when they were moved and when they were ready. What
is moved later than the batches beside it were is taken to be ready as much later (assumed). So the walk stays within
the days between the first and the last finished batch, and is refused where these lie too far apart or are too few.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from service.records.tables import Order, Succession
from service.work.reforecast import HouseInput
from service.work.replay.loop import Array, Days, Rules
from service.work.replay.past import Past, PastBatch
from service.work.times import epoch_hours, moment_of, seeding_moment

LEAST_BATCHES = 12
LARGEST_GAP_DAYS = 21.0  # between two finished batches
LEAD_DAYS = 84  # from the first of them to the first order
LEAST_SCORED_DAYS = 91
_USUAL_LEAVES = 4.5  # of a batch that was moved, where its counts do not say


class CannotFollow(ValueError):  # noqa: N818 - read as an answer
    """The records do not say enough to walk the house under other seedings; the message says what is missing."""


@dataclass(frozen=True)
class RecordedGrowth:
    """What finished batches say of seedings between them, in days of the walk; each array by batch, rising."""

    seeded: Array
    up: Array  # days from seeding to emergence
    window: Array  # to the opening of the transplant window
    moved: Array  # to transplanting
    ready_after: Array  # to being ready
    opens_at: float  # leaves
    ready_g: float

    def emerged(self, seeded: int) -> int:
        """Return the first morning on which seedings are up."""
        return seeded + int(np.ceil(np.interp(seeded, self.seeded, self.up)))

    def leaves(self, seeded: int, day: int) -> float:
        """Return the leaves of seedlings: on a straight line from emergence through the window's opening."""
        up = float(np.interp(seeded, self.seeded, self.up))
        window = float(np.interp(seeded, self.seeded, self.window))
        return max(0.0, self.opens_at * (day - seeded - up) / max(window - up, 1.0))

    def ready(self, seeded: Days, moved: Days) -> Array:
        """Return when heads are ready."""
        late = moved - seeded - np.interp(seeded, self.seeded, self.moved)
        after = np.interp(seeded, self.seeded, self.ready_after)
        known = (seeded >= self.seeded[0]) & (seeded <= self.seeded[-1])
        return np.where(known, seeded + after + np.maximum(late, 0.0), np.inf)

    def fresh_g(self, seeded: int, moved: int, day: int) -> float:  # noqa: ARG002 - nobody weighed it
        """Return that the weight is not known."""
        return float("nan")


@dataclass(frozen=True)
class Walkable:
    """A recorded past that can be walked."""

    growth: RecordedGrowth
    rules: Rules
    known: HouseInput
    succession: Succession
    follow_from: int


def recorded_growth(past: Past, first_h: float) -> RecordedGrowth:
    """Return what the finished batches of a past say.

    Raises
    ------
    CannotFollow
        If there are too few, or they lie too far apart.
    """
    rows = [row for batch in past.batches if (row := _days(batch, past)) is not None]
    rows.sort()
    found = np.array(rows).reshape(-1, 5)
    # Of batches seeded on one day the first tells.
    found = found[np.unique(found[:, 0], return_index=True)[1]]
    if len(found) < LEAST_BATCHES:
        raise CannotFollow(
            f"{past.name}: {len(found)} batches are recorded from seeding over transplanting to the day on which they"
            f" were ready; {LEAST_BATCHES} are needed to say what others would have done"
        )
    gaps = np.diff(found[:, 0]) / 24.0
    if gaps.max() > LARGEST_GAP_DAYS:
        at = moment_of(float(found[int(np.argmax(gaps)), 0])).date()
        raise CannotFollow(
            f"{past.name}: after the batch seeded on {at:%d %b %Y} there is none for {gaps.max():.0f} days; what would"
            f" have been seeded in between is known up to {LARGEST_GAP_DAYS:.0f} days. Narrow the span with --from and"
            " --to"
        )
    up, window, moved, ready_after = found[:, 1:].T / 24.0
    return RecordedGrowth(
        (found[:, 0] - first_h) / 24.0,
        up,
        window,
        moved,
        ready_after,
        past.profile.window_open_leaves,
        past.profile.target_fresh_g,
    )


def _days(batch: PastBatch, past: Past) -> tuple[float, ...] | None:
    """Return when a batch was seeded, and hours from then to emergence, window, move and readiness."""
    moved = batch.last("transplanted")
    if moved is None or np.isnan(batch.ready_h):
        return None
    took = moved.at_h - batch.seeded_h
    up = batch.last("emerged")
    window = batch.window_open_h - batch.seeded_h
    if np.isnan(window):
        window = took * past.profile.window_open_leaves / _USUAL_LEAVES
    emerged = min(up.at_h - batch.seeded_h if up else 0.25 * took, 0.9 * window)
    return batch.seeded_h, emerged, window, took, batch.ready_h - batch.seeded_h


def walkable(past: Past, house: HouseInput, successions: Sequence[Succession], hold_days: int) -> Walkable:
    """Return a past as a house to be walked.

    Parameters
    ----------
    past
        Of one crop in one pair of zones.
    house
        The house as it is read now, with all hours that were measured.
    successions
        Those whose batches the past is of.
    hold_days
        That a ready head may wait.

    Raises
    ------
    CannotFollow
        If the records do not say enough.
    """
    of = max(successions, key=lambda s: s.heads_per_harvest / s.harvest_interval_days)
    started = min((b.seeded_h for b in past.batches), default=0.0)
    first: date = moment_of(started).astimezone(house.zone_info).date()
    growth = recorded_growth(past, epoch_hours(seeding_moment(first, house.zone_info)))
    last = int(growth.seeded[-1] + growth.ready_after[-1])
    if last - LEAD_DAYS < LEAST_SCORED_DAYS:
        raise CannotFollow(
            f"{past.name}: the finished batches span {last} days; {LEAD_DAYS + LEAST_SCORED_DAYS} are needed, the first"
            f" {LEAD_DAYS} to fill the house"
        )
    rate = sum(s.heads_per_harvest / s.harvest_interval_days for s in successions)
    channels = house.zones[of.channels_zone_id]
    there = [s for s in house.successions if s.channels_zone_id == channels.id and s.active] or list(
        successions
    )
    whole = sum(s.heads_per_harvest / s.harvest_interval_days for s in there)
    rules = Rules(
        first=first,
        days=last,
        sites=round(channels.capacity * min(1.0, rate / whole)),
        cells=house.zones[of.nursery_zone_id].capacity,
        keep_share=of.keep_share,
        heads=max(1, round(7.0 * rate)),
        order_weekday=4,
        orders_from=LEAD_DAYS,
        hold_days=hold_days,
        seeding_weekdays=tuple(of.seeding_weekdays),
        window=(past.profile.window_open_leaves, past.profile.window_close_leaves),
    )
    walked = _copy(of, rules)
    order = Order(
        farm_id=house.house.farm_id,
        crop_id=of.crop_id,
        buyer="As the succession is for",
        heads=rules.heads,
        weekdays=[rules.order_weekday],
        starts_on=first + timedelta(days=LEAD_DAYS),
        active=True,
    )
    order.id, order.version = 0, 1
    known = replace(
        house,
        successions=[walked],
        live=[],
        advice={},
        past=replace(house.past, batches=(), kept=()),
        orders=[order],
        growers={},
        hold_days=float(hold_days),
    )
    return Walkable(growth, rules, known, walked, LEAD_DAYS // 2)


def _copy(of: Succession, rules: Rules) -> Succession:
    """Return a succession that can be changed without the records."""
    made = Succession(
        house_id=of.house_id,
        crop_id=of.crop_id,
        cultivar_id=None,
        nursery_zone_id=of.nursery_zone_id,
        channels_zone_id=of.channels_zone_id,
        name=of.name,
        heads_per_harvest=rules.heads,
        harvest_interval_days=7.0,
        seeding_interval_days=7.0,
        seeding_weekdays=list(of.seeding_weekdays),
        cells_per_seeding=rules.cells_a_seeding,
        keep_share=of.keep_share,
    )
    made.id, made.version = of.id, 1
    return made
