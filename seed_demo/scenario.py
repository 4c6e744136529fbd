"""An invented farm of two houses and ten weeks of its life, worked out beforehand.

One house stands under an oceanic sky and has no lamps, the other in a dry southern country and has some. The
same grower's rules hold in both. :func:`build` is a pure function: the same arguments give the same scenario,
byte for byte. The season is nothing but the dates that are handed to the weather.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from types import MappingProxyType
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np

from seed_demo.crop import BASIL, BUTTERHEAD, LEAF_LETTUCE, Day
from seed_demo.grower import Bench, Chronicle, Fact, Programme, Story, run_house
from seed_demo.house import HouseTraits, ZoneClimate, ZoneTraits, simulate_zone
from seed_demo.local import local_seconds
from seed_demo.sensors import Message, SensorTraits, messages
from seed_demo.weather import DRY_SOUTHERN, OCEANIC, Climate, simulate_weather

Season = Literal["autumn", "spring"]
Sites = Literal["ample", "tight"]

SPAN_DAYS = 70
BEFORE_DAYS = 84  # simulated but not played, so that the channels are in full swing when the span begins
ENDS: Mapping[Season, date] = MappingProxyType({"autumn": date(2026, 9, 21), "spring": date(2026, 4, 6)})
_END_TIME = time(6, 1, tzinfo=UTC)  # the last whole hour has been sent

FARM = "Brindlewick Greens"
ADDRESS = "1 Brindle Lane, Brindlewick"
PHONE = "+44 1632 960001"  # of the numbers kept free for fiction (from memory)


@dataclass(frozen=True, kw_only=True)
class ZoneSpec:
    """A zone: how it is set up and how it differs from its house."""

    code: str
    name: str
    kind: Literal["nursery", "channels"]
    plants_m2: float
    capacity: Mapping[Sites, int]
    traits: ZoneTraits
    sensors: tuple[SensorTraits, ...]


@dataclass(frozen=True, kw_only=True)
class HouseSpec:
    """A house of the farm."""

    code: str
    name: str
    climate: Climate
    elevation_m: float
    stated_transmission: float  # what the grower believes
    traits: HouseTraits
    nursery: ZoneSpec
    channels: ZoneSpec
    programmes: tuple[Programme, ...]

    @property
    def zones(self) -> tuple[ZoneSpec, ZoneSpec]:
        """Both zones."""
        return self.nursery, self.channels


@dataclass(frozen=True)
class Crop:
    """A crop as the farm grows it: its name and the profile it starts from."""

    name: str
    profile: str


CROPS: Mapping[str, Crop] = MappingProxyType(
    {
        "butterhead": Crop("Butterhead", "butterhead"),
        "leaf": Crop("Leaf lettuce", "leaf"),
        "basil": Crop("Basil", "basil"),
    }
)

HOUSES: tuple[HouseSpec, ...] = (
    HouseSpec(
        code="wick",
        name="Wick House",
        climate=OCEANIC,
        elevation_m=12.0,
        stated_transmission=0.60,
        traits=HouseTraits(
            transmission=0.62,
            heat_day_c=18.0,
            heat_night_c=16.5,
            vent_c=22.0,
            vent_leak=0.35,
            time_zone="Europe/Paris",
        ),
        nursery=ZoneSpec(
            code="nursery",
            name="Nursery table",
            kind="nursery",
            plants_m2=650.0,
            capacity={"ample": 2800, "tight": 2800},
            traits=ZoneTraits(light_share=0.96, warmer_c=2.2),
            sensors=(
                SensorTraits(
                    key="temp",
                    name="air over the table",
                    quantity="temp_air_c",
                    unit="degC",
                    sampling="instant",
                    shape="objects",
                    delay_s=5,
                ),
                SensorTraits(
                    key="light",
                    name="lux over the table",
                    quantity="ppfd_umol",
                    unit="lx",
                    sampling="instant",
                    shape="pairs",
                    gain=1.02,
                    delay_s=9,
                ),
            ),
        ),
        channels=ZoneSpec(
            code="channels",
            name="Channels",
            kind="channels",
            plants_m2=25.0,
            capacity={"ample": 5200, "tight": 1440},
            traits=ZoneTraits(),
            sensors=(
                SensorTraits(
                    key="temp",
                    name="air over the channels",
                    quantity="temp_air_c",
                    unit="degC",
                    sampling="instant",
                    shape="pairs",
                    delay_s=6,
                ),
                SensorTraits(
                    key="light",
                    name="radiation sum",
                    quantity="ppfd_umol",
                    unit="J cm-2",
                    sampling="total",
                    shape="pairs",
                    topic="evenleaf/wick/roof/radiation-sum",
                    gain=0.98,
                    delay_s=11,
                ),
            ),
        ),
        programmes=(
            Programme(
                key="wick-butterhead",
                name="Butterhead, weekly",
                crop="butterhead",
                cultivar="Mallow Round",
                traits=BUTTERHEAD,
                heads_per_harvest=240,
                interval_days=7.0,
                first_weekday=5,
                cells=300,
                keep_share=0.8,
            ),
            Programme(
                key="wick-leaf",
                name="Leaf lettuce, twice a week",
                crop="leaf",
                cultivar="Fenfrill",
                traits=LEAF_LETTUCE,
                heads_per_harvest=96,
                interval_days=3.5,
                first_weekday=1,
                cells=120,
                keep_share=0.8,
            ),
        ),
    ),
    HouseSpec(
        code="sierra",
        name="Sierra House",
        climate=DRY_SOUTHERN,
        elevation_m=640.0,
        stated_transmission=0.45,
        traits=HouseTraits(
            transmission=0.44,
            heat_day_c=19.0,
            heat_night_c=17.0,
            vent_c=23.0,
            vent_leak=0.25,
            lamp_ppfd_umol=100.0,
            lamp_start_h=4.0,
            lamp_hours=16.0,
            time_zone="Europe/Madrid",
        ),
        nursery=ZoneSpec(
            code="nursery",
            name="Nursery table",
            kind="nursery",
            plants_m2=650.0,
            capacity={"ample": 2400, "tight": 2400},
            traits=ZoneTraits(light_share=0.95, warmer_c=1.5),
            sensors=(
                SensorTraits(
                    key="temp",
                    name="box, air",
                    quantity="temp_air_c",
                    unit="degF",
                    sampling="mean",
                    shape="box",
                    topic="evenleaf/sierra/box-1",
                    interval_s=1800,
                    value_pointer="/air/temperature",
                    time_pointer="/time",
                ),
                SensorTraits(
                    key="light",
                    name="box, light",
                    quantity="ppfd_umol",
                    unit="umol m-2 s-1",
                    sampling="mean",
                    shape="box",
                    topic="evenleaf/sierra/box-1",
                    interval_s=1800,
                    value_pointer="/light/ppfd",
                    time_pointer="/time",
                ),
            ),
        ),
        channels=ZoneSpec(
            code="channels",
            name="Channels",
            kind="channels",
            plants_m2=25.0,
            capacity={"ample": 2600, "tight": 1440},
            traits=ZoneTraits(),
            sensors=(
                SensorTraits(
                    key="temp",
                    name="air over the channels",
                    quantity="temp_air_c",
                    unit="degC",
                    sampling="instant",
                    shape="objects",
                    delay_s=8,
                ),
                SensorTraits(
                    key="light",
                    name="light over the channels",
                    quantity="ppfd_umol",
                    unit="umol m-2 s-1",
                    sampling="instant",
                    shape="objects",
                    gain=0.99,
                    delay_s=12,
                ),
            ),
        ),
        programmes=(
            Programme(
                key="sierra-butterhead",
                name="Butterhead, weekly",
                crop="butterhead",
                cultivar="Alder Crown",
                traits=BUTTERHEAD,
                heads_per_harvest=240,
                interval_days=7.0,
                first_weekday=4,
                cells=300,
                keep_share=0.8,
            ),
            Programme(
                key="sierra-basil",
                name="Basil, weekly",
                crop="basil",
                cultivar="Tor Green",
                traits=BASIL,
                heads_per_harvest=160,
                interval_days=7.0,
                first_weekday=6,
                cells=200,
                keep_share=0.8,
            ),
        ),
    ),
)


@dataclass(frozen=True)
class Post:
    """One request to the API; ``{key}`` in the path and ``refs`` stand for ids given to earlier ones."""

    at: datetime
    path: str
    body: Mapping[str, Any]
    refs: Mapping[str, str] = field(default_factory=dict)  # field of the body -> key
    key: str | None = None  # under which the id of what is created is remembered
    chain: str = ""  # posts of one chain are sent in order


@dataclass(frozen=True)
class HouseTruth:
    """What really happened in a house, from the first simulated day on."""

    spec: HouseSpec
    sites: int
    nursery: tuple[Day, ...]
    channels: tuple[Day, ...]
    chronicle: Chronicle


@dataclass(frozen=True)
class Scenario:
    """Ten weeks of the farm."""

    first_day: date  # simulated
    start: datetime  # played from here
    end: datetime
    setup: tuple[Post, ...]
    messages: tuple[Message, ...]  # in order of time
    ledger: tuple[Post, ...]  # in order of time; batches and their facts
    truth: tuple[HouseTruth, ...]


def span(season: Season) -> tuple[datetime, datetime]:
    """Return when the played weeks begin and end."""
    last = ENDS[season]
    begin = datetime.combine(last - timedelta(days=SPAN_DAYS), time(0, tzinfo=UTC))
    return begin, datetime.combine(last, _END_TIME)


def build(season: Season, sites: Sites, seed: int = 1) -> Scenario:
    """Work out the whole scenario."""
    last = ENDS[season]
    first = last - timedelta(days=SPAN_DAYS + BEFORE_DAYS)
    start, end = span(season)
    setup = [*_farm(start)]
    stream: list[Message] = []
    ledger: list[Post] = []
    truths: list[HouseTruth] = []
    for number, house in enumerate(HOUSES):
        rng = [np.random.default_rng([seed, number, part]) for part in range(6)]
        weather = simulate_weather(house.climate, first, (last - first).days + 1, rng[0])
        climates = [
            simulate_zone(house.traits, zone.traits, weather, rng[1 + index])
            for index, zone in enumerate(house.zones)
        ]
        nursery, channels = (_days(climate, house.traits.time_zone) for climate in climates)
        bench = Bench(
            time_zone=house.traits.time_zone,
            nursery_cells=house.nursery.capacity[sites],
            sites=house.channels.capacity[sites],
            nursery_plants_m2=house.nursery.plants_m2,
            channels_plants_m2=house.channels.plants_m2,
            nursery=nursery,
            channels=channels,
        )
        chronicle = run_house(house.programmes, bench, first, (last - first).days, rng[3])
        setup.extend(_house(house, sites, start))
        for zone, climate in zip(house.zones, climates, strict=True):
            stream.extend(_sent_between(start, end, house=house, zone=zone, climate=climate, rng=rng[4]))
        ledger.extend(_ledger(chronicle.stories, start))
        truths.append(HouseTruth(house, bench.sites, nursery, channels, chronicle))
    stream.sort(key=lambda message: (message.at, message.topic))
    ledger.sort(key=lambda post: post.at)  # stable: a chain stays in order
    return Scenario(first, start, end, tuple(setup), tuple(stream), tuple(ledger), tuple(truths))


def _days(climate: ZoneClimate, time_zone: str) -> tuple[Day, ...]:
    """Cut a zone's conditions into local days, the first from the start of the series on."""
    day = local_seconds(climate.time_s, ZoneInfo(time_zone)) // 86_400
    borders = np.flatnonzero(np.diff(day)) + 1
    light = np.split(climate.ppfd_umol, borders)
    temp = np.split(climate.temp_c, borders)
    step_s = int(climate.time_s[1] - climate.time_s[0])
    return tuple(Day(float(p.sum()) * step_s * 1e-6, t) for p, t in zip(light, temp, strict=True))


