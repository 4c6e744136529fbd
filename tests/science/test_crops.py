"""Crop profiles against published responses to temperature, and against durations of common practice."""

from __future__ import annotations

import numpy as np
import pytest

from service.agronomy import forecast as science
from service.agronomy import seed
from service.agronomy.outlook import Outlook
from service.agronomy.profile import CropProfile
from service.work.profiles import profile, profile_names

FIRST = 480_000
SEEDED = FIRST + 24.0


def outlook(dli_mol: float, temp_c: float, days: int = 160) -> Outlook:
    """Return conditions of one light and temperature, 16 hours lit."""
    light = np.zeros((1, 24 * days))
    light[:, np.arange(24 * days) % 24 < 16] = dli_mol / 16
    return Outlook(FIRST, np.full(light.shape, temp_c), light, np.ones(24 * days, dtype=bool))


def grown(
    crop: CropProfile, dli_mol: float, temp_c: float, now_h: float = SEEDED, **known: float
) -> science.Dates:
    """Forecast a batch at 25 plants a square metre in the channels, everything known of it as the profile says."""
    values = {
        "seeded_h": SEEDED,
        "emerged_h": np.nan,
        "counted_h": np.nan,
        "counted_leaves": np.nan,
        "transplanted_h": np.nan,
        "target_dry_g": crop.target_dry_g,
        "nursery_m2": 650.0,
        "channels_m2": 25.0,
    } | known
    batches = science.Batches(*(np.array([values[name]]) for name in science.Batches._fields))
    sure = science.Multipliers(np.ones(1), np.ones(1), np.zeros(1))
    zone = outlook(dli_mol, temp_c)
    return science.forecast(crop, zone, zone, 400.0, batches, sure, now_h)


def days(dates: science.Dates, event: str = "harvest") -> float:
    """Return days from seeding."""
    return float(getattr(dates, event)[0, 0] - SEEDED) / 24


def fresh_from_young_plants(crop: CropProfile, temps_c: list[float], dli_mol: float) -> list[float]:
    """Fresh weights of plants set out at one size, weighed on the day on which those at the first named are ready.

    The trials set young plants of one age to their temperatures, so emergence and nursery are left out: all emerge at
    the same hour and are set out then.
    """
    alike = {"emerged_h": SEEDED, "transplanted_h": SEEDED}
    when = float(grown(crop, dli_mol, temps_c[0], **alike).harvest[0, 0])
    return [float(grown(crop, dli_mol, t, now_h=when, **alike).fresh_g_now[0, 0]) for t in temps_c]


@pytest.mark.parametrize(
    ("name", "low_c", "high_c", "gain"),
    [("basil", 18.0, 27.0, 1.06), ("rocket", 18.0, 27.0, 0.62), ("coriander", 18.0, 24.0, 0.41)],
)
def test_fresh_weight_rises_with_temperature(name: str, low_c: float, high_c: float, gain: float) -> None:
    # Mortensen 2014, American Journal of Plant Sciences 5: basil +106 %, rocket +62 % from 18 to 27 °C, cilantro +41 %
    # from 18 to 24 °C, at 29.6 mol m-2 d-1 (abstract). When they were weighed was not read: taken is the day on which
    # the coldest are fit for sale. Within 8 % of the ratio of weights.
    cold, warm = fresh_from_young_plants(profile(name), [low_c, high_c], 29.6)
    assert warm / cold == pytest.approx(1.0 + gain, rel=0.08)


def test_coriander_gains_nothing_above_24_degrees() -> None:
    # Mortensen 2014: "then flat", tested to 27 °C. Within 10 %.
    warm, warmer = fresh_from_young_plants(profile("coriander"), [24.0, 27.0], 29.6)
    assert warmer / warm == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(
    ("name", "dli_mol", "low_c", "high_c"),
    [
        # Currey & Imler, GPN September 2020: fresh mass of arugula is largest at 23.8 °C; within 2 °C.
        ("rocket", 12.0, 21.8, 25.8),
        # Basil: 25 °C (Chang, Alderson & Wright 2005) to 28-29 °C (Currey), met in good light only. In weak light the
        # model's optimum falls to 21.5 °C, and the 32.6 to 35.5 °C of Walters 2023 at 6 to 11 mol are not met: its
        # photosynthesis is lettuce's, best at 22.5 °C, and light decides sooner.
        ("basil", 17.0, 24.5, 29.0),
        ("basil", 25.0, 25.0, 29.0),
    ],
)
def test_temperature_of_the_largest_fresh_weight(
    name: str, dli_mol: float, low_c: float, high_c: float
) -> None:
    temps = np.arange(16.0, 36.0, 0.5).tolist()
    weights = fresh_from_young_plants(profile(name), [0.5 * (low_c + high_c), *temps], dli_mol)[1:]
    assert low_c <= temps[int(np.argmax(weights))] <= high_c


