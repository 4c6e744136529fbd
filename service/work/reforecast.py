"""Re-forecast a house: read what is known, compute without holding a transaction, keep what changed."""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.agronomy import forecast as science
from service.agronomy import succession as law
from service.agronomy.forecast import Batches, Dates
from service.agronomy.outlook import Measured, Outlook, Site, outlook
from service.agronomy.profile import CropProfile
from service.clock import Clock
from service.records import batches as batch_records
from service.records import places as place_records
from service.records import reforecast as records
from service.records.store import Store, UnitOfWork
from service.records.tables import Advice, Batch, Crop, Forecast, House, Succession, Zone
from service.work import seeding
from service.work.access import SYSTEM
from service.work.alerts import Condition, settle_alerts
from service.work.ledger import LedgerState, derive
from service.work.places import get_house
from service.work.profiles import profile_of
from service.work.times import EPOCH, epoch_hours, local_clock_hours, local_day, moment_of

log = logging.getLogger(__name__)

CURVE_DAYS = 49  # how far ahead seedings are looked at
CURVE_STEP_DAYS = 3.5
HISTORY_DAYS = 400  # measured hours that shape the outlook
OLDEST_BATCH_DAYS = 200  # older live batches are left alone
MEASURED_SHARE = 0.5  # of an hour, for its mean to count
SILENT_HOURS = 6
SILENT_ALERT = "conditions_silent"
UNREACHED_ALERT = "harvest_not_reached"
_ALERT_KINDS = seeding.ALERT_KINDS | {SILENT_ALERT, UNREACHED_ALERT}
EVENTS = ("emergence", "window_open", "window_close", "transplant", "harvest")


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

    @property
    def zone_info(self) -> ZoneInfo:
        """The house's time zone."""
        return ZoneInfo(self.house.time_zone)

    def key(self) -> str:
        """Return a digest of all that the conclusions depend on, the day included, the hour not."""
        digest = hashlib.sha256()
        rows: list[Any] = [self.house, *self.zones.values(), *self.crops.values(), *self.successions]
        for row in rows:
            digest.update(f"{type(row).__name__}{row.id}v{row.version};".encode())
        for item in self.live:
            digest.update(f"{item.batch.id}{item.state};".encode())
        for zone_id, measured in sorted(self.measured.items()):
            digest.update(f"{zone_id}".encode())
            for column in measured:
                digest.update(np.ascontiguousarray(column).tobytes())
        # Nothing arrives while a zone is silent, so that silence itself must count as news.
        digest.update(f"{[condition.subject for condition in _silent(self)]}".encode())
        digest.update(f"{local_day(self.now, self.zone_info)} {self.members} {self.horizon_days}".encode())
        return digest.hexdigest()


@dataclass
class Conclusions:
    """What a run concluded of one house."""

    house_id: int
    key: str
    forecasts: list[Forecast] = field(default_factory=list)
    advice: list[Advice] = field(default_factory=list)
    conditions: list[Condition] = field(default_factory=list)


@dataclass(frozen=True)
class Run:
    """What a re-forecast of a house did."""

    house_id: int
    changed: bool
    forecasts: int = 0
    advice: int = 0
    alerts_opened: int = 0
    alerts_closed: int = 0


