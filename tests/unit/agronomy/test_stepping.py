"""The fast stepping of many lanes against the same method written plainly for one."""

import math
from typing import NamedTuple

import numpy as np
import pytest

from service.agronomy import growth, stepping

P = growth.PUBLISHED
SHOOT = 1.0 - P.root_fraction


class Case(NamedTuple):
    nursery: growth.HourlyDrivers
    channels: growth.HourlyDrivers
    row: np.ndarray
    start_h: np.ndarray
    move_h: np.ndarray
    start_g: np.ndarray
    plants_m2: tuple
    multiplier: np.ndarray
    target_g: np.ndarray
    look_h: float


def case(seed, lanes=60, rows=4, days=60, par=60.0, warmer=0.0):
    """Draw lanes that emerge and move at odd and even moments, some never, some moved before they emerge."""
    draw = np.random.default_rng(seed)
    hours = 24 * days
    clock = np.arange(hours) % 24
    sun = np.where((clock >= 7) & (clock <= 17), np.sin((clock - 6.5) / 11.0 * np.pi), 0.0)
    light = par * sun * draw.uniform(0.2, 1.2, (rows, hours))
    temp = 18.0 + warmer + 4.0 * sun + draw.normal(0.0, 1.0, (rows, hours))
    start = draw.uniform(-30.0, 0.7 * hours, lanes)
    move = start + draw.uniform(-100.0, 500.0, lanes)
    start[:6], move[6:12] = np.floor(start[:6]), np.floor(move[6:12])
    start[12], start[13], move[14:17] = np.inf, hours + 5.0, np.inf
    move[17:20], move[20:23] = start[17:20], start[20:23] + 0.3
    return Case(
        growth.hourly_drivers(light, temp, 400.0),
        growth.hourly_drivers(0.9 * light, temp - 3.0, 400.0),
        draw.integers(0, rows, lanes),
        start,
        move,
        draw.uniform(0.0005, 0.05, lanes),
        (draw.uniform(300.0, 700.0, lanes), draw.uniform(15.0, 40.0, lanes)),
        draw.lognormal(0.0, 0.15, lanes),
        np.sort(draw.uniform(0.0004, 3.0, (3, lanes)), axis=0),
        float(draw.choice([0.0, 500.5, hours])),
    )


def plainly(of, lane):
    """Step one lane with plain numbers; return when targets were reached, the weight looked at and at the end."""
    drivers = [
        [column[:, of.row[lane]].tolist() for column in (zone.assimilation, zone.growth, zone.maintenance)]
        for zone in (of.nursery, of.channels)
    ]
    start, move, factor = of.start_h[lane], of.move_h[lane], of.multiplier[lane]
    areas = [1.0 / of.plants_m2[0][lane], 1.0 / of.plants_m2[1][lane]]
    xs, xn = 0.75 * of.start_g[lane], 0.25 * of.start_g[lane]
    hours = len(drivers[0][0])
    weight = xn + SHOOT * xs
    reached = [0.0 if weight >= target else math.inf for target in of.target_g[:, lane]]
    looked = None
    before = None
    for hour in range(hours):
        if hour <= of.look_h < hour + 1:
            looked = weight
        alive = min(max(hour + 1.0 - start, 0.0), 1.0)
        moved = min(max(hour + 1.0 - move, 0.0), 1.0)
        closed, rate, maintenance = (
            n[hour] + (c[hour] - n[hour]) * moved for n, c in zip(*drivers, strict=True)
        )
        area = areas[0] + (areas[1] - areas[0]) * moved
        terms = (
            -math.expm1(-P.canopy_constant * xs / area),
            xn * xs / (P.reserve_constant * xs + xn),
            xs,
        )
        has_past = before is not None and alive == 1.0 and not move - 1.0 < hour < move + 1.0
        cover, reserve, middle = (
            now + 0.5 * (now - was) if has_past else now
            for now, was in zip(terms, before or terms, strict=True)
        )
        before = terms
        gain = alive * factor * area * closed * cover
        upkeep = alive * maintenance * middle
        paid = min(upkeep, xn + gain)
        built = min(max(alive * rate * reserve, 0.0), (xn + gain - paid) * P.yield_factor)
        xn, xs = max(xn + gain - paid - built / P.yield_factor, 0.0), xs + built
        was, weight = weight, xn + SHOOT * xs
        for number, target in enumerate(of.target_g[:, lane]):
            if weight >= target and math.isinf(reached[number]):
                reached[number] = hour + min(max((target - was) / (weight - was), 0.0), 1.0)
    return reached, weight if looked is None else looked, weight


