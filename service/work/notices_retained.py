"""What a farm's broker holds for controllers: advice, forecasts and open alerts as they are now, on retained topics.

``<first part>/<farm id>/<house code>/advice/<succession id>``, ``.../forecast`` and ``.../alerts``. The farm's id is
in the topic because houses of two farms may have one code. A topic whose subject is gone is cleared by an empty
message. What a broker holds is kept as a digest, so that only what differs is sent.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.clock import Clock
from service.records import batches as batch_records
from service.records import notices as records
from service.records import places as place_records
from service.records import receivers as receiver_records
from service.records import reforecast as conclusion_records
from service.records.places import houses_of
from service.records.store import UnitOfWork
from service.records.tables import Advice, Batch, Forecast, House, Notice, Receiver, RetainedTopic, Succession
from service.work.notices import GIVEN_UP_AFTER, RETAINED, alert_json, moment_text, source_of

FIRST_PART = "evenleaf-out"
_POINTS = ("p10", "p50", "p90")
_EVENTS = {
    "emergence": "emergence",
    "window_open": "windowOpen",
    "window_close": "windowClose",
    "transplant": "transplant",
    "harvest": "harvest",
    "last_harvest": "lastHarvest",
}
"""Dates of a batch by what they are called in JSON, here and in the API."""


async def keep_retained(uow: UnitOfWork, clock: Clock, house: House) -> int:
    """Write notices for all that a farm's brokers do not hold as it is now of a house; return how many."""
    receivers = [
        r
        for r in await receiver_records.active_receivers(uow, house.farm_id)
        if r.kind == "mqtt" and (r.house_ids is None or house.id in r.house_ids)
    ]
    held = await records.retained_of(uow, house_id=house.id)
    if not receivers and not held:
        return 0
    messages = await house_messages(uow, house) if receivers else {}
    written = 0
    by_receiver = {receiver.id: receiver for receiver in receivers}
    for receiver_id in sorted({*by_receiver, *(row.receiver_id for row in held)}):
        receiver = by_receiver.get(receiver_id)
        first = "" if receiver is None else f"{receiver.target}/{house.farm_id}/{house.code}/"
        wanted = {first + name: message for name, message in messages.items()} if receiver else {}
        own = {row.topic: row for row in held if row.receiver_id == receiver_id}
        written += await _bring_up_to_date(uow, clock.now(), house, receiver_id, wanted, own)
    return written


async def _bring_up_to_date(
    uow: UnitOfWork,
    now: datetime,
    house: House,
    receiver_id: int,
    wanted: Mapping[str, dict[str, Any]],
    held: Mapping[str, RetainedTopic],
) -> int:
    written = 0
    for topic in sorted({*wanted, *held}):
        message, row = wanted.get(topic), held.get(topic)
        if message is None:
            await _write(uow, now, house, receiver_id, topic, None)
            await records.forget_retained(uow, receiver_id, topic)
            written += 1
            continue
        digest = hashlib.sha256(json.dumps(message, sort_keys=True).encode()).hexdigest()
        if row is not None and row.digest == digest:
            continue
        if row is None:
            uow.session.add(
                RetainedTopic(receiver_id=receiver_id, topic=topic, house_id=house.id, digest=digest)
            )
        else:
            row.digest = digest
        await _write(uow, now, house, receiver_id, topic, message)
        written += 1
    await uow.flush()
    return written


async def _write(
    uow: UnitOfWork,
    now: datetime,
    house: House,
    receiver_id: int,
    topic: str,
    message: dict[str, Any] | None,
) -> None:
    await records.replace_waiting(uow, receiver_id, topic)
    uow.session.add(
        Notice(
            receiver_id=receiver_id,
            event_id=uuid.uuid4().hex,
            type=RETAINED,
            source=source_of(house.farm_id, house.id),
            subject=topic,
            created_at=now,
            due_at=now,
            expires_at=now + GIVEN_UP_AFTER,
            data=message,
        )
    )


async def keep_retained_of(uow: UnitOfWork, clock: Clock, receiver: Receiver) -> None:
    """Bring all that a receiver's broker holds up to date, because the receiver was made or changed."""
    if receiver.kind == "mqtt":
        for house in await houses_of(uow, receiver.farm_id):
            await keep_retained(uow, clock, house)


# --------------------------------------------------------------------------- messages


async def house_messages(uow: UnitOfWork, house: House) -> dict[str, dict[str, Any]]:
    """Return what is told of a house now, by the end of its topic."""
    successions = {s.id: s for s in await place_records.successions_of(uow, house.id)}
    advice = await conclusion_records.latest_advice(uow, [s.id for s in successions.values() if s.active])
    live = await batch_records.live_batches(uow, house.id)
    forecasts = await conclusion_records.latest_forecasts(uow, [b.id for b in live])
    alerts = await conclusion_records.open_alerts(uow, house.id)
    messages = {f"advice/{i}": advice_json(row, successions[i], house) for i, row in sorted(advice.items())}
    if forecasts:
        batches = [
            forecast_json(b, forecasts[b.id], successions[b.succession_id]) for b in live if b.id in forecasts
        ]
        messages["forecast"] = {
            "houseId": house.id,
            "house": house.name,
            "timeZone": house.time_zone,
            "batches": batches,
        }
    if alerts:
        messages["alerts"] = {
            "houseId": house.id,
            "house": house.name,
            "alerts": [alert_json(alert, house) for alert in alerts],
        }
    return messages


def advice_json(advice: Advice, succession: Succession, house: House) -> dict[str, Any]:
    """Return advice as it is told; fields as in the API."""
    return {
        "id": advice.id,
        "houseId": house.id,
        "house": house.name,
        "successionId": succession.id,
        "succession": succession.name,
        "madeAt": moment_text(advice.made_at),
        "decision": advice.decision,
        "binding": advice.binding,
        "intervalDays": advice.interval_days,
        "advisedIntervalDays": advice.advised_interval_days,
        "cellsPerSeeding": advice.cells_per_seeding,
        "from": advice.from_on.isoformat(),
        "probability": advice.probability,
        "seedings": [{"on": s["on"], "cells": s["cells"]} for s in advice.seedings],
        "reasons": list(advice.reasons),
    }


def forecast_json(batch: Batch, forecast: Forecast, succession: Succession) -> dict[str, Any]:
    """Return a batch's forecast as it is told; a point of null lies beyond ``horizonDays``."""
    return {
        "batchId": batch.id,
        "code": batch.code,
        "successionId": succession.id,
        "succession": succession.name,
        "stage": batch.stage,
        "madeAt": moment_text(forecast.made_at),
        "horizonDays": forecast.horizon_days,
        "points": {
            name: _point_json(forecast.points.get(event), forecast.horizon_days)
            for event, name in _EVENTS.items()
        },
    }


def _point_json(point: Mapping[str, Any] | None, horizon_days: int) -> dict[str, Any] | None:
    """Return a stored date as the API gives it; the horizon is named where a point lies beyond it."""
    if point is None:
        return None
    moments = {p: moment_text(datetime.fromisoformat(at)) if (at := point[p]) else None for p in _POINTS}
    return moments | ({"notWithinDays": horizon_days} if None in moments.values() else {})