class Reforecaster:
    """Re-forecasts houses, only where something changed since it last looked."""

    def __init__(self, store: Store, clock: Clock, members: int, horizon_days: int) -> None:
        self._store, self._clock = store, clock
        self._members, self._horizon_days = members, horizon_days
        self._keys: dict[int, str] = {}
        self._locks: dict[int, asyncio.Lock] = {}

    async def house(self, house_id: int) -> Run:
        """Re-forecast one house.

        Raises
        ------
        NotFound
            If there is no such house.
        """
        async with self._locks.setdefault(house_id, asyncio.Lock()):
            async with self._store.read() as uow:
                given = await read_house(uow, self._clock, house_id, self._members, self._horizon_days)
            key = given.key()
            if self._keys.get(house_id) == key:
                return Run(house_id, changed=False)
            concluded = await asyncio.to_thread(conclude, given, key)
            async with self._store.write() as uow:
                run = await keep(uow, self._clock, concluded)
            self._keys[house_id] = key
            return run

    async def all_houses(self, stop: asyncio.Event | None = None) -> list[Run]:
        """Re-forecast every house until told to stop; one that fails is logged and does not stop the others."""
        if stop is not None and stop.is_set():
            return []
        async with self._store.read() as uow:
            ids = await place_records.all_house_ids(uow)
        runs = []
        for house_id in ids:
            if stop is not None and stop.is_set():
                break
            try:
                runs.append(await self.house(house_id))
            except Exception:
                log.exception(
                    "re-forecast of house %s failed", house_id, extra={"action": "reforecast_failed"}
                )
        return runs


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
    batches = [b for b in await batch_records.live_batches(uow, house_id) if b.seeded_on >= oldest]
    standing = {b.succession_id for b in batches}
    successions = [
        s for s in await place_records.successions_of(uow, house_id) if s.active or s.id in standing
    ]
    entries = await batch_records.entries_of(uow, [b.id for b in batches])
    live = [LiveBatch(b, derive(entries[b.id])) for b in batches]
    since = now - timedelta(days=HISTORY_DAYS)
    measured = {zone_id: await _measured(uow, house, zone_id, since, now) for zone_id in zones}
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
    )


