"""From what arrives to what a zone's plants got: readings, and the conditions of each clock hour.

Messages come decoded (:class:`Arrival`); here their values are converted, checked against the plausible
range and the clock, and stored together with the marks of the hours they touch, in one transaction. Hours are
computed from the readings afterwards, just those that were touched, so that late, repeated and corrected
readings count.
"""

from __future__ import annotations

import logging
import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.agronomy import sampling
from service.records import conditions as records
from service.records import days as day_records
from service.records import sensors as sensor_records
from service.records.conditions import Refused
from service.records.store import UnitOfWork
from service.records.tables import Hour, Sensor
from service.work.quantities import line, plausible_range
from service.work.times import day_begin

__all__ = [
    "REASONS",
    "USUAL_LIMITS",
    "Arrival",
    "Columns",
    "Decoded",
    "Directory",
    "Fault",
    "Lags",
    "Limits",
    "Refused",
    "Sample",
    "Stored",
    "Stream",
    "corrections_of",
    "judge_arrival",
    "keep_lags",
    "load_directory",
    "settle_hours",
    "store_again",
    "store_arrivals",
    "store_decoded",
    "stream_of",
    "told",
    "touch_span",
]

_log = logging.getLogger(__name__)

REASONS: dict[str, str] = {
    "malformed": "not a number, not JSON, or of a shape that holds no samples",
    "no_value": "no number where the sensor's value should be",
    "bad_time": "a time that cannot be read, or that has no offset",
    "not_finite": "not a number (NaN) or infinite",
    "out_of_range": "outside what the sensor can plausibly measure",
    "in_the_future": "ahead of the clock",
    "too_old": "older than readings are taken",
    "unknown_topic": "no sensor claims the topic",
    "oversized": "larger than a message may be",
    "bad_forecast": "a weather forecast that cannot be taken",
    "refused": "the database refused it",
}
"""Why a message, or a part of it, is kept as a dead letter instead of as readings."""

KEPT_BYTES = 4096
"""How much of a payload is kept where it is only shown: oversized messages and unknown topics."""
_KEPT_PER_UNKNOWN_TOPIC = 1000
MOST_UNKNOWN_TOPICS = 10_000
"""Listed for adoption by name; those beyond are counted together, for their names cost space that anyone can fill."""
OTHER_TOPICS = "#"
"""The name under which they are counted: no message can have it as its topic."""
_KEPT_TOPIC_LENGTH = 255
_FAULTS_NAMED = 20

TEMPERATURE = "temp_air_c"
LIGHT = "ppfd_umol"
_HOURLY = (TEMPERATURE, LIGHT)

