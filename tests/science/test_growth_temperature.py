"""The response of growth to temperature against what was published of it, and where it does not agree.

Herbs and rocket are in ``test_crops.py``.
"""

import numpy as np
import pytest

from service.agronomy import growth
from service.work.profiles import profile
from tests.science.test_growth_validation import AUTUMN_1990, SPRING_1992, end_weight_g

CROP = profile("butterhead")
OPEN = (CROP.open_base_c, CROP.open_optimum_c, CROP.open_ceiling_c)


def grown(
    day_c, night_c, par_w_m2, photoperiod_h, days, start_g, plants_m2, targets_g, co2_ppm=400.0, open_=OPEN
):
    """Return the hours at which shoots pass the targets, and the end weight of the shoot."""
    lit = np.arange(24 * days) % 24 < photoperiod_h
    drivers = growth.hourly_drivers(
        np.where(lit, par_w_m2, 0.0)[None], np.where(lit, day_c, night_c)[None], co2_ppm, open_canopy=open_
    )
    one = np.ones(1)
    run, _ = growth.grow(
        drivers,
        drivers,
        np.zeros(1, dtype=np.intp),
        0.0 * one,
        np.inf * one,
        start_g * one,
        (plants_m2 * one, plants_m2 * one),
        one,
        np.array([*targets_g, np.inf])[:, None],
        24.0 * days,
    )
    return run.reached[:-1, 0], float(run.at_look[0])


def relative_growth_rate(temp_c, open_=OPEN):
    """Return the mean rate from 2 mg to 0.2 g, in 100 W m-2 PAR for 16 h ("high light intensity"). [d-1]"""
    first, last = grown(temp_c, temp_c, 100.0, 16, 120, CROP.start_dry_g, 30.0, [0.002, 0.2], open_=open_)[0]
    return np.log(100.0) / (last - first) * 24.0


def test_relative_growth_rate_of_young_lettuce():
    # A. Scaife (1973), Annals of Applied Biology 74:119-128 (abstract): six cultivars to 0.2 g at constant temperature
    # in high light: 0.11 at 10 °C, 0.35 at 22 °C, in a sigmoid. The warm end is met within 5 %. The cold end is not:
    # 0.16, 65 % of the way from the 0.24 of the model as published to Scaife's.
    cold, warm = relative_growth_rate(10.0), relative_growth_rate(22.0)
    assert warm == pytest.approx(0.35, rel=0.05)
    assert cold == pytest.approx(0.16, abs=0.01)
    assert cold < 0.5 * (0.11 + relative_growth_rate(10.0, open_=None))


@pytest.mark.parametrize("experiment", [AUTUMN_1990, SPRING_1992])
def test_cool_crop_that_needed_no_response(experiment):
    # Van Henten's crops at 10 to 14 °C were met by his model without the response. With it they weigh 6 % less, in
    # the light that gives the published weights; their measured standard deviations are 5 to 10 %.
    without = end_weight_g(experiment, transmission=0.345)
    with_ = end_weight_g(experiment, transmission=0.345, open_canopy=OPEN)
    assert with_ / without == pytest.approx(0.94, abs=0.02)


def test_butterhead_in_weak_light_by_day_and_night_temperature():
    # 'Montana' at 3.8 mol m-2 d-1 (Wolynetz and co-author, ASHS journal, abstract): day from 12 to 19.5 °C increases
    # weight, night from 5 to 14 °C has little effect. Plants of 0.1 g at 18 m-2, 60 days of 10 h, other half at 10 and
    # 16 °C are assumed. Night: within 5 %. Day: not met, the model loses 6 % (9 % as published) to respiration.
    par = 3.8e6 / 3600.0 / 10.0 / 4.57

    def weight(day_c, night_c):
        return grown(day_c, night_c, par, 10, 60, 0.1, 18.0, [])[1]

    assert weight(16.0, 14.0) / weight(16.0, 5.0) == pytest.approx(1.0, abs=0.05)
    assert weight(19.5, 10.0) / weight(12.0, 10.0) == pytest.approx(0.94, abs=0.02)


def test_best_temperature_of_plants_from_seed():
    # Frantz et al. (2004), JASHS 129:331: growth over 23 days in 1000 umol for 16 h is best at 25 °C at ambient CO2 and
    # at 30 °C at 1200 ppm. At ambient CO2 the model is within 3 % of its best at 25 °C. At 1200 ppm its best is at 20
    # to 25 °C, not 30: its photosynthesis peaks at 22.5 °C at any CO2.
    temps = np.array([15.0, 17.5, 20.0, 22.5, 25.0, 27.5, 30.0])

    def weights(co2_ppm):
        return np.array(
            [grown(t, t, 1000.0 / 4.57, 16, 23, 0.002, 100.0, [], co2_ppm)[1] for t in temps.tolist()]
        )

    ambient, enriched = weights(400.0), weights(1200.0)
    assert 20.0 <= temps[ambient.argmax()] <= 25.0
    assert ambient[temps == 25.0] > 0.97 * ambient.max()
    assert 20.0 <= temps[enriched.argmax()] <= 25.0
    assert enriched[temps == 27.5] / enriched.max() > ambient[temps == 27.5] / ambient.max()


@pytest.mark.parametrize(
    ("temp_c", "young", "closed"),
    [(12.0, 0.42, 1.15), (16.0, 0.69, 1.05), (20.0, 0.93, 1.01), (24.0, 1.03, 0.99)],
)
def test_the_response_fades_as_the_canopy_closes(temp_c, young, closed):
    # Growth of three weeks from 2 mg, and of a week from 6 g at 25 m-2, against the model as published. Under a closed
    # canopy light decides; in the cold, reserves that are not built in respire less and weigh somewhat more.
    def gain(start_g, days):
        with_, without = (
            grown(temp_c, temp_c, 60.0, 14, days, start_g, 25.0, [], open_=o)[1] - start_g
            for o in (OPEN, None)
        )
        return with_ / without

    assert gain(0.002, 21) == pytest.approx(young, abs=0.02)
    assert gain(6.0, 7) == pytest.approx(closed, abs=0.02)
