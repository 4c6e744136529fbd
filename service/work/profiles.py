"""The crop profiles that come with the service, read once."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from importlib import resources

from service.agronomy.profile import CropProfile, parse_profile
from service.records.tables import Crop
from service.work.errors import NotFound


@cache
def profile_names() -> tuple[str, ...]:
    """Return the names of all crop profiles."""
    files = resources.files("service.agronomy").joinpath("crops").iterdir()
    return tuple(sorted(f.name.removesuffix(".toml") for f in files if f.name.endswith(".toml")))


@cache
def profile(name: str) -> CropProfile:
    """Return a crop profile.

    Raises
    ------
    NotFound
        If there is none of that name.
    """
    if name not in profile_names():
        raise NotFound(f"There is no crop profile {name!r}; there are {', '.join(profile_names())}.")
    text = resources.files("service.agronomy").joinpath("crops", f"{name}.toml").read_text(encoding="utf-8")
    return parse_profile(name, tomllib.loads(text))


def profile_of(crop: Crop) -> CropProfile:
    """Return the profile of a crop with what the farm does differently."""
    own = {
        key: value
        for key in ("target_fresh_g", "window_open_leaves", "window_close_leaves")
        if (value := getattr(crop, key)) is not None
    }
    return replace(profile(crop.profile), **own)


def head_kg(profile: CropProfile) -> float:
    """Fresh weight of a head, or of what a cut takes."""
    return profile.target_fresh_g * (1.0 - profile.left_share) / 1000.0