async def _measured(uow: UnitOfWork, house: House, zone_id: int, since: datetime, now: datetime) -> Measured:
    rows = await records.hours_since(uow, zone_id, since, now)
    if not rows:
        return Measured.none()
    hour = np.array([(at - EPOCH) // timedelta(hours=1) for at, *_ in rows], dtype=np.int64)
    temp = np.array([t if t is not None and c >= MEASURED_SHARE else np.nan for _, t, c, _, _ in rows])
    mol = np.array([m / c if m is not None and c >= MEASURED_SHARE else np.nan for _, _, _, m, c in rows])
    return Measured(hour, temp, mol, lamp_mol(house, hour))


def lamp_mol(house: House, hours: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return what the lamp schedule gives in each epoch hour. [mol m⁻²]"""
    if house.lamp_ppfd_umol <= 0.0 or house.lamp_hours <= 0.0:
        return np.zeros(hours.size)
    clock = local_clock_hours(hours, ZoneInfo(house.time_zone))
    since_on = (clock - house.lamp_start_h) % 24.0
    # Share of the hour that is lit: it may begin lit, or be lit from within.
    lit = np.clip(house.lamp_hours - since_on, 0.0, 1.0) + np.clip(
        np.minimum(since_on + 1.0 - 24.0, house.lamp_hours), 0.0, 1.0
    )
    return np.asarray(np.minimum(lit, 1.0) * house.lamp_ppfd_umol * 3600.0 / 1e6)


# --------------------------------------------------------------------------- computing


@dataclass(frozen=True)
class _Group:
    """Successions of one crop in one pair of zones, and their batches."""

    profile: CropProfile
    nursery_id: int
    channels_id: int
    successions: list[Succession]
    live: list[LiveBatch]


def conclude(given: HouseInput, key: str) -> Conclusions:
    """Compute forecasts, advice and conditions of a house. Pure: no clock, no database."""
    result = Conclusions(given.house.id, key)
    now_h = epoch_hours(given.now)
    groups = _groups(given)
    outlooks = _outlooks(given, groups)
    dates: dict[int, Dates] = {}  # by batch id, one row each
    curves: dict[int, law.Curve] = {}  # by succession id
    for group in groups:
        lanes = _lanes(group, given, now_h)
        out = science.forecast(
            group.profile,
            outlooks[group.nursery_id],
            outlooks[group.channels_id],
            given.house.co2_ppm,
            lanes,
            science.multipliers(given.members, group.profile.leaf_spread, group.profile.growth_spread),
            now_h,
        )
        n = len(group.live)
        for i, item in enumerate(group.live):
            dates[item.batch.id] = Dates(*(column[i : i + 1] for column in out))
        curve = law.Curve(lanes.seeded_h[n:], out.transplant[n:], out.harvest[n:], out.light_harvest[n:])
        for succession in group.successions:
            curves[succession.id] = curve
        _forecast_rows(given, group, out, result)
    for succession in (s for s in given.successions if s.active):
        _advise(given, succession, curves, dates, now_h, result)
    result.conditions.extend(_silent(given))
    return result


def _groups(given: HouseInput) -> list[_Group]:
    groups: dict[tuple[int, int, int], _Group] = {}
    for succession in given.successions:
        place = (succession.crop_id, succession.nursery_zone_id, succession.channels_zone_id)
        group = groups.setdefault(
            place, _Group(profile_of(given.crops[place[0]]), place[1], place[2], [], [])
        )
        group.successions.append(succession)
        group.live.extend(item for item in given.live if item.batch.succession_id == succession.id)
    return list(groups.values())


def _outlooks(given: HouseInput, groups: Sequence[_Group]) -> dict[int, Outlook]:
    now_h = epoch_hours(given.now)
    oldest = min((epoch_hours(i.state.seeded_at) for g in groups for i in g.live), default=now_h)
    first = int(np.floor(oldest)) - 24  # a day before, for the trailing light of the first hour
    hours = int(now_h) + 24 * (given.horizon_days + CURVE_DAYS) - first
    lamps = lamp_mol(given.house, np.arange(first, first + hours, dtype=np.int64))
    site = Site(
        latitude_deg=given.house.latitude_deg,
        longitude_deg=given.house.longitude_deg,
        transmission=given.house.light_transmission,
        temp_heat_day_c=given.house.temp_heat_day_c,
        temp_heat_night_c=given.house.temp_heat_night_c,
        temp_vent_c=given.house.temp_vent_c,
    )
    zone_ids = sorted({z for g in groups for z in (g.nursery_id, g.channels_id)})
    return {
        z: outlook(site, given.measured[z], first, lamps, given.members, given.house.id) for z in zone_ids
    }


def _lanes(group: _Group, given: HouseInput, now_h: float) -> Batches:
    """Live batches first, then the seedings of the curve."""
    nursery, channels = given.zones[group.nursery_id], given.zones[group.channels_id]
    target = group.profile.target_fresh_g * group.profile.dry_matter_fraction
    states = [item.state for item in group.live]
    ahead = np.ceil(now_h) + 24.0 * np.arange(0.0, CURVE_DAYS + 1e-9, CURVE_STEP_DAYS)

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


def _forecast_rows(given: HouseInput, group: _Group, out: Dates, result: Conclusions) -> None:
    last = float(int(epoch_hours(given.now)) + 24 * given.horizon_days)
    columns = {event: science.points(getattr(out, event), last) for event in EVENTS}
    for i, item in enumerate(group.live):
        points = {event: _point_json(columns[event][i]) for event in EVENTS}
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
                    "leafSpread": group.profile.leaf_spread,
                    "growthSpread": group.profile.growth_spread,
                    "targetFreshG": group.profile.target_fresh_g,
                },
                reasons=_batch_reasons(given, group, item),
            )
        )
        if points["harvest"]["p50"] is None:
            result.conditions.append(_unreached(given, item.batch))


def _point_json(point: science.Points) -> dict[str, str | None]:
    return {
        name: None if (hours := getattr(point, name)) is None else moment_of(hours).isoformat()
        for name in ("p10", "p50", "p90")
    }


def _spread(values: NDArray[np.float64], digits: int) -> dict[str, float]:
    return dict(
        zip(("p10", "p50", "p90"), np.quantile(values, (0.1, 0.5, 0.9)).round(digits).tolist(), strict=True)
    )


def _batch_reasons(given: HouseInput, group: _Group, item: LiveBatch) -> list[str]:
    zone = given.zones[group.nursery_id if item.state.stage == "nursery" else group.channels_id]
    measured = given.measured[zone.id]
    since = max(item.state.transplanted_at or item.state.seeded_at, given.now - timedelta(days=HISTORY_DAYS))
    inside = measured.hour >= epoch_hours(since)
    light, temp = measured.light_mol[inside], measured.temp_c[inside]
    both = ~np.isnan(light) & ~np.isnan(temp)
    known = int(np.count_nonzero(both))
    span = max(1, round((given.now - since) / timedelta(hours=1)))
    said = []
    if known:
        said.append(
            f"Since {local_day(since, given.zone_info):%d %b} in {zone.name}: {float(light[both].mean()) * 24:.1f}"
            f" mol m-2 d-1 and {float(temp[both].mean()):.1f} °C measured over {known} of {span} hours."
        )
    if known < 0.9 * span:
        said.append(
            f"Light or temperature of {span - known} of {span} hours was not measured and is taken from the outlook."
        )
    if item.state.leaf_counts:
        at, leaves = item.state.leaf_counts[-1]
        said.append(f"{leaves:g} true leaves were counted on {local_day(at, given.zone_info):%d %b}.")
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
    )


def _plants(item: LiveBatch, succession: Succession) -> float:
    """Plants that hold or will hold sites."""
    if item.state.stage == "channels":
        return float(item.state.in_channels)
    return min(float(item.state.in_nursery), round(item.state.cells * succession.keep_share))


def _advise(
    given: HouseInput,
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
    figures = law.advise(
        law.Programme(
            harvest_interval_days=succession.harvest_interval_days,
            seeding_interval_days=succession.seeding_interval_days,
            cells=succession.cells_per_seeding,
            keep_share=succession.keep_share,
        ),
        now_h,
        epoch_hours(own[-1].state.seeded_at) if own else None,
        dates[own[-1].batch.id].harvest[0] if own else None,
        curves[succession.id],
        _standing(here, by_id, dates, now_h, given.members),
        [_coming(s, here, curves[s.id], now_h) for s in by_id.values() if s.active and s.id != succession.id],
        [_waiting(i, by_id[i.batch.succession_id], succession, dates) for i in waiting],
        channels.capacity,
        (previous.decision, previous.binding) if previous else None,  # type: ignore[arg-type]
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
    )
    result.advice.append(row)
    result.conditions.extend(seeding.conditions_of(row, figures, succession, given.zone_info, codes))


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
        stacked([np.maximum(d.harvest, now_h + 24.0) for d in rows]),
        stacked([np.maximum(d.light_harvest, now_h + 24.0) for d in rows]),
        np.array([_plants(i, by_id[i.batch.succession_id]) for i in here], dtype=np.float64),
    )


def _coming(other: Succession, here: Sequence[LiveBatch], curve: law.Curve, now_h: float) -> law.Coming:
    """What another succession of the zone will go on seeding."""
    last = max(
        (epoch_hours(i.state.seeded_at) for i in here if i.batch.succession_id == other.id), default=now_h
    )
    end = curve.seeding_h[-1]
    moments = np.arange(last, end + 1.0, 24.0 * other.seeding_interval_days)[1:]
    return law.Coming(curve, moments[moments >= now_h], other.cells_per_seeding * other.keep_share)


def _waiting(item: LiveBatch, of: Succession, advised: Succession, dates: dict[int, Dates]) -> law.Waiting:
    own = dates[item.batch.id]
    return law.Waiting(
        float(np.median(own.window_open)),
        float(np.median(own.window_close)),
        float(np.median(own.harvest)),
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
    uow.session.add_all([*new_forecasts, *new_advice])
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
