"""What a sensor can measure: the unit kept, the plausible range, and the units its payloads may be in.

Every accepted unit is a straight line away from the unit kept (``kept = scale * value + offset``), so that a
stream of readings is converted by one multiplication and one addition.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.agronomy import light

RUNNING_LIGHT_UNIT = "mol m-2"
"""Unit in which a running total of light is kept (sampling ``total``)."""

# A dark quantum sensor reads a little below zero; brighter than 3000 is brighter than the sun behind clouds.
_PPFD_RANGE = (-10.0, 3000.0)
# A counter that is never set back passes 12 000 mol m-2 in a year in the brightest places.
_RUNNING_LIGHT_RANGE = (0.0, 50_000.0)


@dataclass(frozen=True)
class Line:
    """A conversion ``kept = scale * value + offset``."""

    scale: float
    offset: float = 0.0


@dataclass(frozen=True)
class Quantity:
    """Something that can be measured."""

    name: str
    label: str
    unit: str
    """The unit readings are kept in."""
    low: float
    high: float
    """Plausible range, in the unit kept."""
    units: Mapping[str, Line] = field(repr=False)
    """Units a payload may be in. For light they also depend on the source: see :func:`line`."""
    total_units: tuple[str, ...] = ()
    """Those that are running totals, and need sampling ``total``."""


_IDENTITY = Line(1.0)
_TEMPERATURE = {
    "degC": _IDENTITY,
    "degF": Line(5.0 / 9.0, -160.0 / 9.0),
    "K": Line(1.0, -273.15),
}
_LIGHT_UNITS = ("umol m-2 s-1", "W m-2", "W m-2 PAR", "lx", "klx")
_LIGHT_TOTAL_UNITS = ("J cm-2", "MJ m-2", RUNNING_LIGHT_UNIT)

QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        Quantity("temp_air_c", "air temperature", "degC", -40.0, 60.0, _TEMPERATURE),
        Quantity("temp_solution_c", "temperature of the nutrient solution", "degC", -5.0, 50.0, _TEMPERATURE),
        Quantity(
            "ppfd_umol",
            "light",
            "umol m-2 s-1",
            *_PPFD_RANGE,
            dict.fromkeys((*_LIGHT_UNITS, *_LIGHT_TOTAL_UNITS), _IDENTITY),
            _LIGHT_TOTAL_UNITS,
        ),
        Quantity("humidity_pct", "relative humidity", "%", 0.0, 105.0, {"%": _IDENTITY, "1": Line(100.0)}),
        Quantity("co2_ppm", "carbon dioxide", "ppm", 0.0, 20_000.0, {"ppm": _IDENTITY}),
        Quantity("ph", "pH of the nutrient solution", "pH", 0.0, 14.0, {"pH": _IDENTITY}),
        Quantity(
            "ec_ms_cm",
            "electrical conductivity of the nutrient solution",
            "mS cm-1",
            0.0,
            20.0,
            {"mS cm-1": _IDENTITY, "uS cm-1": Line(0.001)},
        ),
        Quantity(
            "flow_l_min",
            "flow of the nutrient solution",
            "L min-1",
            -5.0,
            10_000.0,
            {"L min-1": _IDENTITY, "m3 h-1": Line(1000.0 / 60.0), "L h-1": Line(1.0 / 60.0)},
        ),
        Quantity(
            "pressure_kpa",
            "pressure of the pump",
            "kPa",
            -100.0,
            2000.0,
            {"kPa": _IDENTITY, "bar": Line(100.0), "psi": Line(6.894757)},
        ),
        Quantity("oxygen_mg_l", "dissolved oxygen", "mg L-1", 0.0, 50.0, {"mg L-1": _IDENTITY}),
    )
}

SAMPLINGS = ("instant", "mean", "change", "total")


def unit_problem(quantity: str, unit: str, sampling: str, light_source: str = "sun") -> str | None:
    """Say why a sensor of this quantity cannot have this unit, sampling and light source; None: it can."""
    known = QUANTITIES.get(quantity)
    if known is None:
        return f"{quantity!r} is not a quantity; quantities are {', '.join(QUANTITIES)}"
    if sampling not in SAMPLINGS:
        return f"{sampling!r} is not a way of sampling; ways are {', '.join(SAMPLINGS)}"
    if unit not in known.units:
        return f"{unit!r} is not a unit of {quantity}; units are {', '.join(known.units)}"
    if (sampling == "total") != (unit in known.total_units):
        return _total_problem(known, unit, sampling)
    return _light_problem(unit, light_source) if quantity == "ppfd_umol" else None


def _total_problem(quantity: Quantity, unit: str, sampling: str) -> str:
    if sampling != "total":
        return f"{unit!r} is a running total and needs sampling 'total'"
    if quantity.total_units:
        return f"sampling 'total' needs a running total; units are {', '.join(quantity.total_units)}"
    return f"{quantity.name} has no running total; take sampling 'instant', 'mean' or 'change'"


def light_source_problem(quantity: str, light_source: str | None) -> str | None:
    """Say why a sensor of this quantity cannot have this light source, whatever its unit; None: it can."""
    if quantity == "ppfd_umol" and light_source is not None and light_source not in light.SOURCES:
        return f"{light_source!r} is not a light source; sources are {', '.join(light.SOURCES)}"
    return None


def _light_problem(unit: str, light_source: str) -> str | None:
    problem = light_source_problem("ppfd_umol", light_source)
    if problem:
        return problem
    if unit in {"W m-2", "J cm-2", "MJ m-2"} and light_source != "sun":
        return f"{unit!r} is global radiation, which only light source 'sun' has"
    if unit in {"lx", "klx"} and light.SOURCES[light_source].lux_per_umol is None:
        return f"lux says nothing about the light of {light_source!r}; measure umol m-2 s-1"
    return None


def line(quantity: str, unit: str, light_source: str = "sun") -> Line:
    """Return the conversion from a unit to the unit kept.

    Raises
    ------
    ValueError
        If the quantity does not take the unit, or the unit not the light source.
    """
    known = QUANTITIES.get(quantity)
    if known is None or unit not in known.units:
        raise ValueError(unit_problem(quantity, unit, "instant", light_source))
    if quantity != "ppfd_umol":
        return known.units[unit]
    problem = _light_problem(unit, light_source)
    if problem:
        raise ValueError(problem)
    return Line(_light_scale(unit, light_source))


def _light_scale(unit: str, light_source: str) -> float:
    match unit:
        case "W m-2":
            scale: Any = light.ppfd_from_global_w_m2(1.0)
        case "W m-2 PAR":
            scale = light.ppfd_from_par_w_m2(1.0, light_source)
        case "lx":
            scale = light.ppfd_from_lux(1.0, light_source)
        case "klx":
            scale = light.ppfd_from_lux(1000.0, light_source)
        case "MJ m-2":
            scale = light.light_mol_from_global_mj(1.0)
        case "J cm-2":
            scale = light.light_mol_from_global_mj(0.01)
        case _:
            scale = 1.0
    return float(scale)


def convert(quantity: str, unit: str, light_source: str, values: ArrayLike) -> NDArray[np.float64]:
    """Return values in the unit kept.

    Raises
    ------
    ValueError
        If the quantity does not take the unit, or the unit not the light source.
    """
    conversion = line(quantity, unit, light_source)
    return np.asarray(values, dtype=np.float64) * conversion.scale + conversion.offset


def plausible_range(quantity: str, sampling: str) -> tuple[float, float]:
    """Return the lowest and highest plausible value in the unit kept."""
    if quantity == "ppfd_umol" and sampling == "total":
        return _RUNNING_LIGHT_RANGE
    known = QUANTITIES[quantity]
    return known.low, known.high
