"""The outlook: possible futures of a zone's light and temperature, hour by hour.

A member of the outlook is put together day by day. How a day ranks among the days of its season, in light and then in
temperature, is the member's luck of that date (:mod:`service.agronomy.luck`), moved by what the last measured days
were like: a dull or cold spell goes on for a while. The day of that rank is looked up either among the measured
days of this zone, weighted by how near their day of year lies, or in an assumed climate of the latitude; the
more fitting days were measured, the more blocks of days come from them. A measured day lends two things: how much of
the sun that geometry allows reached the crop, which is put on the sun of the day it stands for, and its course of
temperature; both are moved by the difference of season, and of what the house is set to, between both days.

One or two past years say little of what a month is like on average. That this mean is itself uncertain enters as a
level that each member keeps. Hours that were measured are the same in all members.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from service.agronomy import light, luck, sun
from service.agronomy.climate import (
    CLEARNESS_LEVEL_SPREAD,
    CLEARNESS_SPREAD,
    OUTDOOR_LEVEL_SPREAD_C,
    OUTDOOR_SPREAD_C,
    Course,
    Setting,
    Site,
    clearness_mean,
    extraterrestrial_mol,
    inside_temp_c,
    outdoor_course_c,
    outdoor_temp_c,
)

__all__ = [
    "Course",
    "Measured",
    "Outlook",
    "Pushed",
    "Setting",
    "Site",
    "clearness_mean",
    "outdoor_temp_c",
    "outlook",
]

Array = NDArray[np.float64]
Days = NDArray[np.intp]

FORECAST_DAYS = 10.0
"""Days after its issue from which on a weather forecast is not followed."""

_SEASON_DAYS = 25.0  # standard deviation, in days of the year, of how far a measured day may stand in
_NEAREST_SEASON = 0.15  # weight below which it does not stand in
_CLIMATE_WEIGHT_DAYS = 10.0  # measured days after which climate and measurements weigh the same
_ALIKE_DAYS = 12  # at most so many days count as equally bright when one is chosen by its temperature
# Days that tell as much of a mean as one independent one, of light and of temperature: 1 + 2 sum of C(l).
_INDEPENDENT_DAYS = (luck.LIGHT.days(), luck.TEMPERATURE.days())
_RECALL_DAYS = 45  # measured days before a day to come that bear on it
_FULL_DAY_HOURS = 20  # measured hours that make a day usable as a source
_PART_OF_DAY = 0.3  # share of a day's sun after which its light so far says something of the day
_PART_DOUBT = 0.3
_ALIKE_BRIGHTNESS = 0.2
_WARMTH_DOUBT = 0.1  # variance of the error of a day's rank in warmth
_MOST_CLEARNESS = 0.82
_LIGHT_SKILL = (
    0.95,
    7.0,
)  # correlation of a forecast with what comes, at once; days after which it is 1/e of that
_TEMP_SKILL = (0.85, 9.0)  # of temperature, through a coarse model of the house


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


class Pushed(NamedTuple):
    """A weather forecast from elsewhere, each array of shape (n,), hours in rising order."""

    hour: NDArray[np.int64]  # epoch hours
    issued_h: Array  # when it was issued, epoch hours
    global_w_m2: Array  # mean global radiation outdoors over the hour, nan where not said
    temp_out_c: Array  # nan where not said

    @classmethod
    def none(cls) -> Pushed:
        """Return an empty forecast."""
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


def outlook(
    site: Site,
    measured: Measured,
    first_hour: int,
    lamp_mol: Array,
    members: int,
    key: int,
    course: Course | None = None,
    pushed: Pushed | None = None,
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
    course : Course, optional
        Shade paint and set points over time; none: those of the site, always.
    pushed : Pushed, optional
        A weather forecast.

    Returns
    -------
    Outlook
        Shape (members, hours).
    """
    hours = lamp_mol.shape[0]
    shift = round(site.longitude_deg / 15.0)  # days run from one local solar midnight to the next
    first_day = (first_hour + shift) // 24
    days = (first_hour + hours - 1 + shift) // 24 - first_day + 1
    course = course or Course.steady(site)
    there = _place(site, course, first_day, days, shift)
    start = first_day * 24 - shift

    temp_known, light_known = _on_grid(measured, start, days * 24)
    unknown = np.isnan(temp_known) | np.isnan(light_known)
    wanted = np.flatnonzero(unknown.reshape(days, 24).any(axis=1))

    record = _record(site, course, measured, shift)
    ratio, temp = np.zeros((members, days)), np.empty((members, days, 24))
    if wanted.size:
        _fill(site, there, record, members, key, wanted, ratio, temp)
        if pushed is not None and pushed.hour.size:
            _follow(there, pushed, ratio, temp, wanted)
    lamps = np.zeros(days * 24)
    lamps[first_hour - start : first_hour - start + hours] = lamp_mol
    light_all = (there.potential * ratio[:, :, None]).reshape(members, -1) + lamps
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


