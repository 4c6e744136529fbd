"""One message, decoded for the sensors of its topic.

Pure, and never raises: what cannot be read comes back as a fault. Three shapes are read:

- a number: the value, at the moment of arrival;
- an object: the value at the sensor's value pointer (RFC 6901), else under ``value`` or ``v``; the time at
  its time pointer, else under ``time``, ``t`` or ``ts``, else the moment of arrival;
- an array of samples ``[[time, value], ...]`` or ``[{...}, ...]``. Both pointers are then taken within each
  sample, and each sample needs its own time. An object whose value is such an array is read alike, with the
  time pointer within each sample.

Times are ISO 8601 with an offset, or seconds or milliseconds since 1970, told apart by their size.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import msgspec

from service.work.conditions import KEPT_BYTES, Arrival, Fault, Sample, Stream

MAX_PAYLOAD_BYTES = 256 * 1024

_VALUE_KEYS = ("value", "v")
_TIME_KEYS = ("time", "t", "ts")
_INDEX = re.compile("0|[1-9][0-9]{0,8}")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MILLISECONDS_FROM = 1e11  # as seconds the year 5138, as milliseconds March 1973
MILLISECONDS_TO = 1e14

_decode_json = msgspec.json.Decoder().decode


_NEEDS_ITS_OWN_TIME = "a sample in an array, or in a retained message, needs its own time"


def was_retained(detail: str) -> bool:
    """Tell from the detail of a fault whether the message may have been retained: then its arrival is no time."""
    return _NEEDS_ITS_OWN_TIME in detail


class _Missing:
    """What a pointer finds where there is nothing; JSON's null is something."""


_MISSING = _Missing()


class _NoTimeError(Exception):
    """A time cannot be read; the message says why."""


def decode(
    topic: str,
    payload: bytes,
    received_at: datetime,
    streams: Sequence[Stream],
    *,
    size_bytes: int | None = None,
    retained: bool = False,
) -> Arrival:
    """Return the samples in a message, and why the rest of it is none.

    Parameters
    ----------
    topic
        Where it came.
    payload
        What came.
    received_at
        When it came, which is the time of values that bring none.
    streams
        The sensors of the topic. A message that holds values for some of them is good for those; that the
        others are not in it is no fault.
    size_bytes
        Size of the whole message, if ``payload`` is only its first part.
    retained
        Whether the broker had kept it since some unknown time, so that it needs a time of its own.
    """
    size = len(payload) if size_bytes is None else size_bytes
    arrival = Arrival(topic, payload, received_at, size_bytes=size)
    if not streams:
        arrival.faults = (Fault("unknown_topic", "no sensor claims this topic"),)
        return arrival
    if size > MAX_PAYLOAD_BYTES:
        arrival.payload = payload[:KEPT_BYTES]
        arrival.faults = (Fault("oversized", f"{size} bytes; up to {MAX_PAYLOAD_BYTES} are read"),)
        return arrival
    document = _parse(payload)
    if isinstance(document, Fault):
        arrival.faults = (document,)
        return arrival
    reader = _Reader(None if retained else received_at)
    for stream in streams:
        reader.read(document, stream)
    arrival.samples = reader.samples
    arrival.faults = reader.faults or (() if reader.samples else reader.absent)
    return arrival


def _parse(payload: bytes) -> Any:
    """Return the JSON document, or the fault."""
    try:
        return _decode_json(payload)
    except RecursionError:
        return Fault("malformed", "arrays or objects are nested deeper in one another than is read")
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        malformed = Fault("malformed", str(error))
    # Python's own reader is slower and knows NaN, Infinity and 1e999, which then get a reason of their own.
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return malformed
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        pass
    try:
        number = float(text)
    except ValueError:
        return malformed
    return (
        malformed if math.isfinite(number) else Fault("not_finite", f"{_shown(text)} is not a finite number")
    )