def _sent_between(
    start: datetime,
    end: datetime,
    *,
    house: HouseSpec,
    zone: ZoneSpec,
    climate: ZoneClimate,
    rng: np.random.Generator,
) -> Iterator[Message]:
    first = int(np.searchsorted(climate.time_s, int(start.timestamp())))
    played = ZoneClimate(
        climate.time_s[first:], climate.ppfd_umol[first:], climate.sun_w_m2[first:], climate.temp_c[first:]
    )

    def default_topic(sensor: SensorTraits) -> str:
        return f"evenleaf/{house.code}/{zone.code}/{sensor.quantity}"

    sent = messages(zone.sensors, default_topic, played, house.traits.time_zone, rng)
    return (message for message in sent if message.at <= end)


def _farm(at: datetime) -> Iterator[Post]:
    yield Post(at, "/v1/farms", {"name": FARM, "address": ADDRESS, "phone": PHONE}, key="farm")
    for key, crop in CROPS.items():
        body = {"name": crop.name, "profile": crop.profile}
        yield Post(at, "/v1/crops", body, {"farmId": "farm"}, key=f"crop-{key}")


def _house(house: HouseSpec, sites: Sites, at: datetime) -> Iterator[Post]:
    traits = house.traits
    body: dict[str, Any] = {
        "name": house.name,
        "code": house.code,
        "latitudeDeg": house.climate.latitude_deg,
        "longitudeDeg": house.climate.longitude_deg,
        "elevationM": house.elevation_m,
        "timeZone": traits.time_zone,
        "lightTransmission": house.stated_transmission,
        "tempHeatDayC": traits.heat_day_c,
        "tempHeatNightC": traits.heat_night_c,
        "tempVentC": traits.vent_c,
        "lampPpfdUmol": traits.lamp_ppfd_umol,
        "lampStartH": traits.lamp_start_h,
        "lampHours": traits.lamp_hours,
    }
    yield Post(at, "/v1/houses", body, {"farmId": "farm"}, key=house.code)
    for zone in house.zones:
        key = f"{house.code}-{zone.code}"
        body = {
            "name": zone.name,
            "code": zone.code,
            "kind": zone.kind,
            "capacity": zone.capacity[sites],
            "plantsM2": zone.plants_m2,
        }
        yield Post(at, "/v1/zones", body, {"houseId": house.code}, key=key)
        for sensor in zone.sensors:
            refs = {"houseId": house.code, "zoneId": key}
            yield Post(at, "/v1/sensors", sensor.setup(), refs, key=f"{key}-{sensor.key}")
    for programme in house.programmes:
        cultivar = f"cultivar-{programme.key}"
        refs = {"cropId": f"crop-{programme.crop}"}
        yield Post(at, "/v1/cultivars", {"name": programme.cultivar}, refs, key=cultivar)
        body = {
            "name": programme.name,
            "headsPerHarvest": programme.heads_per_harvest,
            "harvestIntervalDays": programme.interval_days,
            "seedingIntervalDays": programme.interval_days,
            "seedingWeekdays": [1, 2, 3, 4, 5, 6],
            "cellsPerSeeding": programme.cells,
            "keepShare": programme.keep_share,
        }
        refs = {
            "houseId": house.code,
            "cropId": f"crop-{programme.crop}",
            "cultivarId": cultivar,
            "nurseryZoneId": f"{house.code}-{house.nursery.code}",
            "channelsZoneId": f"{house.code}-{house.channels.code}",
        }
        yield Post(at, "/v1/successions", body, refs, key=programme.key)


def _ledger(stories: Sequence[Story], start: datetime) -> Iterator[Post]:
    """Return batches and facts.

    What happened before the start to batches that still stood then is told at the start.
    """
    for story in stories:
        if story.finished_on is not None and story.finished_on < start.date():
            continue
        key = f"{story.programme.key}-{story.seeded_on.isoformat()}"
        body = {"seededAt": _iso(story.seeded_at), "cells": story.programme.cells}
        refs = {"successionId": story.programme.key}
        yield Post(max(start, story.seeded_at), "/v1/batches", body, refs, key=key, chain=key)
        for fact in story.facts:
            if fact.kind == "leaves_counted" and fact.at < start and story.transplanted_before(start):
                continue  # of what already stood in the channels only what still matters is told
            path = f"/v1/batches/{{{key}}}/entries"
            yield Post(max(start, fact.at), path, _entry(fact), chain=key)


def _entry(fact: Fact) -> dict[str, Any]:
    body = {
        "kind": fact.kind,
        "happenedAt": _iso(fact.at),
        "plants": fact.plants,
        "leaves": fact.leaves,
        "weightG": fact.weight_g,
        "reason": fact.reason,
    }
    return {name: value for name, value in body.items() if value is not None}


def _iso(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")
