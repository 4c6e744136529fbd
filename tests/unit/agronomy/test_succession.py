"""The continuity law and its limits, on duration curves whose answer is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.agronomy import succession as law

DAY = 24.0
NOW = 480_000.0


def curve(duration, members=5, points=15, step=3.5, nursery=15.0, spread=0.0):
    """Seedings from now on whose duration is a function of the day; members differ by whole days."""
    seeding = NOW + DAY * step * np.arange(points)
    days = np.array([duration(d) for d in step * np.arange(points)])
    offsets = spread * np.linspace(-1, 1, members)
    harvest = seeding[:, None] + DAY * (days[:, None] + offsets)
    transplant = np.repeat(seeding[:, None] + DAY * nursery, members, axis=1)
    return law.Curve(seeding, transplant, harvest, harvest - DAY * 8)


def nobody(members=5):
    none = np.empty((0, members))
    return law.Occupants(none, none, none, np.empty(0))


def programme(interval=7.0, a=7.0, cells=100, keep=0.8):
    return law.Programme(
        harvest_interval_days=a, seeding_interval_days=interval, cells=cells, keep_share=keep
    )


def advise(
    c,
    *,
    sites=10_000,
    last_days=0.0,
    standing=None,
    others=(),
    waiting=(),
    previous=None,
    duration=None,
    outages=(),
    **options,
):
    members = c.harvest_h.shape[1]
    last_seeding = NOW + DAY * last_days
    last_harvest = np.median(c.harvest_h[0]) + DAY * last_days * 0 + np.zeros(members)
    if duration is not None:
        last_harvest = last_seeding + DAY * duration(last_days) + np.zeros(members)
    return law.advise(
        programme(**options),
        NOW,
        last_seeding,
        last_harvest,
        c,
        standing or nobody(members),
        others,
        waiting,
        sites,
        previous,
        outages,
    )


@given(slope=st.floats(-0.6, 1.5), a=st.sampled_from([3.5, 7.0, 10.0]))
def test_interval_of_the_law(slope, a):
    assert law.interval_days(a, slope) * (1 + slope) == pytest.approx(a)


def test_no_interval_keeps_apart_what_ripens_together():
    with pytest.raises(ValueError, match="at once"):
        law.interval_days(7.0, -1.0)


@given(slope=st.floats(-0.5, 1.0), bend=st.floats(-0.004, 0.004), a=st.sampled_from([3.5, 7.0]))
@settings(max_examples=60)
def test_inverting_gives_harvests_on_the_wished_days(slope, bend, a):
    def duration(day):
        return 50 + slope * day + bend * day * day

    c = curve(duration, points=50, step=1.0)
    wished = c.harvest_h[0] + DAY * a * np.arange(1, 4)[:, None]
    found = law.seedings_for(c, wished)
    got = law.at(c.harvest_h, c.seeding_h, found[:, 0])
    inside = np.isfinite(found[:, 0])
    np.testing.assert_allclose(got[inside], wished[inside], atol=1e-4)


@given(slope=st.floats(-0.4, 0.9))
@settings(max_examples=40)
def test_advised_interval_is_that_of_the_law_on_a_straight_duration(slope):
    def duration(day):
        return 45 + slope * day

    advice = advise(curve(duration, points=40), duration=duration)
    assert advice.continuity_interval_days == pytest.approx(7.0 / (1 + slope), rel=1e-6)
    assert advice.duration_slope == pytest.approx(slope, abs=1e-6)
    if advice.decision != "hold":
        assert advice.gap_with_days == pytest.approx(7.0, abs=1e-6)
        assert (advice.decision == "shorten") == (slope > 0)


def test_hold_when_nothing_changes():
    advice = advise(curve(lambda _d: 45.0), duration=lambda _d: 45.0)
    assert (advice.decision, advice.binding, advice.cells) == ("hold", "continuity", 100)
    assert advice.gap_without_days == pytest.approx(7.0)


def test_a_twice_weekly_programme_follows_the_same_law():
    advice = advise(
        curve(lambda d: 45 + 0.3 * d, points=40), duration=lambda d: 45 + 0.3 * d, a=3.5, interval=3.5
    )
    assert advice.decision == "shorten"
    assert advice.advised_interval_days == pytest.approx(3.5 / 1.3)


def test_a_small_change_is_kept_but_not_begun():
    def duration(day):
        return 45 + 0.055 * day  # asks for 6.64 days

    begun = advise(curve(duration, points=40), duration=duration)
    kept = advise(curve(duration, points=40), duration=duration, previous=("shorten", "continuity"))
    assert begun.decision == "hold"
    assert kept.decision == "shorten"


def test_members_that_disagree_hold():
    c = curve(lambda _d: 45.0, members=40, points=40)
    slopes = np.linspace(-0.35, 0.55, 40)  # median asks for a change, but too many members do not
    harvest = c.seeding_h[:, None] + DAY * 45 + (c.seeding_h - NOW)[:, None] * slopes
    c = c._replace(harvest_h=harvest)
    last = NOW + DAY * 45 + np.zeros(40)
    advice = law.advise(programme(), NOW, NOW, last, c, nobody(40), [], [], 10_000)
    assert advice.decision == "hold"


def test_sites_bind_when_a_slower_crop_holds_them_longer():
    def duration(day):
        return 45 + 0.6 * day

    c = curve(duration, points=15)
    free = advise(c, duration=duration, sites=10_000)
    tight = advise(c, duration=duration, sites=350)
    enough_for_now = advise(c, duration=duration, sites=400)
    assert (free.decision, free.binding) == ("shorten", "continuity")
    assert tight.binding == "sites"
    assert tight.decision != "shorten"
    assert tight.sites_needed > 400
    assert (enough_for_now.decision, enough_for_now.binding, enough_for_now.cells) == ("hold", "sites", 100)
    assert tight.cells < 100 or tight.decision == "lengthen"
    assert tight.sites_needed_light < tight.sites_needed
    # What is advised fits, to within one cell.
    assert tight.sites_needed_advised <= 350 * 1.01


def test_sites_once_short_need_room_to_spare_before_they_are_not():
    duration = 45.0
    c = curve(lambda _d: duration)
    need = advise(c, duration=lambda _d: duration).sites_needed
    just = advise(c, duration=lambda _d: duration, sites=int(need))
    still = advise(c, duration=lambda _d: duration, sites=int(need), previous=("hold", "sites"))
    assert just.binding == "continuity"
    assert still.binding == "sites"


def test_seedlings_that_pass_their_window_lengthen_by_a_day():
    # Common practice, no source: transplants that keep coming too old go a day longer.
    full = law.Occupants(
        np.full((1, 5), NOW - 20 * DAY),
        np.full((1, 5), NOW + 10 * DAY),
        np.full((1, 5), NOW + 6 * DAY),
        np.array([900.0]),
    )
    waiting = [law.Waiting(NOW + DAY, NOW + 4 * DAY, NOW + 40 * DAY, 200.0)]
    advice = advise(
        curve(lambda _d: 45.0), duration=lambda _d: 45.0, sites=1000, standing=full, waiting=waiting
    )
    assert advice.binding == "window"
    assert advice.decision == "lengthen"
    assert advice.advised_interval_days == pytest.approx(8.0)
    assert [index for index, _ in advice.late] == [0]


def test_a_harvest_that_is_not_reached_gives_no_number():
    c = curve(lambda _d: 45.0)._replace(harvest_h=np.full((15, 5), np.inf))
    advice = law.advise(programme(), NOW, NOW - DAY, np.full(5, NOW + 40 * DAY), c, nobody(), [], [], 1000)
    assert advice.duration_now_days is None
    assert advice.duration_slope is None
    assert 1.0 <= advice.advised_interval_days <= 14.0
    assert np.isfinite(advice.probability)


def test_first_filling_begins_now():
    advice = law.advise(programme(), NOW, None, None, curve(lambda _d: 45.0), nobody(), [], [], 1000)
    assert advice.seedings_h[0] == NOW
    assert np.diff(advice.seedings_h) == pytest.approx(np.full(len(advice.seedings_h) - 1, 7 * DAY))


@given(
    plants=st.lists(st.integers(1, 500), min_size=1, max_size=6),
    stay=st.integers(1, 60),
)
def test_occupancy_conserves_site_days(plants, stay):
    groups = len(plants)
    start = NOW + DAY * np.arange(groups)[:, None] + np.zeros((groups, 4))
    days = NOW + DAY * np.arange(-2.0, groups + stay + 3.0)
    held = law.occupancy(start, start + DAY * stay, np.array(plants, dtype=float), days)
    assert held.sum() == pytest.approx(sum(plants) * stay)
    assert held[0] == held[-1] == 0


def test_successions_of_one_zone_give_way_alike():
    def duration(_day):
        return 45.0

    c = curve(duration, points=15)
    other = law.Coming(c, NOW + DAY * 7 * np.arange(1, 7), 80.0, 7.0)
    alone = advise(c, duration=duration, sites=350)
    together = advise(c, duration=duration, sites=700, others=[other])
    assert alone.binding == together.binding == "sites"
    assert together.cells == pytest.approx(alone.cells, abs=6)
    assert together.sites_needed == pytest.approx(2 * alone.sites_needed, rel=0.1)


def test_a_full_zone_leaves_out_seedings_before_it_starves_them():
    full = law.Occupants(
        np.full((1, 5), NOW - DAY),
        np.full((1, 5), NOW + 40 * DAY),
        np.full((1, 5), NOW + 38 * DAY),
        np.array([1000.0]),
    )
    advice = advise(curve(lambda _d: 45.0), duration=lambda _d: 45.0, sites=1000, standing=full)
    assert advice.binding == "sites"
    assert advice.decision == "lengthen"
    assert advice.skipped >= 2
    assert advice.advised_interval_days <= 1.5 * 7.0  # from then on; not the time to the next seeding
    assert advice.pause_until_h == advice.seedings_h[0]
    assert advice.cells >= 75
    # The first seeding after the pause is transplanted when the sites are free again.
    assert advice.seedings_h[0] + 15 * DAY >= NOW + 39 * DAY


@pytest.mark.parametrize("slope", [-0.3, 0.0, 0.5])
def test_channels_full_of_heads_that_are_not_ready_mean_a_pause(slope):
    def duration(day):
        return 45.0 + slope * day

    never = np.full((1, 5), np.inf)
    full = law.Occupants(np.full((1, 5), NOW - DAY), never, never, np.array([1000.0]))
    advice = advise(curve(duration), duration=duration, sites=1000, standing=full)
    assert (advice.decision, advice.binding, advice.cells) == ("lengthen", "sites", 0)
    assert advice.seedings_h == ()
    assert advice.pause_until_h == np.inf
    assert advice.advised_interval_days == 7.0


def test_once_sites_are_free_again_all_is_as_before():
    def duration(_day):
        return 45.0

    c, interval, previous = curve(duration), 7.0, None
    for sites in (300, 300, 300, 10_000, 10_000):
        advice = advise(c, duration=duration, sites=sites, interval=interval, previous=previous)
        interval, previous = advice.advised_interval_days, (advice.decision, advice.binding)
        if sites == 300:
            assert advice.binding == "sites"
            assert sites * 0.7 < advice.sites_needed_advised <= sites * 1.01
    assert (advice.cells, advice.binding) == (100, "continuity")
    assert interval == pytest.approx(7.0, abs=0.5)


# --------------------------------------------------------------------------- what was due


@pytest.mark.parametrize("late_days", [0.05, 1.0, 3.0])
@pytest.mark.parametrize("slope", [0.0, 0.5])
def test_a_seeding_that_is_due_stays_due_until_it_is_made(late_days, slope):
    def duration(day):
        return 45.0 + slope * day

    advice = advise(curve(duration), duration=duration, last_days=-7.0 - late_days)
    assert advice.seedings_h[0] == NOW
    assert advice.seedings_h[1] > NOW + 2 * DAY


@pytest.mark.parametrize("last_days", [-14.0, -20.0, -30.0])
@pytest.mark.parametrize("slope", [0.0, 0.5])
def test_what_a_lapse_left_out_is_not_piled_onto_today(last_days, slope):
    def duration(day):
        return 50.0 + slope * day

    advice = advise(curve(duration), duration=duration, last_days=last_days)
    apart = np.diff(advice.seedings_h) / DAY
    assert advice.seedings_h[0] == NOW
    assert apart.min() >= 0.5 * advice.continuity_interval_days
    # The gap that the lapse has torn is told, not that of seedings which nobody made.
    assert advice.gap_with_days > 7.0


def test_nothing_is_seeded_before_the_first_day_on_which_may_be():
    advice = law.advise(
        programme(),
        NOW,
        NOW - 7 * DAY,
        np.full(5, NOW + 38 * DAY),
        curve(lambda _d: 45.0),
        nobody(),
        (),
        (),
        10_000,
        earliest_h=NOW + 3 * DAY,
    )
    assert advice.seedings_h[:2] == (NOW + 3 * DAY, NOW + 10 * DAY)


def test_holding_is_as_sure_as_members_want_no_change_that_counts():
    def duration(day):
        return 45.0 + 0.05 * day

    sure = advise(curve(duration, members=24), duration=duration)
    assert (sure.decision, sure.probability) == ("hold", 1.0)
    unsure = advise(curve(duration, members=24, spread=9.0), duration=duration)
    assert unsure.decision == "hold"
    assert 0.2 < unsure.probability < 0.8


# --------------------------------------------------------------------------- sites out of use


def test_sites_that_are_out_lessen_the_capacity_of_their_days():
    days = NOW + DAY * np.arange(6.0)
    outages = [law.Outage(NOW + DAY, NOW + 3 * DAY, 100.0), law.Outage(NOW + 2 * DAY, NOW + 4 * DAY, 250.0)]
    assert law.capacity(300, outages, days).tolist() == [300, 200, 0, 50, 300, 300]


def test_a_cleaning_that_meets_coming_seedings_makes_sites_bind():
    def duration(_day):
        return 45.0

    c = curve(duration)
    need = advise(c, duration=duration).sites_needed
    roomy = int(1.5 * need)
    assert advise(c, duration=duration, sites=roomy).binding == "continuity"
    # From when the first coming seedings stand in the channels.
    cleaning = law.Outage(NOW + 30 * DAY, NOW + 45 * DAY, roomy - 0.5 * need)
    found = advise(c, duration=duration, sites=roomy, outages=[cleaning])
    assert found.binding == "sites"
    assert found.sites == pytest.approx(0.5 * need, abs=1)
    assert NOW + 30 * DAY <= found.sites_peak_h < NOW + 45 * DAY
    assert found.cells < 100 or found.skipped or found.advised_interval_days > 7.0
    # One that is over before they come is of no concern to them.
    early = law.Outage(NOW, NOW + 2 * DAY, float(roomy))
    assert advise(c, duration=duration, sites=roomy, outages=[early]).binding == "continuity"


def test_seedlings_wait_while_sites_are_out():
    days = NOW + DAY * np.arange(40.0)
    group = law.Waiting(NOW + 2 * DAY, NOW + 5 * DAY, NOW + 30 * DAY, 80.0)
    usable = law.capacity(100, [law.Outage(NOW, NOW + 12 * DAY, 50.0)], days)
    assert law.place_waiting([group], np.zeros(40), days, 100) == []
    assert law.place_waiting([group], np.zeros(40), days, usable) == [(0, NOW + 12 * DAY)]