@pytest.mark.parametrize(
    ("seed", "par", "warmer"), [(1, 60.0, 0.0), (2, 60.0, 5.0), (3, 4.0, 8.0), (4, 30.0, -14.0)]
)
def test_as_one_lane_stepped_plainly(seed, par, warmer):
    # Bright, warm, starving, and so cold that nothing is assimilated at times.
    of = case(seed, par=par, warmer=warmer)
    run, balance = growth.grow(*of, stop_early=False)
    end = balance.nonstructural + SHOOT * balance.structural
    for lane in range(of.row.size):
        reached, looked, weight = plainly(of, lane)
        assert run.reached[:, lane] == pytest.approx(reached, rel=1e-9, abs=1e-6)
        assert run.at_look[lane] == pytest.approx(looked, rel=1e-9)
        assert end[lane] == pytest.approx(weight, rel=1e-9)


def test_stopping_early_changes_no_date():
    of = case(7)
    whole, _ = growth.grow(*of, stop_early=False)
    part, _ = growth.grow(*of)
    np.testing.assert_array_equal(part.reached, whole.reached)
    np.testing.assert_array_equal(part.at_look, whole.at_look)


@pytest.mark.parametrize(
    ("seed", "par", "warmer"), [(1, 60.0, 0.0), (2, 60.0, 5.0), (3, 4.0, 8.0), (4, 30.0, -14.0)]
)
def test_single_precision_moves_a_date_by_seconds(seed, par, warmer):
    of = case(seed, lanes=400, days=150, par=par, warmer=warmer)
    exact, _ = growth.grow(*of)
    single, _ = growth.grow(*of, account=False)
    assert np.isfinite(exact.reached).any()
    assert single.at_look == pytest.approx(exact.at_look, rel=2e-5)
    both = np.isfinite(exact.reached) & np.isfinite(single.reached)
    assert (both == np.isfinite(exact.reached)).mean() > 0.999  # some pass in the very last hour
    # Where plants hardly grow a date hangs on the last digit of a weight.
    apart = np.abs(exact.reached[both] - single.reached[both])
    assert np.quantile(apart, 0.99) < 5.0 / 3600.0
    assert apart.max() < 0.1


@pytest.mark.parametrize("chunk_lanes", [1, 7, 64])
def test_neither_does_the_size_of_chunks(monkeypatch, chunk_lanes):
    of = case(8)
    whole, _ = growth.grow(*of)
    monkeypatch.setattr(stepping, "CHUNK_LANES", chunk_lanes)
    parts, _ = growth.grow(*of)
    assert parts.reached == pytest.approx(whole.reached, rel=1e-12)
    assert parts.at_look == pytest.approx(whole.at_look, rel=1e-12)


def test_no_lanes_and_no_hours():
    of = case(9)
    nobody = np.zeros(0)
    none = of._replace(
        row=nobody.astype(np.intp),
        start_h=nobody,
        move_h=nobody,
        start_g=nobody,
        plants_m2=(nobody, nobody),
        multiplier=nobody,
        target_g=np.zeros((3, 0)),
    )
    assert growth.grow(*none)[0].reached.shape == (3, 0)
    at_once = of._replace(
        nursery=growth.HourlyDrivers(*(c[:0] for c in of.nursery)),
        channels=growth.HourlyDrivers(*(c[:0] for c in of.channels)),
    )
    assert growth.grow(*at_once)[0].at_look == pytest.approx(of.start_g * (0.25 + 0.75 * SHOOT))


@pytest.mark.parametrize("temp_c", [-40.0, 0.0, 45.0, 60.0])
@pytest.mark.parametrize("par", [0.0, 1000.0])
def test_absurd_weather_ends_bounded(temp_c, par):
    of = case(10)
    drivers = growth.hourly_drivers(
        np.full((4, 24 * 60), par), np.full((4, 24 * 60), temp_c), 400.0, open_canopy=(5.0, 28.0, 40.0)
    )
    run, balance = growth.grow(*of._replace(nursery=drivers, channels=drivers), stop_early=False)
    assert not np.isnan(run.reached).any()
    for column in (run.at_look, *balance):
        assert np.isfinite(column).all()
        assert (column >= 0.0).all()


@pytest.mark.parametrize(
    ("wrong", "says"),
    [({"co2": np.nan}, "carbon dioxide"), ({"temp": np.nan}, "temperature"), ({"par": np.inf}, "PAR")],
)
def test_missing_conditions_are_refused_by_name(wrong, says):
    given = {"par": 50.0, "temp": 20.0, "co2": 400.0} | wrong
    with pytest.raises(ValueError, match=says):
        growth.hourly_drivers(np.full((1, 5), given["par"]), np.full((1, 5), given["temp"]), given["co2"])


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("start_h", np.nan, "start"),
        ("move_h", np.nan, "move"),
        ("start_g", 0.0, "start dry matter"),
        ("multiplier", np.nan, "multiplier"),
        ("target_g", np.nan, "target"),
        ("row", 9, "row"),
    ],
)
def test_absurd_lanes_are_refused_by_name(name, value, says):
    of = case(11)
    column = getattr(of, name).copy()
    column[..., 3] = value
    with pytest.raises(ValueError, match=says):
        growth.grow(*of._replace(**{name: column}))
