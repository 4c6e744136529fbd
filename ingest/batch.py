"""Many messages decoded at once.

Nearly all messages are plain: a number, an object or an array of samples, each with a number and a time that can
be read. Their samples go into columns. Whatever is not plain, for whatever reason, is decoded by
:func:`service.work.payloads.decode`, which knows everything and says what is wrong: the two must read a plain
message alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
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
_read_iso = datetime.fromisoformat


class _Missing:
    """What is found where there is nothing."""


_MISSING = _Missing()


class _NotPlainError(Exception):
    """A message wants a closer look."""


class _Plan:
    """Where a sensor's value and time stand: keys of the object, empty for the usual ones; its place."""

    __slots__ = ("place", "time_key", "value_key")

    def __init__(self, stream: Stream, place: int) -> None:
        self.value_key, self.time_key, self.place = stream.value_pointer[1:], stream.time_pointer[1:], place


class BatchDecoder:
    """Decodes batches for the sensors of a directory."""

    def __init__(self, directory: Directory) -> None:
        self.directory = directory
        self._plans = {topic: _plans(directory, topic) for topic in directory.topics()}

    def decode(self, deliveries: Sequence[Delivery], at_a_time: int = 0) -> Iterator[Decoded | None]:
        """Give what the messages hold, each accounted for; before it None after every ``at_a_time`` of them."""
        columns = Columns()
        arrivals: dict[int, Arrival] = {}
        plans_of = self._plans.get
        lists = (columns.places, columns.at_us, columns.values, columns.messages)
        for number, delivery in enumerate(deliveries):
            if at_a_time and number and number % at_a_time == 0:
                yield None
            plans = plans_of(delivery.topic)
            if plans is not None and delivery.size_bytes <= MAX_PAYLOAD_BYTES and not delivery.retained:
                begun = len(columns.places)
                try:
                    document = _decode_json(delivery.payload)
                    for plan in plans:
                        _read(document, plan, delivery.received_us, number, columns)
                    if len(columns.at_us) == begun:
                        raise _NotPlainError
                except (
                    _NotPlainError,
                    msgspec.MsgspecError,
                    ValueError,
                    TypeError,
                    OverflowError,
                    RecursionError,
                ):
                    for column in lists:
                        del column[begun:]
                else:
                    continue
            elif (
                plans is None
                and house_of(delivery.topic) is not None
                and not self.directory.of(delivery.topic)
            ):
                # Taken by itself, in the transaction; a fault is added there if it cannot be.
                arrivals[number] = Arrival(
                    delivery.topic, delivery.payload, delivery.received_at, delivery.size_bytes
                )
                continue
            arrivals[number] = self._one(delivery)
        yield Decoded(
            self.directory,
            [delivery.received_us for delivery in deliveries],
            columns,
            arrivals,
            lambda number: self._one(deliveries[number]),
        )

    def _one(self, delivery: Delivery) -> Arrival:
        return decode(
            delivery.topic,
            delivery.payload,
            delivery.received_at,
            self.directory.of(delivery.topic),
            size_bytes=delivery.size_bytes,
            retained=delivery.retained,
        )


def _plans(directory: Directory, topic: str) -> tuple[_Plan, ...] | None:
    """Return how to read a topic's plain messages; None: its sensors point deeper than that."""
    streams = directory.of(topic)
    for stream in streams:
        for pointer in (stream.value_pointer, stream.time_pointer):
            if pointer and (pointer[0] != "/" or "/" in pointer[1:] or "~" in pointer or pointer == "/"):
                return None
    return tuple(_Plan(stream, directory.place(stream)) for stream in streams)


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
        since = _read_iso(found) - _EPOCH  # TypeError if it has no offset
        return since.days * _DAY_US + since.seconds * 1_000_000 + since.microseconds
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