# --------------------------------------------------------------------------- days


class _Place(NamedTuple):
    """Days on the sun's and the house's own terms."""

    day: NDArray[np.int64]  # (n,), days since 1970-01-01
    hour: NDArray[np.int64]  # (n, 24), epoch hours
    day_of_year: NDArray[np.int64]  # (n,)
    potential: Array  # (n, 24), light inside under a sky without air, mol m-2 h-1
    global_mj: Array  # (n, 24), the same outdoors, MJ m-2 h-1
    setting: Setting  # (n, 24) each
    clearness: Array  # (n,), mean of the season
    outdoor_c: Array  # (n,), mean of the season
    normal_c: Array  # (n, 24), inside course of a normal day of the season


def _place(site: Site, course: Course, first_day: int, days: int, shift: int) -> _Place:
    day = np.arange(first_day, first_day + days, dtype=np.int64)
    hour = day[:, None] * 24 - shift + np.arange(24, dtype=np.int64)
    day_of_year = sun.day_of_year(hour[:, 12])
    setting = Setting(*(c.reshape(days, 24) for c in course.at(hour.ravel())))
    above = extraterrestrial_mol(site, hour.ravel()).reshape(days, 24)
    global_mj = above / float(light.light_mol_from_global_mj(1.0))
    clearness = clearness_mean(site.latitude_deg, day_of_year)
    outdoor = outdoor_temp_c(site.latitude_deg, day_of_year)
    normal = inside_temp_c(
        setting, outdoor_course_c(outdoor), global_mj * clearness[:, None], global_mj > 0.0
    )
    potential = above * site.transmission * setting.shade
    return _Place(day, hour, day_of_year, potential, global_mj, setting, clearness, outdoor, normal)


def _on_grid(measured: Measured, start: int, hours: int) -> tuple[Array, Array]:
    temp, mol = np.full(hours, np.nan), np.full(hours, np.nan)
    position = measured.hour - start
    inside = (position >= 0) & (position < hours)
    temp[position[inside]] = measured.temp_c[inside]
    mol[position[inside]] = measured.light_mol[inside]
    return temp, mol


class _Record(NamedTuple):
    """Measured days in order of time: whole ones, which can stand for others, and the light of part days."""

    day: NDArray[np.int64]  # (n,)
    day_of_year: NDArray[np.int64]  # (n,)
    whole: NDArray[np.bool_]  # (n,)
    clearness: Array  # (n,), mean of the season
    brightness: Array  # (n,), clearness over that
    off_c: Array  # (n, 24), course of temperature against the season's normal one; nan for part days
    above_heat_c: float  # of the coldest hours, against the heating set point
    most: float  # largest clearness


def _record(site: Site, course: Course, measured: Measured, shift: int) -> _Record | None:
    if not measured.hour.size:
        return None
    first_day = int(measured.hour[0] + shift) // 24
    days = int(measured.hour[-1] + shift) // 24 - first_day + 1
    there = _place(site, course, first_day, days, shift)
    start = int(there.hour[0, 0])
    temp, mol = (a.reshape(days, 24) for a in _on_grid(measured, start, days * 24))
    lamp = np.zeros(days * 24)
    lamp[measured.hour - start] = measured.lamp_mol
    seen = ~np.isnan(mol)
    allowed = np.where(seen, there.potential, 0.0).sum(axis=1)
    all_day = there.potential.sum(axis=1)
    part = (allowed > _PART_OF_DAY * all_day) & (allowed > 0.0)
    whole = (
        part
        & (seen.sum(axis=1) >= _FULL_DAY_HOURS)
        & ((~np.isnan(temp)).sum(axis=1) >= _FULL_DAY_HOURS)
        & (allowed > 0.5 * all_day)
    )
    if not whole.any():
        return None
    sunlight = np.where(seen, np.maximum(mol - lamp.reshape(days, 24), 0.0), 0.0).sum(axis=1)
    clearness = np.clip(sunlight / np.where(part, allowed, 1.0), 0.01, 1.2)
    off = np.full(temp.shape, np.nan)
    course_c = temp[whole]
    course_c = np.where(np.isnan(course_c), np.nanmean(course_c, axis=1, keepdims=True), course_c)
    off[whole] = course_c - there.normal_c[whole]
    return _Record(
        there.day[part],
        there.day_of_year[part],
        whole[part],
        there.clearness[part],
        (clearness / there.clearness)[part],
        off[part],
        float(np.quantile(course_c - _heat_c(there)[whole], 0.005)),
        float(clearness[whole].max()),
    )


