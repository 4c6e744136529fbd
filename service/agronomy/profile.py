"""Crop profiles: what the science needs to know of a crop, each value with its source.

A profile is a TOML file in ``service/agronomy/crops``; each parameter is ``{value = ..., source = "..."}``.
This module turns the parsed file into a :class:`CropProfile` and refuses what is missing, unknown or absurd.

A crop is ready by weight: when the shoots of a site weigh ``target_fresh_g``. A head is cut whole and leaves its
site. A herb of several ``cuts`` leaves ``left_share`` of that weight standing, from which it regrows to the target
for the next cut; after the last one the site is free.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any


class ProfileError(ValueError):
    """A crop profile is incomplete or wrong; the message names the parameter."""


@dataclass(frozen=True, kw_only=True)
class CropProfile:
    """Parameters of a crop. Temperatures in °C, thermal times in degree-days (°C d)."""

    name: str
    species: str
    emergence_base_c: float
    emergence_optimum_c: float
    emergence_ceiling_c: float
    emergence_cd: float  # thermal time from seeding to emergence
    leaf_base_c: float
    leaf_optimum_c: float
    leaf_ceiling_c: float
    phyllochron_cd: float  # thermal time a true leaf, at 21 mol m-2 d-1
    leaf_dli_half_mol: float  # DLI of half the saturated leaf rate
    window_open_leaves: float
    window_close_leaves: float
    start_dry_g: float  # dry matter of a plant at emergence
    target_fresh_g: float  # shoot fresh weight at which a head is ready
    dry_matter_fraction: float  # dry over fresh weight of the shoot
    growth_factor: float  # assimilation against lettuce
    open_base_c: float  # response of open canopies to temperature
    open_optimum_c: float
    open_ceiling_c: float
    leaf_spread: float  # relative standard deviation of the leaf rate before counts
    growth_spread: float  # the same of growth before weights
    heat_limit_c: float | None = None  # above it in the first two days, seeds may not germinate
    cuts: int = 1  # harvests of a planting
    left_share: float = 0.0  # of the shoot weight, left standing by every cut but the last
    sources: Mapping[str, str]

    @property
    def transplant_leaves(self) -> float:
        """Leaves at which a transplant is planned: the middle of the window."""
        return 0.5 * (self.window_open_leaves + self.window_close_leaves)

    @property
    def target_dry_g(self) -> float:
        """Shoot dry matter of a plant that is ready."""
        return self.target_fresh_g * self.dry_matter_fraction

    def cut_g(self, weighed_g: float, *, regrows: bool) -> float:
        """Fresh weight that a cut from which the plant regrows takes off it, from what was on the scales.

        Parameters
        ----------
        weighed_g : float
            Fresh weight a plant. [g]
        regrows : bool
            Whether it was such a cut; otherwise the whole plant was weighed.
        """
        return weighed_g if regrows else weighed_g * (1.0 - self.left_share)

    def left_dry_g(self, cut_g: float | None) -> float:
        """Shoot dry matter that a cut leaves standing.

        Parameters
        ----------
        cut_g : float or None
            Fresh weight taken off a plant; none: not weighed, what a plant at its target gives.
        """
        taken = self.target_fresh_g * (1.0 - self.left_share) if cut_g is None else cut_g
        # A cut heavier than the target does not make the next one ready at once.
        left = min(taken * self.left_share / (1.0 - self.left_share), self.left_share * self.target_fresh_g)
        return left * self.dry_matter_fraction


_BOUNDS: dict[str, tuple[float, float]] = {
    "emergence_base_c": (-5, 20),
    "emergence_optimum_c": (10, 40),
    "emergence_ceiling_c": (20, 50),
    "emergence_cd": (5, 500),
    "leaf_base_c": (-5, 20),
    "leaf_optimum_c": (10, 40),
    "leaf_ceiling_c": (20, 50),
    "phyllochron_cd": (5, 300),
    "leaf_dli_half_mol": (0, 20),
    "window_open_leaves": (1, 20),
    "window_close_leaves": (1, 20),
    "start_dry_g": (1e-5, 0.1),
    "target_fresh_g": (1, 2000),
    "dry_matter_fraction": (0.01, 0.5),
    "growth_factor": (0.1, 3),
    "open_base_c": (-10, 20),
    "open_optimum_c": (10, 40),
    "open_ceiling_c": (20, 50),
    "leaf_spread": (0.01, 0.5),
    "growth_spread": (0.01, 0.5),
    "heat_limit_c": (15, 45),
    "cuts": (1, 12),
    "left_share": (0.02, 0.9),
}
_OPTIONAL = {"heat_limit_c", "cuts", "left_share"}


def parse_profile(name: str, document: Mapping[str, Any]) -> CropProfile:
    """Return the profile in a parsed TOML document.

    Raises
    ------
    ProfileError
        If a parameter is missing, unknown, without a source or out of bounds, if cardinal temperatures or the
        transplant window are not in order, or if what several cuts leave standing is not said.
    """
    given = {k: v for k, v in document.items() if k != "species"}
    wanted = {f.name for f in fields(CropProfile)} - {"name", "species", "sources"}
    if missing := sorted(wanted - _OPTIONAL - given.keys()):
        raise ProfileError(f"{name}: missing {', '.join(missing)}")
    if unknown := sorted(given.keys() - wanted):
        raise ProfileError(f"{name}: unknown {', '.join(unknown)}")
    values: dict[str, float] = {}
    sources: dict[str, str] = {}
    for key, entry in given.items():
        if not isinstance(entry, Mapping) or set(entry) != {"value", "source"} or not entry["source"]:
            raise ProfileError(f"{name}: {key} must be {{value = ..., source = ...}}")
        value, (low, high) = float(entry["value"]), _BOUNDS[key]
        if not low <= value <= high:
            raise ProfileError(f"{name}: {key} = {value:g} is not between {low:g} and {high:g}")
        values[key], sources[key] = value, str(entry["source"])
    for kind in ("emergence", "leaf", "open"):
        if not values[f"{kind}_base_c"] < values[f"{kind}_optimum_c"] < values[f"{kind}_ceiling_c"]:
            raise ProfileError(f"{name}: {kind}_base_c, {kind}_optimum_c and {kind}_ceiling_c must rise")
    if not values["window_open_leaves"] < values["window_close_leaves"]:
        raise ProfileError(f"{name}: window_open_leaves must be below window_close_leaves")
    cuts = values.pop("cuts", 1.0)
    if not cuts.is_integer():
        raise ProfileError(f"{name}: cuts = {cuts:g} is not a whole number")
    if (cuts > 1) != ("left_share" in values):
        raise ProfileError(f"{name}: left_share belongs to more than one of cuts, and there are {cuts:g}")
    species = str(document.get("species", ""))
    return CropProfile(name=name, species=species, sources=sources, cuts=int(cuts), **values)
