"""Day length by the CBM model against values computed from the published equation, and against astral.

Source: Forsythe et al. 1995, Ecological Modelling 80:87-95. The equation was read in several implementations
that cite it and the values were computed from it independently; tolerance half a unit of the last figure.
"""

from datetime import date, timedelta

import numpy as np
import pytest
from astral import Observer
from astral.sun import sunrise, sunset
from numpy.testing import assert_allclose

from service.agronomy import sun

HORIZONS_DEG = np.array([0.0, 0.8333, 6.0])

DAY_LENGTH_H = [
    # latitude, day of year, hours for the three horizons
    (40.0, 1, (9.208, 9.376, 10.391)),
    (40.0, 80, (11.991, 12.136, 13.036)),
    (40.0, 172, (14.846, 15.016, 16.112)),
    (40.0, 355, (9.155, 9.324, 10.344)),
    (50.0, 1, (7.932, 8.149, 9.423)),
    (50.0, 172, (16.150, 16.372, 17.861)),
    (50.0, 355, (7.851, 8.070, 9.354)),
]

# Days with less than ten hours between sunrise and sunset: from, to, how many.
SHORT_DAYS = [
    (35.0, 335, 12, 43),
    (40.0, 320, 28, 74),
    (45.0, 310, 37, 93),
    (50.0, 303, 44, 107),
    (52.0, 300, 47, 113),
]

# Against astral, by latitude [h].
TOLERANCE_H = {0: 0.015, 20: 0.03, 40: 0.06, 60: 0.10}


@pytest.mark.parametrize(("latitude", "day", "expected"), DAY_LENGTH_H)
def test_day_length_by_latitude_day_and_horizon(latitude, day, expected):
    assert_allclose(sun.day_length_h(latitude, day, HORIZONS_DEG), expected, rtol=0.0, atol=5.5e-4)


def test_day_length_at_35_degrees_and_the_equator():
    assert_allclose(sun.day_length_h(35.0, 172, HORIZONS_DEG[:2]), [14.357, 14.513], rtol=0.0, atol=5.5e-4)
    assert_allclose(sun.day_length_h(35.0, 355, HORIZONS_DEG[:2]), [9.643, 9.798], rtol=0.0, atol=5.5e-4)
    assert_allclose(sun.day_length_h(0.0, 80, HORIZONS_DEG[:2]), [12.0, 12.121], rtol=0.0, atol=0.015)
    assert_allclose(sun.day_length_h(0.0, np.arange(1, 366), 0.0), 12.0, rtol=0.0, atol=1e-9)


@pytest.mark.parametrize(("latitude", "begin", "end", "count"), SHORT_DAYS)
def test_season_of_days_below_ten_hours(latitude, begin, end, count):
    short = np.flatnonzero(sun.day_length_h(latitude, np.arange(1, 366)) < 10.0) + 1
    assert short.size == count
    assert short[short > 182].min() == begin
    assert short[short < 182].max() == end


@pytest.mark.parametrize("latitude", range(-60, 61, 20))
def test_day_length_over_a_year_against_astral(latitude):
    place = Observer(float(latitude), 0.0)
    calendar = [date(2023, 1, 1) + timedelta(days=n) for n in range(365)]
    expected = [(sunset(place, day) - sunrise(place, day)) / timedelta(hours=1) for day in calendar]
    found = sun.day_length_h(latitude, np.arange(1, 366))
    assert_allclose(found, expected, rtol=0.0, atol=TOLERANCE_H[abs(latitude)])
