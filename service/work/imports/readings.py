"""Past readings: older than what is taken live, in the same units, checked and kept in the same way.

A file is long (``sensor, time, value``) or wide (``time`` and one column a sensor, an empty cell where there
is no value). A sensor is named by its name, topic or id, and its values are in the unit of its payloads.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.clock import Clock
from service.records import conditions as records
from service.records import imports as import_records
from service.records.partitions import prepare_months
from service.records.store import Store, UnitOfWork
from service.records.tables import House, Sensor
from service.work.access import Access
from service.work.conditions import Stream, settle_hours, stream_of
from service.work.imports.beside import read_beside
from service.work.imports.moments import Moments
from service.work.imports.outcome import Imported, faulty
from service.work.imports.table import Faults, Table, column_name, columns, number, read_table
from service.work.places import get_house

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND = timedelta(seconds=1)
_MICROSECOND = timedelta(microseconds=1)
_HOUR = timedelta(hours=1)
_HOUR_S = 3600
_TIME_NAMES = {"at": "time"}
_CHUNK = 10_000
_CHUNK_SPAN = timedelta(days=10)  # what is stored of a sensor may be far denser than the file
_SETTLE_LIMIT = 5000


@dataclass
class _Column:
    """What a file says of one sensor."""

    sensor: Sensor
    stream: Stream
    lines: list[int] = field(default_factory=list)
    moments: list[datetime] = field(default_factory=list)
    values: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class _Samples:
    """Readings of one sensor in the unit kept, in order of time, one a moment."""

    stream: Stream
    moments: Sequence[datetime]
    values: Sequence[float]


@dataclass(frozen=True)
class _House:
    """What a file refers to."""

    house: House
    sensors: Sequence[Sensor]

    @property
    def referred_to(self) -> Sequence[House | Sensor]:
        """The rows with which the file is read."""
        return [self.house, *self.sensors]


@dataclass(frozen=True)
class _Read:
    """A file that was read."""

    rows: int
    faults: tuple[Any, ...]
    streams: Mapping[int, Stream]
    chunks: Sequence[Sequence[tuple[datetime, int, float]]]
    months: frozenset[date]
    repeated: int
    notes: tuple[str, ...]


async def import_readings(
    store: Store,
    clock: Clock,
    access: Access,
    house_id: int,
    content: bytes,
    *,
    max_lead: timedelta,
    dry_run: bool = False,
) -> Imported:
    """Store past readings of a house's sensors and mark the hours they touch.

    All or nothing: with faults nothing is stored. A reading that is there already takes the file's value.

    Parameters
    ----------
    store, clock, access
        Where, the time and who asks.
    house_id
        Whose sensors.
    content
        The file.
    max_lead
        How far ahead of the clock a time may be.
    dry_run
        Only say what would happen, and every fault.

    Raises
    ------
    NotFound
        If there is no such house.
    Impossible
        If the file has faults and it is no dry run.
    """
    latest = clock.now() + max_lead

    async def look(uow: UnitOfWork) -> _House:
        house = await get_house(uow, access, house_id)
        return _House(house, await import_records.sensors_of(uow, house.id))

    def read_file(known: _House) -> _Read:
        return _read(content, known.sensors, Moments(ZoneInfo(known.house.time_zone), latest))

    async def make_months(read: _Read) -> None:
        if not dry_run and not read.faults:
            await prepare_months(store, read.months)

    async with read_beside(store, look, read_file, dry_run=dry_run, prepare=make_months) as (uow, _, read):
        if read.faults:
            return faulty(read.rows, read.faults, dry_run=dry_run)
        return await _keep(uow, read, dry_run=dry_run)


async def _keep(uow: UnitOfWork, read: _Read, *, dry_run: bool) -> Imported:
    new = changed = 0
    unchanged = read.repeated
    touched: dict[int, list[float]] = {}
    inside = np.array([i for i, stream in read.streams.items() if stream.zone_id is not None], dtype=np.int64)
    for chunk in read.chunks:
        sensor_ids = sorted({sensor_id for _, sensor_id, _ in chunk})
        stored = {
            (at, sensor_id): value
            for sensor_id, at, value in await records.readings_between(
                uow, sensor_ids, chunk[0][0], chunk[-1][0]
            )
        }
        rows: list[tuple[int, int, float]] = []
        for at, sensor_id, value in chunk:
            before = stored.get((at, sensor_id))
            if before == value:
                unchanged += 1
                continue
            new += before is None
            changed += before is not None
            at_us = (at - _EPOCH) // _MICROSECOND
            rows.append((sensor_id, at_us, value))
            touched.setdefault(sensor_id, []).append(at_us / 1e6)
        if rows and not dry_run:
            ids, times, values = zip(*rows, strict=True)
            await records.save_reading_columns(
                uow, np.array(ids), np.array(times), np.array(values), inside=inside
            )
    if not dry_run:
        await records.touch_hours(uow, _marks(read.streams, touched))
    return Imported(read.rows, new, changed, unchanged, notes=read.notes)


async def settle_all(store: Store) -> int:
    """Compute all touched hours, each part in a transaction of its own; return how many they were."""
    count = 0
    while True:
        async with store.write() as uow:
            settled = len(await settle_hours(uow, _SETTLE_LIMIT))
        count += settled
        if settled < _SETTLE_LIMIT:
            return count


# --------------------------------------------------------------------------- reading


def _read(content: bytes, sensors: Sequence[Sensor], moments: Moments) -> _Read:
    table = read_table(content)
    names = {_TIME_NAMES.get(name, name) for name in map(column_name, table.header)}
    found: Iterable[_Column] = ()
    if table.header:
        long = "time" not in names or not names.isdisjoint({"sensor", "value"})
        found = (_read_long if long else _read_wide)(table, _Sensors(sensors), moments)
    faults = Faults(table.faults.found)
    samples: list[_Samples] = []
    notes: list[str] = []
    repeated = 0
    for column in found:
        kept, again = _settled_values(column, faults)
        if kept.values:
            samples.append(kept)
        repeated += again
        notes += _note(column.sensor, kept)
    if table.header and not table.count:
        faults.add(table.header_line, "", "there are no rows below the header")
    return _Read(
        rows=table.count,
        faults=faults.in_order(),
        streams={kept.stream.sensor_id: kept.stream for kept in samples},
        chunks=list(_chunks(samples)),
        months=frozenset(date(at.year, at.month, 1) for kept in samples for at in kept.moments),
        repeated=repeated,
        notes=tuple(notes),
    )


def _read_long(table: Table, sensors: _Sensors, moments: Moments) -> list[_Column]:
    places = columns(table, ("sensor", "time", "value"), other=_TIME_NAMES)
    if places is None:
        return []
    sensor_at, time_at, value_at = (places[name] for name in ("sensor", "time", "value"))
    for line, cells in table.rows:
        column = _try(table.faults, line, "sensor", sensors.find, cells[sensor_at])
        moment = _try(table.faults, line, "time", moments.read, cells[time_at])
        value = _try(table.faults, line, "value", number, cells[value_at])
        if column is not None and moment is not None and value is not None:
            column.lines.append(line)
            column.moments.append(moment)
            column.values.append(value)
    return sensors.columns


def _read_wide(table: Table, sensors: _Sensors, moments: Moments) -> list[_Column]:
    time_at: int | None = None
    places: list[tuple[int, str, _Column]] = []
    for place, written in enumerate(table.header):
        if _TIME_NAMES.get(column_name(written), column_name(written)) == "time":
            if time_at is not None:
                table.faults.add(table.header_line, "time", "this column is there twice")
            time_at = place
            continue
        column = _try(table.faults, table.header_line, "sensor", sensors.find, written)
        if column is not None:
            if any(column is other for _, _, other in places):
                table.faults.add(
                    table.header_line, "sensor", f"column {written!r} is of a sensor that has one already"
                )
            places.append((place, written, column))
    if len(table.header) == 1:
        table.faults.add(table.header_line, "", "there is no column of a sensor")
    for line, cells in table.rows:
        moment = _try(table.faults, line, "time", moments.read, cells[time_at or 0])
        for place, written, column in places:
            if not cells[place].strip():
                continue
            value = _try(table.faults, line, "value", number, cells[place], f"{written}: ")
            if moment is not None and value is not None:
                column.lines.append(line)
                column.moments.append(moment)
                column.values.append(value)
    return sensors.columns


def _try(faults: Faults, line: int, name: str, read: Any, text: str, shown: str = "") -> Any:
    """Return what a cell holds; None, with the fault added: it does not."""
    try:
        return read(text)
    except ValueError as error:
        faults.add(line, name, f"{shown}{error}")
        return None


class _Sensors:
    """The sensors of a house, found by what a file calls them, and what the file says of each."""

    def __init__(self, sensors: Sequence[Sensor]) -> None:
        self._by_word: dict[str, dict[int, Sensor]] = {}
        for sensor in sensors:
            for word in (sensor.name, sensor.topic, str(sensor.id)):
                self._by_word.setdefault(word, {})[sensor.id] = sensor
        self._found: dict[str, _Column | str] = {}
        self._columns: dict[int, _Column] = {}

    @property
    def columns(self) -> list[_Column]:
        """What the file says of each sensor it names."""
        return list(self._columns.values())

    def find(self, text: str) -> _Column:
        """Return what the file says of a sensor.

        Raises
        ------
        ValueError
            If no sensor of the house is called this, or several are, or it takes no values.
        """
        found = self._found.get(text)
        if found is None:
            try:
                found = self._find(text.strip())
            except ValueError as error:
                found = str(error)
            self._found[text] = found
        if isinstance(found, str):
            raise ValueError(found)  # noqa: TRY004 - what is kept is the sentence
        return found

    def _find(self, word: str) -> _Column:
        if not word:
            raise ValueError("it is empty, and must name a sensor")
        matches = self._by_word.get(word, {})
        if not matches:
            raise ValueError(f"no sensor of this house has the name, topic or id {word[:80]!r}")
        if len(matches) > 1:
            raise ValueError(
                f"{len(matches)} sensors are called {word!r}; give an id: {', '.join(map(str, matches))}"
            )
        (sensor,) = matches.values()
        if sensor.id not in self._columns:
            self._columns[sensor.id] = _Column(sensor, stream_of(sensor))
        return self._columns[sensor.id]


def _settled_values(column: _Column, faults: Faults) -> tuple[_Samples, int]:
    """Convert and check the values of a sensor; return them and how many the file says again."""
    stream = column.stream
    raw = np.asarray(column.values, dtype=np.float64)
    kept = raw * stream.scale + stream.offset
    wrong = ~((kept >= stream.low) & (kept <= stream.high))
    for index in np.flatnonzero(wrong).tolist():
        same = kept[index] == raw[index]
        shown = f"{raw[index]:g}" if same else f"{raw[index]:g} becomes {kept[index]:g}, which"
        faults.add(
            column.lines[index],
            "value",
            f"{column.sensor.name}: {shown} is outside {stream.low:g} to {stream.high:g}",
        )
    first: dict[datetime, int] = {}
    repeated = 0
    for index, moment in enumerate(column.moments):
        earlier = first.setdefault(moment, index)
        if earlier == index:
            continue
        if kept[earlier] == kept[index]:
            repeated += 1
        else:
            faults.add(
                column.lines[index],
                "value",
                f"{column.sensor.name}: line {column.lines[earlier]} says {raw[earlier]:g} for the same moment",
            )
    values = kept.tolist()
    order = sorted(first.items())
    return _Samples(stream, [moment for moment, _ in order], [values[index] for _, index in order]), repeated


def _note(sensor: Sensor, samples: _Samples) -> Iterator[str]:
    """Say so where values lie too far apart for the sensor's hours to be covered by them."""
    if samples.stream.zone_id is None or len(samples.moments) < 3:
        return
    typical_s = median((later - earlier) / _SECOND for earlier, later in pairwise(samples.moments))
    if typical_s > max(samples.stream.reach_before_s, samples.stream.reach_after_s):
        yield (
            f"{sensor.name}: values come every {typical_s:g} s, and the sensor is set to one every"
            f" {sensor.interval_s:g} s, so that they cover little of its hours; for a past that was recorded"
            " less often make a sensor of its own, with its interval and way of sampling"
        )


