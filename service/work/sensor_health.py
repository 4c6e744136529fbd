"""How the sensors of a house do: what is wrong with each, with its figures, and alerts while it lasts.

A sensor that is silent is judged here too, and told by those who watch the house between re-forecasts.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.agronomy import light, sampling, sun
from service.agronomy import sensor_health as rules
from service.agronomy.sensor_health import AT_ONCE, Found
from service.clock import Clock
from service.records import conditions as condition_records
from service.records import events as event_records
from service.records import places as place_records
from service.records import reforecast as hour_records
from service.records import sensor_health as records
from service.records import sensors as sensor_records
from service.records.store import Store, UnitOfWork
from service.records.tables import House, HouseEvent, Sensor, SensorLag
from service.work.access import SYSTEM, Access
from service.work.alerts import Condition, settle_alerts
from service.work.conditions import corrections_of, light_of
from service.work.events import course_of, lamp_mol
from service.work.places import get_house
from service.work.quantities import QUANTITIES
from service.work.sensors import get_sensor
from service.work.silence import sendings
from service.work.times import EPOCH, epoch_hours
from service.work.words import Words

log = logging.getLogger(__name__)

Array = NDArray[np.float64]

ALERTS: dict[str, str] = {
    "stuck": "sensor_stuck",
    "out_of_range": "sensor_out_of_range",
    "jumping": "sensor_jumping",
    "light_at_night": "sensor_light_at_night",
    "dark_at_noon": "sensor_dark_at_noon",
    "disagreement": "sensors_disagree",
    "drift": "sensor_drift",
    "clock": "sensor_clock",
}
"""The kind of alert for each fault."""
KINDS = frozenset(ALERTS.values())

_DAY = timedelta(days=1)
_HOURS = 24
_HOUR = timedelta(hours=1)
_LAST = timedelta(days=7)  # how far back a last reading is looked for
_DRIFT_DAYS, _DRIFT_RECENT = 112, 21
_DRIFT_DAYS_OUTDOORS, _DRIFT_RECENT_OUTDOORS = 60, 14
_LIGHT = "ppfd_umol"


@dataclass(frozen=True)
class Fault:
    """Something wrong with a sensor, or between two."""

    fault: str
    sentence: str
    next_step: str
    evidence: dict[str, Any]
    other_id: int | None = None


@dataclass(frozen=True)
class Health:
    """How a sensor does."""

    sensor: Sensor
    at: datetime
    last_at: datetime | None
    """Of the last week."""
    readings: int
    """Of the last day."""
    refused: dict[str, int]
    """Dead letters of the last day, by reason."""
    faults: list[Fault] = field(default_factory=list)


@dataclass(frozen=True)
class _Seen:
    """What sensors of a house are judged by."""

    now: datetime
    house: House
    events: Sequence[HouseEvent]
    sensors: Sequence[Sensor]
    readings: dict[int, tuple[Array, Array]]
    """Of the last day: seconds since its beginning, rising, and values, calibrated."""
    refused: dict[int, dict[str, int]]
    lags: dict[int, list[SensorLag]]
    light: dict[int, tuple[NDArray[np.int64], Array]]
    """For drift: epoch hours and light of the whole hour, of sensors that stand for their place alone. [mol m⁻²]"""
    open: set[tuple[str, str]]

    @property
    def start(self) -> datetime:
        """The beginning of the last day, at a full hour."""
        return self.now.replace(minute=0, second=0, microsecond=0) - _DAY

    def standing(self, fault: str, subject: str) -> bool:
        """Tell whether a fault is known already."""
        return (ALERTS[fault], subject) in self.open


async def sensor_health(uow: UnitOfWork, clock: Clock, access: Access, sensor_id: int) -> Health:
    """Return how a sensor does, beside the others of its zone.

    Raises
    ------
    NotFound
        If there is no such sensor.
    """
    sensor = await get_sensor(uow, access, sensor_id)
    house = await get_house(uow, access, sensor.house_id)
    others = [
        s
        for s in await records.active_sensors_of(uow, house.id)
        if s.zone_id == sensor.zone_id and s.quantity == sensor.quantity and s.id != sensor.id
    ]
    seen = await _look(uow, clock.now(), house, [sensor, *others])
    last: datetime | None
    if sensor.id in seen.readings:
        last = seen.start + timedelta(seconds=float(seen.readings[sensor.id][0][-1]))
    else:
        last = await records.last_reading(uow, sensor.id, seen.now - _LAST)
        if last is None:  # silent for long, or never heard of: then it is new
            last = (await condition_records.last_readings(uow, [sensor.id])).get(sensor.id, (None,))[0]
    health = Health(
        sensor,
        seen.now,
        last,
        seen.readings[sensor.id][0].size if sensor.id in seen.readings else 0,
        seen.refused.get(sensor.id, {}),
    )
    since = (seen.now - last) if last else timedelta(0)
    sends = (await sendings(uow, [sensor.id], seen.now)).get(sensor.id, AT_ONCE)
    if sensor.active and last and (found := rules.silent(since.total_seconds(), sensor.interval_s, sends)):
        health.faults.append(_told(sensor, found))
    health.faults.extend(_faults_of(seen, sensor))
    pairs = _disagreements(seen) if sensor.zone_id is not None and sensor.active else []
    health.faults.extend(
        replace(fault, other_id=pair[0] if pair[1] == sensor.id else pair[1])
        for pair, fault in pairs
        if sensor.id in pair
    )
    return health


async def watch_sensors(store: Store, clock: Clock) -> tuple[int, int]:
    """Judge the sensors of every house; return how many alerts were opened and how many closed.

    A house that fails is logged and does not stop the others.
    """
    async with store.read() as uow:
        ids = await place_records.all_house_ids(uow)
    opened = closed = 0
    for house_id in ids:
        try:
            changed = await watch_house(store, clock, house_id)
        except Exception:
            log.exception("looking at the sensors of house %s failed", house_id, extra={"action": "sensors"})
            continue
        opened, closed = opened + changed[0], closed + changed[1]
    return opened, closed


async def watch_house(store: Store, clock: Clock, house_id: int) -> tuple[int, int]:
    """Judge the sensors of a house; return how many alerts were opened and how many closed."""
    async with store.read() as uow:
        house = await get_house(uow, SYSTEM, house_id)
        seen = await _look(uow, clock.now(), house, await records.active_sensors_of(uow, house_id))
    found = [
        _condition(sensor, fault, f"sensor:{sensor.id}")
        for sensor in seen.sensors
        for fault in _faults_of(seen, sensor)
    ]
    by_id = {sensor.id: sensor for sensor in seen.sensors}
    found += [
        _condition(by_id[pair[0]], fault, _subject(pair), by_id[pair[1]])
        for pair, fault in _disagreements(seen)
    ]
    async with store.write() as uow:
        return await settle_alerts(uow, clock, house_id, KINDS, found)


# --------------------------------------------------------------------------- what is read


async def _look(uow: UnitOfWork, now: datetime, house: House, sensors: Sequence[Sensor]) -> _Seen:
    ids = [sensor.id for sensor in sensors]
    start = now.replace(minute=0, second=0, microsecond=0) - _DAY
    events = await event_records.events_of(uow, house.id)
    rows: dict[int, list[tuple[float, float]]] = {}
    for sensor_id, at, value in await condition_records.readings_between(uow, ids, start, now):
        rows.setdefault(sensor_id, []).append(((at - start).total_seconds(), value))
    corrections = await corrections_of(uow, list(rows), start)
    readings = {}
    for sensor in sensors:
        if sensor.id in rows:
            times, values = np.array(rows[sensor.id]).T
            readings[sensor.id] = sampling.corrected(
                times, values, sensor.sampling, corrections.get(sensor.id, ())
            )
    lags: dict[int, list[SensorLag]] = {}
    for row in await sensor_records.lags_since(uow, ids, now - _DAY):
        lags.setdefault(row.sensor_id, []).append(row)
    return _Seen(
        now=now,
        house=house,
        events=events,
        sensors=sensors,
        readings=readings,
        refused=await records.refused_since(uow, ids, now - _DAY),
        lags=lags,
        light={s.id: await _light(uow, s, now) for s in _alone(sensors)},
        open=await records.open_of_kinds(uow, house.id, sorted(KINDS)),
    )


def _alone(sensors: Sequence[Sensor]) -> list[Sensor]:
    """Return the light sensors that are the only one of their zone, so that its hours are theirs, or are outdoors."""
    lights = [s for s in sensors if s.quantity == _LIGHT and s.active]
    return [s for s in lights if s.zone_id is None or sum(o.zone_id == s.zone_id for o in lights) == 1]


async def _light(uow: UnitOfWork, sensor: Sensor, now: datetime) -> tuple[NDArray[np.int64], Array]:
    if sensor.zone_id is None:
        end = now.replace(minute=0, second=0, microsecond=0)
        found = await light_of(uow, [sensor], end - timedelta(days=_DRIFT_DAYS_OUTDOORS), end)
    else:
        rows = await hour_records.hours_since(uow, sensor.zone_id, now - timedelta(days=_DRIFT_DAYS), now)
        found = {at: mol / share for at, _, _, mol, share in rows if mol is not None and share >= 0.9}
    hour = np.array([(at - EPOCH) // _HOUR for at in found], dtype=np.int64)
    return hour, np.array(list(found.values()), dtype=np.float64)


# --------------------------------------------------------------------------- what is wrong


def _faults_of(seen: _Seen, sensor: Sensor) -> list[Fault]:
    """Return what is wrong with a sensor by itself, its silence left out."""
    subject = f"sensor:{sensor.id}"
    found: list[Found | None] = []
    times, values = seen.readings.get(sensor.id, (np.empty(0), np.empty(0)))
    refused = seen.refused.get(sensor.id, {}).get("out_of_range", 0)
    found.append(rules.out_of_range(refused, times.size, standing=seen.standing("out_of_range", subject)))
    if times.size:
        place = (seen.house.latitude_deg, seen.house.longitude_deg)
        sun_deg = sun.sun_elevation_deg(*place, epoch_hours(seen.start) + times / 3600.0)
        if sensor.sampling != "total":
            found.append(
                rules.stuck(times, values, sensor.quantity, sun_deg, standing=seen.standing("stuck", subject))
            )
            found.append(
                rules.jumping(
                    times,
                    values,
                    sensor.quantity,
                    sensor.interval_s,
                    standing=seen.standing("jumping", subject),
                )
            )
        if sensor.quantity == _LIGHT:
            found.extend(_by_the_sun(seen, sensor, subject))
    if lags := seen.lags.get(sensor.id):
        found.append(
            rules.clock_offset(
                np.array([row.low_s for row in lags]),
                sum(row.messages for row in lags),
                sensor.interval_s,
                standing=seen.standing("clock", subject),
            )
        )
    return [_told(sensor, one) for one in found if one is not None]


def _hourly(seen: _Seen, sensor: Sensor) -> Array:
    """Return a sensor's means of the last day's hours, NaN where less than half was measured."""
    times, values = seen.readings.get(sensor.id, (np.empty(0), np.empty(0)))
    sums = sampling.hourly(times, values, sensor.sampling, sensor.interval_s, 0.0, _HOURS)
    scale = 1e6 if sensor.sampling == "total" else 1.0  # a running total is kept in mol
    return np.where(sums.coverage >= 0.5, sums.mean * scale, np.nan)


def _by_the_sun(seen: _Seen, sensor: Sensor, subject: str) -> list[Found | None]:
    house = seen.house
    place = (house.latitude_deg, house.longitude_deg)
    hours = int(epoch_hours(seen.start)) + np.arange(_HOURS)
    within = np.array([sun.sun_elevation_deg(*place, hours + part) for part in (0.0, 0.25, 0.5, 0.75, 1.0)])
    ppfd = _hourly(seen, sensor)
    lamps = lamp_mol(house, np.arange(hours[0] - 1, hours[-1] + 2), seen.events)
    lit = (lamps[:-2] > 0) | (lamps[1:-1] > 0) | (lamps[2:] > 0)
    clear = _clear_mol(seen, sensor, hours) * 1e6 / 3600.0
    found = [
        rules.light_at_night(
            ppfd, within.max(axis=0), lit, standing=seen.standing("light_at_night", subject)
        ),
        rules.dark_at_noon(ppfd, within.min(axis=0), clear, standing=seen.standing("dark_at_noon", subject)),
    ]
    if sensor.id in seen.light and seen.light[sensor.id][0].size:
        hour, mol = seen.light[sensor.id]
        inside = sensor.zone_id is not None
        found.append(
            rules.drift(
                hour,
                mol - lamp_mol(house, hour, seen.events) if inside else mol,
                _clear_mol(seen, sensor, hour),
                sun.sun_elevation_deg(*place, hour + 0.5),
                int(epoch_hours(seen.now)),
                _DRIFT_RECENT if inside else _DRIFT_RECENT_OUTDOORS,
                standing=seen.standing("drift", subject),
            )
        )
    return found


def _clear_mol(seen: _Seen, sensor: Sensor, hours: NDArray[np.int64]) -> Array:
    """Return what would reach a sensor under a clear sky: through roof and shade paint, if it is not outdoors."""
    house = seen.house
    above = sun.extraterrestrial_hourly_mj(house.latitude_deg, house.longitude_deg, hours)
    clear = light.light_mol_from_global_mj(sun.clear_sky_radiation_mj(above, house.elevation_m))
    if sensor.zone_id is None:
        return clear
    return clear * house.light_transmission * course_of(house, seen.events).at(hours).shade


def _disagreements(seen: _Seen) -> list[tuple[tuple[int, int], Fault]]:
    """Return which sensors of one zone and quantity are apart."""
    groups: dict[tuple[int, str], list[Sensor]] = {}
    for sensor in seen.sensors:
        if sensor.zone_id is not None and sensor.id in seen.readings:
            groups.setdefault((sensor.zone_id, sensor.quantity), []).append(sensor)
    apart = []
    for (_, quantity), group in groups.items():
        if len(group) < 2:
            continue
        means = {sensor.id: _hourly(seen, sensor) for sensor in group}
        for one, other in combinations(sorted(group, key=lambda s: s.id), 2):
            pair = (one.id, other.id)
            found = rules.disagreement(
                means[one.id],
                means[other.id],
                quantity,
                standing=seen.standing("disagreement", _subject(pair)),
            )
            if found:
                apart.append((pair, _told(one, found, other)))
    return apart


def _subject(pair: tuple[int, int]) -> str:
    return f"sensors:{pair[0]}:{pair[1]}"


# --------------------------------------------------------------------------- in words

_TITLES = {
    "stuck": "stuck",
    "out_of_range": "outside what it can measure",
    "jumping": "jumping",
    "light_at_night": "light at night",
    "dark_at_noon": "dark at noon",
    "disagreement": "two sensors disagree",
    "drift": "light drifts from the clear sky",
    "clock": "the device's clock is off",
}
_STEPS = {
    "silent": "Look at its power, its link and the broker.",
    "stuck": "Look at the sensor and its cable; a device that lost its sensor often repeats the last value.",
    "out_of_range": "Look at its unit here and on the device, at its cable, and at what it hangs in.",
    "jumping": "Look for a loose plug, water in it, or a power cable beside its own.",
    "light_at_night": "If lamps were on, put them into the house's lamp schedule; else look at the device's clock and"
    " the sensor's unit.",
    "dark_at_noon": "Look whether it is covered or unplugged, and at the device's clock.",
    "disagreement": "Hold both beside a third; clean them, and record a calibration for the one that is wrong.",
    "drift": "Clean the sensor and look at the roof above it; record shade paint if it was put on; compare it with a"
    " hand-held meter and record a calibration.",
    "clock": "Put the device's clock right, or set clockCorrectionS of the sensor to the figure given.",
}


def _told(sensor: Sensor, found: Found, other: Sensor | None = None) -> Fault:
    """Return what was found, in a sentence."""
    e: dict[str, Any] = dict(found.evidence)
    unit = "" if sensor.quantity == "ph" else f" {QUANTITIES[sensor.quantity].unit}"
    match found.fault:
        case "silent":
            said = f"No reading for {e['sinceLastS'] / 60:.0f} min or more; one is due every {sensor.interval_s:g} s."
        case "stuck":
            said = f"The last {e['readings']} readings, over {e['hours']:g} h, are all {e['value']:g}{unit}."
        case "out_of_range":
            said = f"In a day {e['refused']} messages were outside the plausible range, and {e['taken']} readings good."
        case "jumping":
            said = (
                f"It jumped {e['jumps']} times in a day by more than {e['limit']:g}{unit} and straight back, by"
                f" {e['largest']:g} at most."
            )
        case "light_at_night":
            said = (
                f"{e['meanUmol']:g} µmol m-2 s-1 in {e['hours']} hours with the sun {-e['sunDeg']:.0f}° or more below"
                " the horizon and no lamps due."
            )
        case "dark_at_noon":
            said = (
                f"{e['meanUmol']:g} µmol m-2 s-1 in {e['hours']} hours with the sun {e['sunDeg']:.0f}° high, where a"
                f" clear sky gives {e['clearSkyUmol']:.0f}."
            )
        case "disagreement":
            size = (
                f"{100 * abs(e['apart']):.0f} %"
                if sensor.quantity == _LIGHT
                else f"{abs(e['apart']):.2f}{unit}"
            )
            name = other.name if other else "another"
            said = (
                f"{sensor.name} reads {size} {'more' if e['apart'] > 0 else 'less'} than {name} (median of"
                f" {e['hours']} hours)."
            )
        case "drift":
            said = (
                f"Against a clear sky it reads {100 * abs(e['change']):.0f} % {'more' if e['change'] > 0 else 'less'}"
                f" than before: {100 * e['shareNow']:.0f} % of it in the best hours now,"
                f" {100 * e['shareBefore']:.0f} % before."
            )
        case _:
            correction = round((sensor.clock_correction_s or 0.0) + e["behindS"])
            e["clockCorrectionS"] = correction
            side = "behind" if e["behindS"] > 0 else "ahead"
            whole = f", about {abs(e['wholeHours'])} h: a time zone" if "wholeHours" in e else ""
            said = (
                f"Its times are steadily {abs(e['behindS']):.0f} s {side} their arrival{whole}"
                f" ({e['messages']} messages, within {e['spreadS']:.0f} s)."
            )
    if other is not None:
        e |= {"sensorId": sensor.id, "otherSensorId": other.id}
    return Fault(found.fault, said, _STEPS[found.fault], e, other.id if other else None)


def _condition(sensor: Sensor, fault: Fault, subject: str, other: Sensor | None = None) -> Condition:
    return Condition(
        kind=ALERTS[fault.fault],
        subject=subject,
        severity="warning",
        title=f"{sensor.name}: {_TITLES[fault.fault]}",
        detail=fault.sentence,
        next_step=fault.next_step,
        evidence=fault.evidence,
        words=_words(sensor, fault, other),
    )


def _words(sensor: Sensor, fault: Fault, other: Sensor | None) -> Words:
    """Return a fault as a code and figures."""
    e = fault.evidence
    warm = sensor.quantity.startswith("temp_")
    unit = QUANTITIES[sensor.quantity].unit
    said: Words = {"code": "is", "sensor": sensor.name}
    match fault.fault:
        case "stuck":
            value = {"valueC": e["value"]} if warm else {"value": e["value"], "unit": unit}
            said |= {
                "code": "warmth" if warm else "is",
                "readings": e["readings"],
                "hours": e["hours"],
                **value,
            }
        case "out_of_range":
            said |= {"refused": e["refused"], "taken": e["taken"]}
        case "jumping":
            by = (
                {"limitByC": e["limit"], "largestByC": e["largest"]}
                if warm
                else {"limit": e["limit"], "largest": e["largest"], "unit": unit}
            )
            said |= {"code": "warmth" if warm else "is", "jumps": e["jumps"], **by}
        case "light_at_night":
            said |= {"mean": e["meanUmol"], "hours": e["hours"], "below": round(-e["sunDeg"])}
        case "dark_at_noon":
            clear = round(e["clearSkyUmol"])
            said |= {"mean": e["meanUmol"], "hours": e["hours"], "above": round(e["sunDeg"]), "clear": clear}
        case "disagreement":
            kind, apart = "", abs(e["apart"])
            if sensor.quantity == _LIGHT:
                kind, size = "light_", {"apartShare": apart}
            else:
                size = {"apartByC": apart} if warm else {"apart": round(apart, 2), "unit": unit}
                kind = "warmth_" if warm else ""
            side = "more" if e["apart"] > 0 else "less"
            said |= {"code": kind + side, "other": other.name if other else "", "hours": e["hours"], **size}
        case "drift":
            side = "more" if e["change"] > 0 else "less"
            shares = {
                "changeShare": abs(e["change"]),
                "nowShare": e["shareNow"],
                "beforeShare": e["shareBefore"],
            }
            said |= {"code": side, **shares}
        case _:
            side = "behind" if e["behindS"] > 0 else "ahead"
            said |= {"code": side, "seconds": round(abs(e["behindS"])), "messages": e["messages"]}
    return said
