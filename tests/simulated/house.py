"""Two simulated houses: unlit at 52° N and lit at 36° N.

Light indoors is light outdoors times the transmission, plus lamps. The sun warms the air above outdoors, heating
keeps it above the set points, ventilation lets go what is above its own, all but a leak. The house follows with
some hours' inertia. Transmission and heat gain are the house's own; what a grower would write down of it (the
:class:`~service.agronomy.outlook.Site`) is a little off, as it is in life.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from service.agronomy.light import light_mol_from_global_mj
from service.agronomy.outlook import Site
from tests.simulated.weather import Array, Weather

NURSERY_WARMER_C = 4.0  # seedlings stand on a heated table
NURSERY_LIGHT = 0.95  # against the channels, which get the house's


@dataclass(frozen=True, kw_only=True)
class House:
    """How a house answers to the weather."""

    transmission: float
    said_transmission: float  # what its grower believes
    heat_day_c: float
    heat_night_c: float
    vent_c: float
    sun_gain_c: float = 4.0  # above outdoors for each MJ m-2 h-1
    vent_leak: float = 0.25  # share of the excess over the ventilation set point that remains
    lamp_ppfd_umol: float = 0.0
    lamp_start_h: float = 0.0  # UTC
    lamp_hours: float = 0.0

    def site(self, weather: Weather) -> Site:
        """Return what the grower knows of it."""
        return Site(
            latitude_deg=weather.latitude_deg,
            longitude_deg=weather.longitude_deg,
            transmission=self.said_transmission,
            temp_heat_day_c=self.heat_day_c,
            temp_heat_night_c=self.heat_night_c,
            temp_vent_c=self.vent_c,
        )

    def lamp_mol(self, hour: np.ndarray) -> Array:
        """Return what the lamps give in each hour. [mol m⁻²]"""
        on = (hour - self.lamp_start_h) % 24.0 < self.lamp_hours
        return np.where(on, self.lamp_ppfd_umol * 3600.0 / 1e6, 0.0)


UNLIT = House(transmission=0.62, said_transmission=0.60, heat_day_c=16.0, heat_night_c=14.0, vent_c=22.0)
LIT = House(
    transmission=0.58,
    said_transmission=0.60,
    heat_day_c=19.0,
    heat_night_c=17.0,
    vent_c=24.0,
    lamp_ppfd_umol=150.0,
    lamp_start_h=9.0,
    lamp_hours=16.0,
)


@dataclass(frozen=True)
class Climate:
    """True conditions of a zone, hour by hour."""

    hour: np.ndarray
    temp_c: Array
    light_mol: Array  # mol m-2 in each hour, lamps included


def indoors(house: House, weather: Weather) -> tuple[Climate, Climate]:
    """Return the climate of nursery and channels."""
    lamps = house.lamp_mol(weather.hour)
    sun = light_mol_from_global_mj(weather.global_mj) * house.transmission
    heat = np.where(weather.global_mj > 0.02, house.heat_day_c, house.heat_night_c)
    balance = np.maximum(weather.temp_c + house.sun_gain_c * weather.global_mj, heat)
    excess = np.maximum(balance - house.vent_c, 0.0)
    # Open vents cannot cool below outdoors.
    balance = np.maximum(
        balance - (1.0 - house.vent_leak) * excess, np.minimum(balance, weather.temp_c + 1.0)
    )
    share = 0.6  # of the way to the balance that the air goes in an hour
    temp = lfilter([share], [1.0, share - 1.0], balance, zi=[(1.0 - share) * balance[0]])[0]
    return (
        Climate(weather.hour, temp + NURSERY_WARMER_C, NURSERY_LIGHT * sun + lamps),
        Climate(weather.hour, temp, sun + lamps),
    )
