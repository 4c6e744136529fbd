"""The outlook: possible futures of a zone's light and temperature, hour by hour.

A member of the outlook is put together from blocks of days. Each block is either a run of measured days of this
zone, chosen more often the nearer its day of year lies to the day it stands for, or a drawn climate of the
latitude; the more fitting days were measured, the more blocks come from them. A measured day lends two things:
how much of the sun that geometry allows reached the crop, which is put on the sun of the day it stands for, and
its course of temperature, moved by the difference of season between both days. Hours that were measured are the
same in all members.

Draws depend only on the house's key, the member and the calendar date of the block, so an outlook made tomorrow
meets the same luck as one made today, and a forecast moves only because something was measured.

The climate of a latitude is coarse and assumed (no source): it stands in until days were measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.agronomy import light, sun

Array = NDArray[np.float64]

BLOCK_DAYS = 5  # keeps spells of weather together
_SEASON_DAYS = 45.0  # standard deviation, in days of the year, of how far a measured day may stand in
_CLIMATE_WEIGHT_DAYS = 10.0  # measured days after which climate and measurements weigh the same
_FULL_DAY_HOURS = 20  # measured hours that make a day usable as a source


@dataclass(frozen=True, kw_only=True)
class Site:
    """Where a house stands and what it does with the climate."""

    latitude_deg: float
    longitude_deg: float
    transmission: float  # light inside over outside, 0..1
    temp_heat_day_c: float
    temp_heat_night_c: float
    temp_vent_c: float


class Measured(NamedTuple):
    """Measured hours of a zone, each array of shape (n,), in rising order of time."""

    hour: NDArray[np.int64]  # epoch hours
    temp_c: Array  # mean of the hour, nan where not measured
    light_mol: Array  # integral over the whole hour, mol m-2, nan where not measured
    lamp_mol: Array  # part of it that the lamp schedule gave

    @classmethod
    def none(cls) -> Measured:
        """Return an empty record."""
        empty = np.empty(0)
        return cls(np.empty(0, dtype=np.int64), empty, empty, empty)


@dataclass(frozen=True)
class Outlook:
    """Hourly conditions of a zone: measured as far as they go, then members."""

    first_hour: int  # epoch hour
    temp_c: Array  # (members, hours)
    light_mol: Array  # (members, hours), mol m-2 in each hour
    measured: NDArray[np.bool_]  # (hours,): both were measured

    @property
    def hours(self) -> int:
        """How many hours it spans."""
        return int(self.temp_c.shape[1])


def clearness_mean(latitude_deg: float) -> float:
    """Mean share of extraterrestrial radiation that reaches the ground. Assumed: 0.44 at 52°, 0.5 at 36°."""
    return 0.62 - 0.0035 * abs(latitude_deg)


def outdoor_temp_c(latitude_deg: float, day_of_year: ArrayLike) -> Array:
    """Daily mean outdoor temperature by latitude and season. Assumed; coldest 25 days after the solstice. [°C]"""
    doy = np.asarray(day_of_year, dtype=np.float64)
    coldest = 15.0 if latitude_deg >= 0 else 197.5
    mean, swing = 28.0 - 0.36 * abs(latitude_deg), 0.2 * abs(latitude_deg)
    return np.asarray(mean - swing * np.cos(2.0 * np.pi * (doy - coldest) / 365.25))


def outlook(
    site: Site,
    measured: Measured,
    first_hour: int,
    lamp_mol: Array,
    members: int,
    key: int,
) -> Outlook:
    """Return members of hourly conditions from ``first_hour`` on.

    Parameters
    ----------
    site : Site
        The house.
    measured : Measured
        What was measured in the zone, any span; later hours than known at the moment of the forecast must not be
        in it.
    first_hour : int
        First epoch hour wanted.
    lamp_mol : ndarray, shape (hours,)
        What the lamp schedule gives in each wanted hour. [mol m⁻²]
    members : int
        How many futures.
    key : int
        Names the house: zones of one house share their weather.

    Returns
    -------
    Outlook
        Shape (members, hours).
    """
    hours = lamp_mol.shape[0]
    shift = round(site.longitude_deg / 15.0)  # days run from one local solar midnight to the next
    first_day = (first_hour + shift) // 24
    days = (first_hour + hours - 1 + shift) // 24 - first_day + 1
    start = first_day * 24 - shift
    grid = np.arange(start, start + days * 24, dtype=np.int64)
    day_of_year = sun.day_of_year(grid.reshape(days, 24)[:, 12])

    temp_known, light_known = _on_grid(measured, start, days * 24)
    unknown = np.isnan(temp_known) | np.isnan(light_known)
    wanted = np.flatnonzero(unknown.reshape(days, 24).any(axis=1))

    potential = _potential_mol(site, grid).reshape(days, 24)
    temp = np.empty((members, days, 24))
    ratio = np.zeros((members, days))
    source = _source_days(site, measured, shift)
    level = _level(site, source)
    normal = _normal_temp_c(site, day_of_year, potential)
    blocks = (first_day + wanted) // BLOCK_DAYS
    for block in np.unique(blocks):
        rows = wanted[blocks == block]
        place = first_day + rows - block * BLOCK_DAYS  # position of each day within its block
        draw = np.random.default_rng([key, int(block)])
        _fill_from_climate(site, draw, day_of_year[rows], potential[rows], level, ratio, temp, rows)
        choice = draw.random((2, members))
        if source is not None and len(source.day_of_year) > BLOCK_DAYS:
            _fill_from_measured(source, choice, place, int(day_of_year[rows[0]]), normal, ratio, temp, rows)
    lamps = np.zeros(days * 24)
    lamps[first_hour - start : first_hour - start + hours] = lamp_mol
    light_all = (potential * ratio[:, :, None]).reshape(members, -1) + lamps
    temp_all = temp.reshape(members, -1)
    light_all = np.where(np.isnan(light_known), light_all, light_known)
    temp_all = np.where(np.isnan(temp_known), temp_all, temp_known)
    cut = slice(first_hour - start, first_hour - start + hours)
    return Outlook(
        first_hour,
        np.ascontiguousarray(temp_all[:, cut]),
        np.ascontiguousarray(light_all[:, cut]),
        ~unknown[cut],
    )


class _Source(NamedTuple):
    """Measured days that can stand for others."""

    day_of_year: NDArray[np.int64]
    ratio: Array  # (n,), light over what geometry allows
    temp_c: Array  # (n, 24)
    normal_c: Array  # (n, 24), normal course of the season


def _on_grid(measured: Measured, start: int, hours: int) -> tuple[Array, Array]:
    temp, mol = np.full(hours, np.nan), np.full(hours, np.nan)
    position = measured.hour - start
    inside = (position >= 0) & (position < hours)
    temp[position[inside]] = measured.temp_c[inside]
    mol[position[inside]] = measured.light_mol[inside]
    return temp, mol


def _potential_mol(site: Site, epoch_hour: NDArray[np.int64]) -> Array:
    """Light inside under a sky without air. [mol m⁻² h⁻¹]"""
    radiation = sun.extraterrestrial_hourly_mj(site.latitude_deg, site.longitude_deg, epoch_hour)
    return np.asarray(light.light_mol_from_global_mj(radiation) * site.transmission)


def _source_days(site: Site, measured: Measured, shift: int) -> _Source | None:
    if not measured.hour.size:
        return None
    first_day = int(measured.hour[0] + shift) // 24
    days = int(measured.hour[-1] + shift) // 24 - first_day + 1
    start = first_day * 24 - shift
    temp, mol = (a.reshape(days, 24) for a in _on_grid(measured, start, days * 24))
    lamp = np.zeros(days * 24)
    lamp[measured.hour - start] = measured.lamp_mol
    grid = np.arange(start, start + days * 24, dtype=np.int64)
    potential = _potential_mol(site, grid).reshape(days, 24)
    seen = ~np.isnan(mol)
    allowed = np.where(seen, potential, 0.0).sum(axis=1)
    usable = (
        (seen.sum(axis=1) >= _FULL_DAY_HOURS)
        & ((~np.isnan(temp)).sum(axis=1) >= _FULL_DAY_HOURS)
        & (allowed > 0.5 * potential.sum(axis=1))
        & (allowed > 0.0)
    )
    if not usable.any():
        return None
    mol, temp, allowed, seen = mol[usable], temp[usable], allowed[usable], seen[usable]
    sunlight = np.where(seen, np.maximum(mol - lamp.reshape(days, 24)[usable], 0.0), 0.0).sum(axis=1)
    temp = np.where(np.isnan(temp), np.nanmean(temp, axis=1, keepdims=True), temp)
    day_of_year = np.asarray(sun.day_of_year(grid.reshape(days, 24)[usable, 12]), dtype=np.int64)
    return _Source(
        day_of_year,
        np.clip(sunlight / allowed, 0.01, 1.2),
        temp,
        _normal_temp_c(site, day_of_year, potential[usable]),
    )


def _level(site: Site, source: _Source | None) -> float:
    """How much more or less light than the climate says was measured, drawn to 1 while little was."""
    if source is None:
        return 1.0
    expected = clearness_mean(site.latitude_deg)
    weight = _CLIMATE_WEIGHT_DAYS
    return float((source.ratio.sum() + weight * expected) / (source.ratio.size + weight) / expected)


def _inside_temp_c(site: Site, outdoor: Array, sunlight_mj: Array, is_day: NDArray[np.bool_]) -> Array:
    """Temperature in a heated and ventilated house. Assumed: the sun adds 3 °C for each MJ m⁻² h⁻¹ outdoors."""
    floor = np.where(is_day, site.temp_heat_day_c, site.temp_heat_night_c)
    heated = np.maximum(outdoor + 3.0 * sunlight_mj, floor)
    return np.where(heated > site.temp_vent_c, np.maximum(site.temp_vent_c, outdoor + 2.0), heated)


def _course(day_mean: Array) -> Array:
    """Outdoor course of a day, warmest at 15 h solar time. [°C]"""
    return np.asarray(day_mean[..., None] + 4.0 * np.cos(2.0 * np.pi * (np.arange(24) + 0.5 - 15.0) / 24.0))


def _radiation_mj(site: Site, potential: Array) -> Array:
    return np.asarray(potential / float(light.light_mol_from_global_mj(1.0)) / site.transmission)


def _normal_temp_c(site: Site, day_of_year: ArrayLike, potential: Array) -> Array:
    """Inside course of a normal day of the season, shape (days, 24). [°C]"""
    outdoor = _course(outdoor_temp_c(site.latitude_deg, day_of_year))
    sunlight = _radiation_mj(site, potential) * clearness_mean(site.latitude_deg)
    return _inside_temp_c(site, outdoor, sunlight, potential > 0.0)


def _fill_from_climate(
    site: Site,
    draw: np.random.Generator,
    day_of_year: Array,
    potential: Array,
    level: float,
    ratio: Array,
    temp: Array,
    rows: NDArray[np.intp],
) -> None:
    members = ratio.shape[0]
    noise = draw.standard_normal((2, members, BLOCK_DAYS))
    for day in range(1, BLOCK_DAYS):  # spells: day-to-day correlation 0.35 of light, 0.7 of temperature
        for kind, memory in enumerate((0.35, 0.7)):
            noise[kind, :, day] = (
                memory * noise[kind, :, day - 1] + np.sqrt(1 - memory**2) * noise[kind, :, day]
            )
    n = rows.size
    clearness = np.clip(clearness_mean(site.latitude_deg) + 0.16 * noise[0, :, :n], 0.08, 0.75)
    outdoor = _course(outdoor_temp_c(site.latitude_deg, day_of_year) + 3.0 * noise[1, :, :n])
    sunlight = _radiation_mj(site, potential) * clearness[:, :, None]
    ratio[:, rows] = level * clearness
    temp[:, rows] = _inside_temp_c(site, outdoor, sunlight, np.broadcast_to(potential > 0.0, sunlight.shape))


def _fill_from_measured(
    source: _Source,
    choice: Array,
    place: NDArray[np.int64],
    day_of_year: int,
    normal: Array,
    ratio: Array,
    temp: Array,
    rows: NDArray[np.intp],
) -> None:
    starts = source.day_of_year[: source.day_of_year.size - BLOCK_DAYS + 1]
    apart = np.abs((starts - day_of_year + 182.5) % 365.0 - 182.5)
    weight = np.cumsum(np.exp(-0.5 * (apart / _SEASON_DAYS) ** 2))
    taken = np.flatnonzero(choice[0] < weight[-1] / (weight[-1] + _CLIMATE_WEIGHT_DAYS))
    if not taken.size:
        return
    first = np.minimum(np.searchsorted(weight, choice[1, taken] * weight[-1]), starts.size - 1)
    days = first[:, None] + place[None, :]
    where = np.ix_(taken, rows)
    ratio[where] = source.ratio[days]
    moved = source.temp_c[days] + normal[rows][None, :, :] - source.normal_c[days]
    # Heating stops the fall: the season cannot take a course below the coldest hour that was measured.
    temp[where] = np.maximum(moved, source.temp_c.min())
