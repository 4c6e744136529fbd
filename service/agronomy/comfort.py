"""Limits of nutrient solution and climate, and when to say that they are passed.

Every judgement has two thresholds, one to begin and a nearer one to end, and lasts some time before it begins, so that
it does not come and go with noise.

References
----------
1. Brechner, M., & Both, A. J. Hydroponic Lettuce Handbook. Cornell Controlled Environment Agriculture (seen
   second-hand): pH 5.8, EC 1.2 mS cm⁻¹, water at most 25 °C, dissolved oxygen above 4 mg L⁻¹.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.agronomy import sun
from service.agronomy.climate import Course, Site, clearness_mean, extraterrestrial_mol

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Limits:
    """Between which values a quantity should stay; none: no limit on that side."""

    low: float | None = None
    high: float | None = None
    urgent_low: float | None = None
    urgent_high: float | None = None
    after_minutes: float = 15.0
    """How long it must last before it is said. [min]"""
    band: float = 0.0
    """How far inside a limit it must come back to end."""


# The regime of [1] with a margin; margins and what is urgent are common practice, no source.
_SOLUTION: Mapping[str, Limits] = {
    "temp_solution_c": Limits(14.0, 25.0, 8.0, 28.0, 30.0, 0.5),
    "ph": Limits(5.5, 6.5, 5.0, 7.2, 20.0, 0.1),
    "ec_ms_cm": Limits(0.8, 2.4, 0.4, 3.5, 20.0, 0.05),
    "oxygen_mg_l": Limits(4.0, None, 2.5, None, 20.0, 0.3),
}
# By crop profile, common practice, no source: basil suffers in cold water; cresses and rocket in warm.
_BY_CROP: Mapping[str, Mapping[str, dict[str, float]]] = {
    "basil": {"temp_solution_c": {"low": 17.0, "high": 28.0, "urgent_low": 12.0, "urgent_high": 31.0}},
    "watercress": {"temp_solution_c": {"low": 10.0, "high": 22.0, "urgent_low": 4.0}},
    "rocket": {"temp_solution_c": {"low": 12.0}},
}
QUANTITIES = tuple(_SOLUTION)


def usual_limits(quantity: str, crops: Collection[str] = ()) -> Limits:
    """Return the limits of common practice for a quantity of the solution, where these crops grow.

    Where several crops share a solution the narrower limit counts on each side.

    Raises
    ------
    KeyError
        If the quantity has none.
    """
    base = _SOLUTION[quantity]
    each = [replace(base, **_BY_CROP.get(crop, {}).get(quantity, {})) for crop in sorted(crops)] or [base]

    def tightest(name: str, pick: Callable[[list[float]], float]) -> float | None:
        values = [value for one in each if (value := getattr(one, name)) is not None]
        return pick(values) if values else None

    return replace(
        base,
        low=tightest("low", max),
        high=tightest("high", min),
        urgent_low=tightest("urgent_low", max),
        urgent_high=tightest("urgent_high", min),
    )


@dataclass(frozen=True)
class Breach:
    """A limit that is passed."""

    side: Literal["low", "high"]
    limit: float
    value: float
    """Median while it has lasted, at most over the last ``after_minutes``."""
    since_min: float
    """When it began, on the time scale given. [min]"""
    urgent: bool

    @property
    def size(self) -> float:
        """How far the value is beyond the limit; nothing while it is on its way back."""
        return max(0.0, self.limit - self.value if self.side == "low" else self.value - self.limit)


def breach(at_min: Array, value: Array, limits: Limits, was: Literal["low", "high"] | None) -> Breach | None:
    """Judge the readings of one sensor against limits.

    It begins when every reading of the last ``after_minutes``, and there is one that old or older in the same
    unbroken run, is beyond the limit. It ends when every reading of the last ``after_minutes`` is back inside by
    ``band``.

    Parameters
    ----------
    at_min, value : ndarray
        Readings in rising order of time. [min], [unit of the limits]
    limits : Limits
        Between which values to stay.
    was : {"low", "high"} or None
        The side on which an alert is open already.
    """
    if not at_min.size:
        return None
    for side in ("low", "high") if was is None else (was, "high" if was == "low" else "low"):
        limit = limits.low if side == "low" else limits.high
        if limit is None:
            continue
        sign = 1.0 if side == "low" else -1.0
        beyond = sign * (limit - value)  # above zero: beyond
        recent = at_min > at_min[-1] - limits.after_minutes
        if side == was:
            if not (beyond[recent] > -limits.band).any():
                continue
            outside = beyond > -limits.band
        else:
            outside = beyond > 0.0
            since = at_min[_run(outside)] if outside[-1] else at_min[-1] + 1.0
            if at_min[-1] - since < limits.after_minutes:
                continue
        first = _run(outside) if outside[-1] else int(np.argmax(recent))
        middle = float(np.median(value[recent]))
        extreme = limits.urgent_low if side == "low" else limits.urgent_high
        urgent = extreme is not None and sign * (extreme - middle) > 0.0
        return Breach(side, limit, middle, float(at_min[first]), urgent)
    return None


def _run(outside: NDArray[np.bool_]) -> int:
    """Return where the unbroken run begins that ends with the last one."""
    inside = np.flatnonzero(~outside)
    return int(inside[-1]) + 1 if inside.size else 0


# --------------------------------------------------------------------------- flow

LOST_SHARE = 0.2
"""Share of what is usual below which flow or pressure counts as lost; common practice, no source."""
BACK_SHARE = 0.5


def flow_limits(usual: float, after_minutes: float = 10.0) -> Limits:
    """Return below what a flow or pressure is lost; ``usual`` is the most there was in the last day.

    Roots in a film of solution dry within an hour or so on a bright day (common practice, no source), so a loss is
    always urgent.
    """
    low = LOST_SHARE * usual
    return Limits(
        low=low, urgent_low=low, after_minutes=after_minutes, band=(BACK_SHARE - LOST_SHARE) * usual
    )


# --------------------------------------------------------------------------- climate

OFF_C = 2.0
BACK_C = 0.5
URGENT_C = 6.0
HOURS = 3
"""Hours that a temperature must stay beyond a set point; these four are assumed."""


@dataclass(frozen=True)
class TempOff:
    """Air temperature off what the house is set to."""

    side: Literal["cold", "warm"]
    by_c: float
    """Mean of the last hours beyond the set point. [°C]"""
    set_point_c: float
    hours: int
    """How long it has lasted. [h]"""
    urgent: bool


def temp_off_plan(
    site: Site,
    course: Course,
    hour: NDArray[np.int64],
    temp_c: Array,
    was: Literal["cold", "warm"] | None,
) -> TempOff | None:
    """Judge measured hours against the heating and ventilation set points that held.

    Parameters
    ----------
    site, course
        The house and what it was set to.
    hour : ndarray
        Measured hours, rising. [epoch hours]
    temp_c : ndarray
        Mean of each. [°C]
    was
        The side on which an alert is open already.
    """
    known = ~np.isnan(temp_c)
    hour, temp_c = hour[known], temp_c[known]
    if hour.size < HOURS or hour[-1] - hour[-HOURS] >= 2 * HOURS:
        return None
    setting = course.at(hour)
    day = sun.extraterrestrial_hourly_mj(site.latitude_deg, site.longitude_deg, hour) > 0.0
    floor = np.where(day, setting.temp_heat_day_c, setting.temp_heat_night_c)
    # At dusk and dawn the house is on its way from one set point to the other.
    floor = np.minimum(floor, np.concatenate([floor[:1], floor[:-1]]))
    sides: tuple[tuple[Literal["cold", "warm"], Array, Array], ...] = (
        ("cold", floor - temp_c, floor),
        ("warm", temp_c - setting.temp_vent_c, setting.temp_vent_c),
    )
    for side, beyond, set_point in sides:
        least = BACK_C if side == was else OFF_C
        outside = beyond > least
        if not outside[-HOURS:].all() and not (side == was and outside[-HOURS:].any()):
            continue
        by = float(beyond[-HOURS:].mean())
        begun = _run(outside) if outside[-1] else hour.size - HOURS
        lasted = int(hour[-1] - hour[begun]) + 1
        return TempOff(side, by, float(set_point[-1]), lasted, by > URGENT_C)
    return None


DARK_SHARE, DARK_BACK = 0.6, 0.7
BRIGHT_SHARE, BRIGHT_BACK = 1.5, 1.35
WEEK_HOURS = 168
_ENOUGH_HOURS = 126


@dataclass(frozen=True)
class LightOff:
    """A week's light off what the season, the house and its lamps lead one to expect."""

    side: Literal["dark", "bright"]
    dli_mol: float
    expected_mol: float

    @property
    def share(self) -> float:
        """What there was over what was expected."""
        return self.dli_mol / self.expected_mol


