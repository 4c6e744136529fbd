"""How fast a house is forecast, against what the arithmetic alone must cost and against a general integrator.

The house stands at 50 °N without lamps on the first of October. Its batches are of all ages, seeded evenly over
the ninety days before; what happened to the older ones is known, as a forecast made then would leave it.

A lane is one batch in one member. There are two counts of lane-hours. The literal one, of ``laneHours`` and
``ratioToFloor``, is lanes times hours as for the floor, over the hours that are stepped: from the first emergence
until the last lane is harvested or the outlook ends. Lanes that have not emerged or are harvested count in it although
they cost nothing. ``livedLaneHours`` and ``ratioToFloorLived`` leave them out: what a lane costs in an hour of its
life. The floor is in double precision; growth is stepped in single, and ``ratioToFloorSingle`` is the literal count
against a floor in single precision. What is timed is the whole forecast: conditions into rates, emergence and leaves,
growth, dates.
Times are those of the processor, of the fastest of several runs.
"""

import math
import time
import tracemalloc
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from service.agronomy import forecast as science
from service.agronomy import growth, light
from service.agronomy.outlook import Measured, Outlook, Site, outlook
from service.agronomy.profile import CropProfile
from service.work.profiles import profile

Array = NDArray[np.float64]

NOW = int(np.datetime64("2025-10-01T00", "h").astype(np.int64))
PAST_DAYS = 90
CO2_PPM = 400.0
SAMPLE_LANES = 4
LINEAR_BATCHES = (10, 100, 1000)


class House(NamedTuple):
    """What a forecast is made from."""

    crop: CropProfile
    nursery: Outlook
    channels: Outlook
    batches: science.Batches
    factors: science.Multipliers

    def forecast(self) -> science.Dates:
        """Forecast all batches."""
        return science.forecast(
            self.crop, self.nursery, self.channels, CO2_PPM, self.batches, self.factors, float(NOW)
        )

    def lane_hours(self, dates: science.Dates) -> tuple[float, float]:
        """Count the lane-hours that are stepped over, and those that lanes live."""
        last = self.nursery.first_hour + self.nursery.hours
        begin, end = np.floor(dates.emergence), np.minimum(np.ceil(dates.harvest), last)
        lived = np.maximum(end - np.minimum(begin, last), 0.0).sum()
        return float(dates.harvest.size * (end.max() - begin.min())), float(lived)


def house(batches: int, members: int, days: int) -> House:
    """Set up the house."""
    crop = profile("butterhead")
    site = Site(
        latitude_deg=50.0,
        longitude_deg=5.0,
        transmission=0.6,
        temp_heat_day_c=18.0,
        temp_heat_night_c=14.0,
        temp_vent_c=24.0,
    )
    first, past = NOW - 24 * (PAST_DAYS + 1), 24 * (PAST_DAYS + 1)
    no_lamps = np.zeros(past + 24 * days)
    zones = []
    for warmer in (2.0, 0.0):  # the nursery is kept warmer than the channels
        seen = outlook(site, Measured.none(), first, no_lamps[:past], 1, key=7)
        hours = np.arange(first, NOW, dtype=np.int64)
        measured = Measured(hours, seen.temp_c[0] + warmer, seen.light_mol[0], no_lamps[:past])
        zones.append(outlook(site, measured, first, no_lamps, members, key=7))
    nursery, channels = zones
    factors = science.multipliers(members, crop.leaf_spread, crop.growth_spread)
    seeded = NOW - 24.0 * np.linspace(PAST_DAYS, 1.0, batches)
    unknown = np.full(batches, np.nan)
    of_each = np.ones(batches)
    known = science.Batches(
        seeded,
        unknown,
        unknown,
        unknown,
        unknown,
        crop.target_fresh_g * crop.dry_matter_fraction * of_each,
        650.0 * of_each,
        25.0 * of_each,
    )
    expected = House(crop, nursery, channels, known, factors).forecast()
    emerged, moved = np.median(expected.emergence, axis=1), np.median(expected.window_open, axis=1)
    return House(
        crop,
        nursery,
        channels,
        known._replace(
            emerged_h=np.where(emerged <= NOW, emerged, np.nan),
            transplanted_h=np.where(moved <= NOW, moved, np.nan),
        ),
        factors,
    )


def measure(batches: int, members: int, days: int, repeats: int) -> dict[str, Any]:
    """Measure, and return the figures under the names they are printed with."""
    at = house(batches, members, days)
    dates = at.forecast()
    lane_hours, lived = at.lane_hours(dates)
    seconds, floors = math.inf, [math.inf, math.inf]
    floor = [_floor(dates.harvest.size, kind) for kind in (np.float64, np.float32)]
    for _ in range(repeats):
        seconds = min(seconds, _seconds(at.forecast))
        floors = [min(least, _seconds(hour, times=200)) for least, hour in zip(floors, floor, strict=True)]
    floor_of_lane_hour, single = (least / dates.harvest.size for least in floors)
    integrated_hours, integrated_seconds, apart_h = _solve_ivp_rate(at, dates)
    return {
        "laneHoursPerSecond": round(lane_hours / seconds),
        "ratioToFloor": round(seconds / lane_hours / floor_of_lane_hour, 2),
        "ratioToSolveIvp": round(lived / seconds * integrated_seconds / integrated_hours),
        "peakMb": round(_peak_mb(at.forecast), 1),
        "peakMbBy": "tracemalloc",
        "lanes": dates.harvest.size,
        "laneHours": round(lane_hours),
        "livedLaneHours": round(lived),
        "ratioToFloorLived": round(seconds / lived / floor_of_lane_hour, 2),
        "seconds": round(seconds, 4),
        "floorNsALaneHour": round(1e9 * floor_of_lane_hour, 3),
        "ratioToFloorSingle": round(seconds / lane_hours / single, 2),
        "solveIvpHarvestApartHours": round(apart_h, 2),
        **_linearity(members, days),
    }