class _Reader:
    """Collects what a document holds for each sensor."""

    def __init__(self, default_at: datetime | None) -> None:
        self.samples: list[Sample] = []
        self.faults: list[Fault] = []
        self.absent: list[Fault] = []
        self._default_at = default_at

    def read(self, document: Any, stream: Stream) -> None:
        """Add what the document holds for one sensor."""
        if isinstance(document, list):
            found, value_pointer = document, stream.value_pointer
        else:
            found, value_pointer = _find_value(document, stream.value_pointer), ""
        if isinstance(found, _Missing):
            self.absent.append(_nothing_there(document, stream, stream.value_pointer, ""))
        elif not isinstance(found, list):
            self._one(document, found, stream)
        elif found:
            self._several(found, stream, value_pointer)
        else:
            self.faults.append(Fault("malformed", "an array without samples", stream.sensor_id))

    def _several(self, items: Sequence[Any], stream: Stream, value_pointer: str) -> None:
        """Add the samples of an array."""
        self._default_at, default_at = None, self._default_at
        for index, item in enumerate(items):
            where = f"sample {index}"
            if isinstance(item, list) and not value_pointer:
                found = item[1] if len(item) == 2 else _MISSING
            elif isinstance(item, (list, dict)):
                found = _find_value(item, value_pointer)
            else:
                detail = f"{where}: {_shown(item)} is neither [time, value] nor an object"
                self.faults.append(Fault("malformed", detail, stream.sensor_id))
                continue
            if isinstance(found, _Missing):
                self.faults.append(_nothing_there(item, stream, value_pointer, where))
            else:
                self._one(item, found, stream, where)
        self._default_at = default_at

    def _one(self, item: Any, value: Any, stream: Stream, where: str = "") -> None:
        """Add one sample, or why it is none."""
        prefix = f"{where}: " if where else ""
        if value.__class__ is not float and value.__class__ is not int:
            self.faults.append(
                Fault("no_value", f"{prefix}{_shown(value)} is not a number", stream.sensor_id)
            )
            return
        try:
            at = _find_time(item, stream.time_pointer, self._default_at)
        except _NoTimeError as error:
            self.faults.append(Fault("bad_time", f"{prefix}{error}", stream.sensor_id))
            return
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if math.isfinite(number):
            self.samples.append(Sample(stream, at, number, where))
        else:
            self.faults.append(
                Fault("not_finite", f"{prefix}{number} is not a finite number", stream.sensor_id)
            )


def _nothing_there(item: Any, stream: Stream, value_pointer: str, where: str) -> Fault:
    prefix = f"{where}: " if where else ""
    if value_pointer:
        detail = f"{prefix}nothing at {value_pointer!r}"
    elif isinstance(item, dict):
        detail = f"{prefix}no value under {' or '.join(map(repr, _VALUE_KEYS))}"
    elif isinstance(item, list):
        detail = f"{prefix}a sample is [time, value], not {_shown(item)}"
    else:
        detail = f"{prefix}{_shown(item)} is not a number"
    return Fault("no_value", detail, stream.sensor_id)


def _find_value(item: Any, pointer: str) -> Any:
    """Return what stands where the value should be."""
    if pointer:
        return follow(item, pointer)
    if isinstance(item, dict):
        for key in _VALUE_KEYS:
            if key in item:
                return item[key]
        return _MISSING
    return item


def _find_time(item: Any, pointer: str, default_at: datetime | None) -> datetime:
    """Return the time of a sample."""
    found: Any = _MISSING
    if pointer:
        found = follow(item, pointer)
        if isinstance(found, _Missing):
            raise _NoTimeError(f"nothing at {pointer!r}")
    elif isinstance(item, dict):
        for key in _TIME_KEYS:
            if key in item:
                found = item[key]
                break
    elif isinstance(item, list) and item:
        found = item[0]
    if not isinstance(found, _Missing):
        return read_time(found)
    if default_at is None:
        raise _NoTimeError(_NEEDS_ITS_OWN_TIME)
    return default_at


def read_time(value: Any) -> datetime:
    """Return the moment that a JSON value stands for, in UTC."""
    try:
        if isinstance(value, str):
            moment = datetime.fromisoformat(value)
            if moment.tzinfo is None:
                raise _NoTimeError(f"{_shown(value)} has no offset; write for example 2026-08-03T06:00:00Z")
            return moment.astimezone(UTC)
        if value.__class__ is int or value.__class__ is float:
            size = abs(value)
            if size < MILLISECONDS_FROM:
                return _EPOCH + timedelta(seconds=value)
            if size < MILLISECONDS_TO:
                return _EPOCH + timedelta(milliseconds=value)
            raise _NoTimeError(f"{_shown(value)} is neither seconds nor milliseconds since 1970")
    except (ValueError, OverflowError):
        pass
    raise _NoTimeError(
        f"{_shown(value)} is no ISO 8601 time with an offset, nor seconds or milliseconds since 1970"
    )


@lru_cache(maxsize=4096)
def _tokens(pointer: str) -> tuple[str, ...] | None:
    if not pointer.startswith("/"):
        return None
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


def follow(document: Any, pointer: str) -> Any:
    """Return what a JSON pointer (RFC 6901) leads to, or the mark for nothing."""
    if not pointer:
        return document
    tokens = _tokens(pointer)
    place = _MISSING if tokens is None else document
    for token in tokens or ():
        if isinstance(place, dict):
            place = place.get(token, _MISSING)
        elif isinstance(place, list):
            # RFC 6901 section 4: digits, without leading zeros.
            index = int(token) if _INDEX.fullmatch(token) else len(place)
            place = place[index] if index < len(place) else _MISSING
        else:
            return _MISSING
    return place


def _shown(value: Any) -> str:
    """Return a short rendering of a value that is safe to store and to print."""
    try:
        text = json.dumps(value)
    except (RecursionError, ValueError):  # nested very deep, or a number of thousands of digits
        return f"a {type(value).__name__}"
    return text if len(text) <= 60 else f"{text[:57]}..."