def _heat_c(there: _Place) -> Array:
    return np.where(there.global_mj > 0.0, there.setting.temp_heat_day_c, there.setting.temp_heat_night_c)


# --------------------------------------------------------------------------- members


class _Fate(NamedTuple):
    """The luck of the days wanted, moved by what was measured, and what kind of source each has."""

    bright: Array  # (members, n)
    warm: Array  # (members, n)
    level: Array  # (2, members), of the season's mean light and temperature
    measured: NDArray[np.bool_]  # (members, n), the same for all days of a block
    block: Days  # (n,), which of the blocks a day is in
    middle: NDArray[np.int64]  # (blocks,), day of the year of the middle of each


def _fill(
    site: Site,
    there: _Place,
    record: _Record | None,
    members: int,
    key: int,
    wanted: Days,
    ratio: Array,
    temp: Array,
) -> None:
    """Fill the wanted days of all members."""
    first_day = int(there.day[0]) + int(wanted[0]) - _RECALL_DAYS
    drawn = luck.draw(key, first_day, int(there.day[-1]) - first_day + 1, members)
    level, level_spread = _level(site, record)
    sources = None if record is None else _sources(record)
    bright, warm = drawn.light, drawn.temperature
    block, of_block = np.unique(there.day[wanted] // luck.BLOCK_DAYS, return_inverse=True)
    middle = sun.day_of_year((block * luck.BLOCK_DAYS + luck.BLOCK_DAYS // 2) * 24 + 12)
    weight = np.zeros(block.size)
    if record is not None and sources is not None:
        bright, warm = _recalled(record, sources, level, first_day, drawn)
        weight = _weights(sources, middle).sum(axis=1)
    at = there.day[wanted] - first_day
    measured = drawn.kind[:, at] < (weight / (weight + _CLIMATE_WEIGHT_DAYS))[of_block]
    fate = _Fate(bright[:, at], warm[:, at], drawn.level, measured, of_block, middle)
    most = _MOST_CLEARNESS if record is None else max(record.most, _MOST_CLEARNESS)
    _from_climate(there, fate, level, level_spread, most, wanted, ratio, temp)
    if record is not None and sources is not None:
        _from_measured(there, fate, record, sources, most, wanted, ratio, temp)


def _from_measured(
    there: _Place,
    fate: _Fate,
    record: _Record,
    sources: _Sources,
    most: float,
    wanted: Days,
    ratio: Array,
    temp: Array,
) -> None:
    """Fill the days that measured ones stand for."""
    # Heating stops the fall: the season cannot take a course below what the heating was seen to keep.
    floor = _heat_c(there) + record.above_heat_c
    for block, day_of_year in enumerate(fate.middle):
        column = np.flatnonzero(fate.block == block)
        taken = np.flatnonzero(fate.measured[:, column[0]])
        if taken.size:
            rows, picked = wanted[column], np.ix_(taken, column)
            chosen = _choose(
                sources, day_of_year, fate.bright[picked], fate.warm[picked], fate.level[:, taken]
            )
            where = np.ix_(taken, rows)
            ratio[where] = np.clip(sources.brightness[chosen] * there.clearness[rows], 0.01, most)
            temp[where] = np.maximum(there.normal_c[rows] + sources.off_c[chosen], floor[rows])


def _from_climate(
    there: _Place,
    fate: _Fate,
    level: float,
    level_spread: float,
    most: float,
    wanted: Days,
    ratio: Array,
    temp: Array,
) -> None:
    """Fill the days that the climate of the latitude stands for."""
    member, column = np.nonzero(~fate.measured)
    row = wanted[column]
    clearness = np.maximum(there.clearness[row] + CLEARNESS_SPREAD * fate.bright[member, column], 0.08)
    clearness = np.minimum(clearness * level * np.exp(level_spread * fate.level[0, member]), most)
    off = OUTDOOR_SPREAD_C * fate.warm[member, column]
    off += OUTDOOR_LEVEL_SPREAD_C * level_spread / CLEARNESS_LEVEL_SPREAD * fate.level[1, member]
    global_mj = there.global_mj[row]
    ratio[member, row] = clearness
    temp[member, row] = inside_temp_c(
        Setting(*(c[row] for c in there.setting)),
        outdoor_course_c(there.outdoor_c[row] + off),
        global_mj * clearness[:, None],
        global_mj > 0.0,
    )


class _Sources(NamedTuple):
    """Whole measured days in order of their brightness."""

    day_of_year: NDArray[np.int64]
    brightness: Array
    off_c: Array  # (n, 24)
    off_mean_c: Array


def _sources(record: _Record) -> _Sources:
    order = np.flatnonzero(record.whole)
    order = order[np.argsort(record.brightness[order], kind="stable")]
    off = record.off_c[order]
    return _Sources(record.day_of_year[order], record.brightness[order], off, off.mean(axis=1))


def _weights(sources: _Sources, day_of_year: NDArray[np.int64]) -> Array:
    """How well each source stands for each day, shape (days, sources); 1 at the same day of the year."""
    apart = np.abs((sources.day_of_year[None, :] - day_of_year[:, None] + 182.5) % 365.0 - 182.5)
    weight = np.exp(-0.5 * (apart / _SEASON_DAYS) ** 2)
    return np.where(weight < _NEAREST_SEASON, 0.0, weight)


def _alike(count: int) -> int:
    return int(np.clip(count // 15, 1, _ALIKE_DAYS))


def _choose(sources: _Sources, day_of_year: np.int64, bright: Array, warm: Array, level: Array) -> Days:
    """Choose a source for each day of a block: by its rank in light, among those alike by its rank in warmth.

    Parameters
    ----------
    sources : _Sources
        Measured days.
    day_of_year : int
        The middle of the block.
    bright, warm, level : ndarray, shape (n, days), (n, days) and (2, n)
        Luck.

    Returns
    -------
    ndarray of int, shape (n, days)
    """
    weight = _weights(sources, np.array([day_of_year]))[0]
    near = np.flatnonzero(weight)
    share = weight[near] / weight[near].sum()
    # So many days of few seasons may be brighter or duller on average than the season is.
    doubt = np.minimum(1.0, np.array(_INDEPENDENT_DAYS) * (share**2).sum())[:, None, None]
    luck_now = np.stack([bright, warm])
    rank, warmth = ndtr((luck_now + np.sqrt(doubt) * level[:, :, None]) / np.sqrt(1.0 + doubt))
    position = np.minimum(np.searchsorted(np.cumsum(share), rank), near.size - 1)
    alike = _alike(near.size)
    first = np.clip(position - alike // 2, 0, near.size - alike)
    windows = np.lib.stride_tricks.sliding_window_view(sources.off_mean_c[near], alike)
    by_warmth = np.argsort(windows, axis=1, kind="stable")
    place = np.minimum((warmth * alike).astype(np.intp), alike - 1)
    return np.asarray(near[first + by_warmth[first, place]])


def _recalled(
    record: _Record, sources: _Sources, level: float, early: int, drawn: luck.Luck
) -> tuple[Array, Array]:
    """Move the members' luck to how the last measured days rank in light, and in warmth among days alike in light."""
    bright, warm = drawn.light, drawn.temperature
    near = np.flatnonzero((record.day >= early) & (record.day < early + bright.shape[1]))
    if not near.size:
        return bright, warm
    at, whole = (record.day[near] - early).astype(np.intp), record.whole[near]
    weight = _weights(sources, record.day_of_year[near])
    own = record.brightness[near][:, None]
    climate = ndtr(record.clearness[near] * (own[:, 0] / level - 1.0) / CLEARNESS_SPREAD)
    rank = _rank(own, sources.brightness, weight, climate)
    doubt = np.where(whole, 0.0, _PART_DOUBT)
    bright = luck.given(bright, luck.LIGHT, at, rank, doubt, drawn.error[0])
    weight = (weight * np.exp(-0.5 * ((sources.brightness - own) / _ALIKE_BRIGHTNESS) ** 2))[whole]
    rank = _rank(record.off_c[near[whole]].mean(axis=1)[:, None], sources.off_mean_c, weight, np.array(0.5))
    doubt = np.full(rank.size, _WARMTH_DOUBT)
    return bright, luck.given(warm, luck.TEMPERATURE, at[whole], rank, doubt, drawn.error[1])


def _rank(own: Array, others: Array, weight: Array, climate: Array) -> Array:
    """How values of shape (n, 1) rank among weighted others, as standard normal numbers of shape (n,)."""
    below = (weight * ((others < own) + 0.5 * (others == own))).sum(axis=1) + _CLIMATE_WEIGHT_DAYS * climate
    rank = below / (weight.sum(axis=1) + _CLIMATE_WEIGHT_DAYS)
    return np.asarray(ndtri(np.clip(rank, 0.01, 0.99)))


def _level(site: Site, record: _Record | None) -> tuple[float, float]:
    """How much more or less light than the climate says was measured, and how uncertain that is, relative."""
    prior = 1.0 / CLEARNESS_LEVEL_SPREAD**2
    if record is None:
        return 1.0, CLEARNESS_LEVEL_SPREAD
    brightness = record.brightness[record.whole]
    day = CLEARNESS_SPREAD / float(clearness_mean(site.latitude_deg))
    told = brightness.size / (_INDEPENDENT_DAYS[0] * day**2)
    return float((prior + told * brightness.mean()) / (prior + told)), float((prior + told) ** -0.5)


# --------------------------------------------------------------------------- a weather forecast


def _skill(lead_days: Array, best: float, days: float) -> Array:
    """Correlation of a weather forecast with what comes. Assumed (no source); 0 from FORECAST_DAYS on."""
    skill = best * np.exp(-((np.maximum(lead_days, 0.0) / days) ** 2))
    return np.where(lead_days < FORECAST_DAYS, skill, 0.0)


def _follow(there: _Place, pushed: Pushed, ratio: Array, temp: Array, wanted: Days) -> None:
    """Draw members to a weather forecast, closely at first and less the longer ago it was issued."""
    start = int(there.hour[0, 0])
    shape = there.hour.shape
    columns = np.full((3, there.hour.size), np.nan)
    position = pushed.hour - start
    inside = (position >= 0) & (position < there.hour.size)
    columns[:, position[inside]] = np.stack(pushed[1:])[:, inside]
    issued, global_w, outdoor = columns.reshape(3, *shape)
    lead = (there.hour - issued) / 24.0

    is_day = there.global_mj > 0.0
    said = is_day & ~np.isnan(global_w)
    allowed = np.where(said, there.global_mj, 0.0).sum(axis=1)
    light_days = np.zeros(shape[0], dtype=bool)
    light_days[wanted] = True
    light_days &= allowed > _PART_OF_DAY * there.global_mj.sum(axis=1)
    mean_clearness = ratio.mean(axis=0)
    clearness = np.where(said, global_w * 0.0036, 0.0).sum(axis=1) / np.where(allowed > 0.0, allowed, 1.0)
    clearness = np.where(light_days, np.clip(clearness, 0.01, _MOST_CLEARNESS), mean_clearness)
    day_lead = np.where(said, lead, 0.0).sum(axis=1) / np.maximum(said.sum(axis=1), 1)
    skill = np.where(light_days, _skill(day_lead, *_LIGHT_SKILL), 0.0)
    own = np.log(np.maximum(ratio, 1e-6))
    middle = own.mean(axis=0)
    drawn = (
        middle
        + skill * (np.log(np.maximum(clearness, 1e-6)) - middle)
        + np.sqrt(1 - skill**2) * (own - middle)
    )
    moved = _fading(drawn - own, skill > 0.0, luck.LIGHT.spell_keep)
    ratio[:, wanted] = np.exp(own + moved)[:, wanted]

    told = np.zeros(shape, dtype=bool)
    told[wanted] = True
    told &= ~np.isnan(outdoor)
    sunlight = there.global_mj * ratio.mean(axis=0)[:, None]
    inside_c = inside_temp_c(there.setting, np.where(told, outdoor, 0.0), sunlight, is_day)
    skill = np.where(told, _skill(lead, *_TEMP_SKILL), 0.0)
    middle_c = np.zeros(shape)
    middle_c[wanted] = temp[:, wanted].mean(axis=0)
    drawn_c = middle_c + skill * (inside_c - middle_c) + np.sqrt(1 - skill**2) * (temp - middle_c)
    temp[:, wanted] = np.where(told, drawn_c, temp)[:, wanted]


def _fading(moved: Array, told: NDArray[np.bool_], keep: float) -> Array:
    """Let the move of the last day told of fade over the days after it."""
    days = np.arange(told.size)
    last = np.maximum.accumulate(np.where(told, days, -1))
    fade = np.where(last >= 0, keep ** (days - last), 0.0)
    return np.where(last >= 0, moved[:, np.maximum(last, 0)] * fade, 0.0)
