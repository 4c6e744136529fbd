"""Many messages decoded at once.

Nearly all messages are plain: a number, an object or an array of samples, each with a number and a time that can
be read. Their samples go into columns. Whatever is not plain, for whatever reason, is decoded by
:func:`service.work.payloads.decode`, which knows everything and says what is wrong: the two must read a plain
message alike.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import msgspec

from ingest.forecasts import house_of
from ingest.reader import Delivery
from service.work.conditions import Arrival, Columns, Decoded, Directory, Stream
from service.work.payloads import MAX_PAYLOAD_BYTES, MILLISECONDS_FROM, MILLISECONDS_TO, decode

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_DAY_US = 86_400_000_000

_decode_json = msgspec.json.Decoder().decode
_MARK = secrets.token_hex(16)
_BETWEEN = f',"{_MARK}",'.encode()


class _Missing:
    """What is found where there is nothing."""


_MISSING = _Missing()


class _NotPlainError(Exception):
    """A message wants a closer look."""


class _Plan:
    """Where a sensor's value and time stand: keys of the object, empty for the usual ones; its place."""

    __slots__ = ("place", "time_key", "usual", "value_key")

    def __init__(self, stream: Stream, place: int, *, alone: bool) -> None:
        self.value_key, self.time_key, self.place = stream.value_pointer[1:], stream.time_pointer[1:], place
        self.usual = alone and not (self.value_key or self.time_key)
        """Whether the topic is this sensor's alone, and its objects have the usual keys."""


class BatchDecoder:
    """Decodes batches for the sensors of a directory."""

    def __init__(self, directory: Directory) -> None:
        self.directory = directory
        self._plans = {topic: _plans(directory, topic) for topic in directory.topics()}

    def decode(self, deliveries: Sequence[Delivery], at_a_time: int = 0) -> Iterator[Decoded | None]:
        """Give what the messages hold, each accounted for; before it None after every ``at_a_time`` of them."""
        columns = Columns()
        arrivals: dict[int, Arrival] = {}
        for start in range(0, len(deliveries), at_a_time or len(deliveries) or 1):
            if start:
                yield None
            some = deliveries[start : start + at_a_time] if at_a_time else deliveries
            self._decode_some(some, start, columns, arrivals)
        yield Decoded(
            self.directory,
            [delivery.received_us for delivery in deliveries],
            columns,
            arrivals,
            lambda number: self._one(deliveries[number]),
        )

    def _decode_some(
        self, deliveries: Sequence[Delivery], first: int, columns: Columns, arrivals: dict[int, Arrival]
    ) -> None:
        numbers, plans_of_each = self._plain(deliveries, first, arrivals)
        documents = _documents([deliveries[number - first].payload for number in numbers])
        places, at_us, values, messages = columns.places, columns.at_us, columns.values, columns.messages
        for number, plans, document in zip(numbers, plans_of_each, documents, strict=True):
            begun = len(places)
            try:
                if document.__class__ is dict and plans[0].usual:
                    # What nearly all messages are is read here; _read would come to the same.
                    value = document.get("value", _MISSING)
                    if value is _MISSING:
                        value = document.get("v")
                    at = document.get("time", _MISSING)
                    if at is _MISSING:
                        at = document.get("t")
                    if value.__class__ is float and at.__class__ is str:
                        at_us.append(_iso_us(at))
                        places.append(plans[0].place)
                        values.append(value)
                        messages.append(number)
                        continue
                for plan in plans:
                    _read(document, plan, deliveries[number - first].received_us, number, columns)
                if len(places) > begun:
                    continue
            except (_NotPlainError, ValueError, TypeError, OverflowError):
                for column in (places, at_us, values, messages):
                    del column[begun:]
            arrivals[number] = self._one(deliveries[number - first])

    def _plain(
        self, deliveries: Sequence[Delivery], first: int, arrivals: dict[int, Arrival]
    ) -> tuple[list[int], list[tuple[_Plan, ...]]]:
        """Return the numbers of messages that may be plain, and how to read each; put the others aside."""
        numbers: list[int] = []
        plans_of_each: list[tuple[_Plan, ...]] = []
        for number, delivery in enumerate(deliveries, first):
            plans = self._plans.get(delivery.topic)
            if plans is not None and delivery.size_bytes <= MAX_PAYLOAD_BYTES and not delivery.retained:
                numbers.append(number)
                plans_of_each.append(plans)
            elif (
                plans is None
                and house_of(delivery.topic) is not None
                and not self.directory.of(delivery.topic)
            ):
                # Taken by itself, in the transaction; a fault is added there if it cannot be.
                arrivals[number] = Arrival(
                    delivery.topic, delivery.payload, delivery.received_at, delivery.size_bytes
                )
            else:
                arrivals[number] = self._one(delivery)
        return numbers, plans_of_each

    def _one(self, delivery: Delivery) -> Arrival:
        return decode(
            delivery.topic,
            delivery.payload,
            delivery.received_at,
            self.directory.of(delivery.topic),
            size_bytes=delivery.size_bytes,
            retained=delivery.retained,
        )