def test_best_temperature_of_basil_rises_with_light() -> None:
    # Walters 2023, PLoS ONE: the optimum of fresh mass rises as light rises from 6 to 11 mol m-2 d-1. Direction only.
    temps = np.arange(20.0, 34.0, 0.25).tolist()
    best = [
        temps[int(np.argmax(fresh_from_young_plants(profile("basil"), [27.0, *temps], dli)[1:]))]
        for dli in (6.0, 11.0)
    ]
    assert best[0] < best[1]


@pytest.mark.parametrize("temp_c", [16.0, 18.0, 20.0, 22.0])
def test_rocket_in_thermal_time(temp_c: float) -> None:
    # Rev. Bras. Meteorol. 2021: 490 degree-days above 3.6 °C from germination to harvest in hydroponics. Within
    # 20 %: at 16 °C the model is 18 % quicker, since growth in weak light depends less on temperature.
    dates = grown(profile("rocket"), 12.0, temp_c)
    taken = days(dates) - days(dates, "emergence")
    assert taken + 1.0 == pytest.approx(
        490.0 / (temp_c - 3.6), rel=0.2
    )  # a day from germination to emergence


@pytest.mark.parametrize(
    ("name", "temp_c", "expected_days"),
    [
        ("butterhead", 5.0, 15), ("butterhead", 10.0, 7), ("butterhead", 15.0, 4), ("butterhead", 20.0, 3),
        ("butterhead", 25.0, 2), ("leaf", 25.0, 2), ("romaine", 25.0, 2),
        ("butterhead", 30.0, 3), ("leaf", 30.0, 3), ("romaine", 30.0, 3),  # of the few that do
        ("parsley", 10.0, 29), ("parsley", 15.0, 17), ("parsley", 20.0, 14), ("parsley", 25.0, 13),
        ("parsley", 30.0, 12),
    ],
)  # fmt: skip
def test_days_to_emerge(name: str, temp_c: float, expected_days: float) -> None:
    # Harrington & Minges 1954 (in Knott's Handbook, second-hand), whole days. Within 20 % and half a day.
    rate = emergence_rate(name, temp_c)
    assert 1.0 / (24.0 * rate) == pytest.approx(expected_days, abs=0.2 * expected_days + 0.5)


@pytest.mark.parametrize("name", ["butterhead", "leaf", "romaine", "parsley"])
def test_nothing_emerges_at_35_degrees(name: str) -> None:
    # Harrington & Minges 1954 (in Knott's Handbook, second-hand).
    assert emergence_rate(name, 35.0) == 0.0
    assert emergence_rate(name, 25.0) > emergence_rate(name, 20.0)


def emergence_rate(name: str, temp_c: float) -> float:
    crop = profile(name)
    return float(
        seed.emergence_rate_per_hour(
            temp_c,
            crop.emergence_base_c,
            crop.emergence_optimum_c,
            crop.emergence_ceiling_c,
            crop.emergence_cd,
        )
    )


def test_parsley_takes_the_thermal_time_of_its_sources() -> None:
    # Fit to Harrington & Minges 1954: 271 °C d above 0.1; Bierhuizen & Wagenvoort 1974, from memory: 268 above 0.
    crop = profile("parsley")
    assert crop.emergence_cd / (15.0 - crop.emergence_base_c) == pytest.approx(268.0 / 15.0, rel=0.03)


# Common practice, no source: days from seeding to the first cut at 20 °C and 12 mol m-2 d-1, widely.
DURATIONS = {
    "butterhead": (38, 52),
    "romaine": (40, 56),
    "leaf": (34, 48),
    "basil": (32, 50),
    "coriander": (35, 52),
    "rocket": (25, 38),
    "parsley": (50, 75),
    "watercress": (28, 46),
}


@pytest.mark.parametrize("name", profile_names())
def test_durations_are_those_of_common_practice(name: str) -> None:
    dates = grown(profile(name), 12.0, 20.0)
    low, high = DURATIONS[name]
    assert low <= days(dates) <= high
    assert 1.5 <= days(dates, "emergence") <= 15.0
    assert days(dates, "emergence") < days(dates, "window_open") < days(dates, "window_close") < days(dates)


def test_a_limit_for_germination_is_lowest_in_butterhead() -> None:
    # Gray 1975: 25.7 °C ('Hilde', butterhead) to 32.8 °C among 22 cultivars; butterheads inhibited first.
    limits = {name: profile(name).heat_limit_c for name in ("butterhead", "leaf", "romaine")}
    assert limits["butterhead"] == 25.7
    assert all(25.7 <= limit <= 32.8 for limit in limits.values() if limit is not None)
    assert min(limits, key=lambda name: limits[name] or 99.0) == "butterhead"