_HOUR = timedelta(hours=1)
_HOUR_S = 3600
_HOUR_US = 3_600_000_000
_MICROSECOND = timedelta(microseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MEASURED_SHARE = 0.5  # of an hour, for its light to count
_SPAN_GAP = timedelta(hours=12)
_SENSORS_AT_ONCE = 10  # of a zone, whose readings of a run of hours are held together
_ROWS_AT_ONCE = 20_000  # read for a run of hours, about: what a farm sends in a day may not fit into memory


# --------------------------------------------------------------------------- what arrives


@dataclass(frozen=True, slots=True)
class Stream:
    """What taking messages needs to know of a sensor."""

    sensor_id: int
    topic: str
    value_pointer: str
    time_pointer: str
    scale: float
    offset: float
    low: float
    high: float
    zone_id: int | None
    """The zone whose hours its readings make; none: they make no hours."""
    reach_before_s: float
    reach_after_s: float
    clock_correction_us: int = 0
    """Added to the times its messages bring."""
    farm_id: int | None = None
    """Whose it is; none: it was not asked."""


def stream_of(sensor: Sensor, farm_id: int | None = None) -> Stream:
    """Return what taking messages needs to know of a sensor.

    Raises
    ------
    ValueError
        If its quantity, unit and light source do not go together.
    """
    conversion = line(sensor.quantity, sensor.unit, sensor.light_source)
    low, high = plausible_range(sensor.quantity, sensor.sampling)
    before_s, after_s = sampling.reach_s(sensor.sampling, sensor.interval_s)
    return Stream(
        sensor_id=sensor.id,
        topic=sensor.topic,
        value_pointer=sensor.value_pointer,
        time_pointer=sensor.time_pointer,
        scale=conversion.scale * sensor.factor,
        offset=conversion.offset * sensor.factor,
        low=low if sensor.valid_min is None else sensor.valid_min,
        high=high if sensor.valid_max is None else sensor.valid_max,
        zone_id=sensor.zone_id if sensor.quantity in _HOURLY else None,
        reach_before_s=before_s,
        reach_after_s=after_s,
        clock_correction_us=_us(sensor.clock_correction_s or 0.0),
        farm_id=farm_id,
    )


class Directory:
    """The sensors by topic, as they were when last looked at."""

    def __init__(self, mark: tuple[int, int, int] | None = None, streams: Iterable[Stream] = ()) -> None:
        self.mark = mark
        self.streams = tuple(streams)
        self._by_topic: dict[str, tuple[Stream, ...]] = {}
        for stream in self.streams:
            self._by_topic[stream.topic] = (*self._by_topic.get(stream.topic, ()), stream)
        self._place = {id(stream): place for place, stream in enumerate(self.streams)}
        self.sensor_id = self._column([stream.sensor_id for stream in self.streams], np.int64)
        self.zone_id = self._column(
            [-1 if stream.zone_id is None else stream.zone_id for stream in self.streams], np.int64
        )
        self.inside = np.unique(self.sensor_id[self.zone_id >= 0])
        self.scale = self._column([stream.scale for stream in self.streams], np.float64)
        self.offset = self._column([stream.offset for stream in self.streams], np.float64)
        self.low = self._column([stream.low for stream in self.streams], np.float64)
        self.high = self._column([stream.high for stream in self.streams], np.float64)
        self.before_us = self._column([_us(stream.reach_before_s) for stream in self.streams], np.int64)
        self.after_us = self._column([_us(stream.reach_after_s) for stream in self.streams], np.int64)
        self.clock_us = self._column([stream.clock_correction_us for stream in self.streams], np.int64)
        self.lags = Lags(len(self.streams))

    @staticmethod
    def _column(values: Sequence[float], kind: type[Any]) -> NDArray[Any]:
        return np.array(values, dtype=kind)

    def of(self, topic: str) -> tuple[Stream, ...]:
        """Return the sensors of a topic; none: nobody claims it."""
        return self._by_topic.get(topic, ())

    def answerable(self, topic: str, faults: Sequence[Fault]) -> int | None:
        """Return the sensor to which a message that is no reading is put down, so that its farm sees it.

        It is the one that is at fault, else the first of those that share the topic, if all are of one farm.
        """
        named = {fault.sensor_id for fault in faults if fault.sensor_id is not None}
        if len(named) == 1:
            return named.pop()
        streams = self.of(topic)
        if len(streams) == 1 or len({stream.farm_id for stream in streams} | {None}) == 2:
            return streams[0].sensor_id
        return None

    def place(self, stream: Stream) -> int:
        """Return where a sensor of this directory stands in its columns."""
        return self._place[id(stream)]

    def knows(self, stream: Stream) -> bool:
        """Tell whether a sensor is one of this directory."""
        return id(stream) in self._place

    def topics(self) -> Iterable[str]:
        """Return the topics that are claimed."""
        return self._by_topic


class Lags:
    """How far the times in messages lie behind their arrival, by sensor, since they were last kept.

    Of a message that holds several samples the newest counts. Messages without a time of their own say nothing.
    """

    def __init__(self, sensors: int) -> None:
        self.kept_at: datetime | None = None
        self._sensors = sensors
        self.clear()

    def clear(self) -> None:
        """Begin anew."""
        self.low_us = np.full(self._sensors, np.iinfo(np.int64).max)
        self.high_us = np.full(self._sensors, np.iinfo(np.int64).min)
        self.messages = np.zeros(self._sensors, dtype=np.int64)

    def add(self, places: NDArray[np.int64], lags_us: NDArray[np.int64]) -> None:
        """Count messages of sensors."""
        np.minimum.at(self.low_us, places, lags_us)
        np.maximum.at(self.high_us, places, lags_us)
        np.add.at(self.messages, places, 1)


_LAGS_EVERY = timedelta(minutes=1)


async def keep_lags(uow: UnitOfWork, directory: Directory, now: datetime) -> None:
    """Keep how far the times in messages lie behind their arrival, about once a minute."""
    lags = directory.lags
    if lags.kept_at is None:
        lags.kept_at = now
    elif now - lags.kept_at >= _LAGS_EVERY and lags.messages.any():
        hour = now.replace(minute=0, second=0, microsecond=0)
        rows = [
            {
                "sensor_id": int(directory.sensor_id[place]),
                "at": hour,
                "low_s": float(lags.low_us[place]) / 1e6,
                "high_s": float(lags.high_us[place]) / 1e6,
                "messages": int(lags.messages[place]),
            }
            for place in np.flatnonzero(lags.messages).tolist()
        ]
        await sensor_records.add_lags(uow, sorted(rows, key=lambda row: row["sensor_id"]))
        lags.clear()
        lags.kept_at = now


def _us(seconds: float) -> int:
    return round(seconds * 1e6)


async def load_directory(uow: UnitOfWork, known: Directory) -> Directory:
    """Return ``known`` itself if no sensor was added or changed since, else the sensors as they are now."""
    mark = await records.sensors_mark(uow)
    if mark == known.mark:
        return known
    streams = []
    farms = await records.farms_of_houses(uow)
    for sensor in await records.active_sensors(uow):
        try:
            streams.append(stream_of(sensor, farms[sensor.house_id]))
        except ValueError as error:
            _log.error("Sensor %s (%s) takes no messages: %s", sensor.id, sensor.topic, error)
    return Directory(mark, streams)


class Sample(NamedTuple):
    """One value of one sensor, in the unit of its payloads."""

    stream: Stream
    at: datetime
    value: float
    where: str = ""
    """The place in the message, where it holds several."""


class Fault(NamedTuple):
    """Why a message or a part of it is not a reading."""

    reason: str
    detail: str
    sensor_id: int | None = None


@dataclass(slots=True)
class Arrival:
    """One message, decoded for the sensors of its topic."""

    topic: str
    payload: bytes
    received_at: datetime
    size_bytes: int
    """Size of the whole message, of which ``payload`` may be only the first part."""
    samples: Sequence[Sample] = ()
    faults: Sequence[Fault] = ()


@dataclass(slots=True)
class Columns:
    """The samples of many messages, one a row. Times are microseconds since 1970."""

    places: list[int] = field(default_factory=list)
    """Of the sensor in the directory."""
    at_us: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    """As they came, in the unit of the sensor's payloads."""
    messages: list[int] = field(default_factory=list)
    """The number of the message, which grows."""


@dataclass(slots=True)
class Decoded:
    """Messages in order of arrival, decoded: plain ones as columns, the others one by one."""

    directory: Directory
    received_us: Sequence[int]
    columns: Columns
    arrivals: dict[int, Arrival]
    """By the number of the message."""
    again: Callable[[int], Arrival]
    """Decodes a plain message once more, sample by sample, to say what is wrong with it."""


@dataclass(frozen=True)
class Limits:
    """Which moments are taken, against the moment of arrival."""

    max_lead: timedelta
    max_age: timedelta


USUAL_LIMITS = Limits(timedelta(minutes=5), timedelta(days=400))
"""As the settings have them, unless they are changed."""


@dataclass
class Stored:
    """What became of some arrivals."""

    readings: int = 0
    good: int = 0
    """Messages without a fault; of two values for one moment only the later becomes a reading."""
    dead_letters: int = 0
    """Messages that are, in part or as a whole, no readings; also those that are only counted."""
    touched: set[tuple[int, datetime]] = field(default_factory=set)


async def store_arrivals(uow: UnitOfWork, arrivals: Sequence[Arrival], limits: Limits) -> Stored:
    """Store messages that were decoded one by one, see :func:`store_decoded`."""

    def none(number: int) -> Arrival:
        raise IndexError(number)

    decoded = Decoded(Directory(), (), Columns(), dict(enumerate(arrivals)), none)
    return await store_decoded(uow, decoded, limits)


async def store_decoded(uow: UnitOfWork, decoded: Decoded, limits: Limits) -> Stored:
    """Store the readings in some messages, and the rest with the reason why it is none.

    Of two values of one sensor for one moment the later to arrive wins. Every message is accounted for: as
    readings, as a dead letter, or as both.

    Raises
    ------
    Refused
        If the database refuses the rows, for example because a sensor was removed meanwhile.
    """
    apart = set(decoded.arrivals)
    plain, touched = _plain_readings(decoded, limits)
    taken: list[tuple[int, int, float, int]] = []
    letters: list[dict[str, Any]] = []
    unknown: list[Arrival] = []
    for number in sorted(decoded.arrivals):
        arrival = decoded.arrivals[number]
        samples = [_by_our_clock(sample, arrival.received_at) for sample in arrival.samples]
        if number in apart:
            _count_lags(decoded.directory, samples, arrival.received_at)
        faults = _judge(arrival, samples, number, limits, taken, touched)
        if faults:
            if faults[0].reason == "unknown_topic":
                unknown.append(arrival)
            letters.append(_letter(arrival, faults, decoded.directory))
    sensor_ids, at_us_column, values = _last_of_each(plain, taken)
    stored = Stored(
        readings=sensor_ids.size,
        good=len({*decoded.columns.messages, *decoded.arrivals}) - len(letters),
        dead_letters=len(letters),
        touched={(zone_id, _EPOCH + hour * _HOUR) for zone_id, hour in touched},
    )
    with records.refusals():
        if unknown:
            letters = await _count_unknown(uow, unknown, letters)
        await records.save_reading_columns(
            uow, sensor_ids, at_us_column, values, inside=decoded.directory.inside
        )
        await records.touch_hours(uow, stored.touched)
        await records.add_dead_letters(uow, letters)
    return stored


def _judge(
    arrival: Arrival,
    samples: Sequence[Sample],
    number: int,
    limits: Limits,
    taken: list[tuple[int, int, float, int]],
    touched: set[tuple[int, int]],
) -> list[Fault]:
    """Add the readings in a message and the hours they touch; return all that is wrong with it."""
    faults = list(arrival.faults)
    latest = arrival.received_at + limits.max_lead
    oldest = arrival.received_at - limits.max_age
    for sample in samples:
        stream, at, raw, _ = sample
        value = raw * stream.scale + stream.offset
        if stream.low <= value <= stream.high and oldest <= at <= latest:
            at_us = (at - _EPOCH) // _MICROSECOND
            taken.append((stream.sensor_id, at_us, value, number))
            if stream.zone_id is not None:
                first = (at_us - _us(stream.reach_before_s)) // _HOUR_US
                last = (at_us + _us(stream.reach_after_s)) // _HOUR_US
                touched.update((stream.zone_id, hour) for hour in range(first, last + 1))
        else:
            faults.append(_not_taken(sample, value, arrival.received_at, limits))
    return faults


def judge_arrival(arrival: Arrival, limits: Limits) -> list[Fault]:
    """Return all that is wrong with a message; nothing is stored."""
    samples = [_by_our_clock(sample, arrival.received_at) for sample in arrival.samples]
    return _judge(arrival, samples, 0, limits, [], set())


async def store_again(
    uow: UnitOfWork, arrivals: Sequence[Arrival], limits: Limits
) -> tuple[int, list[list[Fault]]]:
    """Store readings in messages of the past that could not be taken then; what is there already stays.

    Returns
    -------
    readings : int
        How many the messages hold.
    faults : list of list of Fault
        For each message what is still wrong with it.

    Raises
    ------
    Refused
        If the database refuses the rows.
    """
    taken: list[tuple[int, int, float, int]] = []
    touched: set[tuple[int, int]] = set()
    faults = []
    for number, arrival in enumerate(arrivals):
        samples = [_by_our_clock(sample, arrival.received_at) for sample in arrival.samples]
        faults.append(_judge(arrival, samples, number, limits, taken, touched))
    none = np.array([], dtype=np.int64)
    sensor_ids, at_us, values = _last_of_each((none, none, np.array([], dtype=np.float64), none), taken)
    with records.refusals():
        await records.save_reading_columns(uow, sensor_ids, at_us, values, overwrite=False)
        await records.touch_hours(uow, {(zone_id, _EPOCH + hour * _HOUR) for zone_id, hour in touched})
    return int(sensor_ids.size), faults


def told(faults: Sequence[Fault]) -> tuple[str, str]:
    """Return the reason and the detail that a dead letter has for all that is wrong with it."""
    details = [fault.detail for fault in faults[:_FAULTS_NAMED]]
    if len(faults) > _FAULTS_NAMED:
        reasons = Counter(fault.reason for fault in faults)
        counts = ", ".join(f"{count} {reason}" for reason, count in reasons.most_common())
        details.append(f"and {len(faults) - _FAULTS_NAMED} more ({counts} in all)")
    return faults[0].reason, "; ".join(details)


def _by_our_clock(sample: Sample, received_at: datetime) -> Sample:
    """Return a sample with its device's clock corrected; one without a time of its own needs none."""
    correction = sample.stream.clock_correction_us
    if not correction or sample.at == received_at:
        return sample
    try:
        return sample._replace(at=sample.at + correction * _MICROSECOND)
    except OverflowError:  # at an end of the calendar: it is not taken either way
        return sample


def _count_lags(directory: Directory, samples: Sequence[Sample], received_at: datetime) -> None:
    newest: dict[int, datetime] = {}
    for stream, at, _, _ in samples:
        if at != received_at and directory.knows(stream):
            place = directory.place(stream)
            newest[place] = max(at, newest.get(place, at))
    if newest:
        lags = [(received_at - at) // _MICROSECOND for at in newest.values()]
        directory.lags.add(np.array(list(newest), dtype=np.int64), np.array(lags, dtype=np.int64))


_Readings = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]


def _plain_readings(decoded: Decoded, limits: Limits) -> tuple[_Readings, set[tuple[int, int]]]:
    """Check the plain messages all at once; return their readings and the hours ``(zone_id, hour)`` they touch.

    A message of which a sample is not taken joins those that are looked at one by one.
    """
    given, directory = decoded.columns, decoded.directory
    place = np.array(given.places, dtype=np.int64)
    at_us = np.array(given.at_us, dtype=np.int64)
    message = np.array(given.messages, dtype=np.int64)
    value = np.array(given.values, dtype=np.float64)
    if not place.size:
        return (place, at_us, value, message), set()
    value = value * directory.scale[place] + directory.offset[place]
    received_us = np.array(decoded.received_us, dtype=np.int64)[message]
    own = at_us != received_us  # messages that bring a time of their own
    if directory.clock_us.any():
        at_us = np.where(own, at_us + directory.clock_us[place], at_us)
    age_us = received_us - at_us
    # Rows of one message and sensor lie side by side.
    begins = np.flatnonzero(np.append(True, (message[1:] != message[:-1]) | (place[1:] != place[:-1])))
    counted = own[begins]
    if counted.any():
        directory.lags.add(place[begins][counted], np.minimum.reduceat(age_us, begins)[counted])
    good = (value >= directory.low[place]) & (value <= directory.high[place])
    good &= (age_us >= -_us(limits.max_lead.total_seconds())) & (
        age_us <= _us(limits.max_age.total_seconds())
    )
    if not good.all():
        faulty = np.unique(message[~good])
        for number in faulty.tolist():
            decoded.arrivals[number] = decoded.again(number)
        good = ~np.isin(message, faulty)
        place, at_us, value, message = place[good], at_us[good], value[good], message[good]
    zone = directory.zone_id[place]
    first = (at_us - directory.before_us[place]) // _HOUR_US
    last = (at_us + directory.after_us[place]) // _HOUR_US
    inside = zone >= 0
    touched = hours_touched(zone[inside], first[inside], last[inside])
    return (directory.sensor_id[place], at_us, value, message), touched


def hours_touched(
    zone: NDArray[np.int64], first: NDArray[np.int64], last: NDArray[np.int64]
) -> set[tuple[int, int]]:
    """Return each ``(zone_id, hour)`` from the first to the last hour of any row."""
    if not zone.size:
        return set()
    # Rows are many and hours few: one number for zone, first hour and how many more, so that sorting finds them.
    begin, more = int(first.min()), last - first
    hours, reach = int(first.max()) - begin + 1, int(more.max()) + 1
    each = np.unique((zone * hours + (first - begin)) * reach + more)
    zone_and_hour, more = each // reach, each % reach
    found = zip(
        (zone_and_hour // hours).tolist(),
        (zone_and_hour % hours + begin).tolist(),
        more.tolist(),
        strict=True,
    )
    return {(zone_id, hour + n) for zone_id, hour, after in found for n in range(after + 1)}


def _last_of_each(
    plain: _Readings, taken: Sequence[tuple[int, int, float, int]]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Return readings by time and sensor, of several values for one moment the last to arrive.

    In order of the key: SQLite appends, and two processes on PostgreSQL cannot lock each other out.
    """
    sensor_id, at_us, value, message = plain
    if taken:
        more = list(zip(*taken, strict=True))
        sensor_id = np.concatenate([sensor_id, np.array(more[0], dtype=np.int64)])
        at_us = np.concatenate([at_us, np.array(more[1], dtype=np.int64)])
        value = np.concatenate([value, np.array(more[2], dtype=np.float64)])
        message = np.concatenate([message, np.array(more[3], dtype=np.int64)])
    order = np.lexsort((message, sensor_id, at_us))
    sensor_id, at_us, value = sensor_id[order], at_us[order], value[order]
    last = np.ones(sensor_id.size, dtype=bool)
    last[:-1] = (sensor_id[1:] != sensor_id[:-1]) | (at_us[1:] != at_us[:-1])
    return sensor_id[last], at_us[last], value[last]


def _not_taken(sample: Sample, value: float, received_at: datetime, limits: Limits) -> Fault:
    """Say why a sample, which is ``value`` in the unit kept, is not taken."""
    stream, at, raw, where = sample
    shown = f"{where}: " if where else ""
    if not stream.low <= value <= stream.high:
        kept = f"{raw:g}" if value == raw else f"{raw:g} becomes {value:g}, which"
        detail = f"{kept} is outside {stream.low:g} to {stream.high:g}"
        return Fault("out_of_range", shown + detail, stream.sensor_id)
    if at > received_at:
        detail = f"{at.isoformat()} is {at - received_at} ahead of the clock; {limits.max_lead} is allowed"
        return Fault("in_the_future", shown + detail, stream.sensor_id)
    detail = f"{at.isoformat()} is more than {limits.max_age.total_seconds() / 86400:g} days old"
    return Fault("too_old", shown + detail, stream.sensor_id)


def _letter(arrival: Arrival, faults: Sequence[Fault], directory: Directory) -> dict[str, Any]:
    """Return one dead letter for all that is wrong with a message."""
    reason, detail = told(faults)
    return {
        "topic": arrival.topic[:_KEPT_TOPIC_LENGTH],
        "payload": arrival.payload,
        "size_bytes": arrival.size_bytes,
        "received_at": arrival.received_at,
        "reason": reason,
        "detail": detail,
        "sensor_id": directory.answerable(arrival.topic, faults),
    }


async def _count_unknown(
    uow: UnitOfWork, arrivals: Sequence[Arrival], letters: Sequence[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Count messages of topics that no sensor claims; return the letters to keep, so many a topic."""
    names = {arrival.topic[:_KEPT_TOPIC_LENGTH] for arrival in arrivals}
    seen = await records.unknown_topic_counts(uow, {*names, OTHER_TOPICS})
    listed = set(seen)
    if fresh := sorted(names - listed):
        room = max(0, MOST_UNKNOWN_TOPICS - await records.unknown_topics_total(uow))
        listed |= set(fresh[:room])
    rows: dict[str, dict[str, Any]] = {}
    for arrival in arrivals:
        topic = arrival.topic[:_KEPT_TOPIC_LENGTH]
        topic = topic if topic in listed else OTHER_TOPICS
        row = rows.setdefault(
            topic, {"topic": topic, "first_seen_at": arrival.received_at, "messages": 0, "last_payload": b""}
        )
        row["messages"] += 1
        row["last_seen_at"] = arrival.received_at
        row["last_payload"] = arrival.payload[:KEPT_BYTES]
    await records.count_unknown_topics(uow, [rows[topic] for topic in sorted(rows)])
    kept = []
    for letter in letters:
        if letter["reason"] == "unknown_topic":
            topic = letter["topic"] if letter["topic"] in listed else OTHER_TOPICS
            count = seen.get(topic, 0)
            seen[topic] = count + 1
            if count >= _KEPT_PER_UNKNOWN_TOPIC:
                continue
        kept.append(letter)
    return kept


# --------------------------------------------------------------------------- hours


async def touch_span(uow: UnitOfWork, zone_id: int, start: datetime, end: datetime) -> None:
    """Mark every hour of a zone that overlaps ``start`` to ``end`` to be computed again."""
    first = int((start - _EPOCH) // _HOUR)
    last = int((end - _EPOCH) // _HOUR)
    await records.touch_hours(uow, [(zone_id, _EPOCH + hour * _HOUR) for hour in range(first, last + 1)])


async def settle_hours(uow: UnitOfWork, limit: int = 1000) -> list[tuple[int, datetime]]:
    """Compute touched hours from their readings; return those that were computed.

    The marks go first and the readings are read after, in one transaction: a reading that is stored meanwhile
    sets its mark again.

    Parameters
    ----------
    uow
        The transaction.
    limit
        The most hours to take on; if as many come back, there may be more.

    Returns
    -------
    list of (zone_id, at)
        The hours that were computed.
    """
    marks = await records.take_touched_hours(uow, limit)
    by_zone: dict[int, list[datetime]] = defaultdict(list)
    for zone_id, at in marks:
        by_zone[zone_id].append(at)
    sensors_by_zone: dict[int, list[Sensor]] = defaultdict(list)
    if marks:
        for sensor in await records.sensors_of_zones(uow, by_zone, _HOURLY):
            if sensor.zone_id is not None:
                sensors_by_zone[sensor.zone_id].append(sensor)
    measured: list[dict[str, Any]] = []
    unmeasured: list[tuple[int, datetime]] = []
    kept_from = await sensor_records.readings_from(uow) if marks else None
    for zone_id, hours in by_zone.items():
        whole_from = _whole_from(sensors_by_zone[zone_id], kept_from)
        left, at_once = hours, 1
        while left:
            span = _run(left[:at_once])
            left = left[len(span) :]
            rows, read = await _span_hours(uow, sensors_by_zone[zone_id], span[0], span[-1] + _HOUR)
            at_once = max(1, min(len(span) * _ROWS_AT_ONCE // max(read, 1), 2 * at_once))
            stood: dict[datetime, Hour] = {}
            if whole_from is not None and span[0] < whole_from:
                stood = {h.at: h for h in await records.hours_between(uow, [zone_id], span[0], whole_from)}
            for at in span:
                row = rows.get(at)
                if at in stood:
                    row = _better(stood[at], row)
                if row is None:
                    unmeasured.append((zone_id, at))
                else:
                    measured.append({"zone_id": zone_id, "at": at, **row})
    await records.save_hours(uow, measured)
    await records.remove_hours(uow, unmeasured)
    if marks:
        await _keep_days(uow, by_zone)
    return marks


async def _keep_days(uow: UnitOfWork, by_zone: Mapping[int, Sequence[datetime]]) -> None:
    """Sum up again the local days in which hours of zones begin."""
    names = await day_records.time_zones(uow, by_zone)
    days: set[tuple[int, datetime, datetime]] = set()
    for zone_id, hours in by_zone.items():
        zone = ZoneInfo(names[zone_id])
        local = {at.astimezone(zone).date() for at in hours}
        days |= {(zone_id, day_begin(on, zone), day_begin(on + timedelta(days=1), zone)) for on in local}
    await day_records.keep_days(uow, days)


def _whole_from(sensors: Sequence[Sensor], kept_from: datetime | None) -> datetime | None:
    """Return from which hour on all readings that bear on it are still there; None: of every hour."""
    if kept_from is None:
        return None
    reach_s = max((sampling.reach_s(s.sampling, s.interval_s)[1] for s in sensors), default=0.0)
    return kept_from + timedelta(seconds=reach_s)


_QUANTITIES_OF_HOURS = {
    "temp_coverage": ("temp_mean_c", "temp_min_c", "temp_max_c", "temp_coverage"),
    "light_coverage": ("light_mol", "light_coverage"),
}


def _better(stood: Hour, computed: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return an hour of which readings were dropped: each quantity as it stood, unless more of it is known now.

    What stood was computed from readings that are gone; to compute it from those that came since, or that were
    left, would lose it.
    """
    row: dict[str, Any] = {}
    for coverage, names in _QUANTITIES_OF_HOURS.items():
        more = computed is not None and computed[coverage] > getattr(stood, coverage)
        row |= {name: computed[name] if more and computed else getattr(stood, name) for name in names}
    return row


def _run(hours: Sequence[datetime]) -> Sequence[datetime]:
    """Return the first of some hours in order, up to a long gap, so that one query serves them."""
    for index in range(1, len(hours)):
        if hours[index] - hours[index - 1] > _SPAN_GAP:
            return hours[:index]
    return hours


async def _span_hours(
    uow: UnitOfWork, sensors: Sequence[Sensor], start: datetime, end: datetime
) -> tuple[Mapping[datetime, dict[str, Any]], int]:
    """Return the conditions of the hours from ``start`` to ``end`` in which something was measured, and rows read."""
    if not sensors:
        return {}, 0
    reaches = [sampling.reach_s(sensor.sampling, sensor.interval_s) for sensor in sensors]
    first = start - timedelta(seconds=max(after for _, after in reaches))
    last = end + timedelta(seconds=max(before for before, _ in reaches))
    count = int((end - start) // _HOUR)
    temperature = _Together(count)
    light = _Together(count)
    corrections = await corrections_of(uow, [sensor.id for sensor in sensors], start)
    read = 0
    for begin in range(0, len(sensors), _SENSORS_AT_ONCE):
        some = sensors[begin : begin + _SENSORS_AT_ONCE]
        ids, at_us, values = await records.reading_columns_between(uow, [s.id for s in some], first, last)
        read += ids.size
        # Seconds from the start of the span: small numbers keep their microseconds.
        seconds = (at_us - (start - _EPOCH) // _MICROSECOND) / 1e6
        for sensor in some:
            own = ids == sensor.id
            if not own.any():
                continue
            times_s, kept = seconds[own], values[own]
            if sensor.id in corrections:
                times_s, kept = sampling.corrected(times_s, kept, sensor.sampling, corrections[sensor.id])
            if sensor.quantity == TEMPERATURE:
                sums = sampling.hourly(times_s, kept, sensor.sampling, sensor.interval_s, 0.0, count)
                temperature.add(sums, 1.0)
            else:
                # A dark sensor that reads a little below zero has not seen negative light.
                kept = np.maximum(kept, 0.0)
                sums = sampling.hourly(times_s, kept, sensor.sampling, sensor.interval_s, 0.0, count)
                # A running total is kept in mol m-2 and a flux in umol m-2 s-1.
                light.add(sums, 1.0 if sensor.sampling == "total" else 1e-6)
    temp_mean, light_mean = temperature.mean, light.mean
    conditions = {
        start + index * _HOUR: {
            "temp_mean_c": _or_none(temp_mean[index]),
            "temp_min_c": _or_none(temperature.low[index]),
            "temp_max_c": _or_none(temperature.high[index]),
            "temp_coverage": float(temperature.coverage[index]),
            "light_mol": _or_none(light_mean[index] * light.coverage[index] * _HOUR_S),
            "light_coverage": float(light.coverage[index]),
        }
        for index in np.flatnonzero((temperature.coverage > 0) | (light.coverage > 0)).tolist()
    }
    return conditions, read


async def corrections_of(
    uow: UnitOfWork, sensor_ids: Sequence[int], origin: datetime
) -> dict[int, list[sampling.Correction]]:
    """Return the calibrations of sensors, in seconds from a moment; sensors without any are left out."""
    found: dict[int, list[sampling.Correction]] = defaultdict(list)
    for row in await sensor_records.calibrations_of(uow, sensor_ids):
        until_s = math.inf if row.until_at is None else (row.until_at - origin).total_seconds()
        found[row.sensor_id].append(
            sampling.Correction((row.from_at - origin).total_seconds(), until_s, row.factor, row.offset)
        )
    return dict(found)


async def light_of(
    uow: UnitOfWork, sensors: Sequence[Sensor], start: datetime, end: datetime
) -> dict[datetime, float]:
    """Return the light of each hour from ``start`` to ``end`` of which at least half was measured. [mol m⁻²]"""
    rows, _ = await _span_hours(uow, sensors, start, end)
    return {
        at: row["light_mol"] / row["light_coverage"]
        for at, row in rows.items()
        if row["light_mol"] is not None and row["light_coverage"] >= _MEASURED_SHARE
    }


def _or_none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


class _Together:
    """The sensors of one quantity in one zone, hour by hour.

    The mean is weighted by what each sensor covered. How much of the hour they covered between them is taken
    as what the best of them covered: at least that much was.
    """

    def __init__(self, count: int) -> None:
        self._integral = np.zeros(count)
        self._covered_s = np.zeros(count)
        self.coverage = np.zeros(count)
        self.low = np.full(count, np.inf)
        self.high = np.full(count, -np.inf)

    def add(self, sums: sampling.HourlySums, scale: float) -> None:
        """Add one sensor's hours, its integrals multiplied by ``scale``."""
        self._integral += sums.integral * scale
        self._covered_s += sums.covered_s
        self.coverage = np.maximum(self.coverage, sums.covered_s / _HOUR_S)
        self.low = np.fmin(self.low, sums.minimum)
        self.high = np.fmax(self.high, sums.maximum)

    @property
    def mean(self) -> NDArray[np.float64]:
        """Integral a second, NaN where nothing was covered."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self._covered_s > 0, self._integral / self._covered_s, np.nan)
