"""The transmission of a house: found from inside and outside light, and from clear hours, with an honest spread."""

from pathlib import Path

import numpy as np
import pvlib
import pytest

from service.agronomy import light
from service.agronomy.climate import Course, Setting, Site
from service.agronomy.outlook import Measured
from service.agronomy.transmission import STATED_SPREAD, learn

SITE = Site(
    latitude_deg=36.1,
    longitude_deg=-79.95,
    transmission=0.7,
    temp_heat_day_c=18.0,
    temp_heat_night_c=16.0,
    temp_vent_c=24.0,
)
ELEVATION = 273.0
STEADY = Course.steady(SITE)


def greensboro(days=120, first=30):
    """Global radiation of the TMY3 year of Greensboro (pvlib/data/723170TYA.CSV), as hours of 2026."""
    frame, _ = pvlib.iotools.read_tmy3(
        Path(pvlib.__file__).parent / "data" / "723170TYA.CSV", map_variables=True
    )
    start = int(np.datetime64("2026-01-01", "h").astype(int)) + 5 + 24 * first
    mol = light.light_mol_from_global_mj(frame["ghi"].to_numpy()[24 * first :][: 24 * days] * 0.0036)
    return start + np.arange(24 * days, dtype=np.int64), np.asarray(mol)


def measured(hour, mol, lamp=0.0):
    return Measured(hour, np.full(hour.size, 20.0), mol + lamp, np.full(hour.size, lamp))


def test_an_outdoor_sensor_gives_inside_over_outside() -> None:
    hour, mol = greensboro()
    found = learn(SITE, ELEVATION, measured(hour, 0.55 * mol), STEADY, measured(hour, mol))
    assert (found.how, found.days) == ("outdoor_sensor", 120)
    assert found.learned == pytest.approx(0.55, rel=1e-9)
    assert found.value == pytest.approx(0.55, rel=0.02)
    assert found.spread < 0.04


def test_a_few_wrong_days_change_little() -> None:
    hour, mol = greensboro()
    inside = 0.55 * mol
    inside[: 24 * 10] *= 5.0
    found = learn(SITE, ELEVATION, measured(hour, inside), STEADY, measured(hour, mol))
    assert found.learned == pytest.approx(0.55, rel=0.01)


def test_clear_hours_stand_in_for_an_outdoor_sensor() -> None:
    for first in (0, 90, 180, 240):
        hour, mol = greensboro(first=first)
        found = learn(SITE, ELEVATION, measured(hour, 0.55 * mol), STEADY)
        assert found.how == "clear_sky"
        assert found.learned == pytest.approx(0.55, rel=0.06)
        assert abs(np.log(found.value / 0.55)) < 2 * found.spread


def test_lamps_and_shade_paint_are_left_out() -> None:
    hour, mol = greensboro()
    painted = Course(
        np.array([-np.inf, hour[1440]]),
        Setting(*(np.array(c) for c in ([1.0, 0.6], [18.0] * 2, [16.0] * 2, [24.0] * 2))),
    )
    inside = 0.55 * mol * np.where(np.arange(hour.size) < 1440, 1.0, 0.6)
    for outside in (measured(hour, mol), None):
        found = learn(SITE, ELEVATION, measured(hour, inside, lamp=0.4), painted, outside)
        assert found.learned == pytest.approx(0.55, rel=0.06)


def test_with_little_to_go_by_it_stays_as_stated() -> None:
    hour, mol = greensboro(days=4)
    for record in (Measured.none(), measured(hour, 0.55 * mol), measured(hour, np.full(hour.size, np.nan))):
        found = learn(SITE, ELEVATION, record, STEADY, measured(hour, mol))
        assert (found.how, found.value, found.spread) == ("stated", 0.7, STATED_SPREAD)
        assert found.learned is None


def test_more_days_leave_less_to_doubt() -> None:
    generator = np.random.default_rng(1)
    hour, mol = greensboro()
    noisy = 0.55 * mol * np.repeat(generator.lognormal(0.0, 0.2, hour.size // 24), 24)
    spreads = [
        learn(SITE, ELEVATION, measured(hour[:n], noisy[:n]), STEADY, measured(hour, mol)).spread
        for n in (24 * 6, 24 * 30, 24 * 120)
    ]
    assert spreads == sorted(spreads, reverse=True)
    assert spreads[0] > 1.3 * spreads[-1]
