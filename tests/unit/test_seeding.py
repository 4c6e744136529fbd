"""Advice in a grower's words: allowed days, measured weeks, reasons, alerts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.agronomy.outlook import Measured
from service.agronomy.succession import Advice as Figures
from service.records.tables import Succession, Zone
from service.work.alerts import Condition
from service.work.seeding import (
    INTERVAL_ALERT,
    SITES_ALERT,
    WINDOW_ALERT,
    advice_row,
    allowed_days,
    conditions_of,
    measured_week,
    reasons,
)
from service.work.times import epoch_hours, local_day, seeding_moment

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)  # a Monday, 08:00 in Amsterdam
MONDAY = date(2026, 9, 14)
EVERY_DAY = list(range(1, 8))


def on(day: date, hours: float = 0.0) -> datetime:
    """Return a moment some hours after the usual time of seeding."""
    return seeding_moment(day, AMSTERDAM) + timedelta(hours=hours)


def days_of(
    moments: Sequence[datetime], weekdays: Sequence[int] = EVERY_DAY, earliest: date = MONDAY
) -> list[tuple[date, int]]:
    """Round moments to allowed days in Amsterdam."""
    return allowed_days(moments, weekdays, AMSTERDAM, earliest)


# --------------------------------------------------------------------------- days


def test_a_moment_goes_to_the_nearest_seeding_time() -> None:
    thursday = date(2026, 9, 17)
    assert days_of([on(thursday, -11.9)]) == [(thursday, 1)]
    assert days_of([on(thursday, 11.9)]) == [(thursday, 1)]
    assert days_of([on(thursday, 12.1)]) == [(date(2026, 9, 18), 1)]


def test_it_goes_to_the_nearest_allowed_day_and_the_earlier_of_two() -> None:
    monday_and_thursday = [1, 4]
    assert days_of([on(date(2026, 9, 22))], monday_and_thursday) == [(date(2026, 9, 21), 1)]
    assert days_of([on(date(2026, 9, 23))], monday_and_thursday) == [(date(2026, 9, 24), 1)]
    assert days_of([on(date(2026, 9, 19))], monday_and_thursday) == [(date(2026, 9, 17), 1)]
    assert days_of([on(date(2026, 9, 23))], [1, 5]) == [(date(2026, 9, 21), 1)]


def test_nothing_goes_before_the_earliest_day() -> None:
    assert days_of([on(date(2026, 9, 1))]) == [(MONDAY, 1)]
    # Tuesday: the Monday before is nearer, but is over.
    tuesday = date(2026, 9, 15)
    assert days_of([on(tuesday)], [1], earliest=tuesday) == [(date(2026, 9, 21), 1)]


def test_seedings_that_fall_on_one_day_are_one_of_twice_the_size() -> None:
    week = [on(date(2026, 9, day)) for day in (27, 16, 20, 22)]
    assert days_of(week, [1]) == [(MONDAY, 1), (date(2026, 9, 21), 2), (date(2026, 9, 28), 1)]
    assert days_of([]) == []


def test_nothing_is_seeded_on_a_closed_day() -> None:
    closed = [MONDAY, date(2026, 9, 21)]
    moments = [on(MONDAY), on(date(2026, 9, 22))]
    assert allowed_days(moments, [1], AMSTERDAM, MONDAY, closed) == [(date(2026, 9, 28), 2)]
    assert allowed_days(moments, [1, 2], AMSTERDAM, MONDAY, closed) == [
        (date(2026, 9, 15), 1),
        (date(2026, 9, 22), 1),
    ]
    weeks = [MONDAY + timedelta(days=n) for n in range(100)]
    assert allowed_days(moments, [3], AMSTERDAM, MONDAY, weeks) == [(date(2026, 12, 23), 2)]


def test_seedings_outside_the_season_are_left_out() -> None:
    moments = [on(date(2026, 9, 25)), on(date(2026, 9, 30)), on(date(2026, 10, 2)), on(date(2027, 3, 1))]
    found = allowed_days(moments, EVERY_DAY, AMSTERDAM, MONDAY, months=[3, 9])
    assert found == [(date(2026, 9, 25), 1), (date(2026, 9, 30), 1), (date(2027, 3, 1), 1)]
    assert allowed_days(moments, EVERY_DAY, AMSTERDAM, MONDAY, months=[7]) == []


WEEKDAYS = st.lists(st.integers(1, 7), min_size=1, max_size=7, unique=True)
MOMENTS = st.lists(st.floats(-30.0, 120.0).map(lambda d: NOW + timedelta(days=d)), max_size=12)
ZONES = st.sampled_from(["Europe/Amsterdam", "America/Los_Angeles", "Pacific/Auckland", "Asia/Kolkata"])


@given(MOMENTS, WEEKDAYS, ZONES.map(ZoneInfo), st.integers(0, 30))
def test_days_are_allowed_in_order_and_lose_no_seeding(
    moments: list[datetime], weekdays: list[int], zone: ZoneInfo, later: int
) -> None:
    earliest = local_day(NOW, zone) + timedelta(days=later)
    found = allowed_days(moments, weekdays, zone, earliest)
    days = [day for day, _ in found]
    assert days == sorted(set(days))
    assert all(day >= earliest and day.isoweekday() in weekdays for day in days)
    assert sum(times for _, times in found) == len(moments)
    assert allowed_days(moments[::-1], weekdays, zone, earliest) == found
    for moment in moments:
        ideal = max(moment, seeding_moment(earliest, zone))
        assert min(abs(seeding_moment(day, zone) - ideal) for day in days) <= timedelta(days=7.5)


@given(st.floats(0.0, 100.0), WEEKDAYS, ZONES.map(ZoneInfo))
def test_a_later_moment_never_goes_to_an_earlier_day(
    ahead: float, weekdays: list[int], zone: ZoneInfo
) -> None:
    moments = [NOW + timedelta(days=ahead + step / 4) for step in range(40)]
    days = [allowed_days([moment], weekdays, zone, MONDAY)[0][0] for moment in moments]
    assert days == sorted(days)


# --------------------------------------------------------------------------- weeks


def hours(light: float, temp: float, days: float, end: datetime = NOW) -> Measured:
    """Return steady measured hours over some days before a moment."""
    last = round(epoch_hours(end))
    hour = np.arange(last - round(24 * days), last, dtype=np.int64)
    return Measured(hour, np.full(hour.size, temp), np.full(hour.size, light / 24.0), np.zeros(hour.size))


def joined(*parts: Measured) -> Measured:
    """Return measured hours one after the other."""
    return Measured(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def test_a_week_is_the_mean_of_its_seven_days_and_no_others() -> None:
    measured = joined(
        hours(30.0, 30.0, 7, NOW - timedelta(days=7)),
        hours(12.0, 19.0, 7),
        hours(1.0, 5.0, 1, NOW + timedelta(days=1)),
    )
    week = measured_week(measured, NOW)
    assert week is not None
    assert (week.dli_mol, week.temp_c) == (pytest.approx(12.0), pytest.approx(19.0))


@pytest.mark.parametrize(("missing", "known"), [(42, True), (43, False)])
@pytest.mark.parametrize("column", ["temp_c", "light_mol"])
def test_a_week_with_more_than_a_quarter_missing_is_not_known(missing: int, known: bool, column: str) -> None:
    measured = hours(12.0, 19.0, 7)
    getattr(measured, column)[:missing] = np.nan
    week = measured_week(measured, NOW)
    assert (week is not None) == known
    if week is not None:
        assert (week.dli_mol, week.temp_c) == (pytest.approx(12.0), pytest.approx(19.0))


def test_nothing_measured_is_no_week() -> None:
    assert measured_week(Measured.none(), NOW) is None


# --------------------------------------------------------------------------- words

SUCCESSION = Succession(
    house_id=1,
    crop_id=1,
    nursery_zone_id=1,
    channels_zone_id=2,
    name="Butterhead, weekly",
    heads_per_harvest=150,
    harvest_interval_days=7.0,
    seeding_interval_days=7.0,
    seeding_weekdays=[1, 4],
    cells_per_seeding=200,
    keep_share=0.8,
)
SUCCESSION.id = 3
CHANNELS = Zone(house_id=1, name="Channels", code="ch", kind="channels", capacity=900, plants_m2=25.0)
FIGURES = Figures(
    decision="shorten",
    binding="continuity",
    interval_days=7.0,
    advised_interval_days=5.42,
    cells=200,
    probability=0.953,
    seedings_h=tuple(epoch_hours(on(MONDAY, 24.0 * days)) for days in (3, 8.4, 13.8)),
    continuity_interval_days=5.42,
    duration_now_days=44.0,
    duration_slope=0.29,
    gap_without_days=9.04,
    gap_with_days=7.02,
    sites_needed=800.4,
    sites_peak_h=epoch_hours(on(date(2026, 11, 2))),
    sites=900,
    sites_needed_light=700.0,
    sites_needed_advised=800.4,
    skipped=0,
    pause_until_h=None,
)
SITES = replace(
    FIGURES, decision="hold", binding="sites", advised_interval_days=7.0, cells=160, sites_needed=1001.0
)
MEASURED = joined(hours(20.0, 22.0, 7, NOW - timedelta(days=28)), hours(12.34, 19.87, 7))


def said(figures: Figures = FIGURES, measured: Measured = MEASURED) -> list[str]:
    """Return the reasons."""
    codes = ["N1-BUT-1", "N1-BUT-2"]
    found = reasons(figures, SUCCESSION, CHANNELS, AMSTERDAM, NOW, measured, codes, date(2026, 9, 28))
    return [one.text for one in found]


def row_of(figures: Figures = FIGURES, now: datetime = NOW, **more: Any):
    """Return the advice as it is kept."""
    codes = ["N1-BUT-1", "N1-BUT-2"]
    return advice_row(figures, SUCCESSION, CHANNELS, AMSTERDAM, now, "key", MEASURED, codes, **more)


def test_reasons_name_what_was_measured() -> None:
    assert said()[0] == (
        "Measured in Channels over the last 7 days: 12.3 mol m-2 d-1 and 19.9 °C; four weeks earlier"
        " 20.0 mol m-2 d-1 and 22.0 °C."
    )
    assert said(measured=hours(12.34, 19.87, 7))[0].endswith("12.3 mol m-2 d-1 and 19.9 °C.")


@pytest.mark.parametrize(
    ("measured", "known"),
    [
        (Measured.none(), 0),
        (hours(12.0, 19.0, 5), 120),
        (joined(hours(12.0, 19.0, 40, NOW - timedelta(days=7)), hours(12.0, 19.0, 2)), 48),
        (hours(12.0, np.nan, 7), 0),
        (hours(np.nan, 19.0, 7), 0),
    ],
)
def test_reasons_say_how_little_was_measured(measured: Measured, known: int) -> None:
    first = said(measured=measured)[0]
    assert f"in only {known} of the last 168 hours" in first
    assert "climate of the latitude" in first
    assert "nan" not in " ".join(said(measured=measured))


def test_reasons_give_the_duration_and_the_harvests_to_come() -> None:
    text = " ".join(said())
    assert "take 44 days to harvest; each day later makes it 0.29 days longer" in text
    assert "fall 9.0 days apart; wished are 7. Even harvests ask for a seeding every 5.4 days" in text
    assert "0.29 days shorter" in " ".join(said(replace(FIGURES, duration_slope=-0.29)))
    dim = replace(FIGURES, duration_now_days=None, duration_slope=None, gap_without_days=None)
    assert "not forecast to reach its target weight" in " ".join(said(dim))


def test_short_sites_are_named_with_what_would_free_them() -> None:
    text = " ".join(said(SITES))
    assert "would hold 1001 sites of Channels by 02 Nov; it has 900" in text
    assert "101 more sites would free them." in text
    assert "Heads cut at 85% of the target weight would free 301 sites. 160 cells a seeding hold 800" in text
    pause = replace(SITES, skipped=2, pause_until_h=SITES.seedings_h[2])
    assert "No seeding before 28 Sep; from then on 160 cells a seeding hold 800" in " ".join(said(pause))
    stop = replace(SITES, cells=0, seedings_h=(), decision="lengthen", pause_until_h=np.inf)
    assert "No seeding of the coming weeks would find sites" in " ".join(said(stop))
    assert "0 cells" not in " ".join(said(stop))


def conditions(figures: Figures, **more: Any) -> dict[str, Condition]:
    """Return what of an advice deserves an alert, by kind."""
    found = conditions_of(row_of(figures, **more), figures, SUCCESSION, AMSTERDAM, ["N1-BUT-1", "N1-BUT-2"])
    return {one.kind: one for one in found}


def test_a_pause_for_sites_is_said_as_one() -> None:
    later = replace(
        SITES,
        decision="lengthen",
        skipped=2,
        pause_until_h=SITES.seedings_h[2],
        seedings_h=SITES.seedings_h[2:],
    )
    found = conditions(later)
    assert found[INTERVAL_ALERT].title == "Butterhead, weekly: seed again on 28 Sep, not before"
    assert found[INTERVAL_ALERT].next_step == "Seed 160 cells on 28 Sep."
    stop = replace(SITES, cells=0, seedings_h=(), decision="lengthen", pause_until_h=np.inf)
    found = conditions(stop)
    assert found[INTERVAL_ALERT].title == "Butterhead, weekly: seed none until sites fall free"
    for condition in found.values():
        assert condition.next_step.startswith("Seed none for now")
        assert condition.words["next"] == "pause"
    row = row_of(stop)
    assert (row.seedings, row.outcome["paused"], row.cells_per_seeding) == ([], True, 0)


def test_nothing_is_to_be_changed_out_of_season() -> None:
    assert conditions(FIGURES, months={5, 6}) == {}
    found = conditions(replace(SITES, decision="lengthen", advised_interval_days=9.0), months={5, 6})
    assert set(found) == {SITES_ALERT}
    assert found[SITES_ALERT].next_step.startswith("No seeding is advised in the coming weeks.")


def test_alerts_say_of_each_seeding_what_the_advice_says() -> None:
    orders = replace(
        SITES,
        decision="shorten",
        cells=200,
        seeding_cells=(200, 100, 60),
        wanted=400.0,
        short_without=90.0,
        short_with=20.0,
        sites_needed=700.0,
        sites_needed_advised=860.0,
        changed_h=epoch_hours(NOW),
    )
    said_of = "200 cells on 17 Sep; 100 cells on 21 Sep; 60 cells on 28 Sep"
    found = conditions(orders)
    assert found[INTERVAL_ALERT].next_step == f"Seed {said_of}."
    assert found[SITES_ALERT].next_step == f"Seed {said_of}. Heads cut lighter free sites sooner."
    # Sites are short of a further seeding for the orders, not of those that would keep harvests even.
    assert found[SITES_ALERT].evidence == {"sites": 900, "sitesNeeded": 860}
    text = " ".join(said(orders))
    assert "finds no sites in Channels: those advised bring it to 860 of 900." in text
    assert "even harvests at" not in text.lower().replace("even harvests ask", "")


def test_sites_that_are_just_enough_again_ask_for_no_negative_number() -> None:
    text = " ".join(said(replace(SITES, sites_needed=880.0)))
    assert "would hold 880 sites of Channels by 02 Nov; it has 900" in text
    assert not re.search(r"-\d+ more sites", text)
    assert "Heads cut at" in text


def test_batches_that_grow_too_old_are_named_with_when_sites_fall_free() -> None:
    late = replace(
        FIGURES,
        decision="lengthen",
        binding="window",
        advised_interval_days=8.0,
        late=((1, epoch_hours(on(date(2026, 9, 30)))), (0, np.inf)),
    )
    text = " ".join(said(late))
    assert "Seedlings of N1-BUT-2 pass their transplant window before sites fall free (on 30 Sep)" in text
    assert "Seedlings of N1-BUT-1 pass their transplant window before sites fall free (too late to be" in text
    assert "a day longer" in text
    found = {
        c.kind: c for c in conditions_of(row_of(late), late, SUCCESSION, AMSTERDAM, ["N1-BUT-1", "N1-BUT-2"])
    }
    assert set(found) == {INTERVAL_ALERT, WINDOW_ALERT}
    assert "2 batches will be too old" in found[WINDOW_ALERT].title
    assert found[WINDOW_ALERT].evidence == {"sitesFreeOn": {"N1-BUT-2": "2026-09-30", "N1-BUT-1": None}}
    one = replace(late, late=late.late[:1])
    found = {
        c.kind: c for c in conditions_of(row_of(one), one, SUCCESSION, AMSTERDAM, ["N1-BUT-1", "N1-BUT-2"])
    }
    assert "1 batch will be too old" in found[WINDOW_ALERT].title


def test_advice_is_kept_with_dated_seedings_on_allowed_days() -> None:
    row = row_of()
    assert (row.decision, row.binding, row.interval_days, row.advised_interval_days) == (
        "shorten",
        "continuity",
        7.0,
        5.4,
    )
    assert (row.cells_per_seeding, row.probability, row.made_at, row.input_key) == (200, 0.95, NOW, "key")
    # Wished for Thursday 17, Tuesday 22 and Sunday 27; allowed are Monday and Thursday.
    assert row.seedings == [
        {"on": "2026-09-17", "cells": 200},
        {"on": "2026-09-21", "cells": 200},
        {"on": "2026-09-28", "cells": 200},
    ]
    assert row.from_on == date(2026, 9, 17)
    assert row.outcome["harvestGapDaysWithout"] == 9.0
    assert row.outcome["harvestGapDaysWith"] == 7.0
    assert (row.outcome["sites"], row.outcome["sitesNeeded"]) == (900, 800)


def test_what_is_due_is_for_today_until_the_day_ends() -> None:
    due = replace(FIGURES, seedings_h=(epoch_hours(NOW), *FIGURES.seedings_h))
    for hour in (0, 1, 6, 15):
        later = NOW + timedelta(hours=hour)
        row = row_of(replace(due, seedings_h=(epoch_hours(later), *FIGURES.seedings_h)), later)
        assert row.from_on == MONDAY, hour
    assert [s["cells"] for s in row.seedings] == [200] * 4


def test_a_day_that_was_seeded_is_done() -> None:
    due = replace(FIGURES, seedings_h=(epoch_hours(NOW + timedelta(hours=2)),))
    assert row_of(due, NOW + timedelta(hours=2), seeded_on=MONDAY).from_on == date(2026, 9, 17)
    assert row_of(due, NOW + timedelta(hours=2), seeded_on=date(2026, 9, 10)).from_on == MONDAY


def test_no_seeding_at_all_is_advice_too() -> None:
    row = row_of(replace(FIGURES, decision="hold", seedings_h=()))
    assert (row.seedings, row.from_on) == ([], MONDAY)


def test_only_a_change_or_a_limit_deserves_an_alert() -> None:
    def kinds(figures: Figures) -> list[str]:
        found = conditions_of(row_of(figures), figures, SUCCESSION, AMSTERDAM, ["N1-BUT-1", "N1-BUT-2"])
        assert all(c.subject == "succession:3" for c in found)
        return [c.kind for c in found]

    assert kinds(FIGURES) == [INTERVAL_ALERT]
    assert kinds(replace(FIGURES, decision="hold")) == []
    assert kinds(SITES) == [SITES_ALERT]
    assert kinds(replace(SITES, decision="lengthen")) == [INTERVAL_ALERT, SITES_ALERT]


def test_an_alert_says_what_to_do() -> None:
    (change,) = conditions_of(row_of(), FIGURES, SUCCESSION, AMSTERDAM, [])
    assert change.title == "Butterhead, weekly: shorten the seeding interval from 7 to 5.4 days"
    assert change.next_step == "Seed 200 cells on 17 Sep, 21 Sep, 28 Sep."
    skipping = replace(SITES, decision="lengthen", skipped=1, pause_until_h=SITES.seedings_h[0])
    change, _ = conditions_of(row_of(skipping), skipping, SUCCESSION, AMSTERDAM, [])
    assert change.title == "Butterhead, weekly: seed again on 17 Sep, not before"
