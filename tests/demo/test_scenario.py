"""The invented farm's ten weeks: plants balance, rules are followed, room is kept, facts fit together."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any, get_args
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from seed_demo.grower import TOO_OLD, TRANSPLANT_FROM, Story
from seed_demo.scenario import HOUSES, HouseTruth, Post, Scenario, Season, Sites, build, span
from service.records.tables import Entry
from service.work.ledger import derive
from service.work.quantities import QUANTITIES, unit_problem

EVERY = [(season, sites) for season in get_args(Season) for sites in get_args(Sites)]
every_scenario = pytest.mark.parametrize(("season", "sites"), EVERY)


@cache
def scenario(season: Season, sites: Sites) -> Scenario:
    return build(season, sites)


def house(found: Scenario, code: str) -> HouseTruth:
    return next(truth for truth in found.truth if truth.spec.code == code)


def transplanted_in_span(found: Scenario, code: str) -> list[Story]:
    first = found.start.date()
    return [
        s for s in house(found, code).chronicle.stories if s.transplanted_on and s.transplanted_on >= first
    ]


def durations(stories: Sequence[Story], crop: str) -> list[tuple[date, int]]:
    """Return seeding days and days in the channels of what was cut."""
    return [
        (story.seeded_on, (story.finished_on - story.transplanted_on).days)
        for story in stories
        if story.programme.crop == crop and story.finished_on and story.transplanted_on
    ]


def waits(stories: Sequence[Story]) -> list[int]:
    return [(s.transplanted_on - s.ready_on).days for s in stories if s.transplanted_on and s.ready_on]


# --------------------------------------------------------------------------- the same again


def test_the_same_arguments_give_the_same_scenario_byte_for_byte() -> None:
    again, other = build("autumn", "tight", 1), build("autumn", "tight", 2)
    first = scenario("autumn", "tight")

    assert again.setup == first.setup
    assert again.messages == first.messages
    assert again.ledger == first.ledger
    assert other.messages != first.messages
    assert other.ledger != first.ledger


def test_sites_change_the_room_and_not_the_weather() -> None:
    ample, tight = scenario("autumn", "ample"), scenario("autumn", "tight")

    assert ample.messages == tight.messages
    for wide, narrow in zip(ample.truth, tight.truth, strict=True):
        assert wide.sites > 1.4 * narrow.sites


# --------------------------------------------------------------------------- the conditions


def test_autumn_dims_the_unlit_house_and_spring_brightens_it() -> None:
    def weeks(season: Season, code: str) -> tuple[float, float]:
        days = house(scenario(season, "ample"), code).channels[-70:]
        return tuple(float(np.mean([d.dli_mol for d in part])) for part in (days[:21], days[-21:]))

    assert weeks("autumn", "wick")[1] < 0.75 * weeks("autumn", "wick")[0]
    assert weeks("spring", "wick")[1] > 1.5 * weeks("spring", "wick")[0]
    # Lamps and a southern sky keep the other house above 15 mol m-2 d-1 whatever the season.
    for season in get_args(Season):
        assert min(weeks(season, "sierra")) > 15.0


@every_scenario
def test_temperature_stays_where_a_grower_keeps_it(season: Season, sites: Sites) -> None:
    for truth in scenario(season, sites).truth:
        channels, nursery = (
            np.array([d.temp_c.mean() for d in days]) for days in (truth.channels, truth.nursery)
        )
        assert channels.min() > 16.0
        assert channels.max() < 28.0
        assert (nursery > channels).all()


# --------------------------------------------------------------------------- the crop


def test_unlit_butterhead_slows_in_autumn_and_quickens_in_spring() -> None:
    autumn = durations(house(scenario("autumn", "ample"), "wick").chronicle.stories, "butterhead")
    spring = durations(house(scenario("spring", "ample"), "wick").chronicle.stories, "butterhead")

    assert 20 <= np.mean([days for _, days in autumn[:6]]) <= 28
    assert np.mean([days for _, days in autumn[-3:]]) > np.mean([days for _, days in autumn[:6]]) + 1
    assert np.mean([days for _, days in spring[:3]]) > 50
    assert np.mean([days for _, days in spring[-3:]]) < 36


def test_the_lit_house_hardly_feels_the_season() -> None:
    means = [
        np.mean(
            [
                days
                for _, days in durations(
                    house(scenario(season, "ample"), "sierra").chronicle.stories, "butterhead"
                )
            ]
        )
        for season in get_args(Season)
    ]

    assert abs(means[0] - means[1]) < 6
    assert all(20 <= mean <= 30 for mean in means)


# --------------------------------------------------------------------------- the grower


@every_scenario
def test_room_is_never_exceeded(season: Season, sites: Sites) -> None:
    for truth in scenario(season, sites).truth:
        for day in truth.chronicle.days:
            assert day.sites <= truth.sites
            assert day.nursery_cells <= truth.spec.nursery.capacity[sites]


@every_scenario
def test_batches_are_seeded_at_their_interval_on_working_days(season: Season, sites: Sites) -> None:
    for truth in scenario(season, sites).truth:
        for programme in truth.spec.programmes:
            seeded = [s.seeded_on for s in truth.chronicle.stories if s.programme is programme]
            gaps = np.diff([day.toordinal() for day in seeded])
            assert all(day.isoweekday() <= 6 for day in seeded)
            if not any(day.seedings_skipped for day in truth.chronicle.days):
                assert gaps.mean() == pytest.approx(programme.interval_days, abs=0.1)
                assert gaps.max() <= programme.interval_days + 0.5


@every_scenario
def test_only_plants_with_enough_leaves_are_transplanted(season: Season, sites: Sites) -> None:
    for truth in scenario(season, sites).truth:
        for story in truth.chronicle.stories:
            if story.transplanted_on is not None:
                assert story.transplant_leaves is not None
                assert TRANSPLANT_FROM <= story.transplant_leaves <= TOO_OLD
                assert story.transplanted_on.isoweekday() <= 6


@pytest.mark.parametrize("season", get_args(Season))
def test_with_ample_sites_nobody_waits_and_leaves_are_four_to_five(season: Season) -> None:
    found = scenario(season, "ample")
    for truth in found.truth:
        stories = truth.chronicle.stories
        assert set(waits(stories)) == {0}
        assert not any(story.thrown_away for story in stories)
        assert not any(day.seedings_skipped for day in truth.chronicle.days)
        leaves = [s.transplant_leaves for s in stories if s.transplant_leaves is not None]
        assert 4.2 < np.mean(leaves) < 4.7
        assert np.mean([leaf > 5.0 for leaf in leaves]) < 0.1


def test_with_tight_sites_the_slower_autumn_crop_makes_seedlings_wait_and_grow_old() -> None:
    found = scenario("autumn", "tight")
    half = found.start.date() + (found.end - found.start) / 2
    transplanted = transplanted_in_span(found, "wick")
    early = [s for s in transplanted if s.transplanted_on and s.transplanted_on < half]
    late = [s for s in transplanted if s.transplanted_on and s.transplanted_on >= half]

    assert np.mean(waits(late)) > max(1.0, np.mean(waits(early)))
    assert np.mean([wait > 0 for wait in waits(late)]) > 0.4
    assert max(s.transplant_leaves or 0.0 for s in late) > 5.5
    last_weeks = house(found, "wick").chronicle.days[-21:]
    assert np.mean([day.sites for day in last_weeks]) > 0.9 * house(found, "wick").sites


# --------------------------------------------------------------------------- the ledger


def by_batch(found: Scenario) -> dict[str, list[Post]]:
    chains: dict[str, list[Post]] = defaultdict(list)
    for post in found.ledger:
        chains[post.chain].append(post)
    return chains


def entries(chain: Sequence[Post]) -> list[Entry]:
    """Return what the service would keep of a batch's posts."""

    def entry(kind: str, at: str, **values: Any) -> Entry:
        moment = datetime.fromisoformat(at)
        return Entry(
            batch_id=1, kind=kind, happened_at=moment, recorded_at=moment, recorded_by="grower", **values
        )

    batch, *facts = chain
    kept = [entry("seeded", batch.body["seededAt"], plants=batch.body["cells"])]
    names = {"plants": "plants", "leaves": "leaves", "weightG": "weight_g", "reason": "reason"}
    kept.extend(
        entry(
            fact.body["kind"],
            fact.body["happenedAt"],
            **{names[name]: value for name, value in fact.body.items() if name in names},
        )
        for fact in facts
    )
    return kept


