"""The closed loop in simulated years: the same house under three growers, on real weather.

The house stands at Wageningen and has weak lamps; its crop follows the law of :mod:`tests.simulated.crop`, which is
not the model's. For two years it is seeded every seven days and recorded; orders begin in the
October after, and from the July before them on the growers differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

import numpy as np

from service.agronomy.outlook import Measured
from service.records.tables import Crop, House, Order, Succession, Zone
from service.work.reforecast import HouseInput
from service.work.replay.compare import Comparison, compare
from service.work.replay.foresight import order_that_fits
from service.work.replay.loop import Rules
from tests.simulated import crop, house, weather
from tests.simulated.farm import CHANNELS_M2, CO2_PPM, NURSERY_M2
from tests.simulated.growing import LONGEST_DAYS, TrueGrowth
from tests.simulated.sensors import measure
from tests.simulated.weather import Weather

SEEDING_HOUR = 8  # UTC, which is local in this house
HISTORY_YEARS = 2
# Without lamps nothing gets ready there for weeks around New Year, whatever is seeded when.
WEAKLY_LIT = replace(house.UNLIT, lamp_ppfd_umol=60.0, lamp_start_h=4.0, lamp_hours=16.0)
SITES = 1500
CELLS = 4000
KEEP_SHARE = 0.8
HOLD_DAYS = 7
ORDER_WEEKDAY = 4
FIRST_MONTH = 4
LEAD_DAYS = 730 + 183  # before the first orders
FOLLOW_FROM = 730 + 91  # until then all seed every week, and it is recorded what comes of it
HORIZON_DAYS = 110


@dataclass(frozen=True)
class Years:
    """Simulated years: what grows, the rules, and the house as the service would know it."""

    growth: TrueGrowth
    rules: Rules
    known: HouseInput
    succession: Succession


def years(first_year: int, count: float, heads: int | None = None, seed: int = 7, members: int = 16) -> Years:
    """Return some years, the first of which is scored from October of ``first_year`` + 2 on.

    Without ``heads``, the order is the largest that the house can meet in four winters of five.
    """
    rng = np.random.default_rng([seed, first_year])
    outdoors = weather.wageningen(first_year, first_year + HISTORY_YEARS + math.ceil(count) + 1)
    begins = int((SEEDING_HOUR - outdoors.hour[0]) % 24)
    whole = (outdoors.hour.size - begins) // 24 * 24
    cut = slice(begins, begins + whole)
    nursery, channels = (
        house.Climate(c.hour[cut], c.temp_c[cut], c.light_mol[cut])
        for c in house.indoors(WEAKLY_LIT, outdoors)
    )
    first = date(first_year, FIRST_MONTH, 1)
    skip = (first - date(1970, 1, 1)).days - int(nursery.hour[0]) // 24
    ahead = slice(24 * skip, None)
    days = nursery.hour.size // 24 - skip
    zones = [crop.daily(c.temp_c[ahead], c.light_mol[ahead]) for c in (nursery, channels)]
    growth = TrueGrowth(
        *zones,
        np.exp(crop.LEAF_SPREAD * rng.standard_normal(days)),
        np.exp(crop.GROWTH_SPREAD * rng.standard_normal(days)),
    )
    rules = Rules(
        first=first,
        days=min(LEAD_DAYS + round(365.25 * count), days - LONGEST_DAYS),
        sites=SITES,
        cells=CELLS,
        keep_share=KEEP_SHARE,
        heads=heads or 1,
        order_weekday=ORDER_WEEKDAY,
        orders_from=LEAD_DAYS,
        hold_days=HOLD_DAYS,
        seed=seed,
    )
    if heads is None:
        rules = replace(rules, heads=order_that_fits(growth, rules))
    lamps = WEAKLY_LIT.lamp_mol(nursery.hour)
    measured = {1: measure(nursery, lamps, rng), 2: measure(channels, lamps, rng)}
    known, succession = _records(outdoors, rules, measured, members)
    return Years(growth, rules, known, succession)


def _records(
    outdoors: Weather, rules: Rules, measured: dict[int, Measured], members: int
) -> tuple[HouseInput, Succession]:
    site = WEAKLY_LIT.site(outdoors)
    place = House(
        farm_id=1,
        name="Unlit",
        code="unlit",
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        light_transmission=site.transmission,
        co2_ppm=CO2_PPM,
        temp_heat_day_c=site.temp_heat_day_c,
        temp_heat_night_c=site.temp_heat_night_c,
        temp_vent_c=site.temp_vent_c,
        lamp_ppfd_umol=WEAKLY_LIT.lamp_ppfd_umol,
        lamp_start_h=WEAKLY_LIT.lamp_start_h,
        lamp_hours=WEAKLY_LIT.lamp_hours,
    )
    nursery = Zone(
        house_id=1, name="Nursery", code="nursery", kind="nursery", capacity=rules.cells, plants_m2=NURSERY_M2
    )
    channels = Zone(
        house_id=1,
        name="Channels",
        code="channels",
        kind="channels",
        capacity=rules.sites,
        plants_m2=CHANNELS_M2,
    )
    grown = Crop(farm_id=1, name="Butterhead", profile="butterhead", target_fresh_g=crop.CULTIVAR.ready_g)
    succession = Succession(
        house_id=1,
        crop_id=1,
        nursery_zone_id=1,
        channels_zone_id=2,
        name="Butterhead, weekly",
        heads_per_harvest=rules.heads,
        harvest_interval_days=7.0,
        seeding_interval_days=7.0,
        seeding_weekdays=list(rules.seeding_weekdays),
        cells_per_seeding=rules.cells_a_seeding,
        keep_share=rules.keep_share,
    )
    order = Order(
        farm_id=1,
        crop_id=1,
        buyer="Market",
        heads=rules.heads,
        weekdays=[rules.order_weekday],
        starts_on=rules.on(rules.orders_from),
        active=True,
    )
    for row in (place, grown, succession, order):
        row.id = 1
        row.version = 1
    for number, row in enumerate((nursery, channels), 1):
        row.id, row.version = number, 1
    known = HouseInput(
        now=datetime(1970, 1, 1, tzinfo=UTC),
        house=place,
        zones={1: nursery, 2: channels},
        crops={1: grown},
        successions=[succession],
        live=[],
        measured=measured,
        advice={},
        members=members,
        horizon_days=HORIZON_DAYS,
        orders=[order],
        hold_days=float(rules.hold_days),
    )
    return known, succession


def close(
    first_year: int, count: float, *, heads: int | None = None, every_days: int = 7, members: int = 10
) -> Comparison:
    """Close the loop over some simulated years."""
    simulated = years(first_year, count, heads, members=members)
    return compare(
        "Butterhead, weakly lit, 52° N",
        simulated.growth,
        simulated.rules,
        simulated.known,
        simulated.succession,
        follow_from=FOLLOW_FROM,
        every_days=every_days,
    )
