"""Re-forecast a house: read what is known, compute without holding a transaction, keep what changed."""

from __future__ import annotations

import asyncio
import hashlib
import logging
import os
import secrets
import socket
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import cache, cached_property, partial
from math import ceil, floor
from pathlib import Path
from typing import Any, NamedTuple, ParamSpec, Protocol, TypeVar
from zlib import crc32
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.agronomy import evidence, mix, ordered
from service.agronomy import forecast as science
from service.agronomy import succession as law
from service.agronomy.forecast import Batches, Cuts, Dates
from service.agronomy.outlook import Course, Measured, Outlook, Pushed, Site, outlook
from service.agronomy.profile import CropProfile
from service.agronomy.transmission import Transmission
from service.clock import Clock
from service.records import events as event_records
from service.records import leases
from service.records import marks as mark_records
from service.records import places as place_records
from service.records import planning as planning_records
from service.records import reforecast as records
from service.records.leases import Claim
from service.records.marks import Marks
from service.records.orders import orders_of
from service.records.store import Store, UnitOfWork
from service.records.tables import Advice, Batch, Crop, Forecast, House, HouseEvent, Order, Succession, Zone
from service.work import calibration, seeding
from service.work.access import SYSTEM, Access
from service.work.alerts import Condition, settle_alerts
from service.work.calibration import Calibration, Cell, Home, Past, Piece
from service.work.events import closed_days, course_of, lamp_mol, outages
from service.work.ledger import LedgerState
from service.work.notices_conclusions import tell_conclusions
from service.work.orders import occurrences
from service.work.periodic import held
from service.work.places import get_house
from service.work.profiles import head_kg, profile_of
from service.work.seed_heat import HEAT_ALERT, heat_condition, seed_heat
from service.work.times import EPOCH, epoch_hours, local_day, moment_of, seeding_moment
from service.work.weather import read_outside, read_pushed, transmission_of
from service.work.words import Reason, reason
from service.work.work_list import propose_work

log = logging.getLogger(__name__)

P = ParamSpec("P")
R = TypeVar("R")

JOB = "reforecast"
LEASE_S = 30.0
TOGETHER = 20  # houses that are claimed at once

CURVE_DAYS = 49  # how far ahead seedings are looked at
CURVE_STEP_DAYS = 3.5
HISTORY_DAYS = 1200  # measured hours that shape the outlook
OLDEST_BATCH_DAYS = 200  # older live batches are left alone
FILLING_MEMBERS = 8  # whose mean fills hours of the past that were not measured
P90 = 1.2816  # of a standard normal
DOUBTED = 0.5  # trust in a count below which it is said that it does not fit
HOLD_DAYS = 5.0  # that a ready head may wait for its order; assumed
MEASURED_SHARE = 0.5  # of an hour, for its mean to count
SILENT_HOURS = 6
SILENT_ALERT = "conditions_silent"
UNREACHED_ALERT = "harvest_not_reached"
_ALERT_KINDS = seeding.ALERT_KINDS | {SILENT_ALERT, UNREACHED_ALERT, HEAT_ALERT}
EVENTS = ("emergence", "window_open", "window_close", "transplant", "harvest")


Sown = tuple[tuple[Cell, float], ...]
"""Cultivars sown together in a cell of a tray, with their shares."""


@dataclass(frozen=True)
class LiveBatch:
    """A batch that is not finished, with what its ledger says."""

    batch: Batch
    state: LedgerState


@dataclass(frozen=True)
class HouseInput:
    """Everything a house's forecast is made from."""

    now: datetime
    house: House
    zones: dict[int, Zone]
    crops: dict[int, Crop]
    successions: Sequence[Succession]  # active ones, and ended ones whose batches still stand
    live: Sequence[LiveBatch]
    measured: dict[int, Measured]  # by zone
    advice: dict[int, Advice]  # in force, by succession
    members: int
    horizon_days: int
    past: Past = field(default_factory=Past.none)
    calibration: Calibration | None = None  # none: what the profiles say; see :func:`learn`
    events: Sequence[HouseEvent] = ()
    seasons: Mapping[int, list[int]] = field(
        default_factory=dict
    )  # months, of successions that have a season
    outside: Measured = field(default_factory=Measured.none)  # light outdoors
    pushed: Pushed = field(default_factory=Pushed.none)
    orders: Sequence[Order] = ()  # of the farm, in force
    # Heads a day that the farm's active successions are for, by crop: they share its orders.
    growers: Mapping[int, float] = field(default_factory=dict)
    hold_days: float = HOLD_DAYS

    @property
    def today(self) -> date:
        """The local day of the house."""
        return local_day(self.now, self.zone_info)

    @cached_property
    def course(self) -> Course:
        """Shade paint and set points over time."""
        return course_of(self.house, self.events)

    @cached_property
    def transmission(self) -> Transmission:
        """The house's light transmission, learned where enough was measured."""
        stated = site_of(self.house, self.house.light_transmission)
        return transmission_of(self.house, stated, self.course, list(self.measured.values()), self.outside)

    @property
    def zone_info(self) -> ZoneInfo:
        """The house's time zone."""
        return ZoneInfo(self.house.time_zone)

    def key(self) -> str:
        """Return a digest of all that the conclusions depend on, the day included, the hour not."""
        digest = hashlib.sha256()
        rows: list[Any] = [self.house, *self.zones.values(), *self.crops.values(), *self.successions]
        rows.extend(self.events)
        rows.extend(self.orders)
        for row in rows:
            digest.update(f"{type(row).__name__}{row.id}v{row.version};".encode())
        for item in self.live:
            digest.update(f"{item.batch.id}v{item.batch.version}{item.state};".encode())
        digest.update(f"{sorted(self.seasons.items())} {sorted(self.growers.items())}".encode())
        outdoors = {"outside": self.outside, "pushed": self.pushed}
        for name, columns in [*sorted(self.measured.items()), *outdoors.items()]:
            digest.update(f"{name}".encode())
            for column in columns:
                digest.update(np.ascontiguousarray(column).tobytes())
        digest.update(self.past.key(self.house.id).encode())
        # Nothing arrives while a zone is silent, so that silence itself must count as news.
        digest.update(f"{[condition.subject for condition in _silent(self)]}".encode())
        digest.update(f"{local_day(self.now, self.zone_info)} {self.members} {self.horizon_days}".encode())
        digest.update(_program().encode())
        return digest.hexdigest()


