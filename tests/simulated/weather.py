"""Real weather, hour by hour.

Wageningen, the Netherlands (52° N), 1976 to 1999, comes from the daily records that the ``pcse`` distribution
carries for its own tests, ``pcse/tests/test_data/NL1.976`` to ``NL1.999`` (station Haarweg: global radiation,
lowest and highest temperature of each day). A day's radiation is spread over its hours as the sun's geometry
spreads the radiation above the atmosphere; temperature follows a cosine between the day's extremes with its top
at 15 h solar time.

Greensboro, North Carolina (36° N), comes from the typical year that ``pvlib`` carries, ``pvlib/data/723170TYA.CSV``
(TMY3, hourly). One year repeated would make the past foretell the future exactly, so further years are put
together from runs of its days, each taken from within some weeks of the date it stands for and put on that date's
sun.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from service.agronomy.sun import extraterrestrial_hourly_mj

Array = NDArray[np.float64]

WARMEST_HOUR = 15.0  # solar time
_LONGEST_BRIDGE_DAYS = 4  # a longer gap is filled with the same days of another year
_W_PER_MJ_HOUR = 1e6 / 3600.0


@dataclass(frozen=True)
class Weather:
    """Conditions outdoors over whole UTC days."""

    latitude_deg: float
    longitude_deg: float
    hour: NDArray[np.int64]  # epoch hours
    global_mj: Array  # global radiation over the hour, MJ m-2
    temp_c: Array
    filled_days: int  # days that were not measured


def wageningen(first_year: int = 1976, last_year: int = 1999) -> Weather:
    """Return the hourly weather of Wageningen."""
    latitude, longitude = 51.97, 5.67
    first, end = _day(first_year), _day(last_year + 1)
    radiation, low, high = (np.full(end - first, np.nan) for _ in range(3))
    for year in range(first_year, last_year + 1):
        for line in _file("pcse", "tests", "test_data", f"NL1.{year % 1000}").read_text("ascii").splitlines():
            fields = line.split()
            # Lines of the station's own number are days; others are remarks, positions and source flags.
            if len(fields) != 9 or fields[0] != "1":
                continue
            day = _day(int(fields[1])) + int(fields[2]) - 1 - first
            values = [float(f) for f in fields[3:6]]
            if min(values) > -90.0 and values[0] > 0.0:
                radiation[day], low[day], high[day] = values[0] / 1000.0, values[1], values[2]
    filled = int(np.isnan(radiation).sum())
    hour = 24 * first + np.arange(24 * (end - first), dtype=np.int64)
    above = extraterrestrial_hourly_mj(latitude, longitude, hour).reshape(-1, 24)
    clearness = _fill(radiation / above.sum(axis=1))
    low, high = _fill(low), _fill(high)
    solar = (hour.reshape(-1, 24) + 0.5 + longitude / 15.0) % 24.0
    course = np.cos(2.0 * np.pi * (solar - WARMEST_HOUR) / 24.0)
    temp = 0.5 * (low + high)[:, None] + 0.5 * (high - low)[:, None] * course
    return Weather(latitude, longitude, hour, (above * clearness[:, None]).ravel(), temp.ravel(), filled)


def greensboro(first_year: int, last_year: int, rng: np.random.Generator) -> Weather:
    """Return years put together from the days of the typical year of Greensboro."""
    latitude, longitude, offset_h = 36.1, -79.95, 5
    with _file("pvlib", "data", "723170TYA.CSV").open(newline="", encoding="ascii") as lines:
        next(lines)
        rows = list(csv.DictReader(lines))
    # Stamped at the end of the local standard hour, so the first row is the hour from midnight.
    ghi = np.array([float(r["GHI (W/m^2)"]) for r in rows]).reshape(365, 24) / _W_PER_MJ_HOUR
    temp = np.array([float(r["Dry-bulb (C)"]) for r in rows]).reshape(365, 24)
    typical = 24 * _day(1990) + offset_h + np.arange(365 * 24, dtype=np.int64)
    above = extraterrestrial_hourly_mj(latitude, longitude, typical).reshape(365, 24).sum(axis=1)
    clearness = ghi.sum(axis=1) / above
    season = _season(temp.mean(axis=1))

    first, end = _day(first_year), _day(last_year + 1)
    date = np.arange(first, end).astype("datetime64[D]")
    place = np.minimum((date - date.astype("datetime64[Y]").astype("datetime64[D]")).astype(int), 364)
    source = np.empty(end - first, dtype=int)
    for start in range(0, end - first, 5):  # spells of five days stay together
        run = np.arange(start, min(start + 5, end - first))
        source[run] = (place[start] + rng.integers(-20, 21) + run - start) % 365
    hour = 24 * first + offset_h + np.arange(24 * (end - first), dtype=np.int64)
    potential = extraterrestrial_hourly_mj(latitude, longitude, hour).reshape(-1, 24)
    radiation = potential * clearness[source][:, None]
    moved = temp[source] + (season[place] - season[source])[:, None]
    return Weather(latitude, longitude, hour, radiation.ravel(), moved.ravel(), 0)


def _file(package: str, *parts: str) -> Path:
    # Found, not imported: importing pcse builds a database in the home directory.
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError(f"{package}, which carries the weather, is not installed")
    return Path(spec.submodule_search_locations[0]).joinpath(*parts)


def _day(year: int) -> int:
    return int(np.datetime64(f"{year:04d}-01-01", "D").astype(np.int64))


def _season(daily: Array) -> Array:
    """Return the yearly wave of a year of daily values: its mean and first two harmonics."""
    spectrum = np.fft.rfft(daily)
    spectrum[3:] = 0.0
    return np.fft.irfft(spectrum, daily.size)


def _fill(daily: Array) -> Array:
    """Bridge short gaps on a straight line; fill longer ones with the same dates of the nearest other year."""
    known = ~np.isnan(daily)
    day = np.arange(daily.size)
    filled = np.where(known, daily, np.interp(day, day[known], daily[known]))
    edges = np.flatnonzero(np.diff(np.concatenate([[True], known, [True]]).astype(int)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        if end - start > _LONGEST_BRIDGE_DAYS:
            filled[start:end] = next(
                daily[start + shift : end + shift]
                for shift in (-365, 365, -730, 730, -1095, 1095)
                if 0 <= start + shift <= end + shift <= daily.size
                and known[start + shift : end + shift].all()
            )
    return filled