def _documents(payloads: Sequence[bytes]) -> Sequence[Any]:
    """Return the JSON documents in some payloads; that which cannot be read is none of a plain message's kinds.

    As one array they are read in half the time. What stands between them is a string that nobody can guess: where
    every second element is that string, and there are as many as there should be, no payload is a part of a document
    or several.
    """
    try:
        array: list[Any] = _decode_json(b"[" + _BETWEEN.join(payloads) + b"]")
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return [_document(payload) for payload in payloads]
    documents, between = array[::2], array[1::2]
    if len(documents) != len(payloads) or between != [_MARK] * (len(payloads) - 1):
        return [_document(payload) for payload in payloads]
    return documents


def _document(payload: bytes) -> Any:
    try:
        return _decode_json(payload)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return _MISSING


def _plans(directory: Directory, topic: str) -> tuple[_Plan, ...] | None:
    """Return how to read a topic's plain messages; None: its sensors point deeper than that."""
    streams = directory.of(topic)
    for stream in streams:
        for pointer in (stream.value_pointer, stream.time_pointer):
            if pointer and (pointer[0] != "/" or "/" in pointer[1:] or "~" in pointer or pointer == "/"):
                return None
    return tuple(_Plan(stream, directory.place(stream), alone=len(streams) == 1) for stream in streams)


def _read(document: Any, plan: _Plan, received_us: int, number: int, columns: Columns) -> None:
    """Add the samples of a plain message."""
    kind = document.__class__
    if kind is dict:
        value = _value(document, plan)
        if value is _MISSING:
            return  # perhaps another sensor's is there
        at_us = _time(document, plan, received_us)
    elif kind is list:
        _several(document, plan, number, columns)
        return
    elif plan.value_key or plan.time_key:
        raise _NotPlainError
    else:
        value, at_us = document, received_us
    if value.__class__ is not float:
        if value.__class__ is not int:
            raise _NotPlainError
        value = float(value)
    columns.places.append(plan.place)
    columns.at_us.append(at_us)
    columns.values.append(value)
    columns.messages.append(number)


def _value(document: dict[str, Any], plan: _Plan) -> Any:
    if plan.value_key:
        return document.get(plan.value_key, _MISSING)
    value = document.get("value", _MISSING)
    return document.get("v", _MISSING) if value is _MISSING else value


def _time(document: dict[str, Any], plan: _Plan, received_us: int | None) -> int:
    if plan.time_key:
        return _us(document.get(plan.time_key))
    for key in ("time", "t", "ts"):
        found = document.get(key, _MISSING)
        if found is not _MISSING:
            return _us(found)
    if received_us is None:
        raise _NotPlainError
    return received_us


def _several(items: list[Any], plan: _Plan, number: int, columns: Columns) -> None:
    """Add the samples of an array."""
    if not items:
        raise _NotPlainError
    pairs = not (plan.value_key or plan.time_key)
    add_time, add_value = columns.at_us.append, columns.values.append
    for item in items:
        if item.__class__ is list and pairs:
            at, value = item
            add_time(_us(at))
        elif item.__class__ is dict:
            value = _value(item, plan)
            add_time(_time(item, plan, None))
        else:
            raise _NotPlainError
        if value.__class__ is not float:
            if value.__class__ is not int:
                raise _NotPlainError
            value = float(value)
        add_value(value)
    columns.places.extend([plan.place] * len(items))
    columns.messages.extend([number] * len(items))


def _us(found: Any) -> int:
    """Return a moment in microseconds since 1970, as :func:`service.work.payloads.read_time` reads it."""
    if found.__class__ is str:
        return _iso_us(found)
    if found.__class__ is int or found.__class__ is float:
        size = abs(found)
        if size < MILLISECONDS_FROM:
            moment = _EPOCH + timedelta(seconds=found)
        elif size < MILLISECONDS_TO:
            moment = _EPOCH + timedelta(milliseconds=found)
        else:
            raise _NotPlainError
        return (moment - _EPOCH) // _MICROSECOND
    raise _NotPlainError


@lru_cache(maxsize=1024)  # sensors of one controller bring the same times
def _iso_us(text: str) -> int:
    since = datetime.fromisoformat(text) - _EPOCH  # TypeError if it has no offset
    return since.days * _DAY_US + since.seconds * 1_000_000 + since.microseconds