@every_scenario
def test_every_ledger_holds_together_and_ends_where_the_batch_is(season: Season, sites: Sites) -> None:
    found = scenario(season, sites)
    truth = {
        f"{story.programme.key}-{story.seeded_on.isoformat()}": story
        for place in found.truth
        for story in place.chronicle.stories
    }
    for key, chain in by_batch(found).items():
        state = derive(entries(chain))
        story = truth[key]
        assert state.stage == story.stage()
        assert state.in_nursery == (story.plants if story.in_nursery else 0)
        assert state.in_channels == (story.plants if story.in_channels else 0)
        cells = story.programme.cells
        assert (
            state.emerged or cells
        ) == state.discarded + state.harvested + state.in_nursery + state.in_channels


@every_scenario
def test_facts_are_told_in_order_and_never_before_they_happened(season: Season, sites: Sites) -> None:
    found = scenario(season, sites)

    assert [post.at for post in found.ledger] == sorted(post.at for post in found.ledger)
    for chain in by_batch(found).values():
        happened = [datetime.fromisoformat(p.body.get("happenedAt") or p.body["seededAt"]) for p in chain]
        assert happened == sorted(happened)
        for post, moment in zip(chain, happened, strict=True):
            assert post.at == max(moment, found.start)
            assert post.at < found.end
        assert chain[0].path == "/v1/batches"
        assert {post.path for post in chain[1:]} <= {f"/v1/batches/{{{chain[0].key}}}/entries"}


