"""Moments, epoch hours and local days, on days that have 23 or 25 hours too; and what lamps give on them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.records.tables import House
from service.work.reforecast import lamp_mol
from service.work.times import epoch_hours, local_clock_hours, local_day, moment_of, seeding_moment

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
KOLKATA = ZoneInfo("Asia/Kolkata")
SPRING, AUTUMN = date(2026, 3, 29), date(2026, 10, 25)  # 02:00 becomes 03:00; 03:00 becomes 02:00


def hours_of(day: date, zone: ZoneInfo) -> np.ndarray:
    """Return the epoch hours of a local day."""
    first, last = (datetime(d.year, d.month, d.day, tzinfo=zone) for d in (day, day + timedelta(days=1)))
    return np.arange(round(epoch_hours(first)), round(epoch_hours(last)), dtype=np.int64)


def test_epoch_hours_count_from_1970() -> None:
    assert epoch_hours(datetime(1970, 1, 2, 6, 30, tzinfo=UTC)) == 30.5
    assert epoch_hours(datetime(1970, 1, 2, 6, 30, tzinfo=KOLKATA)) == 25.0


@given(st.datetimes(datetime(1990, 1, 1), datetime(2199, 1, 1), timezones=st.just(UTC)))  # noqa: DTZ001
def test_a_moment_comes_back_to_the_minute(moment: datetime) -> None:
    back = moment_of(epoch_hours(moment))
    assert abs(back - moment) <= timedelta(seconds=30, milliseconds=1)
    assert (back.second, back.microsecond, back.utcoffset()) == (0, 0, timedelta(0))


def test_the_local_day_is_that_of_the_house() -> None:
    moment = datetime(2026, 6, 1, 22, 30, tzinfo=UTC)
    assert local_day(moment, AMSTERDAM) == date(2026, 6, 2)
    assert local_day(moment, ZoneInfo("America/Los_Angeles")) == date(2026, 6, 1)


@pytest.mark.parametrize(
    ("day", "utc_hour"),
    [(date(2026, 1, 10), 7), (date(2026, 3, 28), 7), (SPRING, 6), (date(2026, 10, 24), 6), (AUTUMN, 7)],
)
def test_a_seeding_without_a_time_is_at_eight_by_the_clock_on_the_wall(day: date, utc_hour: int) -> None:
    moment = seeding_moment(day, AMSTERDAM)
    assert moment == datetime(day.year, day.month, day.day, utc_hour, tzinfo=UTC)
    assert local_day(moment, AMSTERDAM) == day


@given(
    st.dates(date(2000, 1, 1), date(2100, 1, 1)), st.sampled_from(["Europe/Amsterdam", "Pacific/Auckland"])
)
def test_seedings_of_neighbouring_days_are_23_to_25_hours_apart(day: date, name: str) -> None:
    zone = ZoneInfo(name)
    apart = seeding_moment(day + timedelta(days=1), zone) - seeding_moment(day, zone)
    assert timedelta(hours=23) <= apart <= timedelta(hours=25)


def test_clock_hours_follow_the_wall() -> None:
    spring, autumn = (local_clock_hours(hours_of(d, AMSTERDAM), AMSTERDAM) for d in (SPRING, AUTUMN))
    assert spring.tolist() == [0, 1, *range(3, 24)]
    assert autumn.tolist() == [0, 1, 2, 2, *range(3, 24)]
    assert local_clock_hours(np.array([0, 18, 19]), KOLKATA).tolist() == [5.5, 23.5, 0.5]


# --------------------------------------------------------------------------- lamps


def lit(
    start_h: float, hours: float, day: date = date(2026, 1, 10), zone: ZoneInfo = AMSTERDAM
) -> np.ndarray:
    """Return the share of each hour of a local day that lamps on this schedule are on."""
    house = House(
        farm_id=1,
        name="House",
        code="h",
        latitude_deg=52.0,
        longitude_deg=5.0,
        time_zone=zone.key,
        lamp_ppfd_umol=1e6 / 3600.0,  # a mole an hour
        lamp_start_h=start_h,
        lamp_hours=hours,
    )
    return lamp_mol(house, hours_of(day, zone))


@pytest.mark.parametrize(
    ("start_h", "hours", "on"),
    [
        (6.0, 4.0, {6: 1, 7: 1, 8: 1, 9: 1}),
        (6.25, 2.0, {6: 0.75, 7: 1, 8: 0.25}),
        (6.25, 0.5, {6: 0.5}),  # within one hour
        (22.0, 4.0, {22: 1, 23: 1, 0: 1, 1: 1}),  # over midnight
        (23.5, 1.0, {23: 0.5, 0: 0.5}),
        (24.0, 1.0, {0: 1}),
        (0.5, 23.75, {**dict.fromkeys(range(24), 1), 0: 0.75}),
        (6.0, 24.0, dict.fromkeys(range(24), 1)),
        (6.5, 24.0, dict.fromkeys(range(24), 1)),
        (6.0, 0.0, {}),
    ],
)
def test_lamps_are_on_by_their_schedule(start_h: float, hours: float, on: dict[int, float]) -> None:
    np.testing.assert_allclose(lit(start_h, hours), [on.get(h, 0.0) for h in range(24)], atol=1e-12)


def test_without_lamps_there_is_no_lamp_light() -> None:
    house = House(farm_id=1, name="H", code="h", latitude_deg=0.0, longitude_deg=0.0, lamp_hours=12.0)
    assert lamp_mol(house, np.arange(48)).tolist() == [0.0] * 48


@given(
    st.floats(0, 24),
    st.floats(0, 24),
    st.sampled_from([AMSTERDAM, KOLKATA, ZoneInfo("America/St_Johns")]),
    st.dates(date(2026, 1, 10), date(2026, 3, 1)),
)
def test_over_a_day_they_give_their_hours(start_h: float, hours: float, zone: ZoneInfo, day: date) -> None:
    shares = lit(start_h, hours, day, zone)
    assert shares.sum() == pytest.approx(hours, abs=1e-9)
    assert shares.min() >= 0.0
    assert shares.max() <= 1.0 + 1e-12


def test_lamps_follow_the_wall_when_the_clocks_change() -> None:
    assert lit(6.0, 16.0, SPRING).sum() == lit(6.0, 16.0, AUTUMN).sum() == 16.0
    assert lit(0.0, 6.0, SPRING).sum() == 5.0  # the hour from two to three does not exist
    assert lit(0.0, 6.0, AUTUMN).sum() == 7.0  # and is there twice
    assert lit(0.0, 24.0, SPRING).sum() == 23.0
    assert lit(0.0, 24.0, AUTUMN).sum() == 25.0