# --------------------------------------------------------------------------- storing


def _chunks(columns_: Sequence[_Samples]) -> Iterator[list[tuple[datetime, int, float]]]:
    """Yield parts of all readings in order of time and sensor: the order of the key, as when they come live."""
    rows = sorted(
        (moment, samples.stream.sensor_id, value)
        for samples in columns_
        for moment, value in zip(samples.moments, samples.values, strict=True)
    )
    start = 0
    while start < len(rows):
        end = min(start + _CHUNK, len(rows))
        latest = rows[start][0] + _CHUNK_SPAN
        while rows[end - 1][0] > latest:
            end = start + max(1, (end - start) // 2)
        yield rows[start:end]
        start = end


def _marks(streams: Mapping[int, Stream], touched: Mapping[int, list[float]]) -> set[tuple[int, datetime]]:
    """Return the hours ``(zone_id, at)`` that readings, at seconds since 1970, bear on."""
    marks: dict[int, NDArray[np.int64]] = {}
    for sensor_id, moments in touched.items():
        stream = streams[sensor_id]
        if stream.zone_id is None:
            continue
        seconds = np.asarray(moments, dtype=np.float64)
        first = np.floor((seconds - stream.reach_before_s) / _HOUR_S).astype(np.int64)
        last = np.floor((seconds + stream.reach_after_s) / _HOUR_S).astype(np.int64)
        longest = int((last - first).max())
        hours = np.unique(np.minimum(first[:, None] + np.arange(longest + 1), last[:, None]))
        marks[stream.zone_id] = np.union1d(marks.get(stream.zone_id, hours), hours)
    return {(zone_id, _EPOCH + hour * _HOUR) for zone_id, hours in marks.items() for hour in hours.tolist()}
