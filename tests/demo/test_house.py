"""The simulated house passes light on, and heats and vents as its set points say."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from seed_demo.house import STEP_S, STEPS_PER_HOUR, HouseTraits, ZoneTraits, simulate_zone
from seed_demo.weather import OCEANIC, Weather, simulate_weather
from service.agronomy.light import ppfd_from_global_w_m2

HOUSE = HouseTraits(
    transmission=0.6,
    heat_day_c=18.0,
    heat_night_c=15.0,
    vent_c=23.0,
    vent_leak=0.3,
    time_zone="Europe/London",
)


def weather(first: date) -> Weather:
    return simulate_weather(OCEANIC, first, 20, np.random.default_rng(2))


def rng() -> np.random.Generator:
    return np.random.default_rng(3)


def test_light_indoors_is_light_outdoors_times_transmission_hour_by_hour() -> None:
    outdoors = weather(date(2026, 4, 1))

    zone = simulate_zone(HOUSE, ZoneTraits(light_share=0.9), outdoors, rng())

    hourly = zone.ppfd_umol.reshape(-1, STEPS_PER_HOUR).mean(axis=1)
    np.testing.assert_allclose(
        hourly, ppfd_from_global_w_m2(outdoors.global_w_m2 * 0.6 * 0.9), rtol=1e-9, atol=1e-9
    )
    assert len(zone.time_s) == 20 * 86_400 // STEP_S


def test_lamps_add_their_light_in_their_local_hours() -> None:
    outdoors = weather(date(2026, 6, 1))
    lit = replace(HOUSE, lamp_ppfd_umol=100.0, lamp_start_h=20.0, lamp_hours=8.0)

    with_lamps = simulate_zone(lit, ZoneTraits(), outdoors, rng())
    without = simulate_zone(HOUSE, ZoneTraits(), outdoors, rng())

    added = with_lamps.ppfd_umol - without.ppfd_umol
    # Summer time: 20:00 on the wall is 19:00 UTC.
    since_19_utc = (with_lamps.time_s / 3600.0 - 19.0) % 24.0
    np.testing.assert_allclose(added, np.where(since_19_utc < 8.0, 100.0, 0.0), atol=1e-9)
    np.testing.assert_array_equal(with_lamps.sun_w_m2, without.sun_w_m2)


def test_a_cold_dark_week_is_held_at_the_set_points() -> None:
    outdoors = weather(date(2026, 1, 1))

    house = simulate_zone(HOUSE, ZoneTraits(), outdoors, rng())
    warmer = simulate_zone(HOUSE, ZoneTraits(warmer_c=2.0), outdoors, rng())

    assert house.temp_c.min() == pytest.approx(15.0, abs=0.1)
    assert 15.5 < house.temp_c.mean() < 18.0
    assert warmer.temp_c.mean() - house.temp_c.mean() == pytest.approx(2.0, abs=0.3)


def test_sun_warms_the_house_and_vents_hold_it_below_what_a_closed_house_would_reach() -> None:
    outdoors = weather(date(2026, 7, 1))

    vented = simulate_zone(HOUSE, ZoneTraits(), outdoors, rng())
    closed = simulate_zone(replace(HOUSE, vent_c=60.0), ZoneTraits(), outdoors, rng())

    assert 18.0 < vented.temp_c.mean() < 25.0
    assert vented.temp_c.max() < 32.0
    assert closed.temp_c.max() > vented.temp_c.max() + 5.0
    bright = np.repeat(outdoors.global_w_m2, STEPS_PER_HOUR) > 300.0
    assert vented.temp_c[bright].mean() > vented.temp_c[~bright].mean() + 3.0
