"""Weather forecasts that come as messages: ``evenleaf/{house}/weather-forecast``, the body of the HTTP request.

``{house}`` is the house's code, or its id. Nothing else is taken on such a topic, unless a sensor claims it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import msgspec
from msgspec import UNSET, UnsetType

from ingest.reader import Delivery
from service.clock import Clock
from service.records.store import UnitOfWork
from service.work.conditions import Fault
from service.work.errors import WorkError
from service.work.payloads import MAX_PAYLOAD_BYTES

_LAST = "weather-forecast"


class _Hour(msgspec.Struct, kw_only=True, rename="camel", forbid_unknown_fields=True):
    at: datetime
    global_w_m2: float | UnsetType | None = UNSET
    temp_out_c: float | UnsetType | None = UNSET


class _Forecast(msgspec.Struct, kw_only=True, rename="camel", forbid_unknown_fields=True):
    hours: list[_Hour]
    issued_at: datetime | UnsetType = UNSET


_decode = msgspec.json.Decoder(_Forecast).decode


def house_of(topic: str) -> str | None:
    """Return the house that a topic brings a weather forecast for; None: it brings none."""
    *before, last = topic.split("/")
    return before[-1] if before and last == _LAST else None


async def take_forecast(uow: UnitOfWork, clock: Clock, house: str, delivery: Delivery) -> Fault | None:
    """Store the weather forecast in a message, or return why it cannot be.

    Raises
    ------
    Refused
        If the database refuses it.
    """
    from service.work.weather import push_weather_by_name  # with it comes all of the science, some 20 MB

    try:
        hours, issued_at = _read(delivery)
        await push_weather_by_name(uow, clock, house, hours, issued_at)
    except WorkError as error:
        return Fault("bad_forecast", error.detail)
    except ValueError as error:
        return Fault("bad_forecast", str(error))
    return None


def _read(delivery: Delivery) -> tuple[Sequence[Mapping[str, Any]], datetime | None]:
    if delivery.size_bytes > MAX_PAYLOAD_BYTES:
        raise ValueError(f"{delivery.size_bytes} bytes; up to {MAX_PAYLOAD_BYTES} are read")
    try:
        found = _decode(delivery.payload)
    except RecursionError:
        raise ValueError("it is not a weather forecast: it is nested deeper than is read") from None
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise ValueError(f"it is not a weather forecast: {error}") from None
    issued_at = None if found.issued_at is UNSET else found.issued_at
    if issued_at is None and delivery.retained:
        raise ValueError("the broker kept it since some unknown time, so it needs its issuedAt")
    fields = ("at", "global_w_m2", "temp_out_c")
    return [
        {name: value for name in fields if (value := getattr(hour, name)) is not UNSET}
        for hour in found.hours
    ], issued_at
