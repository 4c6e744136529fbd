"""The growth model against its published equations and against durations computed from them elsewhere."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from service.agronomy import growth

# E.J. van Henten (1994), Agricultural Systems 45:55-72, published parameters. The rates below were computed from
# the printed equations independently of this code.
VECTORS = [
    # xn, xs, temp, par, co2 | gamma, epsilon, g_car, f_phot_max, f_phot, r_gr, f_resp | dxn, dxs
    (
        (2.5, 7.5, 20, 100, 400),
        (40, 1.275e-5, 0.00396, 5.92399e-4, 2.07158e-4, 1.25e-6, 1.65649e-6),
        (1.27869e-4, 9.375e-6),
    ),
    (
        (10, 10, 25, 0, 400),
        (56.5685, 1.13777e-5, 0.00396, 0, 0, 3.16228e-6, 3.1235e-6),
        (-4.2652e-5, 3.16228e-5),
    ),
    (
        (20, 80, 20, 65, 1000),
        (40, 1.51111e-5, 0.00396, 7.36919e-4, 7.29437e-4, 1e-6, 1.76692e-5),
        (3.79674e-4, 8e-5),
    ),
    (
        (0.675, 2.025, 14, 20, 500),
        (26.3902, 1.45652e-5, 0.0030888, 2.37984e-4, 2.61042e-5, 9.4284e-7, 2.95076e-7),
        (1.51167e-5, 1.90925e-6),
    ),
]


@pytest.mark.parametrize(("state", "parts", "rates"), VECTORS)
def test_published_equations(state, parts, rates):
    xn, xs, temp, par, co2 = state
    gamma, epsilon, g_car, f_max, f_phot, r_gr, f_resp = parts
    assert growth.compensation_point_ppm(temp) == pytest.approx(gamma, rel=1e-5)
    assert growth.light_use_efficiency(temp, co2) == pytest.approx(epsilon, rel=1e-5)
    assert growth.carboxylation_conductance(temp) == pytest.approx(g_car, rel=1e-5)
    assert growth.photosynthesis_max(par, temp, co2) == pytest.approx(f_max, rel=1e-5, abs=1e-12)
    cover = growth.canopy_cover(xs)
    assert cover * growth.photosynthesis_max(par, temp, co2) == pytest.approx(f_phot, rel=1e-5, abs=1e-12)
    assert growth.growth_rate(xn, xs, temp) == pytest.approx(r_gr, rel=1e-5)
    assert growth.maintenance_rate(temp) * xs == pytest.approx(f_resp, rel=1e-5)
    assert growth.rates(xn, xs, temp, par, co2) == (
        pytest.approx(rates[0], rel=1e-5),
        pytest.approx(rates[1], rel=1e-5),
    )


def test_conductance_is_zero_at_5_and_40_degrees_and_largest_at_22_5():
    # Roots and vertex of eq. 10 with the published coefficients (the text's 17.5 °C is a misprint).
    temp = np.linspace(0, 45, 4501)
    conductance = growth.carboxylation_conductance(temp)
    assert conductance[temp <= 5.0].max() == pytest.approx(0.0, abs=1e-9)
    assert conductance[temp >= 40.0].max() == pytest.approx(0.0, abs=1e-9)
    assert temp[conductance.argmax()] == pytest.approx(22.5, abs=0.011)
    assert conductance.max() == pytest.approx(0.00404, abs=5e-6)


def constant_drivers(hours, dli_mol, temp_c, photoperiod_h, co2=400.0):
    lit = np.arange(hours) % 24 < photoperiod_h
    par = np.where(lit, dli_mol * 1e6 / 3600 / photoperiod_h / 4.57, 0.0)
    return growth.hourly_drivers(par[None, :], np.full((1, hours), float(temp_c)), co2)


def total_after(drivers, hours, start_g, plants_m2):
    cut = growth.HourlyDrivers(*(column[:hours] for column in drivers))
    one = np.ones(1)
    _, balance = growth.grow(
        cut,
        cut,
        np.zeros(1, dtype=np.intp),
        np.zeros(1),
        np.full(1, np.inf),
        start_g * one,
        (plants_m2 * one, plants_m2 * one),
        one,
        np.full((1, 1), 1e9),
        0.0,
    )
    return float(balance.nonstructural[0] + balance.structural[0])


@pytest.mark.parametrize(
    ("dli_mol", "days"),
    [(4, 54), (6, 36), (8, 29), (10, 25), (12, 22), (15, 20), (17, 18), (20, 17), (25, 15)],
)
def test_days_from_transplant_to_head_by_daily_light(dli_mol, days):
    # Days from 0.10 g to 6.5 g dry weight at 25 plants m-2, 20 °C, 400 ppm, computed from the published model by
    # another integration; it does not state the photoperiod, 14 h is taken. Tolerance a day and a half.
    drivers = constant_drivers(24 * 70, dli_mol, 20.0, 14)
    assert total_after(drivers, 24 * days - 36, 0.10, 25.0) < 6.5
    assert total_after(drivers, 24 * days + 36, 0.10, 25.0) > 6.5


def test_nasa_lettuce_of_28_days():
    # Wheeler et al., NASA lettuce trials ('Waldmann's Green', 24 plants m-2, 23 °C, 1000 ppm, 300 umol for 16 h,
    # ASHS abstract): 6.8 g shoot dry weight 28 days after planting. From 0.5 to 1 mg at emergence on day 3 the
    # model gives 5.5 to 8.0 g.
    drivers = constant_drivers(24 * 25, 300 * 16 * 3600 / 1e6, 23.0, 16, co2=1000.0)
    low, high = (total_after(drivers, 24 * 25, start, 24.0) for start in (0.0005, 0.001))
    assert 4.8 < low < 6.8 < high < 8.8


@pytest.mark.parametrize("dli_mol", [4.0, 12.0, 25.0])
@pytest.mark.parametrize("temp_c", [12.0, 20.0, 28.0])
def test_hourly_steps_against_an_adaptive_integrator(dli_mol, temp_c):
    # scipy's LSODA at tight tolerance, restarted at each change of light: weight within 0.3 %.
    days, start, density = 40, 0.02, 25.0
    lit_par = dli_mol * 1e6 / 3600 / 14 / 4.57
    state = [0.25 * start * density, 0.75 * start * density]
    for day in range(days):
        for length, par in ((14, lit_par), (10, 0.0)):
            solved = solve_ivp(
                lambda _t, x, par=par: [float(r) for r in growth.rates(x[0], x[1], temp_c, par, 400.0)],
                (0.0, length * 3600.0),
                state,
                method="LSODA",
                rtol=1e-9,
                atol=1e-12,
            )
            state = solved.y[:, -1].tolist()
        assert day < days
    drivers = constant_drivers(24 * days, dli_mol, temp_c, 14)
    assert total_after(drivers, 24 * days, start, density) == pytest.approx(sum(state) / density, rel=3e-3)
