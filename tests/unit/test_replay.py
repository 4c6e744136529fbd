"""Replay: only what was known then, scores by hand, and the same CRPS as an independent library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scoringrules

from service.agronomy.outlook import Measured, Site
from service.work.profiles import profile
from service.work.replay import Case, Fact, Learner, Past, PastBatch, Span, looks, replay
from service.work.replay.scores import block_interval, crps, evenness, naive, report
from service.work.replay.walk import _weigh_up, known_batches, moments

START = 24 * 18_000  # an epoch hour at midnight, in April
DAY = 24.0
SITE = Site(
    latitude_deg=50.0,
    longitude_deg=0.0,
    transmission=0.6,
    temp_heat_day_c=18.0,
    temp_heat_night_c=16.0,
    temp_vent_c=24.0,
)


def batch(name, seeded_day, took=45.0, grams=150.0, **more):
    seeded = START + DAY * seeded_day
    at = {kind: seeded + DAY * days for kind, days in (("emerged", 4), ("counted", 15), ("transplanted", 16))}
    cut = seeded + DAY * took
    facts = (
        Fact("emerged", at["emerged"], at["emerged"]),
        Fact("counted", at["counted"], at["counted"], 4.2),
        Fact("transplanted", at["transplanted"], at["transplanted"]),
        Fact("harvested", cut, cut, grams),
    )
    return PastBatch(
        name, seeded, facts, **({"window_open_h": seeded + DAY * 14, "ready_h": cut - 12.0} | more)
    )


def hours(days, dli=14.0, temp=20.0):
    hour = START - 24 * 30 + np.arange(24 * days, dtype=np.int64)
    light = np.where((hour % 24 >= 5) & (hour % 24 < 19), dli / 14, 0.0)
    return Measured(hour, np.full(hour.size, temp), light, np.zeros(hour.size))


def past(batches, zone=None):
    zone = hours(200) if zone is None else zone
    return Past(
        name="Butterhead",
        site=SITE,
        key=1,
        co2_ppm=400.0,
        profile=profile("butterhead"),
        nursery=zone,
        channels=zone,
        nursery_m2=650.0,
        channels_m2=25.0,
        lamp_mol=lambda hour: np.zeros(hour.size),
        batches=batches,
        harvest_interval_days=7.0,
    )


def forecasts(of, span=None, members=10):
    return list(looks(of, Learner(of, members), span or Span(), members, 90))


# --------------------------------------------------------------------------- what was known then


def test_looks_where_growers_lean_on_forecasts():
    found = moments(past([batch("a", 0)]), Span())
    assert {lead: (at - START) / DAY for at, rows in found.items() for _, lead in rows} == {
        "seeding": 0.0,
        "transplanting": 16.0,
        "28 days before": 16.0,  # ready on day 44.5
        "14 days before": 30.0,
        "7 days before": 37.0,
    }


def test_nothing_recorded_later_changes_a_forecast():
    first, second = batch("a", 0), batch("b", 7)
    other = replace(second, facts=(*second.facts[:3], Fact("harvested", second.facts[3].at_h, np.inf, 90.0)))
    odd = past([first, other, batch("c", 14, took=60.0, grams=300.0)])
    usual = past([first, second])
    until = first.ready_h  # nothing of the harvests of b and c is known by then
    for one, two in zip(forecasts(usual), forecasts(odd), strict=False):
        if one.as_of_h > until or one.batches != two.batches:
            continue
        np.testing.assert_array_equal(one.dates.harvest, two.dates.harvest)


def test_nothing_measured_later_changes_a_forecast():
    dark = hours(200)
    late = dark.hour >= START + 24 * 31
    zone = dark._replace(light_mol=np.where(late, dark.light_mol * 0.3, dark.light_mol))
    bright, dim = (forecasts(past([batch("a", 0)], z)) for z in (None, zone))
    for one, two in zip(bright, dim, strict=True):
        same = np.array_equal(one.dates.harvest, two.dates.harvest)
        assert same == (one.as_of_h <= START + 24 * 31)


def test_a_correction_counts_from_when_it_was_made():
    wrong = Fact("counted", START + 360.0, START + 360.0, 9.0, until_h=START + 480.0)
    right = Fact("counted", START + 360.0, START + 480.0, 4.2)
    b = replace(batch("a", 0), facts=(wrong, right))
    seen = [known_batches(past([b]), [b], at).counted_leaves[0] for at in (START + 400.0, START + 480.0)]
    assert seen == [9.0, 4.2]
    assert np.isnan(known_batches(past([b]), [b], START + 100.0).counted_leaves[0])


def test_learning_from_slow_batches_makes_later_forecasts_later():
    slow = [batch(f"slow {i}", 3 * i, took=60.0) for i in range(10)]
    quick = [batch(f"quick {i}", 3 * i, took=40.0) for i in range(10)]
    new = batch("new", 100)
    span = Span(from_h=new.seeded_h)
    late, early = (np.median(forecasts(past([*b, new]), span)[0].dates.harvest) for b in (slow, quick))
    assert late > early + 24 * 5


# --------------------------------------------------------------------------- naive rules


@pytest.mark.parametrize(("share", "stage"), [(1.0, 0.0), (0.5, np.log(0.5))])
def test_a_herb_is_ready_when_what_a_cut_takes_off_it_is(share, stage):
    cress = profile("watercress")
    grams = share * cress.target_fresh_g * (1.0 - cress.left_share)
    _, heads, _ = _weigh_up(replace(past([batch("a", 0, grams=grams)]), profile=cress), [0])
    assert heads.stage == pytest.approx(stage)


def test_naive_rules_by_hand():
    done = [batch("a", 0, took=40.0), batch("b", 10, took=50.0), batch("c", -365, took=70.0)]
    now = batch("d", 75)
    seeded = {k: (v - now.seeded_h) / DAY for k, v in naive(done, now, now.seeded_h).items()}
    assert seeded == {"mean of all": pytest.approx(160 / 3), "last finished": 50.0}
    early = batch("e", 2)
    assert naive(done, early, early.seeded_h) == {
        "mean of all": early.seeded_h + DAY * 70,
        "last finished": early.seeded_h + DAY * 70,
        "week last year": early.seeded_h + DAY * 70,
    }


def test_naive_rules_count_from_the_transplant_and_never_lie_in_the_past():
    done, now = [batch("a", 0, took=40.0)], batch("b", 50)
    moved = now.seeded_h + DAY * 16
    assert naive(done, now, moved)["last finished"] == moved + DAY * 24
    assert naive(done, now, moved + DAY * 30)["last finished"] == moved + DAY * 30


def test_no_rule_without_a_finished_batch():
    assert naive([batch("a", 0)], batch("b", 7), START + DAY * 7) == {}


# --------------------------------------------------------------------------- scores


@pytest.mark.parametrize("members", [1, 2, 7, 50])
def test_crps_agrees_with_scoringrules(members):
    rng = np.random.default_rng(members)
    for _ in range(20):
        drawn, happened = rng.normal(size=members) * 5, float(rng.normal() * 8)
        assert crps(drawn, happened) == pytest.approx(
            float(scoringrules.crps_ensemble(happened, drawn)), abs=1e-12
        )


def case(error_days, day=0, half=2.0, **rules):
    happened = START + DAY * (day + 60)
    middle = happened + DAY * error_days
    return Case(
        "a", "harvest", "seeding", START + DAY * day, happened,
        middle - DAY * half, middle, middle + DAY * half, 1.0,
        {name: happened + DAY * off for name, off in rules.items()},
    )  # fmt: skip


def test_report_by_hand():
    lines = {
        (r.lead, r.season): r for r in report([case(1, rule=-4), case(-3, rule=2), case(1, day=100, rule=0)])
    }
    everything = lines["all", "all"]
    assert everything.forecasts == 3
    assert everything.mae == pytest.approx(5 / 3)
    assert everything.bias == pytest.approx(-1 / 3)
    assert everything.coverage == pytest.approx(2 / 3)
    assert everything.width == pytest.approx(4.0)
    assert everything.rules == {"rule": pytest.approx(2.0)}
    assert everything.best_rule == ("rule", pytest.approx(2.0))
    assert lines["seeding", "Q2"].forecasts == 2
    assert lines["seeding", "Q3"].mae == pytest.approx(1.0)


def test_a_rule_that_did_not_always_forecast_is_not_compared():
    (line, *_) = report([case(1, a=1, b=2), case(1, a=3)])
    assert set(line.rules) == {"a"}


def test_the_block_interval_is_wider_where_months_share_their_luck():
    at = START + DAY * np.arange(0, 720, 3.0)
    month = (at // (DAY * 30.4)).astype(int)
    shared, single = (month % 2).astype(float), (np.arange(at.size) % 2).astype(float)
    wide, narrow = block_interval(shared, at), block_interval(single, at)
    assert wide[0] < 0.5 < wide[1]
    assert wide[1] - wide[0] > 3 * (narrow[1] - narrow[0])


def test_evenness_by_hand():
    even = evenness(past([batch("a", 0), batch("b", 7), batch("c", 14, took=48.0)]))
    assert (even.mean, even.longest, even.spread) == (8.5, 10.0, 1.5)
    assert evenness(past([batch("a", 0), batch("b", 7)])) is None


def test_replay_of_an_empty_past():
    nothing = replay(past([]), Span(), 10, 90)
    assert (nothing.lines, nothing.evenness) == ([], None)
