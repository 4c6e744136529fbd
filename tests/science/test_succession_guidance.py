"""Seedings against published guidance on succession sowing, and against what the trade does.

The numbers of weekly harvests under cover in Maine and of spring sowings are Coleman's, "The New Organic Grower",
p. 47, read second-hand. They are of soil, unheated and of other crops as well: only their direction is asked of the
law.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.agronomy import growth
from service.agronomy import succession as law
from service.agronomy.sun import extraterrestrial_hourly_mj
from service.work.seeding import allowed_days
from service.work.times import moment_of

DAY = 24.0
YEAR = 2001
UTC = ZoneInfo("UTC")


def hour_of(month: int, day: int, year: int = YEAR) -> int:
    return 24 * (date(year, month, day) - date(1970, 1, 1)).days


@pytest.fixture(scope="module")
def channel_days() -> tuple[np.ndarray, np.ndarray]:
    """Days from 0.10 to 6.5 g of dry matter a plant, by day of transplanting: 50° N, clearness 0.45, transmission 0.60.

    18 °C, 400 ppm, 25 plants m-2, van Henten's model as published.
    """
    first = hour_of(1, 1)
    hours = np.arange(first, first + 24 * 550, dtype=np.int64)
    outdoors = 0.45 * extraterrestrial_hourly_mj(50.0, 0.0, hours)
    par = 0.60 * 0.50 * outdoors * 1e6 / 3600.0
    drivers = growth.hourly_drivers(par[None, :], np.full((1, hours.size), 18.0), 400.0)
    moved = 24.0 * np.arange(0, 365)
    lanes = moved.size
    shoot = 0.25 + 0.75 * (1.0 - growth.PUBLISHED.root_fraction)
    run, _ = growth.grow(
        drivers,
        drivers,
        np.zeros(lanes, dtype=np.intp),
        moved,
        moved,
        np.full(lanes, 0.10),
        (np.full(lanes, 25.0), np.full(lanes, 25.0)),
        np.ones(lanes),
        np.full((1, lanes), 6.5 * shoot),
        0.0,
        account=False,
    )
    return first + moved, (run.reached[0] - moved) / DAY


# Computed from the published model elsewhere: transplants 14 days apart, days between their harvests.
@pytest.mark.parametrize(
    ("pair", "apart"),
    [(((3, 1), (3, 15)), 11), (((4, 1), (4, 15)), 12), (((9, 1), (9, 15)), 18), (((10, 1), (10, 15)), 22)],
)
def test_transplants_two_weeks_apart(
    channel_days: tuple[np.ndarray, np.ndarray], pair: tuple[tuple[int, int], tuple[int, int]], apart: int
) -> None:
    moved, days = channel_days
    first, second = (np.interp(hour_of(*on), moved, moved + DAY * days) for on in pair)
    assert (second - first) / DAY == pytest.approx(apart, abs=1.5)


def intervals(
    channel_days: tuple[np.ndarray, np.ndarray], month: int, day: int, a: float = 7.0
) -> np.ndarray:
    """Seeding intervals of the coming weeks for harvests ``a`` days apart, the nursery taking 14 days."""
    moved, days = channel_days
    now = float(hour_of(month, day))
    seeding = now + DAY * 3.5 * np.arange(17)
    ready = np.interp(seeding + 14 * DAY, moved, moved + DAY * days)[:, None]
    curve = law.Curve(seeding, (seeding + 14 * DAY)[:, None], ready, ready)
    wished = ready[0] + DAY * a * np.arange(1, 5)[:, None]
    seedings = law.seedings_for(curve, wished)[:, 0]
    harvested = law.at(curve.harvest_h, seeding, seedings)[:, 0]
    assert np.diff(harvested) / DAY == pytest.approx(np.full(3, a), abs=1e-6)
    return np.diff([now, *seedings]) / DAY


def test_sowings_come_closer_in_autumn_and_wider_in_spring(
    channel_days: tuple[np.ndarray, np.ndarray],
) -> None:
    # Coleman: sow every 3.5 days from 1 September, every 2 from 10 September, every 7 from 10 October, every 10 from
    # 15 November. Closer than the harvests in autumn, closest about equinox, wider once the days begin to lengthen.
    september, late = intervals(channel_days, 8, 25), intervals(channel_days, 10, 25)
    assert september.max() < 7.0
    assert september.mean() < 5.5
    assert late[-1] > september.mean()
    assert intervals(channel_days, 2, 1).min() > 7.0


def test_early_spring_sowings_bunch(channel_days: tuple[np.ndarray, np.ndarray]) -> None:
    # Coleman: sown a month apart in March, sold eight days apart. A glasshouse at 18 °C bunches far less.
    moved, days = channel_days
    first, second = (np.interp(hour_of(*on), moved, moved + DAY * days) for on in ((1, 20), (2, 20)))
    assert 8.0 < (second - first) / DAY < 25.0


def test_heat_units_of_ottosson(channel_days: tuple[np.ndarray, np.ndarray]) -> None:
    # Ottosson, Acta Horticulturae 27, p. 34: the same units between sowings as between harvests. For a crop that is
    # ready after a sum of units whose daily gain falls from 20 to 10 the law must say the same.
    gain = np.interp(np.arange(400.0), [0, 120, 400], [20.0, 10.0, 10.0])
    units = np.concatenate([[0.0], np.cumsum(gain)])
    day = np.arange(60.0)
    ready = np.interp(np.interp(day, np.arange(401), units) + 700.0, units, np.arange(401))[:, None]
    curve = law.Curve(DAY * day, DAY * ready, DAY * ready, DAY * ready)
    [[first], [second]] = law.seedings_for(curve, DAY * (ready[5] + np.array([[0.0], [7.0]]))) / DAY
    between = np.diff(np.interp([first, second], np.arange(401), units))
    assert between == pytest.approx(
        np.diff(np.interp([ready[5, 0], ready[5, 0] + 7.0], np.arange(401), units)), rel=0.02
    )


# --------------------------------------------------------------------------- known durations


def straight(day: float) -> float:
    return 50.0 + 0.35 * day


def quadratic(day: float) -> float:
    # Gray and Morris, "Seasonal effects on growth and time to maturity of lettuce" (abstract): the date of harvest is
    # a quadratic of that of sowing. Its coefficients are invented here.
    return 60.0 - 0.2 * day - 0.004 * day * day


def two_arms(day: float) -> float:
    # Klapwijk, Scientia Horticulturae 11, 1979, p. 371 (abstract): durations rise and fall on two straight arms about
    # 21 December. Their slopes are invented here.
    return 75.0 + (0.4 * (day - 12.0) if day < 12.0 else -0.5 * (day - 12.0))


@pytest.mark.parametrize("harvests", [7.0, 3.5])
@pytest.mark.parametrize("duration", [straight, quadratic, two_arms])
def test_advised_seedings_are_harvested_on_the_wished_days(
    duration: Callable[[float], float], harvests: float
) -> None:
    grid = np.arange(0.0, 56.0)
    now = hour_of(11, 5) + 7.0  # in the morning
    seeding = now + DAY * grid
    ready = (seeding + DAY * np.array([duration(d) for d in grid]))[:, None]
    curve = law.Curve(seeding, (seeding + 14 * DAY)[:, None], ready, ready)
    programme = law.Programme(
        harvest_interval_days=harvests, seeding_interval_days=1.5 * harvests, cells=100, keep_share=0.8
    )
    nobody = law.Occupants(np.empty((0, 1)), np.empty((0, 1)), np.empty((0, 1)), np.empty(0))
    advice = law.advise(programme, now, now, ready[0], curve, nobody, [], [], 10_000)
    wished = ready[0, 0] + DAY * harvests * np.arange(1, len(advice.seedings_h) + 1)
    assert len(advice.seedings_h) == 28 / harvests
    assert law.at(curve.harvest_h, seeding, np.array(advice.seedings_h))[:, 0] == pytest.approx(wished)
    # Seeded on whole days, harvests are off by no more than what half a day of seeding moves them.
    days = allowed_days([moment_of(h) for h in advice.seedings_h], range(1, 8), UTC, date(YEAR, 11, 5))
    seeded = np.array([hour_of(d.month, d.day, d.year) + 7.0 for d, times in days for _ in range(times)])
    off = (law.at(curve.harvest_h, seeding, seeded)[:, 0] - wished) / DAY
    steepest = np.diff(ready[:, 0]).max() / DAY
    assert np.abs(off).max() <= 0.5 * steepest + 1e-6


# --------------------------------------------------------------------------- common practice, no source


def steady(interval: float, cells: int, **options: object) -> law.Advice:
    seeding = 480_000.0 + DAY * 3.5 * np.arange(15)
    ready = np.repeat((seeding + 45 * DAY)[:, None], 5, axis=1)
    curve = law.Curve(seeding, ready - 28 * DAY, ready, ready - 5 * DAY)
    nobody = law.Occupants(np.empty((0, 5)), np.empty((0, 5)), np.empty((0, 5)), np.empty(0))
    programme = law.Programme(
        harvest_interval_days=interval, seeding_interval_days=interval, cells=cells, keep_share=0.8
    )
    given = {"standing": nobody, "waiting": [], "sites": 10_000} | options
    return law.advise(
        programme,
        480_000.0,
        480_000.0,
        ready[0],
        curve,
        given["standing"],  # type: ignore[arg-type]
        [],
        given["waiting"],  # type: ignore[arg-type]
        given["sites"],  # type: ignore[arg-type]
    )


def test_too_old_goes_from_seven_to_eight_days() -> None:
    full = law.Occupants(
        np.full((1, 5), 480_000.0 - 20 * DAY),
        np.full((1, 5), 480_000.0 + 10 * DAY),
        np.full((1, 5), 480_000.0 + 6 * DAY),
        np.array([900.0]),
    )
    waiting = [law.Waiting(480_000.0 + DAY, 480_000.0 + 4 * DAY, 480_000.0 + 40 * DAY, 200.0)]
    advice = steady(7.0, 200, standing=full, waiting=waiting, sites=1000)
    assert (advice.decision, advice.advised_interval_days) == ("lengthen", 8.0)


def test_twice_a_week_is_half_as_much_each_time() -> None:
    weekly, twice = steady(7.0, 200), steady(3.5, 100)
    assert np.diff(weekly.seedings_h) == pytest.approx(np.full(len(weekly.seedings_h) - 1, 7 * DAY))
    assert np.diff(twice.seedings_h) == pytest.approx(np.full(len(twice.seedings_h) - 1, 3.5 * DAY))
    assert len(twice.seedings_h) * twice.cells == len(weekly.seedings_h) * weekly.cells
    # The same plants hold the same sites.
    assert twice.sites_needed == pytest.approx(weekly.sites_needed, rel=0.15)
