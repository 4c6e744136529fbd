"""The outlook's ranges on real weather: about 80 % of what came lies between its 10 and 90 % points."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from service.agronomy import light
from service.agronomy.climate import Course, inside_temp_c
from service.agronomy.outlook import Measured, Site, outlook
from tests.simulated.weather import Weather, greensboro, wageningen

SPANS_DAYS = (1, 5, 30, 90)
MEMBERS = 100
SITE = Site(
    latitude_deg=51.97,
    longitude_deg=5.67,
    transmission=0.6,
    temp_heat_day_c=16.0,
    temp_heat_night_c=14.0,
    temp_vent_c=22.0,
)


def inside(weather: Weather, site: Site) -> Measured:
    mol = light.light_mol_from_global_mj(weather.global_mj) * site.transmission
    setting = Course.steady(site).at(weather.hour)
    temp = inside_temp_c(setting, weather.temp_c, weather.global_mj, weather.global_mj > 0.0)
    return Measured(weather.hour, temp, mol, np.zeros(weather.hour.size))


@cache
def wageningen_inside() -> Measured:
    return inside(wageningen(), SITE)


def ranks(
    measured: Measured, site: Site, history_days: int, first_day: int, every_days: int
) -> dict[int, np.ndarray]:
    """Share of members below what came, of light summed over spans of days, looked at every so many days."""
    found: dict[int, list[float]] = {span: [] for span in SPANS_DAYS}
    longest = max(SPANS_DAYS)
    for day in range(first_day, measured.hour.size // 24 - longest, every_days):
        now, begin = 24 * day, 24 * max(0, day - history_days)
        known = Measured(*(column[begin:now] for column in measured))
        out = outlook(site, known, int(measured.hour[now]), np.zeros(24 * longest), MEMBERS, 7)
        came = np.cumsum(measured.light_mol[now : now + 24 * longest])
        sums = np.cumsum(out.light_mol, axis=1)
        for span in SPANS_DAYS:
            found[span].append(float((sums[:, 24 * span - 1] < came[24 * span - 1]).mean()))
    return {span: np.array(values) for span, values in found.items()}


def inside_range(found: np.ndarray) -> float:
    return float(((found >= 0.1) & (found <= 0.9)).mean())


# Seen with a look every 30 days (n = 253) and 200 members, in %, of 1, 5, 30 and 90 days: without history 74, 79, 84,
# 92; after 75 days 73, 80, 78, 79; after one year 74, 79, 81, 85; two 76, 80, 79, 85; three 76, 80, 78, 86. The light
# of single days is spread a little too little; the climate assumed for 52° is brighter than Wageningen.
@pytest.mark.slow
@pytest.mark.parametrize("history_days", [0, 75, 365, 730, 1095])
def test_ranges_hold_at_wageningen(history_days: int) -> None:
    found = ranks(wageningen_inside(), SITE, history_days, first_day=3 * 365 + 7, every_days=45)
    covered = {span: inside_range(values) for span, values in found.items()}
    for span, share in covered.items():
        assert 0.70 <= share <= 0.95, covered
        assert found[span].size > 160
    assert 0.73 <= covered[30] <= 0.88
    # Neither end is missed much more often than the other, once the house knows its light.
    if history_days:
        assert abs((found[30] > 0.9).mean() - (found[30] < 0.1).mean()) < 0.10


@pytest.mark.slow
def test_ranges_hold_at_greensboro() -> None:
    site = Site(
        latitude_deg=36.1,
        longitude_deg=-79.95,
        transmission=0.6,
        temp_heat_day_c=18.0,
        temp_heat_night_c=16.0,
        temp_vent_c=24.0,
    )
    measured = inside(greensboro(1990, 1997, np.random.default_rng(4)), site)
    found = ranks(measured, site, 730, first_day=737, every_days=9)
    assert found[30].size > 200
    assert 0.72 <= inside_range(found[1]) <= 0.88
    # Months put together from one typical year hardly differ, so ranges meant for real ones are wide (seen: 93 %).
    assert inside_range(found[30]) >= 0.78
