"""The closed loop by hand: rules of the walk, foresight, what counts as flapping, and a recorded past as a house."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from service.work.profiles import profile
from service.work.replay import Fact, Past, PastBatch
from service.work.replay.compare import flapping
from service.work.replay.foresight import foresee, order_that_fits
from service.work.replay.loop import FixedInterval, Rules, Sown, Telling, walk
from service.work.replay.recorded import CannotFollow, recorded_growth
from tests.unit.test_replay import SITE, hours

DAY = 24.0


class Steady:
    """Up on the third day, 0.3 leaves a day from then, ready so many days after the move."""

    ready_g = 150.0

    def __init__(self, channel_days: float = 28.0) -> None:
        self.channel_days = channel_days

    def emerged(self, seeded: int) -> int:
        return seeded + 3

    def leaves(self, seeded: int, day: int) -> float:
        return 0.3 * (day - seeded - 3)

    def ready(self, seeded: np.ndarray, moved: np.ndarray) -> np.ndarray:
        return moved + np.full(seeded.shape, self.channel_days)

    def fresh_g(self, seeded: int, moved: int, day: int) -> float:  # noqa: ARG002 - all do the same
        return 150.0 * (day - moved) / self.channel_days


RULES = Rules(
    first=date(2026, 6, 1),  # a Monday
    days=210,
    sites=600,
    cells=2000,
    keep_share=0.8,
    heads=80,
    order_weekday=4,
    orders_from=70,
    hold_days=7,
)


def test_a_house_that_never_changes_meets_its_orders_every_week() -> None:
    out = walk(Steady(), RULES, FixedInterval(100))
    assert (out.ordered, out.short, out.cut) == (80 * 20, 0, 80 * 20)
    assert out.overgrown == out.thrown_away == 0
    assert out.window_share >= 0.95  # a count is off at times
    # Every plant holds its site from its move to the order day on which it is cut: 28 days, and up to a week more.
    assert 28 * 80 / 7 <= out.site_days / 140 <= 36 * 80 / 7


def test_seedlings_wait_for_sites_grow_too_old_and_are_thrown_away() -> None:
    tight = replace(RULES, sites=160)
    out = walk(Steady(), tight, FixedInterval(100))
    assert out.short > 0
    assert out.thrown_away > 0
    assert out.window_share < 0.9
    assert out.site_days <= 160 * 140


def test_heads_that_nobody_wants_in_time_are_thrown_away() -> None:
    out = walk(Steady(), RULES, FixedInterval(200))
    assert out.short == 0
    assert out.overgrown > 0


def test_the_nursery_is_not_overfilled_in_silence() -> None:
    with pytest.raises(ValueError, match="room for 0"):
        walk(Steady(), replace(RULES, cells=100, sites=1), FixedInterval(100))


def test_a_look_in_vain_is_written_down_with_the_one_that_found_them() -> None:
    told: list[list[tuple[int, int]]] = []

    class Reader:
        def cells(self, day: int, batches: Sequence[Sown]) -> int:
            told.extend([(n.day, n.plants) for n in b.notes if n.kind == "emerged"] for b in batches)
            return 100 if day == 0 else 0

    walk(Steady(), replace(RULES, days=10), Reader())
    # Nothing is written before.
    assert [] in told
    assert {tuple(one) for one in told if one} == {((2, 0), (3, 100))}


def test_growers_share_their_luck() -> None:
    assert walk(Steady(), RULES, FixedInterval(100)) == walk(Steady(), RULES, FixedInterval(100))


def test_foresight_meets_what_the_sites_allow_and_no_more() -> None:
    best = foresee(Steady(), RULES)
    assert sum(best.short.values()) == pytest.approx(0.0, abs=1e-6)
    # 28 days on the site and nothing but that: moved on the day on which it is just ready for its order.
    # Days before the first order do not count, of its own batches either.
    assert 80 * 28 * 17 < best.site_days <= 80 * 28 * 20
    # Sites for 40 heads a week.
    half = foresee(Steady(), replace(RULES, sites=160))
    assert sum(half.short.values()) == pytest.approx(40 * 20, rel=0.05)
    fixed = walk(Steady(), replace(RULES, sites=160), FixedInterval(50))
    assert sum(half.short.values()) <= fixed.short
    assert order_that_fits(Steady(), RULES) == 150  # four order days stand at once


def test_changes_and_reversals_are_counted() -> None:
    def looks(*told: tuple[int, float, int]) -> list[Telling]:
        return [Telling(day, "hold", interval, cells) for day, interval, cells in told]

    still = flapping(looks((0, 7.0, 100), (1, 7.1, 100), (2, 7.0, 104)))
    assert (still.changes, still.reversals) == (0, 0)
    moved = flapping(looks((0, 7.0, 100), (1, 6.0, 100), (9, 7.0, 100), (30, 6.0, 100), (33, 6.0, 80)))
    assert (moved.changes, moved.most_a_week, moved.reversals) == (4, 2, 1)


# --------------------------------------------------------------------------- a recorded past


def recorded(seeded_days: list[int], took: float = 45.0) -> Past:
    def batch(day: int) -> PastBatch:
        seeded = 24.0 * 18_000 + DAY * day
        facts = (
            Fact("emerged", seeded + 4 * DAY, seeded + 4 * DAY),
            Fact("transplanted", seeded + 18 * DAY, seeded + 18 * DAY),
            Fact("harvested", seeded + took * DAY, seeded + took * DAY, 150.0),
        )
        return PastBatch(f"{day}", seeded, facts, ready_h=seeded + (took + 0.1 * day) * DAY)

    return Past(
        name="Butterhead",
        site=SITE,
        key=1,
        co2_ppm=400.0,
        profile=profile("butterhead"),
        nursery=hours(10),
        channels=hours(10),
        nursery_m2=650.0,
        channels_m2=25.0,
        lamp_mol=lambda hour: np.zeros(hour.size),
        batches=[batch(day) for day in seeded_days],
        harvest_interval_days=7.0,
    )


def test_between_recorded_batches_others_would_have_done_as_they() -> None:
    growth = recorded_growth(recorded(list(range(0, 140, 7))), 24.0 * 18_000)
    assert growth.emerged(3) == 7
    # 16 of the 18 days to the move, which is taken to be at four and a half leaves, bring four.
    assert growth.leaves(0, 16) == pytest.approx(4.0)
    at, usual = np.array([0, 14, 17, 17]), np.array([18, 32, 35, 39])
    assert growth.ready(at, usual) == pytest.approx([45.0, 14 + 46.4, 17 + 46.7, 17 + 46.7 + 4])
    assert np.isinf(growth.ready(np.array([300]), np.array([320])))[0]


def test_records_that_say_too_little_are_refused_with_what_is_missing() -> None:
    with pytest.raises(CannotFollow, match="5 batches are recorded"):
        recorded_growth(recorded(list(range(0, 35, 7))), 0.0)
    with pytest.raises(CannotFollow, match=r"none for 35 days"):
        recorded_growth(recorded([*range(0, 70, 7), *range(98, 140, 7)]), 0.0)