def expected_light_mol(site: Site, course: Course, hour: NDArray[np.int64], lamp_mol: Array) -> Array:
    """Return the light of each hour in a season like any other: sun, transmission, paint, lamps. [mol m⁻²]"""
    clearness = clearness_mean(site.latitude_deg, sun.day_of_year(hour))
    shade = course.at(hour).shade
    return np.asarray(extraterrestrial_mol(site, hour) * clearness * site.transmission * shade + lamp_mol)


def light_off_plan(
    light_mol: Array, expected_mol: Array, was: Literal["dark", "bright"] | None
) -> LightOff | None:
    """Judge the light of a week's hours against the expected; none also if less than three quarters was measured.

    The shares are assumed: a week is that far from the season's mean about once a year.
    """
    known = ~np.isnan(light_mol)
    if (
        np.count_nonzero(known) < _ENOUGH_HOURS
        or (expected := float(expected_mol[known].mean()) * 24.0) <= 0.0
    ):
        return None
    dli = float(light_mol[known].mean()) * 24.0
    if dli < (DARK_BACK if was == "dark" else DARK_SHARE) * expected:
        return LightOff("dark", dli, expected)
    if dli > (BRIGHT_BACK if was == "bright" else BRIGHT_SHARE) * expected:
        return LightOff("bright", dli, expected)
    return None
