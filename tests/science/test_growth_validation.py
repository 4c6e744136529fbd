"""The experiments with which the growth model was published, on the real radiation nearest to them.

E.J. van Henten (1994), Agricultural Systems 45:55-72: butterhead lettuce in nutrient film, 18 plants m-2, in a
glasshouse at Wageningen (52 °N). Experiment 1: planted on 17 October 1991, 62 days, from 2.70 g m-2, simulated end
weight 6.8 g a plant. Experiment 2: planted on 21 January 1992, 57 days, from 0.72 g m-2, simulated 10.2 g. "14 °C
first days, then night 10 °C / day >= 14 °C; CO2 up to 750 ppm by day". The conditions inside were not published.

Radiation is that of the station Haarweg at Wageningen, from the files ``NL1.990`` and ``NL1.992`` that the ``pcse``
distribution carries in ``pcse/tests/test_data`` ("Missing values are exchanged with daily weather data from synoptic
station de Bilt"). The file of 1991 ends on day 243, so that experiment 1 is run in the autumns of 1990 and 1992, all
of whose days are there; experiment 2 is run on its own days.

What was not published was chosen before looking at any result, once for all: transmission 0.60, CO2 750 ppm while
the sun is up and 400 ppm else, 14 °C for seven days and then 14 °C while the sun is up and 10 °C else. PAR is half
of global radiation, as in the publication.

Found: with this light the end weights are 64 and 70 % (experiment 1, 1990 and 1992) and 78 % (experiment 2) above the
published ones. That is outside the 15 % hoped for, and nothing was tuned to hide it. The light inside is the one
unknown large enough: the transmission with which experiment 1 comes out as published, 0.35 and 0.34, brings
experiment 2 within 10 and 6 % without being told. The published simulations thus had about 0.6 of the light assumed
here. (A later model of the same author counts light per joule outside, 3.55e-9 kg J-1; divided by light use and PAR
fraction of the model here that is a transmission of about 0.5.)
"""

import numpy as np
import pytest
from scipy.optimize import brentq

from service.agronomy import growth
from tests.simulated.weather import wageningen

PLANTS_M2 = 18.0
TRANSMISSION = 0.60
PAR_FRACTION = 0.50
RADIATION = wageningen(1990, 1992)

AUTUMN_1990, AUTUMN_1992 = ("1990-10-17", 62, 2.70), ("1992-10-17", 62, 2.70)
SPRING_1992 = ("1992-01-21", 57, 0.72)
PUBLISHED_AUTUMN_G, PUBLISHED_SPRING_G = 6.8, 10.2


def end_weight_g(experiment, transmission=TRANSMISSION, open_canopy=None):
    """Return the dry weight of a plant, root included, at the end."""
    planted, days, start_g_m2 = experiment
    first = int(np.datetime64(planted, "h").astype(np.int64) - RADIATION.hour[0])
    global_mj = RADIATION.global_mj[first : first + 24 * days]
    par_w_m2 = transmission * PAR_FRACTION * global_mj * 1e6 / growth.SECONDS_PER_HOUR
    by_day = global_mj > 0.0
    temp_c = np.where(by_day | (np.arange(24 * days) < 24 * 7), 14.0, 10.0)
    co2_ppm = np.where(by_day, 750.0, 400.0)
    drivers = growth.hourly_drivers(par_w_m2[None], temp_c[None], co2_ppm[None], open_canopy=open_canopy)
    one = np.ones(1)
    _, balance = growth.grow(
        drivers,
        drivers,
        np.zeros(1, dtype=np.intp),
        0.0 * one,
        np.inf * one,
        start_g_m2 / PLANTS_M2 * one,
        (PLANTS_M2 * one, PLANTS_M2 * one),
        one,
        np.full((1, 1), np.inf),
        0.0,
    )
    return float((balance.nonstructural + balance.structural)[0])


@pytest.mark.parametrize(
    ("experiment", "published_g", "found"),
    [
        (AUTUMN_1990, PUBLISHED_AUTUMN_G, 1.64),
        (AUTUMN_1992, PUBLISHED_AUTUMN_G, 1.70),
        (SPRING_1992, PUBLISHED_SPRING_G, 1.78),
    ],
)
def test_end_weights_with_the_light_chosen_before_looking(experiment, published_g, found):
    # Not the hoped for 1 +- 0.15: what was found, held within 3 %.
    assert end_weight_g(experiment) / published_g == pytest.approx(found, rel=0.03)


@pytest.mark.parametrize("autumn", [AUTUMN_1990, AUTUMN_1992])
def test_the_light_of_one_experiment_foretells_the_other(autumn):
    # Transmission from experiment 1 alone; experiment 2 then within 15 % of what was published.
    transmission = brentq(lambda t: end_weight_g(autumn, t) - PUBLISHED_AUTUMN_G, 0.1, 0.9)
    assert transmission == pytest.approx(0.345, abs=0.015)
    assert end_weight_g(SPRING_1992, transmission) == pytest.approx(PUBLISHED_SPRING_G, rel=0.15)


@pytest.mark.parametrize("autumn", [AUTUMN_1990, AUTUMN_1992])
def test_late_planting_gains_as_much_on_early_as_published(autumn):
    # The ratio of both end weights, in which the light inside cancels for the most part: published 1.5.
    published = PUBLISHED_SPRING_G / PUBLISHED_AUTUMN_G
    assert end_weight_g(SPRING_1992) / end_weight_g(autumn) == pytest.approx(published, rel=0.15)