@dataclass
class Conclusions:
    """What a run concluded of one house."""

    house_id: int
    key: str
    forecasts: list[Forecast] = field(default_factory=list)
    advice: list[Advice] = field(default_factory=list)
    conditions: list[Condition] = field(default_factory=list)
    calibration: Calibration | None = None


@dataclass(frozen=True)
class Run:
    """What a re-forecast of a house did."""

    house_id: int
    changed: bool
    forecasts: int = 0
    advice: int = 0
    alerts_opened: int = 0
    alerts_closed: int = 0


class Compute(Protocol):
    """Awaits a function somewhere else: in another thread, or in another process."""

    def __call__(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> Awaitable[R]:
        """Return what the function returns."""
        ...


class Overtaken(Exception):  # noqa: N818 - read as an answer
    """Another process took this work over meanwhile; nothing of it was kept."""


@cache
def _program() -> str:
    """Return a digest of the code that concludes: what another version concluded is concluded again."""
    digest = hashlib.sha256()
    for room in ("agronomy", "records", "work"):
        for file in sorted((Path(__file__).parent.parent / room).rglob("*")):
            if file.suffix in (".py", ".toml"):
                digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


class Reforecaster:
    """Re-forecasts houses, only where something changed since it last looked.

    Whether anything changed is told by the marks of change in a few rows; the records are read only then.

    Parameters
    ----------
    compute
        Where to compute: it is awaited with a function and its arguments, all of which can be pickled.
    at_once
        How many houses are computed at once.
    """

    def __init__(
        self,
        store: Store,
        clock: Clock,
        members: int,
        horizon_days: int,
        compute: Compute = asyncio.to_thread,
        at_once: int = 1,
    ) -> None:
        self._store, self._clock = store, clock
        self._members, self._horizon_days = members, horizon_days
        self._compute, self._at_once = compute, at_once
        self._known: dict[int, tuple[str, str]] = {}  # by house: its mark and key when it was last concluded
        self._locks: dict[int, asyncio.Lock] = {}
        self._holder = f"{socket.gethostname()[:50]}-{os.getpid()}-{secrets.token_hex(4)}"

    async def house(self, house_id: int) -> Run:
        """Re-forecast one house.

        Raises
        ------
        NotFound
            If there is no such house.
        """
        async with self._store.read() as uow:
            marks = await mark_records.marks_of(uow, [house_id])
            if house_id not in marks:
                await get_house(uow, SYSTEM, house_id)  # says that there is none
        return await self._conclude(house_id, self._mark(marks[house_id]))

    async def all_houses(
        self, stop: asyncio.Event | None = None, due_at: datetime | None = None
    ) -> list[Run]:
        """Re-forecast every house until told to stop; one that fails is logged and does not stop the others.

        Parameters
        ----------
        due_at
            The time of the run, where several processes share the work: of each time each house is done once, by
            one of them. None: this process does all.
        """
        runs: list[Run] = []
        if due_at is not None:
            async with self._store.write() as uow:
                await leases.ensure_houses(uow, JOB)
            while not _told(stop) and (claims := await self._claim(due_at)):
                runs += await self._do_claims(claims, stop)
            return runs
        async with self._store.read() as uow:
            ids = await place_records.all_house_ids(uow)
        for first in range(0, len(ids), TOGETHER):
            some = ids[first : first + TOGETHER]
            if _told(stop):
                break
            async with self._store.read() as uow:
                marks = await mark_records.marks_of(uow, some)
            there = [house_id for house_id in some if house_id in marks]
            runs += await self._each(
                [partial(self._guarded, house_id, self._mark(marks[house_id])) for house_id in there], stop
            )
        return runs

    async def _each(
        self, tasks: Sequence[Callable[[], Awaitable[Run | None]]], stop: asyncio.Event | None
    ) -> list[Run]:
        """Do them in order, as many at once as are computed at once, until told to stop."""
        left, runs = iter(tasks), []

        async def go_on() -> None:
            while not _told(stop) and (task := next(left, None)) is not None:
                if run := await task():
                    runs.append(run)

        async with asyncio.TaskGroup() as group:
            for _ in range(self._at_once):
                group.create_task(go_on())
        return runs

    async def _claim(self, due_at: datetime) -> list[Claim]:
        async with self._store.write() as uow:
            return await leases.claim(uow, JOB, due_at, self._holder, LEASE_S, TOGETHER)

    async def _do_claims(self, claims: Sequence[Claim], stop: asyncio.Event | None) -> list[Run]:
        """Do what was claimed: at once what did not change, then the rest house by house."""
        async with self._store.read() as uow:
            marks = await mark_records.marks_of(uow, [c.subject_id for c in claims])
        runs = []
        same, changed = [], []
        for claim in claims:
            known = marks.get(claim.subject_id)  # none: the house is gone
            if known is None or self._mark(known) == claim.mark:
                same.append(claim)
                runs.append(Run(claim.subject_id, changed=False))
            else:
                changed.append(claim)
        if same:
            async with self._store.write() as uow:
                await leases.finish_unchanged(uow, JOB, self._holder, same)

        async def renew() -> None:
            async with self._store.write() as uow:
                await leases.renew(uow, JOB, self._holder, list(changed), LEASE_S)

        async def do(claim: Claim) -> Run | None:
            try:
                return await self._guarded(claim.subject_id, self._mark(marks[claim.subject_id]), claim)
            finally:
                changed.remove(claim)

        async with held(renew, LEASE_S, "re-forecasts"):
            runs += await self._each([partial(do, claim) for claim in changed], stop)
        return runs

    async def _guarded(self, house_id: int, mark: str, claim: Claim | None = None) -> Run | None:
        try:
            return await self._conclude(house_id, mark, claim)
        except Overtaken:
            log.warning("re-forecast of house %s was taken over", house_id, extra={"action": "overtaken"})
        except Exception:
            log.exception("re-forecast of house %s failed", house_id, extra={"action": "reforecast_failed"})
            if claim is not None:  # the next run tries again
                async with self._store.write() as uow:
                    await leases.finish_unchanged(uow, JOB, self._holder, [claim])
        return None

    def _mark(self, marks: Marks) -> str:
        """Return the mark of a house, in which the time counts as far as forecasts depend on it."""
        now = self._clock.now()
        pending = marks.until is not None and marks.until > now
        hours = epoch_hours(now)
        told: tuple[Any, ...] = (
            marks.counted(now),
            marks.until,
            # Silence is counted in hours: just on the hour is neither before nor after.
            (floor(hours), ceil(hours)),
            local_day(now, ZoneInfo(marks.time_zone)),
            self._members,
            self._horizon_days,
            _program(),
            # What counts from a moment ahead may be any of several: then no look is left out.
            secrets.token_hex(8) if pending else None,
        )
        return repr(told)

    async def _conclude(self, house_id: int, mark: str, claim: Claim | None = None) -> Run:
        """Re-forecast a house of which this mark was read before anything else."""
        async with self._locks.setdefault(house_id, asyncio.Lock()):
            known = (claim.mark, claim.input_key) if claim else self._known.get(house_id, (None, None))
            if known[0] == mark:
                return Run(house_id, changed=False)
            async with self._store.read() as uow:
                given = await read_house(uow, self._clock, house_id, self._members, self._horizon_days)
            key = given.key()
            run = Run(house_id, changed=False)
            if known[1] != key:
                concluded = await self._compute(_learn_and_conclude, given, key)
                async with self._store.write() as uow:
                    run = await keep(uow, self._clock, concluded)
                    await propose_work(uow, self._clock, SYSTEM, house_id)
                    await self._finish(uow, house_id, mark, key, claim)
            elif claim is not None:
                async with self._store.write() as uow:
                    await self._finish(uow, house_id, mark, key, claim)
            self._known[house_id] = (mark, key)
            return run

    async def _finish(self, uow: UnitOfWork, house_id: int, mark: str, key: str, claim: Claim | None) -> None:
        if claim is None:
            await leases.remember(uow, JOB, house_id, mark, key)
        elif not await leases.finish(uow, JOB, self._holder, [claim], {house_id: (mark, key)}):
            raise Overtaken(house_id)


def _told(stop: asyncio.Event | None) -> bool:
    return stop is not None and stop.is_set()


# --------------------------------------------------------------------------- reading


async def read_house(
    uow: UnitOfWork, clock: Clock, house_id: int, members: int, horizon_days: int
) -> HouseInput:
    """Read all that a forecast of the house needs, as known now."""
    now = clock.now()
    house = await get_house(uow, SYSTEM, house_id)
    zones = {z.id: z for z in await place_records.zones_of(uow, house_id)}
    crops = {c.id: c for c in await records.crops_of(uow, house.farm_id)}
    oldest = local_day(now, ZoneInfo(house.time_zone)) - timedelta(days=OLDEST_BATCH_DAYS)
    programmes = await place_records.successions_of(uow, house_id)
    past = await calibration.read_past(uow, house, programmes, now)
    live = [
        LiveBatch(i.batch, i.state)
        for i in past.batches
        if i.batch.stage != "finished" and i.batch.seeded_on >= oldest
    ]
    standing = {i.batch.succession_id for i in live}
    successions = [s for s in programmes if s.active or s.id in standing]
    since = now - timedelta(days=HISTORY_DAYS)
    events = await event_records.events_of(uow, house_id)
    measured = {zone_id: await measured_hours(uow, house, zone_id, since, now, events) for zone_id in zones}
    growers: dict[int, float] = {}
    house_ids = await planning_records.house_ids_of(uow, house.farm_id)
    for s, _ in (await planning_records.successions_of_houses(uow, house_ids)).values():
        if s.active:
            rate = s.heads_per_harvest / s.harvest_interval_days
            growers[s.crop_id] = growers.get(s.crop_id, 0.0) + rate
    return HouseInput(
        now=now,
        house=house,
        zones=zones,
        crops=crops,
        successions=successions,
        live=live,
        measured=measured,
        advice=await records.latest_advice(uow, [s.id for s in successions]),
        members=members,
        horizon_days=horizon_days,
        past=past,
        events=events,
        seasons=await event_records.seasons_of(uow, successions),
        outside=await read_outside(uow, house_id, now),
        pushed=await read_pushed(uow, house_id, since=now - timedelta(days=OLDEST_BATCH_DAYS), now=now),
        orders=[o for o in await orders_of(uow, house.farm_id) if o.active],
        growers=growers,
    )


async def measured_hours(
    uow: UnitOfWork,
    house: House,
    zone_id: int,
    since: datetime,
    now: datetime,
    events: Sequence[HouseEvent] = (),
) -> Measured:
    """Return what was measured in a zone from a moment on, in the hours that are over now."""
    rows = await records.hours_since(uow, zone_id, since, now.replace(minute=0, second=0, microsecond=0))
    if not rows:
        return Measured.none()
    hour = np.array([(at - EPOCH) // timedelta(hours=1) for at, *_ in rows], dtype=np.int64)
    temp = np.array([t if t is not None and c >= MEASURED_SHARE else np.nan for _, t, c, _, _ in rows])
    mol = np.array([m / c if m is not None and c >= MEASURED_SHARE else np.nan for _, _, _, m, c in rows])
    return Measured(hour, temp, mol, lamp_mol(house, hour, events))


async def read_transmission(
    uow: UnitOfWork, clock: Clock, access: Access, house_id: int
) -> tuple[House, Transmission]:
    """Return a house, and its light transmission as its forecasts use it."""
    now = clock.now()
    house = await get_house(uow, access, house_id)
    events = await event_records.events_of(uow, house_id)
    since = now - timedelta(days=HISTORY_DAYS)
    measured = [
        await measured_hours(uow, house, zone.id, since, now, events)
        for zone in await place_records.zones_of(uow, house_id)
    ]
    site = site_of(house, house.light_transmission)
    outside = await read_outside(uow, house_id, now)
    return house, transmission_of(house, site, course_of(house, events), measured, outside)


# --------------------------------------------------------------------------- computing


@dataclass(frozen=True)
class _Group:
    """Successions of one crop and cultivar, or mix, in one pair of zones, and their batches."""

    profile: CropProfile
    cell: Cell  # what is seeded ahead
    sown: Sown
    nursery_id: int
    channels_id: int
    successions: list[Succession]
    live: list[LiveBatch]


def learn(given: HouseInput) -> HouseInput:
    """Return the input with what the farm's counts, weights and cuts say of its multipliers. Pure."""

    def conditions_of(zone_id: int, first: int, hours: int) -> Outlook:
        lamps = lamp_mol(given.house, np.arange(first, first + hours, dtype=np.int64), given.events)
        site = site_of(given.house, given.house.light_transmission)
        fill = outlook(site, Measured.none(), first, lamps, FILLING_MEMBERS, given.house.id, given.course)
        return evidence.with_measured(evidence.middle(fill), given.measured[zone_id])

    fresh = calibration.gather(
        given.past, given.house, given.zones, given.crops, given.measured, conditions_of, given.now
    )
    homes = {
        i.batch.id: Home(
            i.batch.code, _cell(given.past.successions[i.batch.succession_id], i.batch), i.batch.seeded_on
        )
        for i in given.past.batches
    }
    learnt = calibration.calibrate(given.past.kept, fresh, homes, _cells(given), given.crops, given.today)
    return replace(given, calibration=learnt)


def _sown(cell: Cell, of: Succession | Batch) -> Sown:
    """Return the cultivars that are in a cell of a tray, as cells of the calibration, with their shares."""
    return tuple((cell._replace(cultivar_id=m.cultivar_id), m.share) for m in of.cultivars) or ((cell, 1.0),)


def _cell(succession: Succession, batch: Batch | None = None) -> Cell:
    cultivar_id = succession.cultivar_id if batch is None else batch.cultivar_id
    return Cell(succession.house_id, succession.crop_id, cultivar_id)


def _cells(given: HouseInput) -> set[Cell]:
    by_id = {s.id: s for s in given.successions}
    live = [
        (_cell(by_id[i.batch.succession_id], i.batch), i.batch)
        for i in given.live
        if i.batch.succession_id in by_id
    ]
    wanted: list[tuple[Cell, Succession | Batch]] = [*live, *((_cell(s), s) for s in given.successions)]
    return {cell for own, of in wanted for cell in (own, *(member for member, _ in _sown(own, of)))}


def _learn_and_conclude(given: HouseInput, key: str) -> Conclusions:
    return conclude(learn(given), key)


def conclude(given: HouseInput, key: str) -> Conclusions:
    """Compute forecasts, advice and conditions of a house. Pure: no clock, no database."""
    result = Conclusions(given.house.id, key, calibration=given.calibration)
    learnt = given.calibration or calibration.calibrate([], [], {}, _cells(given), given.crops, given.today)
    now_h = epoch_hours(given.now)
    groups = _groups(given)
    outlooks = _outlooks(given, groups)
    dates: dict[int, Dates] = {}  # by batch id, one row each
    curves: dict[int, law.Curve] = {}  # by succession id
    for group in groups:
        lanes, n = _lanes(group, given, _curve_moments(now_h)), len(group.live)
        out = _group_dates(group, given, learnt, outlooks, lanes)
        for i, item in enumerate(group.live):
            dates[item.batch.id] = Dates(*(column[i : i + 1] for column in out))
        ahead = (out.transplant, out.harvest, out.light_harvest, out.clear, out.light_clear)
        curve = law.Curve(lanes.seeded_h[n:], *(column[n:] for column in ahead))
        for succession in group.successions:
            curves[succession.id] = curve
        _forecast_rows(given, group, learnt, out, outlooks[group.nursery_id], result)
    for succession in (s for s in given.successions if s.active):
        _advise(given, learnt, succession, curves, dates, now_h, result)
    result.conditions.extend(_silent(given))
    return result


def dates_ahead(
    given: HouseInput, seeding_h: NDArray[np.float64]
) -> tuple[dict[int, Dates], dict[int, Dates]]:
    """Return the dates of live batches by id, one row each, and those of seedings to come by succession. Pure.

    Parameters
    ----------
    given : HouseInput
        As :func:`learn` returns it; it is looked ahead as far as its horizon and a curve.
    seeding_h : ndarray, shape (moments,)
        When to seed. [epoch hours]
    """
    learnt = given.calibration or calibration.calibrate([], [], {}, _cells(given), given.crops, given.today)
    groups = _groups(given)
    outlooks = _outlooks(given, groups)
    live: dict[int, Dates] = {}
    ahead: dict[int, Dates] = {}
    for group in groups:
        out = _group_dates(group, given, learnt, outlooks, _lanes(group, given, seeding_h))
        n = len(group.live)
        for i, item in enumerate(group.live):
            live[item.batch.id] = Dates(*(column[i : i + 1] for column in out))
        for succession in group.successions:
            ahead[succession.id] = Dates(*(column[n:] for column in out))
    return live, ahead


def _group_dates(
    group: _Group, given: HouseInput, learnt: Calibration, outlooks: dict[int, Outlook], lanes: Batches
) -> Dates:
    """Forecast the live batches of a group, then its seedings to come."""
    lanes = _emerged(group, learnt, lanes, outlooks[group.nursery_id])
    sown = [_sown(_cell(group.successions[0], i.batch), i.batch) for i in group.live]
    sown += [group.sown] * (lanes.seeded_h.size - len(group.live))
    shares = [[share for _, share in members] for members in sown]
    rows, cuts = mix.apart(lanes, _cuts(group, lanes), shares)
    out = science.forecast(
        group.profile,
        outlooks[group.nursery_id],
        outlooks[group.channels_id],
        given.house.co2_ppm,
        rows,
        _factors(group, learnt, rows, sown, given.members),
        epoch_hours(given.now),
        cuts,
    )
    return mix.together(out, mix.owners(shares))


def _groups(given: HouseInput) -> list[_Group]:
    groups: dict[tuple[Cell, Sown, int, int], _Group] = {}
    for succession in given.successions:
        cell = _cell(succession)
        place = (cell, _sown(cell, succession), succession.nursery_zone_id, succession.channels_zone_id)
        profile = profile_of(given.crops[cell.crop_id])
        group = groups.setdefault(place, _Group(profile, *place, [], []))
        group.successions.append(succession)
        group.live.extend(item for item in given.live if item.batch.succession_id == succession.id)
    return list(groups.values())


def _outlooks(given: HouseInput, groups: Sequence[_Group]) -> dict[int, Outlook]:
    now_h = epoch_hours(given.now)
    oldest = min((epoch_hours(i.state.seeded_at) for g in groups for i in g.live), default=now_h)
    first = int(np.floor(oldest)) - 24  # a day before, for the trailing light of the first hour
    hours = int(now_h) + 24 * (given.horizon_days + CURVE_DAYS) - first
    zone_ids = sorted({z for g in groups for z in (g.nursery_id, g.channels_id)})
    return {z: _outlook(given, z, first, hours, given.members) for z in zone_ids}


def _outlook(given: HouseInput, zone_id: int, first: int, hours: int, members: int) -> Outlook:
    lamps = lamp_mol(given.house, np.arange(first, first + hours, dtype=np.int64), given.events)
    site = site_of(given.house, given.transmission.value)
    measured, house_id = given.measured[zone_id], given.house.id
    return outlook(site, measured, first, lamps, members, house_id, given.course, given.pushed)


def site_of(house: House, transmission: float) -> Site:
    """Return where a house stands and what it does with the climate."""
    return Site(
        latitude_deg=house.latitude_deg,
        longitude_deg=house.longitude_deg,
        transmission=transmission,
        temp_heat_day_c=house.temp_heat_day_c,
        temp_heat_night_c=house.temp_heat_night_c,
        temp_vent_c=house.temp_vent_c,
    )


def _curve_moments(now_h: float) -> NDArray[np.float64]:
    return np.asarray(np.ceil(now_h) + 24.0 * np.arange(0.0, CURVE_DAYS + 1e-9, CURVE_STEP_DAYS))


def _lanes(group: _Group, given: HouseInput, ahead: NDArray[np.float64]) -> Batches:
    """Live batches first, then seedings to come."""
    nursery, channels = given.zones[group.nursery_id], given.zones[group.channels_id]
    target = group.profile.target_fresh_g * group.profile.dry_matter_fraction
    states = [item.state for item in group.live]

    def column(values: Sequence[float | None], fill: float) -> NDArray[np.float64]:
        known = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
        return np.concatenate([known, np.full(ahead.size, fill)])

    def moments(values: Sequence[datetime | None]) -> NDArray[np.float64]:
        return column([None if v is None else epoch_hours(v) for v in values], np.nan)

    counts = [s.leaf_counts[-1] if s.leaf_counts else None for s in states]
    return Batches(
        seeded_h=np.concatenate([[epoch_hours(s.seeded_at) for s in states], ahead]),
        emerged_h=moments([s.emerged_at for s in states]),
        counted_h=moments([c[0] if c else None for c in counts]),
        counted_leaves=column([c[1] if c else None for c in counts], np.nan),
        transplanted_h=moments([s.transplanted_at for s in states]),
        target_dry_g=column([target] * len(states), target),
        nursery_m2=column([nursery.plants_m2] * len(states), nursery.plants_m2),
        channels_m2=column([channels.plants_m2] * len(states), channels.plants_m2),
    )


def _emerged(group: _Group, learnt: Calibration, lanes: Batches, nursery: Outlook) -> Batches:
    """Put emergence that was counted to when it was, which may be before the count."""
    n = len(group.live)
    looks = [item.state.not_emerged_at for item in group.live]
    past = evidence.Past(
        lanes.seeded_h[:n],
        lanes.emerged_h[:n],
        np.array([np.nan if at is None else epoch_hours(at) for at in looks]),
        lanes.transplanted_h[:n],
    )
    cells = [_cell(group.successions[0], item.batch) for item in group.live]
    beliefs = [
        learnt.emergence.of_batch(item.batch.id, cell) for item, cell in zip(group.live, cells, strict=True)
    ]
    rate = np.exp(np.array([belief.mean for belief in beliefs]))
    at_h = evidence.emergence_h(group.profile, evidence.middle(nursery), past, rate)
    emerged_h = lanes.emerged_h.copy()
    emerged_h[:n] = np.where(np.isnan(past.emerged_h), np.nan, at_h)
    return lanes._replace(emerged_h=emerged_h)


def _cuts(group: _Group, lanes: Batches) -> Cuts | None:
    """Return where the batches of a crop of several cuts are; none: it is cut once."""
    profile = group.profile
    if profile.cuts == 1:
        return None
    done = [item.state.cuts for item in group.live]
    ahead = lanes.seeded_h.size - len(done)
    return Cuts(
        np.array([*(epoch_hours(c[-1][0]) if c else np.nan for c in done), *[np.nan] * ahead]),
        np.array([*(profile.left_dry_g(c[-1][1]) if c else np.nan for c in done), *[np.nan] * ahead]),
        np.array([*(max(1, profile.cuts - len(c)) for c in done), *[profile.cuts] * ahead], dtype=np.float64),
    )


def _factors(
    group: _Group, learnt: Calibration, lanes: Batches, sown: Sequence[Sown], members: int
) -> science.Multipliers:
    """Return the multipliers of each lane's members, and how far they take its last leaf count to be off."""
    items = [*group.live, *[None] * (len(sown) - len(group.live))]
    told = [(item, cell) for item, of in zip(items, sown, strict=True) for cell, _ in of]

    def beliefs(of: calibration.Learnt) -> science.Beliefs:
        rows = [of.of_batch(item.batch.id if item else 0, cell) for item, cell in told]
        columns = ([r.mean for r in rows], [r.shared_sd for r in rows], [r.own_sd for r in rows])
        return science.Beliefs(*(np.array(column) for column in columns))

    leaf, growth, emergence = beliefs(learnt.leaf), beliefs(learnt.growth), beliefs(learnt.emergence)
    # A batch's luck belongs to its code: ids differ between stores that were told the same.
    key = np.array([crc32(item.batch.code.encode()) if item else 0 for item, _ in told], dtype=np.int64)
    factors = science.batch_multipliers(members, key, leaf, growth, emergence)
    counts = [_fitting(learnt, item) if item else None for item, _ in told]
    usual = np.array([np.nan if c is None else c.said["expected"] for c in counts]) * np.exp(leaf.mean)
    doubt = np.array([0.0 if c is None else 1.0 - c.trust for c in counts])
    off = np.nan_to_num(np.abs(lanes.counted_leaves - usual))
    # A count that does not fit still stands, but the range then reaches to what the measured hours give.
    error = np.hypot(science.COUNT_SPREAD, doubt * off / P90) / science.COUNT_SPREAD
    return factors._replace(error=factors.error * error[:, None])


def _fitting(learnt: Calibration, item: LiveBatch) -> Piece | None:
    """Return the batch's last leaf count as evidence; none: there is no count, or too few leaves to tell."""
    found = learnt.last_count(item.batch.id)
    if found is None or not item.state.leaf_counts:
        return None
    same = found.said["at"] == item.state.leaf_counts[-1][0].isoformat()
    open_ = found.said["low"] is None and found.said["high"] is None
    return found if same and not open_ else None


def _forecast_rows(
    given: HouseInput,
    group: _Group,
    learnt: Calibration,
    out: Dates,
    nursery: Outlook,
    result: Conclusions,
) -> None:
    last = float(int(epoch_hours(given.now)) + 24 * given.horizon_days)
    columns = {event: science.points(getattr(out, event), last) for event in EVENTS}
    if group.profile.cuts > 1:
        columns["last_harvest"] = science.points(out.clear, last)
    for i, item in enumerate(group.live):
        points = {event: _point_json(column[i]) for event, column in columns.items()}
        heat = seed_heat(group.profile, item.state, nursery, given.now)
        known = _known(given, group, item)
        why = [
            *_batch_reasons(given, group, item),
            *_calibration_reasons(learnt, group, item),
            *([reason(heat.sentence(), "seed_heat", **heat.figures())] if heat else []),
        ]
        result.forecasts.append(
            Forecast(
                batch_id=item.batch.id,
                made_at=given.now,
                input_key=result.key,
                horizon_days=given.horizon_days,
                points=points,
                state={
                    "leaves": _spread(out.leaves_now[i], 1),
                    "freshG": _spread(out.fresh_g_now[i], 1),
                },
                parameters={
                    "profile": group.profile.name,
                    "members": given.members,
                    "filledHours": max(0, known.span_h - known.hours),
                    "leafSpread": group.profile.leaf_spread,
                    "growthSpread": group.profile.growth_spread,
                    "targetFreshG": group.profile.target_fresh_g,
                    "transmission": transmission_json(given.transmission),
                    "leafRate": _named(learnt.leaf, group, item),
                    "growth": _named(learnt.growth, group, item),
                    "emergence": _named(learnt.emergence, group, item),
                },
                reasons=[one.text for one in why],
                why=[one.words for one in why],
            )
        )
        if heat:
            result.conditions.append(heat_condition(heat, item.batch, given.zones[group.nursery_id]))
        if points["harvest"]["p50"] is None:
            result.conditions.append(_unreached(given, item.batch))


def _named(learnt: calibration.Learnt, group: _Group, item: LiveBatch) -> dict[str, float | int]:
    """Return a batch's multiplier as a forecast names it: median, standard deviation on the log scale, evidence."""
    cell = _cell(group.successions[0], item.batch)
    belief, own = learnt.cells[cell], learnt.of_batch(item.batch.id, cell)
    return {
        "mean": round(float(np.exp(own.mean)), 3),
        "sd": round(float(np.hypot(own.shared_sd, own.own_sd)), 3),
        "evidence": belief.evidence,
    }


def _calibration_reasons(learnt: Calibration, group: _Group, item: LiveBatch) -> list[Reason]:
    cell = _cell(group.successions[0], item.batch)
    said = []
    young = item.state.stage == "nursery"
    belief = (learnt.leaf if young else learnt.growth).cells[cell]
    if belief.evidence:
        low, middle, high = np.exp(belief.mean + belief.sd * np.array([-P90, 0.0, P90])).tolist()
        said.append(
            reason(
                f"{'Leaves appear' if young else 'Heads grow'} {middle:.2f} times as fast here as the crop profile says"
                f" (10-90 % {low:.2f} to {high:.2f}), from {belief.evidence}"
                f" {'record' if belief.evidence == 1 else 'records'}.",
                "leaves_faster" if young else "heads_faster",
                times=round(middle, 2),
                low=round(low, 2),
                high=round(high, 2),
                n=int(belief.evidence),
            )
        )
    count = _fitting(learnt, item)
    if count is not None and count.trust < DOUBTED:
        said.append(
            reason(
                f"The last leaf count, {count.said['observed']:g}, does not fit the {count.said['expected']:.1f} leaves"
                f" that the measured hours give, and counts for {100 * count.trust:.0f} %.",
                "count_doubted",
                observed=round(float(count.said["observed"]), 2),
                expected=round(float(count.said["expected"]), 1),
                trustShare=round(float(count.trust), 2),
            )
        )
    return said


def transmission_json(known: Transmission) -> dict[str, Any]:
    """Return a house's transmission as it is shown, and how it is known."""
    learned = None if known.learned is None else round(known.learned, 3)
    return {
        "value": round(known.value, 3),
        "spread": round(known.spread, 3),
        "how": known.how,
        "days": known.days,
        "learned": learned,
    }


def _point_json(point: science.Points) -> dict[str, str | None]:
    return {
        name: None if (hours := getattr(point, name)) is None else moment_of(hours).isoformat()
        for name in ("p10", "p50", "p90")
    }


def _spread(values: NDArray[np.float64], digits: int) -> dict[str, float]:
    return dict(
        zip(("p10", "p50", "p90"), np.quantile(values, (0.1, 0.5, 0.9)).round(digits).tolist(), strict=True)
    )


class _Known(NamedTuple):
    """What was measured of a batch's conditions since it stands where it stands."""

    since: datetime
    light_mol: NDArray[np.float64]
    temp_c: NDArray[np.float64]
    hours: int
    """Hours of which both were measured; the others are filled from the outlook."""
    span_h: int


def _known(given: HouseInput, group: _Group, item: LiveBatch) -> _Known:
    zone_id = group.nursery_id if item.state.stage == "nursery" else group.channels_id
    measured = given.measured[zone_id]
    since = max(item.state.transplanted_at or item.state.seeded_at, given.now - timedelta(days=HISTORY_DAYS))
    inside = measured.hour >= epoch_hours(since)
    light, temp = measured.light_mol[inside], measured.temp_c[inside]
    both = ~np.isnan(light) & ~np.isnan(temp)
    span = round((given.now - since) / timedelta(hours=1))
    return _Known(since, light[both], temp[both], int(np.count_nonzero(both)), span)


def _batch_reasons(given: HouseInput, group: _Group, item: LiveBatch) -> list[Reason]:
    zone = given.zones[group.nursery_id if item.state.stage == "nursery" else group.channels_id]
    since, light, temp, known, span = _known(given, group, item)
    said = []
    if known:
        dli, mean = float(light.mean()) * 24, float(temp.mean())
        since_on = local_day(since, given.zone_info)
        said.append(
            reason(
                f"Since {since_on:%d %b} in {zone.name}: {dli:.1f}"
                f" mol m-2 d-1 and {mean:.1f} °C measured over {known} of {span} hours.",
                "batch_measured",
                zone=zone.name,
                sinceOn=since_on.isoformat(),
                dliMol=round(dli, 1),
                meanC=round(mean, 1),
                hours=known,
                ofHours=span,
            )
        )
    if known < 0.9 * span:
        said.append(
            reason(
                f"Light or temperature of {span - known} of {span} hours was not measured and is taken from the"
                " outlook.",
                "batch_filled",
                hours=span - known,
                ofHours=span,
            )
        )
    if item.state.leaf_counts:
        at, leaves = item.state.leaf_counts[-1]
        on = local_day(at, given.zone_info)
        said.append(
            reason(
                f"{leaves:g} true leaves were counted on {on:%d %b}.",
                "leaves_counted",
                leaves=round(leaves, 2),
                countedOn=on.isoformat(),
            )
        )
    if item.state.weighings:
        at, weight_g = item.state.weighings[-1]
        on = local_day(at, given.zone_info)
        said.append(
            reason(
                f"Heads weighed {weight_g:.0f} g on {on:%d %b}.",
                "heads_weighed",
                weightG=round(weight_g, 1),
                weighedOn=on.isoformat(),
            )
        )
    if item.state.cuts:
        at, weight = item.state.cuts[-1]
        on, left = (
            local_day(at, given.zone_info),
            group.profile.left_dry_g(weight) / group.profile.dry_matter_fraction,
        )
        said.append(
            reason(
                f"Cut {len(item.state.cuts)} of {group.profile.cuts} was on {on:%d %b};"
                f" it regrows from the {left:.0f} g left.",
                "regrows",
                cut=len(item.state.cuts),
                cuts=group.profile.cuts,
                cutOn=on.isoformat(),
                leftG=round(left, 1),
            )
        )
    return said


def _unreached(given: HouseInput, batch: Batch) -> Condition:
    return Condition(
        kind=UNREACHED_ALERT,
        subject=f"batch:{batch.id}",
        severity="warning",
        title=f"{batch.code}: the target weight is not reached within {given.horizon_days} days",
        detail="In most members of the outlook there is too little light.",
        next_step="Cut smaller heads, add light, or pause seeding until the days lengthen.",
        evidence={"horizonDays": given.horizon_days},
        words={"code": "is", "batch": batch.code, "horizonDays": given.horizon_days},
    )


def _plants(item: LiveBatch, succession: Succession) -> float:
    """Plants that hold or will hold sites."""
    state = item.state
    kept = round(state.cells * succession.keep_share)
    if state.stage == "channels":  # some may still wait for sites
        waiting = max(0, kept - state.in_channels - state.harvested)
        return float(state.in_channels + min(state.in_nursery, waiting))
    return float(min(state.in_nursery, kept))


def _advise(
    given: HouseInput,
    learnt: Calibration,
    succession: Succession,
    curves: dict[int, law.Curve],
    dates: dict[int, Dates],
    now_h: float,
    result: Conclusions,
) -> None:
    channels = given.zones[succession.channels_zone_id]
    by_id = {s.id: s for s in given.successions if s.channels_zone_id == channels.id}
    here = [i for i in given.live if i.batch.succession_id in by_id]
    own = sorted((i for i in here if i.batch.succession_id == succession.id), key=lambda i: i.state.seeded_at)
    waiting = [i for i in here if i.state.stage == "nursery" and i.state.in_nursery > 0]
    previous = given.advice.get(succession.id)
    programme = law.Programme(
        harvest_interval_days=succession.harvest_interval_days,
        seeding_interval_days=succession.seeding_interval_days,
        cells=succession.cells_per_seeding,
        keep_share=succession.keep_share,
    )
    standing = _standing(here, by_id, dates, now_h, given.members)
    others = [
        _coming(s, here, curves[s.id], now_h) for s in by_id.values() if s.active and s.id != succession.id
    ]
    out = outages(given.house, given.events, channels)
    closed, season = closed_days(given.events), given.seasons.get(succession.id)
    seeded_on = own[-1].batch.seeded_on if own else None
    first = seeding.first_day(given.now, given.zone_info, seeded_on)
    earliest = seeding.first_moment(first, succession.seeding_weekdays, closed, given.zone_info)
    figures = law.advise(
        programme,
        now_h,
        epoch_hours(own[-1].state.seeded_at) if own else None,
        _first_harvest(own[-1], dates[own[-1].batch.id]) if own else None,
        curves[succession.id],
        standing,
        others,
        [_waiting(i, by_id[i.batch.succession_id], succession, dates) for i in waiting],
        channels.capacity,
        (previous.decision, previous.binding) if previous else None,  # type: ignore[arg-type]
        out,
        epoch_hours(earliest),
    )
    allowed = seeding.open_days(
        first, given.today + timedelta(days=CURVE_DAYS), succession.seeding_weekdays, closed, season
    )
    if orders := _orders(given, learnt, succession, own, dates, curves[succession.id], allowed):
        figures = ordered.for_orders(
            figures,
            programme,
            now_h,
            curves[succession.id],
            standing,
            others,
            channels.capacity,
            out,
            orders,
            seeding.previous_of(previous, given.zone_info),
        )
    codes = [i.batch.code for i in waiting]
    row = seeding.advice_row(
        figures,
        succession,
        channels,
        given.zone_info,
        given.now,
        result.key,
        given.measured[channels.id],
        codes,
        closed,
        season,
        seeded_on,
    )
    result.advice.append(row)
    result.conditions.extend(seeding.conditions_of(row, figures, succession, given.zone_info, codes))


def _orders(
    given: HouseInput,
    learnt: Calibration,
    succession: Succession,
    own: Sequence[LiveBatch],
    dates: dict[int, Dates],
    curve: law.Curve,
    allowed: Sequence[date],
) -> ordered.Orders | None:
    """Return what is ordered of a succession: its share of the farm's orders of the crop; none: nothing.

    After the last day that is ordered, it is taken to be wanted for what it is for.
    """
    profile = profile_of(given.crops[succession.crop_id])
    end = given.today + timedelta(days=given.horizon_days + CURVE_DAYS)
    rate = succession.heads_per_harvest / succession.harvest_interval_days
    share = rate / max(given.growers.get(succession.crop_id, rate), rate)
    heads: dict[date, float] = {}
    for order in given.orders:
        if order.crop_id == succession.crop_id:
            a_unit = 1.0 if order.heads is not None else 1.0 / head_kg(profile)
            for wanted in occurrences(order, given.today, end):
                heads[wanted.on] = heads.get(wanted.on, 0.0) + share * a_unit * wanted.amount
    if not heads:
        return None
    last, later = max(heads), succession.harvest_interval_days
    while (day := last + timedelta(days=round(later))) <= end:
        heads[day] = float(succession.heads_per_harvest)
        later += succession.harvest_interval_days
    on = sorted(heads)

    def moments(days: Sequence[date]) -> NDArray[np.float64]:
        return np.array([epoch_hours(seeding_moment(day, given.zone_info)) for day in days])

    ready, plants = [np.empty((0, given.members))], []
    for item in own:
        cuts = max(1, profile.cuts - len(item.state.cuts))
        ahead = dates[item.batch.id]
        ready.append(ordered.cut_moments(ahead.harvest[0], ahead.clear[0], cuts))
        plants += [_plants(item, succession)] * cuts
    seeding_h = np.maximum(
        moments(allowed), epoch_hours(given.now)
    )  # what is for today may be made late today
    return ordered.Orders(
        wishes=ordered.Wishes(moments(on), np.array([heads[day] for day in on])),
        supply=ordered.Supply(np.concatenate(ready), np.array(plants, dtype=np.float64)),
        hold_days=given.hold_days,
        allowed_h=seeding_h[seeding_h <= curve.seeding_h[-1]],
        cuts=profile.cuts,
        own_spread=max(learnt.growth.of_batch(0, c).own_sd for c, _ in _sown(_cell(succession), succession)),
    )


def _first_harvest(item: LiveBatch, own: Dates) -> NDArray[np.float64]:
    """When a batch was or will be cut for the first time."""
    if not item.state.cuts:
        return np.asarray(own.harvest[0])
    return np.full(own.harvest.shape[1], epoch_hours(item.state.cuts[0][0]))


def _standing(
    here: Sequence[LiveBatch],
    by_id: dict[int, Succession],
    dates: dict[int, Dates],
    now_h: float,
    members: int,
) -> law.Occupants:
    """Batches in the zone or on their way there."""
    rows = [dates[i.batch.id] for i in here]

    def stacked(columns: list[NDArray[np.float64]]) -> NDArray[np.float64]:
        return np.concatenate(columns) if columns else np.empty((0, members))

    return law.Occupants(
        stacked([d.transplant for d in rows]),
        # A head that is ready stands until it is cut: tomorrow at the earliest.
        stacked([np.maximum(d.clear, now_h + 24.0) for d in rows]),
        stacked([np.maximum(d.light_clear, now_h + 24.0) for d in rows]),
        np.array([_plants(i, by_id[i.batch.succession_id]) for i in here], dtype=np.float64),
    )


def _coming(other: Succession, here: Sequence[LiveBatch], curve: law.Curve, now_h: float) -> law.Coming:
    """What another succession of the zone will go on seeding."""
    last = max(
        (epoch_hours(i.state.seeded_at) for i in here if i.batch.succession_id == other.id), default=now_h
    )
    end = curve.seeding_h[-1]
    moments = np.arange(last, end + 1.0, 24.0 * other.seeding_interval_days)[1:]
    plants = other.cells_per_seeding * other.keep_share
    return law.Coming(curve, moments[moments >= now_h], plants, other.seeding_interval_days)


def _waiting(item: LiveBatch, of: Succession, advised: Succession, dates: dict[int, Dates]) -> law.Waiting:
    own = dates[item.batch.id]
    return law.Waiting(
        float(np.median(own.window_open)),
        float(np.median(own.window_close)),
        float(np.median(own.clear)),
        _plants(item, of),
        own=of.id == advised.id,
    )


def _silent(given: HouseInput) -> list[Condition]:
    """Name zones that were measured once and are not now."""
    found = []
    now_h = epoch_hours(given.now)
    for zone_id, measured in given.measured.items():
        both = measured.hour[~np.isnan(measured.temp_c) & ~np.isnan(measured.light_mol)]
        if both.size and now_h - both[-1] > SILENT_HOURS + 1:
            zone = given.zones[zone_id]
            since = local_day(moment_of(float(both[-1] + 1)), given.zone_info)
            found.append(
                Condition(
                    kind=SILENT_ALERT,
                    subject=f"zone:{zone_id}",
                    severity="warning",
                    title=f"{zone.name}: no measured light or temperature since {since:%d %b}",
                    detail="The forecast fills the gap from the outlook, so ranges are wider and reasons older.",
                    next_step="Look at the sensor, its power and its link to the broker.",
                    evidence={"lastHour": moment_of(float(both[-1])).isoformat()},
                    words={"code": "is", "zone": zone.name, "sinceOn": since.isoformat()},
                )
            )
    return found


# --------------------------------------------------------------------------- keeping


async def keep(uow: UnitOfWork, clock: Clock, concluded: Conclusions) -> Run:
    """Keep forecasts and advice that say something new, and settle alerts."""
    # First, because it keeps others from concluding on the house at the same time.
    opened, closed = await settle_alerts(uow, clock, concluded.house_id, _ALERT_KINDS, concluded.conditions)
    known = await records.latest_forecasts(uow, [f.batch_id for f in concluded.forecasts])
    new_forecasts = [f for f in concluded.forecasts if _says_new(f, known.get(f.batch_id))]
    told = await records.latest_advice(uow, [a.succession_id for a in concluded.advice])
    new_advice = [a for a in concluded.advice if _advises_new(a, told.get(a.succession_id))]
    # What was made last holds: a clock that was set back must not put it behind what it replaces.
    for forecast in new_forecasts:
        if old := known.get(forecast.batch_id):
            forecast.made_at = max(forecast.made_at, old.made_at)
    for advice in new_advice:
        if before := told.get(advice.succession_id):
            advice.made_at = max(advice.made_at, before.made_at)
    uow.session.add_all([*new_forecasts, *new_advice])
    await uow.flush()
    house = await place_records.house_of(uow, concluded.house_id)
    await tell_conclusions(uow, clock, house, new_forecasts, new_advice, told)
    await calibration.keep_evidence(uow, concluded.calibration)
    return Run(concluded.house_id, True, len(new_forecasts), len(new_advice), opened, closed)


def _says_new(new: Forecast, old: Forecast | None) -> bool:
    return old is None or (new.points, new.state, new.reasons, new.parameters) != (
        old.points,
        old.state,
        old.reasons,
        old.parameters,
    )


def _advises_new(new: Advice, old: Advice | None) -> bool:
    def said(advice: Advice) -> tuple[Any, ...]:
        return (
            advice.decision,
            advice.binding,
            advice.interval_days,
            advice.advised_interval_days,
            advice.cells_per_seeding,
            advice.from_on,
            advice.seedings,
            advice.outcome,
            advice.reasons,
        )

    return old is None or said(new) != said(old)
