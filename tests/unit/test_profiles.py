"""Crop profiles: those that come with the service, and what is refused."""

from __future__ import annotations

import copy
import tomllib
from dataclasses import MISSING, fields
from importlib import resources
from typing import Any

import pytest

from service.agronomy.profile import CropProfile, ProfileError, parse_profile
from service.records.tables import Crop
from service.work.errors import NotFound
from service.work.profiles import profile, profile_names, profile_of

NUMBERS = [f.name for f in fields(CropProfile) if f.name not in {"name", "species", "sources"}]
REQUIRED = {f.name for f in fields(CropProfile) if f.default is MISSING} & set(NUMBERS)


def document(name: str = "butterhead") -> dict[str, Any]:
    """Return the parsed file of a profile."""
    file = resources.files("service.agronomy").joinpath("crops", f"{name}.toml")
    return tomllib.loads(file.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", profile_names())
def test_every_profile_is_whole_and_gives_its_sources(name: str) -> None:
    found = profile(name)
    assert found.name == name
    assert found.species
    assert set(NUMBERS) >= set(found.sources) >= REQUIRED
    assert all(len(source.strip()) >= len("assumed") for source in found.sources.values())
    assert found.window_open_leaves < found.transplant_leaves < found.window_close_leaves


def test_there_are_a_head_a_leaf_and_a_herb() -> None:
    assert {"butterhead", "leaf", "basil"} <= set(profile_names())


@pytest.mark.parametrize("name", ["", "spinach", "../butterhead", "butterhead.toml"])
def test_an_unknown_profile_is_refused_with_those_that_there_are(name: str) -> None:
    with pytest.raises(NotFound, match="there are basil, butterhead, "):
        profile(name)


@pytest.mark.parametrize("key", NUMBERS)
@pytest.mark.parametrize(
    "entry",
    [
        20.0,
        {"value": 20.0},
        {"value": 20.0, "source": ""},
        {"value": 1e9, "source": "a book"},
        {"value": -1e9, "source": "a book"},
        {"value": float("nan"), "source": "a book"},
        {"value": 20.0, "source": "a book", "unit": "degC"},
    ],
    ids=["bare", "no-source", "empty-source", "huge", "tiny", "nan", "more"],
)
def test_a_broken_parameter_is_named(key: str, entry: Any) -> None:
    with pytest.raises(ProfileError, match=rf"butterhead: .*\b{key}\b"):
        parse_profile("butterhead", {**document(), key: entry})


@pytest.mark.parametrize("key", sorted(REQUIRED))
def test_a_missing_parameter_is_named(key: str) -> None:
    broken = document()
    del broken[key]
    with pytest.raises(ProfileError, match=rf"butterhead: missing {key}"):
        parse_profile("butterhead", broken)


@pytest.mark.parametrize("name", ["leaf_base", "target_weight"])
def test_an_unknown_parameter_is_named(name: str) -> None:
    with pytest.raises(ProfileError, match=f"unknown {name}"):
        parse_profile("butterhead", {**document(), name: {"value": 4.0, "source": "a book"}})


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("emergence_base_c", 20.0),
        ("leaf_optimum_c", 39.0),
        ("leaf_ceiling_c", 28.0),
        ("open_ceiling_c", 21.0),
        ("window_close_leaves", 4.0),
        ("window_open_leaves", 6.0),
    ],
)
def test_temperatures_and_windows_must_be_in_order(key: str, value: float) -> None:
    broken = copy.deepcopy(document())
    broken["emergence_optimum_c"]["value"] = 20.0
    broken[key]["value"] = value
    with pytest.raises(ProfileError, match=key):
        parse_profile("butterhead", broken)


def test_a_crop_takes_from_its_profile_what_the_farm_does_not_say() -> None:
    plain = Crop(farm_id=1, name="Butterhead", profile="butterhead")
    assert profile_of(plain) == profile("butterhead")
    own = Crop(
        farm_id=1, name="Small heads", profile="butterhead", target_fresh_g=90.0, window_open_leaves=3.5
    )
    found = profile_of(own)
    assert (found.target_fresh_g, found.window_open_leaves) == (90.0, 3.5)
    assert found.window_close_leaves == profile("butterhead").window_close_leaves
    assert profile("butterhead").target_fresh_g != 90.0


def test_what_is_not_said_of_heat_and_cuts_has_a_usual_value() -> None:
    plain = document()
    del plain["heat_limit_c"]
    found = parse_profile("butterhead", plain)
    assert (found.heat_limit_c, found.cuts, found.left_share) == (None, 1, 0.0)


@pytest.mark.parametrize(
    ("cuts", "left_share", "problem"),
    [
        (2.5, 0.2, "cuts = 2.5 is not a whole number"),
        (2, None, "left_share belongs"),
        (1, 0.2, "left_share belongs"),
        (None, 0.2, "left_share belongs"),
    ],
)
def test_several_cuts_leave_something_and_one_cut_nothing(
    cuts: float | None, left_share: float | None, problem: str
) -> None:
    given = {"cuts": cuts, "left_share": left_share}
    more = {key: {"value": v, "source": "a book"} for key, v in given.items() if v is not None}
    with pytest.raises(ProfileError, match=problem):
        parse_profile("butterhead", {**document(), **more})


def test_herbs_are_cut_several_times_and_heads_once() -> None:
    cuts = {name: profile(name).cuts for name in profile_names()}
    assert {name for name, n in cuts.items() if n == 1} >= {"butterhead", "romaine", "leaf"}
    assert all(cuts[name] > 1 for name in ("coriander", "rocket", "parsley", "watercress"))