def _seconds(task: Callable[[], Any], times: int = 1) -> float:
    begun = time.process_time()
    for _ in range(times):
        task()
    return (time.process_time() - begun) / times


def _floor(lanes: int, kind: type[np.floating[Any]]) -> Callable[[], None]:
    """Return one hour of the least that growing takes: an exponential, a division, two multiply-adds a lane."""
    draw = np.random.default_rng(1)
    state, rate, other = (draw.uniform(0.1, 1.0, lanes).astype(kind) for _ in range(3))
    cover, share, change, result = (np.empty(lanes, dtype=kind) for _ in range(4))

    def hour() -> None:
        np.exp(state, out=cover)
        np.divide(state, other, out=share)
        np.multiply(cover, rate, out=change)
        np.add(change, state, out=result)
        np.multiply(share, rate, out=change)
        np.add(change, other, out=result)

    return hour


def _peak_mb(task: Callable[[], Any]) -> float:
    tracemalloc.start()
    try:
        task()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


def _linearity(members: int, days: int) -> dict[str, Any]:
    """Return what a batch costs in houses of several sizes."""
    each = []
    for batches in LINEAR_BATCHES:
        at = house(batches, members, days)
        at.forecast()
        each.append(min(_seconds(at.forecast) for _ in range(2)) / batches)
    return {
        "linearBatches": list(LINEAR_BATCHES),
        "linearMsABatch": [round(1e3 * cost, 3) for cost in each],
    }


def _solve_ivp_rate(at: House, dates: science.Dates) -> tuple[float, float, float]:
    """Integrate a sample of lanes one by one; return their hours, the seconds, and how far harvests are apart."""
    reached = np.argwhere(np.isfinite(dates.harvest))
    sample = reached[np.linspace(0, len(reached) - 1, SAMPLE_LANES).astype(int)]
    hours, seconds, apart = 0.0, 0.0, 0.0
    for batch, member in sample:
        lane = _Lane(at, dates, int(batch), int(member))
        begun = time.process_time()
        harvest = lane.integrate()
        seconds += time.process_time() - begun
        hours += dates.harvest[batch, member] - dates.emergence[batch, member]
        apart = max(apart, abs(harvest - float(dates.harvest[batch, member])))
    return hours, seconds, apart


class _Lane:
    """One lane for a general integrator: plain numbers, so that it is as fast as it gets there."""

    def __init__(self, at: House, dates: science.Dates, batch: int, member: int) -> None:
        crop, self.origin = at.crop, at.nursery.first_hour
        self.start = float(dates.emergence[batch, member]) - self.origin
        self.move = float(dates.transplant[batch, member]) - self.origin
        self.target = float(at.batches.target_dry_g[batch])
        self.multiplier = float(at.factors.growth[member]) * crop.growth_factor
        self.start_g = crop.start_dry_g
        self.areas = [1.0 / float(at.batches.nursery_m2[batch]), 1.0 / float(at.batches.channels_m2[batch])]
        self.drivers = []
        for zone in (at.nursery, at.channels):
            par = light.par_w_m2_from_ppfd(
                zone.light_mol[member : member + 1] * 1e6 / growth.SECONDS_PER_HOUR
            )
            columns = growth.hourly_drivers(
                par,
                zone.temp_c[member : member + 1],
                CO2_PPM,
                open_canopy=(crop.open_base_c, crop.open_optimum_c, crop.open_ceiling_c),
            )
            self.drivers.append(list(zip(*(column[:, 0].tolist() for column in columns), strict=True)))
        self.last = len(self.drivers[0]) - 1

    def rates(self, hour: float, state: Array) -> tuple[float, float]:
        """Return the rates of change of both states. [g a plant an hour]"""
        reserves, structure = max(float(state[0]), 0.0), float(state[1])
        zone = int(hour >= self.move)
        assimilation, rate, maintenance = self.drivers[zone][min(int(hour), self.last)]
        area, p = self.areas[zone], growth.PUBLISHED
        gain = self.multiplier * area * assimilation * -math.expm1(-p.canopy_constant * structure / area)
        built = rate * reserves * structure / (p.reserve_constant * structure + reserves)
        return gain - maintenance * structure - built / p.yield_factor, built

    def short_of_target(self, _hour: float, state: Array) -> float:
        """Return what the shoot has above the target. [g]"""
        return float(state[0] + (1.0 - growth.PUBLISHED.root_fraction) * state[1]) - self.target

    def integrate(self) -> float:
        """Return the epoch hour of harvest."""

        def event(hour: float, state: Array) -> float:
            return self.short_of_target(hour, state)

        event.terminal = True  # type: ignore[attr-defined]
        solved = solve_ivp(
            self.rates,
            (self.start, float(self.last)),
            [0.25 * self.start_g, 0.75 * self.start_g],
            method="RK23",
            rtol=1e-3,
            atol=1e-7,
            max_step=6.0,  # with longer ones it leaps over days and misses the harvest by weeks
            events=event,
        )
        return float(solved.t[-1]) + self.origin
