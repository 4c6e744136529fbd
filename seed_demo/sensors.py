"""The simulated sensors: what each measures, in which unit, and how its messages look.

They are unlike on purpose, as sensors are: arrays of samples with ISO times or epoch seconds, one object with
the values of two sensors, lux, a running total of radiation, degrees Fahrenheit.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np

from seed_demo.house import STEP_S, STEPS_PER_HOUR, ZoneClimate
from seed_demo.local import local_seconds
from seed_demo.weather import Array
from service.agronomy.light import lux_from_ppfd

Shape = Literal["pairs", "objects", "box"]

_DAY_S = 86_400
_TEMP_NOISE_C = 0.12
_LIGHT_NOISE = 0.004  # relative


@dataclass(frozen=True)
class Message:
    """One MQTT message and the moment at which it is sent."""

    at: datetime
    topic: str
    payload: bytes
    readings: int


@dataclass(frozen=True, kw_only=True)
class SensorTraits:
    """A sensor of a zone as it is set up, and how far off it is."""

    key: str
    name: str
    quantity: Literal["temp_air_c", "ppfd_umol"]
    unit: str
    sampling: str
    shape: Shape
    topic: str | None = None  # none: the default topic
    interval_s: int = STEP_S
    value_pointer: str = ""
    time_pointer: str = ""
    light_source: str = "sun"
    gain: float = 1.0
    delay_s: int = 7  # from the last sample to the message

    def setup(self) -> dict[str, Any]:
        """Return the body that creates it, without the references to house and zone."""
        body: dict[str, Any] = {
            "name": self.name,
            "quantity": self.quantity,
            "unit": self.unit,
            "sampling": self.sampling,
            "intervalS": self.interval_s,
        }
        optional = {
            "topic": self.topic,
            "valuePointer": self.value_pointer,
            "timePointer": self.time_pointer,
            "lightSource": self.light_source if self.quantity == "ppfd_umol" else "",
        }
        return body | {name: value for name, value in optional.items() if value}


def messages(
    sensors: Sequence[SensorTraits],
    default_topic: Callable[[SensorTraits], str],
    climate: ZoneClimate,
    time_zone: str,
    rng: np.random.Generator,
) -> Iterator[Message]:
    """Return what the sensors of one zone send, topic by topic."""
    by_topic: dict[str, list[SensorTraits]] = {}
    for sensor in sensors:
        by_topic.setdefault(sensor.topic or default_topic(sensor), []).append(sensor)
    for topic, sharing in by_topic.items():
        values = {sensor.key: _values(sensor, climate, ZoneInfo(time_zone), rng) for sensor in sharing}
        if sharing[0].shape == "box":
            yield from _boxes(topic, sharing, values, climate)
        else:
            yield from _arrays(topic, sharing[0], values[sharing[0].key], climate)


def _values(sensor: SensorTraits, climate: ZoneClimate, zone: ZoneInfo, rng: np.random.Generator) -> Array:
    """Return a value a step, in the sensor's unit."""
    noise = rng.standard_normal(len(climate.time_s))
    if sensor.quantity == "temp_air_c":
        celsius = climate.temp_c + _TEMP_NOISE_C * noise
        return np.round(celsius * 1.8 + 32.0 if sensor.unit == "degF" else celsius, 2)
    off = sensor.gain * (1.0 + _LIGHT_NOISE * noise)
    if sensor.unit == "J cm-2":
        joule_cm2 = climate.sun_w_m2 * off * STEP_S * 1e-4
        day = local_seconds(climate.time_s, zone) // _DAY_S
        total = np.cumsum(joule_cm2)
        before_day = np.concatenate(([0.0], total[:-1]))[np.searchsorted(day, day)]
        return np.round(total - before_day, 2)
    if sensor.unit == "lx":
        lux: Array = lux_from_ppfd(climate.ppfd_umol * off, sensor.light_source)
        return np.round(lux)
    if sensor.unit == "umol m-2 s-1":
        return np.round(climate.ppfd_umol * off, 1)
    raise ValueError(f"no simulated sensor speaks {sensor.unit}")


def _stamps(sensor: SensorTraits, climate: ZoneClimate) -> list[int]:
    """Return the times of the values: of a running total the end of the step, of an instant its middle."""
    shift = STEP_S if sensor.sampling == "total" else STEP_S // 2
    return [int(second) + shift for second in climate.time_s]


def _arrays(topic: str, sensor: SensorTraits, values: Array, climate: ZoneClimate) -> Iterator[Message]:
    """Return an array of samples every hour."""
    stamps, numbers = _stamps(sensor, climate), values.tolist()
    for first in range(0, len(stamps), STEPS_PER_HOUR):
        chosen = range(first, first + STEPS_PER_HOUR)
        document: list[Any]
        if sensor.shape == "pairs":
            document = [[stamps[i], numbers[i]] for i in chosen]
        else:
            document = [{"time": _iso(stamps[i]), "value": numbers[i]} for i in chosen]
        yield Message(_sent(stamps[chosen[-1]], sensor), topic, _encode(document), len(document))


def _boxes(
    topic: str, sensors: Sequence[SensorTraits], values: Mapping[str, Array], climate: ZoneClimate
) -> Iterator[Message]:
    """Return objects with the means of all sensors in one box, at the ends of the intervals."""
    steps = sensors[0].interval_s // STEP_S
    means = {key: np.round(series.reshape(-1, steps).mean(axis=1), 2) for key, series in values.items()}
    for number, start in enumerate(climate.time_s[::steps].tolist()):
        end = start + sensors[0].interval_s
        document: dict[str, Any] = {"time": _iso(end)}
        for sensor in sensors:
            group, name = sensor.value_pointer.strip("/").split("/")
            document.setdefault(group, {})[name] = float(means[sensor.key][number])
        yield Message(_sent(end, sensors[0]), topic, _encode(document), len(sensors))


def _sent(last_sample_s: int, sensor: SensorTraits) -> datetime:
    return datetime.fromtimestamp(last_sample_s, UTC) + timedelta(seconds=sensor.delay_s)


def _iso(second: int) -> str:
    return datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _encode(document: Any) -> bytes:
    return json.dumps(document, separators=(",", ":")).encode()