@every_scenario
def test_at_the_end_both_houses_have_batches_in_every_stage(season: Season, sites: Sites) -> None:
    found = scenario(season, sites)
    chains = by_batch(found)
    for truth in found.truth:
        for programme in truth.spec.programmes:
            stages = [
                story.stage()
                for story in truth.chronicle.stories
                if story.programme is programme and f"{programme.key}-{story.seeded_on.isoformat()}" in chains
            ]
            assert set(stages) == {"nursery", "channels", "finished"}
            assert stages.count("channels") >= 2
        youngest = max(story.seeded_on for story in truth.chronicle.stories)
        assert (found.end.date() - youngest).days <= 4


@every_scenario
def test_weights_and_counts_are_what_was_grown(season: Season, sites: Sites) -> None:
    for truth in scenario(season, sites).truth:
        for story in truth.chronicle.stories:
            for fact in story.facts:
                if fact.kind == "harvested":
                    assert fact.weight_g is not None
                    assert 0.85 < fact.weight_g / story.programme.traits.ready_g < 1.45
                    assert fact.plants == round(story.programme.cells * story.programme.keep_share)


# --------------------------------------------------------------------------- the sensors


@every_scenario
def test_messages_are_in_order_within_the_span_and_never_ahead_of_their_samples(
    season: Season, sites: Sites
) -> None:
    found = scenario(season, sites)
    start, end = span(season)

    assert [m.at for m in found.messages] == sorted(m.at for m in found.messages)
    assert (found.start, found.end) == (start, end)
    assert start < found.messages[0].at
    assert found.messages[-1].at <= end
    assert 12_000 < len(found.messages) < 15_000
    assert 60_000 < sum(m.readings for m in found.messages) < 100_000
    for message in found.messages[::37]:
        assert timedelta(0) < message.at - last_sample(json.loads(message.payload)) < timedelta(minutes=6)


def last_sample(document: Any) -> datetime:
    last = document[-1] if isinstance(document, list) else document
    time = last[0] if isinstance(last, list) else last["time"]
    return (
        datetime.fromisoformat(time)
        if isinstance(time, str)
        else datetime.fromtimestamp(time, ZoneInfo("UTC"))
    )


def test_every_sensor_can_be_set_up_and_says_what_its_zone_has() -> None:
    found = scenario("autumn", "ample")
    topics = {message.topic for message in found.messages}
    expected = {
        sensor.topic or f"evenleaf/{spec.code}/{zone.code}/{sensor.quantity}"
        for spec in HOUSES
        for zone in spec.zones
        for sensor in zone.sensors
    }
    assert topics == expected
    for spec in HOUSES:
        for zone in spec.zones:
            assert (
                {sensor.quantity for sensor in zone.sensors} == {"temp_air_c", "ppfd_umol"} <= set(QUANTITIES)
            )
            for sensor in zone.sensors:
                assert (
                    unit_problem(sensor.quantity, sensor.unit, sensor.sampling, sensor.light_source) is None
                )


def test_the_running_total_agrees_with_the_light_of_the_zone() -> None:
    found = scenario("autumn", "ample")
    zone = house(found, "wick")
    day = date(2026, 8, 20)
    totals = [
        value
        for message in found.messages
        if message.topic == "evenleaf/wick/roof/radiation-sum"
        for stamp, value in json.loads(message.payload)
        if datetime.fromtimestamp(stamp - 1, ZoneInfo("Europe/Paris")).date() == day
    ]

    assert totals == sorted(totals)
    assert len(totals) == 144
    dli = max(totals) * 0.01 * 0.45 * 4.57  # MJ m-2 of global radiation to mol m-2
    assert dli == pytest.approx(zone.channels[(day - found.first_day).days].dli_mol, rel=0.03)


def test_references_are_to_what_was_created_before() -> None:
    found = scenario("spring", "ample")
    known: set[str] = set()
    for post in (*found.setup, *found.ledger):
        assert set(post.refs.values()) <= known
        assert "{" not in post.path or post.path.split("{")[1].split("}")[0] in known
        if post.key is not None:
            assert post.key not in known
            known.add(post.key)
