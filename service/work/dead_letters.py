"""Dead letters read again after what was wrong is put right, and kept within bounds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.records import conditions as records
from service.records import sensors as sensor_records
from service.records.store import Store, UnitOfWork
from service.records.tables import DeadLetter, Sensor
from service.work.access import Access
from service.work.conditions import (
    KEPT_BYTES,
    REASONS,
    USUAL_LIMITS,
    Arrival,
    Directory,
    Limits,
    load_directory,
    store_again,
    stream_of,
    told,
)
from service.work.errors import impossible
from service.work.listing import check_choice, check_page
from service.work.payloads import decode, was_retained

MOST_REPLAYED = 1000
"""Most dead letters read again in one go."""
_AT_A_TIME = 50  # payloads are up to 256 KiB each
_DROPPED_AT_A_TIME = 5000


@dataclass(frozen=True)
class Replayed:
    """What became of dead letters that were read again."""

    looked_at: int
    gone: int
    """Those that are readings now as a whole."""
    readings: int
    next: int | None
    """The id to go on after; None: none is left."""


async def replay_dead_letters(
    uow: UnitOfWork,
    access: Access,
    limits: Limits,
    *,
    topic: str | None = None,
    sensor_id: int | None = None,
    reason: str | None = None,
    after: int | None = None,
    limit: int = MOST_REPLAYED,
) -> Replayed:
    """Read dead letters again with the sensors as they are now, oldest first.

    What parses now is stored, and a letter without a fault leaves the list; the others stay, with what is wrong
    now. A reading that is there already stays as it is. Ages count from the arrival of the message.

    Parameters
    ----------
    uow, access, limits
        The transaction, who asks, and which moments are taken.
    topic, sensor_id, reason
        Which: at least one of them.
    after
        Go on after this id.
    limit
        The most to look at, up to :data:`MOST_REPLAYED`.

    Raises
    ------
    Impossible
        If nothing is said of which, or something unknown.
    """
    check_page(after, 1, sensor_id=sensor_id)
    if not 1 <= limit <= MOST_REPLAYED:
        raise impossible("limit", f"it must be a whole number from 1 to {MOST_REPLAYED}")
    check_choice("reason", reason, tuple(REASONS))
    if topic is None and sensor_id is None and reason is None:
        raise impossible("topic", "say which: a topic, a sensorId or a reason")
    everybody = await load_directory(uow, Directory())
    directory = await _own(uow, access, everybody)
    looked_at = gone = readings = 0
    last = after or 0
    while looked_at < limit:
        size = min(_AT_A_TIME, limit - looked_at)
        letters = await records.letters_to_replay(
            uow,
            within_farm=access.farm_id,
            topic=topic,
            sensor_id=sensor_id,
            reason=reason,
            after=last,
            limit=size,
        )
        if letters:
            last = letters[-1].id
        looked_at += len(letters)
        stored, faults = await store_again(uow, [_arrival(row, directory) for row in letters], limits)
        readings += stored
        done = []
        for row, wrong in zip(letters, faults, strict=True):
            if not wrong:
                done.append(row.id)
                continue
            row.reason, row.detail = told(wrong)
            row.sensor_id = everybody.answerable(row.topic, wrong)
        await uow.flush()
        uow.session.expunge_all()
        await records.remove_dead_letters(uow, done)
        gone += len(done)
        if len(letters) < size:
            return Replayed(looked_at, gone, readings, None)
    return Replayed(looked_at, gone, readings, last)


async def _own(uow: UnitOfWork, access: Access, directory: Directory) -> Directory:
    """Return the sensors of which the asker may store readings."""
    if access.farm_id is None:
        return directory
    own = await sensor_records.ids_of_farm(uow, access.farm_id)
    return Directory(None, [stream for stream in directory.streams if stream.sensor_id in own])


def _arrival(row: DeadLetter, directory: Directory) -> Arrival:
    return decode(
        row.topic,
        row.payload,
        row.received_at,
        directory.of(row.topic),
        size_bytes=row.size_bytes,
        retained=was_retained(row.detail),
    )


async def adopt_topic(uow: UnitOfWork, sensor: Sensor) -> int:
    """Take the topic of a sensor off the list of unknown ones, and the last payload kept of it over.

    Returns how many readings were in it; one that cannot be read, or of which only the first part was kept, is
    left: the dead letters of the topic can be replayed.
    """
    known = await records.unknown_topic(uow, sensor.topic)
    await records.forget_unknown_topic(uow, sensor.topic)
    if known is None or not sensor.active or len(known.last_payload) >= KEPT_BYTES:
        return 0
    arrival = decode(sensor.topic, known.last_payload, known.last_seen_at, [stream_of(sensor)])
    readings, _ = await store_again(uow, [arrival], USUAL_LIMITS)
    return readings


async def trim_dead_letters(store: Store, now: datetime, days: float, most: int) -> int:
    """Remove dead letters older than so many days, and of the others all but the newest; return how many.

    In small bites, each a transaction of its own.
    """
    removed = 0
    while True:
        async with store.write() as uow:
            bite = await records.drop_dead_letters(
                uow, before=now - timedelta(days=days), keep=most, limit=_DROPPED_AT_A_TIME
            )
        removed += bite
        if bite < _DROPPED_AT_A_TIME:
            return removed
