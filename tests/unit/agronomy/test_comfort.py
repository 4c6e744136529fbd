"""Limits: they begin after a while, end only well inside, and do not come and go with noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.agronomy import comfort
from service.agronomy.climate import Course, Site
from service.agronomy.comfort import Limits, breach, flow_limits, light_off_plan, temp_off_plan, usual_limits

PH = Limits(5.5, 6.5, 5.0, 7.2, 20.0, 0.1)
SITE = Site(
    latitude_deg=52.0,
    longitude_deg=5.0,
    transmission=0.6,
    temp_heat_day_c=18.0,
    temp_heat_night_c=16.0,
    temp_vent_c=24.0,
)


def every_five(*values: float) -> tuple[np.ndarray, np.ndarray]:
    """Return readings five minutes apart."""
    return np.arange(len(values)) * 5.0, np.array(values, dtype=float)


@pytest.mark.parametrize(
    ("values", "was", "expected"),
    [
        ([6.0] * 6, None, None),
        ([6.0, 6.7, 6.7, 6.7, 6.7], None, None),  # fifteen minutes are not yet twenty
        ([6.0, 6.7, 6.7, 6.7, 6.7, 6.7], None, ("high", 5.0, False)),
        ([6.0, 6.7, 6.7, 6.4, 6.7, 6.7], None, None),  # it was back
        ([6.7, 6.7, 6.7, 6.45, 6.45, 6.45, 6.45], "high", ("high", 0.0, False)),  # in, but not by the band
        ([6.7, 6.7, 6.3, 6.3, 6.3, 6.3], "high", None),
        ([6.7, 6.7, 6.7, 6.3, 6.3], "high", ("high", 5.0, False)),  # not for long enough
        ([7.5] * 6, None, ("high", 0.0, True)),
        ([4.8] * 6, None, ("low", 0.0, True)),
        ([7.5, 4.8, 4.8, 4.8, 4.8, 4.8], "high", ("low", 5.0, True)),
    ],
)
def test_a_breach(values: list[float], was: str | None, expected: tuple[str, float, bool] | None) -> None:
    found = breach(*every_five(*values), PH, was)  # type: ignore[arg-type]
    said = None if found is None else (found.side, found.since_min, found.urgent)
    assert said == expected


def test_no_readings_no_breach() -> None:
    assert breach(np.empty(0), np.empty(0), PH, "high") is None


@given(st.lists(st.floats(-0.05, 0.05), min_size=12, max_size=60), st.sampled_from([5.5, 6.5]))
def test_noise_about_a_limit_does_not_flap(noise: list[float], at: float) -> None:
    """Once begun it stays, whatever noise below the band does."""
    at_min, value = every_five(*(at + n for n in noise))
    side = "low" if at == 5.5 else "high"
    for last in range(5, len(noise) + 1):
        found = breach(at_min[:last], value[:last], PH, side)  # type: ignore[arg-type]
        assert found is not None
        assert found.side == side


def test_lost_flow_is_urgent_and_ends_when_half_is_back() -> None:
    limits = flow_limits(40.0)
    lost = breach(*every_five(40.0, 39.0, 0.0, 0.0, 0.0), limits, None)
    assert lost is not None
    assert (lost.side, lost.urgent, lost.since_min) == ("low", True, 10.0)
    assert breach(*every_five(40.0, 0.0, 38.0, 0.0), limits, None) is None  # a stutter
    assert breach(*every_five(0.0, 0.0, 15.0, 15.0, 15.0), limits, "low") is not None
    assert breach(*every_five(0.0, 0.0, 21.0, 22.0, 21.0), limits, "low") is None


def test_crops_that_share_a_solution_take_the_narrower_limits() -> None:
    both = usual_limits("temp_solution_c", {"basil", "butterhead"})
    assert (both.low, both.high) == (17.0, 25.0)
    assert usual_limits("temp_solution_c", {"basil"}).high == 28.0
    assert usual_limits("ph") == usual_limits("ph", {"basil"})
    # The regime of the handbook lies inside the limits.
    assert usual_limits("ph").low < 5.8 < usual_limits("ph").high  # type: ignore[operator]
    assert usual_limits("ec_ms_cm").low < 1.2 < usual_limits("ec_ms_cm").high  # type: ignore[operator]
    with pytest.raises(KeyError):
        usual_limits("co2_ppm")


NOON = 20710 * 24 + 12  # in September


@pytest.mark.parametrize(
    ("temps", "was", "expected"),
    [
        ([20, 20, 20], None, None),
        ([20, 28, 28], None, None),
        ([20, 28, 28, 28], None, ("warm", 3)),
        ([20, 28, 28, 25], "warm", ("warm", 3)),
        ([28, 24.2, 24.2, 24.2], "warm", None),
        ([14, 14, 14], None, ("cold", 3)),
        ([17.2, 17.2, 17.2], "cold", ("cold", 3)),
        ([17.2, 17.2, 17.2], None, None),
        ([np.nan, 28, 28], None, None),
    ],
)
def test_temperature_against_set_points(
    temps: list[float], was: str | None, expected: tuple[str, int] | None
) -> None:
    hour = NOON - len(temps) + np.arange(len(temps), dtype=np.int64)
    found = temp_off_plan(SITE, Course.steady(SITE), hour, np.array(temps, dtype=float), was)  # type: ignore[arg-type]
    assert (found and (found.side, found.hours)) == expected


def test_a_cool_night_is_as_planned() -> None:
    midnight = 20710 * 24 + np.arange(4, dtype=np.int64)
    assert temp_off_plan(SITE, Course.steady(SITE), midnight, np.full(4, 15.5), None) is None


@pytest.mark.parametrize(
    ("share", "was", "expected"),
    [
        (1.0, None, None),
        (0.5, None, "dark"),
        (0.65, None, None),
        (0.65, "dark", "dark"),
        (0.75, "dark", None),
        (1.6, None, "bright"),
        (1.4, None, None),
        (1.4, "bright", "bright"),
    ],
)
def test_light_against_the_season(share: float, was: str | None, expected: str | None) -> None:
    hour = NOON + np.arange(168, dtype=np.int64)
    usual = comfort.expected_light_mol(SITE, Course.steady(SITE), hour, np.zeros(168))
    found = light_off_plan(usual * share, usual, was)  # type: ignore[arg-type]
    assert (found and found.side) == expected
    if found:
        assert found.share == pytest.approx(share)
    unmeasured = np.where(np.arange(168) % 2 == 0, np.nan, usual * share)
    assert light_off_plan(unmeasured, usual, None) is None


def test_the_expected_light_is_that_of_the_place() -> None:
    """Vineland, 43.2 N: 7.9 mol m-2 d-1 outdoors in a December and 32 in an April (OMAFA, references 3.3)."""
    there = Site(**{**SITE.__dict__, "latitude_deg": 43.2, "longitude_deg": -79.4, "transmission": 1.0})
    for day, measured in ((350, 7.9), (105, 32.0)):
        hour = (20454 + day) * 24 + np.arange(24, dtype=np.int64)  # of 2026
        found = comfort.expected_light_mol(there, Course.steady(there), hour, np.zeros(24)).sum()
        assert found == pytest.approx(measured, rel=0.35)
