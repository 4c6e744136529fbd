"""Calibration of a farm's multipliers: evidence from its records, kept by batch, and what follows from all of it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.agronomy import calibration as law
from service.agronomy import evidence as science
from service.agronomy.outlook import Measured, Outlook
from service.agronomy.profile import CropProfile
from service.clock import Clock
from service.records import batches as batch_records
from service.records import calibration as records
from service.records.calibration import KeptEvidence
from service.records.store import UnitOfWork
from service.records.tables import Batch, Crop, Entry, House, Succession, Zone
from service.work.access import Access
from service.work.errors import Impossible
from service.work.ledger import LedgerState, derive, facts
from service.work.places import get_house
from service.work.profiles import profile_of
from service.work.times import epoch_hours, local_day

EVIDENCE_DAYS = 1200  # batches seeded longer ago say nothing any more
MODEL = 5  # to be raised when the science changes, so that evidence is computed again

Parameter = Literal["leaf", "growth", "emergence"]
PARAMETERS: tuple[Parameter, ...] = ("leaf", "growth", "emergence")

_Array = NDArray[np.float64]


class Cell(NamedTuple):
    """A cultivar in a house; without a cultivar, the crop's batches of which none is said."""

    house_id: int
    crop_id: int
    cultivar_id: int | None


class Home(NamedTuple):
    """Where a batch belongs, and when it was seeded."""

    code: str
    cell: Cell
    seeded_on: date


@dataclass(frozen=True)
class PastBatch:
    """A batch, finished or not, with the facts of it that are known."""

    batch: Batch
    state: LedgerState
    facts: Sequence[Entry]


@dataclass(frozen=True)
class Past:
    """What a farm is calibrated from: the past of one house, and the evidence kept of all."""

    batches: Sequence[PastBatch]
    successions: Mapping[int, Succession]  # of the house, ended ones too
    kept: Sequence[KeptEvidence]

    @classmethod
    def none(cls) -> Past:
        """Return a past without batches."""
        return cls((), {}, ())

    def key(self, house_id: int) -> str:
        """Return a digest of what the house's batches say, and of what was kept of other houses.

        What was kept of its own follows from its records.
        """
        digest = hashlib.sha256()
        for item in self.batches:
            digest.update(f"{item.batch.id} {item.batch.cultivar_id} {_told(item.facts)};".encode())
        for row in self.kept:
            if row.house_id != house_id:
                digest.update(f"{row.batch_id} {row.cultivar_id} {row.input_key};".encode())
        return digest.hexdigest()


@dataclass(frozen=True)
class Belief:
    """What is believed of one multiplier of a cell, on the log scale."""

    prior_sd: float
    mean: float
    sd: float
    batch_spread: float
    batches: float  # what its own evidence is worth in thoroughly measured batches
    evidence: int  # pieces about its own batches
    stage_drift: float = (
        0.0  # of growth: how much more young heads say than ready ones, for each e-fold of weight
    )


@dataclass(frozen=True)
class BatchBelief:
    """What is believed of one multiplier of a batch, on the log scale."""

    mean: float
    shared_sd: float
    own_sd: float


@dataclass(frozen=True)
class Piece:
    """One piece of evidence, and how much it counts."""

    batch_id: int
    batch_code: str
    cell: Cell
    said: Mapping[str, Any]
    trust: float
    weight: float


@dataclass(frozen=True)
class Learnt:
    """What was learnt of one parameter."""

    cells: Mapping[Cell, Belief]
    batches: Mapping[int, BatchBelief]  # by id, of those with evidence
    pieces: Sequence[Piece]

    def of_batch(self, batch_id: int, cell: Cell) -> BatchBelief:
        """Return what is believed of a batch, by its own evidence or by its cell's."""
        if found := self.batches.get(batch_id):
            return found
        belief = self.cells[cell]
        return BatchBelief(belief.mean, belief.sd, belief.batch_spread)


@dataclass(frozen=True)
class Calibration:
    """What a farm's evidence says, and what is to be kept of it."""

    leaf: Learnt
    growth: Learnt
    emergence: Learnt
    fresh: Sequence[dict[str, Any]] = ()  # evidence of the house's batches that is new

    def last_count(self, batch_id: int) -> Piece | None:
        """Return the latest leaf count of a batch as evidence."""
        counts = [p for p in self.leaf.pieces if p.batch_id == batch_id]
        return max(counts, key=lambda p: (p.said["at"], p.said["entryId"]), default=None)


ConditionsOf = Callable[[int, int, int], Outlook]
"""Returns a zone's conditions (zone, first epoch hour, hours): one row, measured with gaps filled."""


# --------------------------------------------------------------------------- reading and keeping


async def read_past(uow: UnitOfWork, house: House, successions: Sequence[Succession], now: datetime) -> Past:
    """Read what a farm is calibrated from, as recorded by a moment."""
    day = oldest_day(house, now)
    batches = await records.batches_since(uow, house.id, day)
    ledgers = await batch_records.entries_of(uow, [b.id for b in batches])
    past = []
    for batch in batches:
        known = [entry for entry in ledgers[batch.id] if entry.recorded_at <= now]
        try:
            past.append(PastBatch(batch, derive(known), facts(known)))
        except Impossible:  # its seeding was recorded later
            continue
    return Past(past, {s.id: s for s in successions}, await records.evidence_since(uow, house.farm_id, day))


async def keep_evidence(uow: UnitOfWork, calibration: Calibration | None) -> None:
    """Keep the evidence that is new."""
    if calibration is not None and calibration.fresh:
        await records.keep_evidence(uow, calibration.fresh)


def oldest_day(house: House, now: datetime) -> date:
    """Return the first local day of the house whose batches still count."""
    return local_day(now, ZoneInfo(house.time_zone)) - timedelta(days=EVIDENCE_DAYS)


# --------------------------------------------------------------------------- evidence


def gather(
    past: Past,
    house: House,
    zones: Mapping[int, Zone],
    crops: Mapping[int, Crop],
    measured: Mapping[int, Measured],
    conditions_of: ConditionsOf,
    now: datetime,
) -> list[dict[str, Any]]:
    """Compute the evidence of a house's batches whose records changed since it was kept. Pure."""
    kept = {row.batch_id: row.input_key for row in past.kept}
    groups: dict[tuple[int, int, int], list[tuple[PastBatch, str]]] = {}
    fresh: list[dict[str, Any]] = []
    for item in past.batches:
        succession = past.successions[item.batch.succession_id]
        place = (succession.crop_id, succession.nursery_zone_id, succession.channels_zone_id)
        telling = _telling(item)
        if not telling:
            if kept.get(item.batch.id):
                fresh.append(_row(item.batch.id, "", now, []))
            continue
        key = _input_key(item, telling, house, zones, profile_of(crops[place[0]]), measured, place[1:])
        if kept.get(item.batch.id) != key:
            groups.setdefault(place, []).append((item, key))
    for (crop_id, nursery_id, channels_id), items in groups.items():
        profile = profile_of(crops[crop_id])
        first = int(min(epoch_hours(i.state.seeded_at) for i, _ in items)) - 24  # for the trailing light
        last = max(epoch_hours(e.happened_at) for i, _ in items for e in _telling(i))
        hours = int(np.ceil(last)) + 1 + 24 * int(science.UNSAID_DAYS) - first
        pieces = _pieces(
            profile,
            conditions_of(nursery_id, first, hours),
            conditions_of(channels_id, first, hours),
            house.co2_ppm,
            (zones[nursery_id].plants_m2, zones[channels_id].plants_m2),
            [item for item, _ in items],
        )
        fresh.extend(_row(item.batch.id, key, now, pieces[i]) for i, (item, key) in enumerate(items))
    return fresh


def _row(batch_id: int, key: str, now: datetime, pieces: list[dict[str, Any]]) -> dict[str, Any]:
    return {"batch_id": batch_id, "input_key": key, "made_at": now, "pieces": pieces}


def _telling(item: PastBatch) -> list[Entry]:
    """Return the facts that say something about multipliers: emergence, leaf counts, weighed samples, first harvest."""
    up = [f for f in item.facts if f.kind == "emergence_counted" and f.happened_at == item.state.emerged_at]
    counts = [f for f in item.facts if f.kind == "leaves_counted"]
    heads = []
    for entry in (f for f in item.facts if f.kind in {"weighed", "harvested"}):
        cut = entry.kind == "harvested" and entry.happened_at == item.state.harvest_begun_at
        if cut or entry.weight_g is not None:
            heads.append(entry)
        if cut:
            break
    return up[:1] + counts + heads


def _told(entries: Iterable[Entry]) -> list[tuple[Any, ...]]:
    return [
        (e.id, e.kind, e.happened_at, e.plants, e.leaves, e.weight_g, e.readiness, e.regrows) for e in entries
    ]


def _input_key(
    item: PastBatch,
    telling: Sequence[Entry],
    house: House,
    zones: Mapping[int, Zone],
    profile: CropProfile,
    measured: Mapping[int, Measured],
    place: tuple[int, int],
) -> str:
    last = max(e.happened_at for e in telling)
    digest = hashlib.sha256(f"{MODEL} {house.version} {[zones[z].version for z in place]}".encode())
    digest.update(f"{[getattr(profile, f.name) for f in fields(profile) if f.name != 'sources']}".encode())
    digest.update(f"{_told(f for f in item.facts if f.happened_at <= last)}".encode())
    seeded, moved = item.state.seeded_at, min(item.state.transplanted_at or last, last)
    # A day before, for the trailing light, and a day after, for the rate by which a wrong emergence is judged.
    day = timedelta(days=1)
    # After a cut the days in which its heads may still have been becoming ready.
    after = last + timedelta(days=science.UNSAID_DAYS)
    for zone_id, start, end in ((place[0], seeded - day, moved + day), (place[1], moved - day, after)):
        hours = measured[zone_id]
        inside = slice(*np.searchsorted(hours.hour, (epoch_hours(start), epoch_hours(end) + 1.0)))
        for column in hours:
            digest.update(np.ascontiguousarray(column[inside]).tobytes())
    return digest.hexdigest()


def _pieces(
    profile: CropProfile,
    nursery: Outlook,
    channels: Outlook,
    co2_ppm: float,
    plants_m2: tuple[float, float],
    items: Sequence[PastBatch],
) -> list[list[dict[str, Any]]]:
    """Compute the evidence of batches of one crop in one pair of zones, all at once."""
    past = science.Past(
        np.array([epoch_hours(i.state.seeded_at) for i in items]),
        _moments([i.state.emerged_at for i in items]),
        _moments([i.state.not_emerged_at for i in items]),
        _moments([i.state.transplanted_at for i in items]),
    )
    found: list[list[dict[str, Any]]] = [[] for _ in items]
    up = science.emergence(profile, nursery, past)
    told = [(row, entry) for row, item in enumerate(items) for entry in _telling(item)]
    counts = [(row, e) for row, e in told if e.kind == "leaves_counted"]
    cuts = [(row, e) for row, e in told if e.kind in {"weighed", "harvested"}]
    emerged = [(row, e) for row, e in told if e.kind == "emergence_counted"]
    rows = np.array([row for row, _ in emerged], dtype=np.intp)
    _say(found, emerged, "emergence", science.Finding(*(column[rows] for column in up)))
    if counts:
        finding = science.leaves(
            profile,
            nursery,
            channels,
            past,
            *_where(counts),
            np.array([float(e.leaves or 0.0) for _, e in counts]),
        )
        _say(found, counts, "leaf", finding)
    if cuts:
        ready = np.array([science.READY[e.readiness] for _, e in cuts])
        finding = science.heads(
            profile,
            nursery,
            channels,
            co2_ppm,
            plants_m2,
            past,
            *_where(cuts),
            np.array(
                [
                    profile.cut_g(e.weight_g, regrows=bool(e.regrows)) if e.weight_g else np.nan
                    for _, e in cuts
                ]
            ),
            (ready[:, 0], ready[:, 1]),
        )
        _say(found, cuts, "growth", finding)
    return found


def _where(told: Sequence[tuple[int, Entry]]) -> tuple[NDArray[np.intp], _Array]:
    rows = np.array([row for row, _ in told], dtype=np.intp)
    return rows, np.array([epoch_hours(e.happened_at) for _, e in told])


def _moments(values: Sequence[datetime | None]) -> _Array:
    return np.array([np.nan if v is None else epoch_hours(v) for v in values])


def _say(
    found: list[list[dict[str, Any]]],
    told: Sequence[tuple[int, Entry]],
    parameter: Parameter,
    finding: science.Finding,
) -> None:
    for (row, entry), *numbers in zip(told, *(column.tolist() for column in finding), strict=True):
        figures = dict(zip(science.Finding._fields, map(_number, numbers), strict=True))
        kind = entry.kind if parameter != "growth" else "weighed" if entry.weight_g is not None else "cut"
        found[row].append(
            {
                "parameter": parameter,
                "kind": kind,
                "entryId": entry.id,
                "at": entry.happened_at.isoformat(),
                "readiness": entry.readiness,
                **figures,
            }
        )


def _number(value: float) -> float | None:
    return round(value, 6) if np.isfinite(value) else None


# --------------------------------------------------------------------------- posterior


def calibrate(
    kept: Sequence[KeptEvidence],
    fresh: Sequence[dict[str, Any]],
    homes: Mapping[int, Home],
    wanted: Iterable[Cell],
    crops: Mapping[int, Crop],
    today: date,
) -> Calibration:
    """Learn a farm's multipliers from all its evidence. Pure.

    Parameters
    ----------
    kept
        Evidence kept of the farm's batches.
    fresh
        What takes the place of some of it.
    homes
        Where the batches belong that ``fresh`` is about, by id.
    wanted
        Cells asked about, whether or not there is evidence.
    crops
        The farm's crops.
    today
        In whose season a cell's multipliers are stated.
    """
    rows = {r.batch_id: (_home(r), r.pieces) for r in kept}
    rows |= {r["batch_id"]: (homes[r["batch_id"]], r["pieces"]) for r in fresh}
    # In one order, so that the last digit does not depend on which batch was kept when.
    told = [
        (batch_id, *rows[batch_id]) for batch_id in sorted(rows) if rows[batch_id][0].cell.crop_id in crops
    ]
    cells = sorted({*wanted, *(home.cell for _, home, _ in told)}, key=lambda c: (*c[:2], c[2] or 0))
    leaf, growth, emergence = (_learn(parameter, cells, told, crops, today) for parameter in PARAMETERS)
    return Calibration(leaf, growth, emergence, fresh)


def _home(row: KeptEvidence) -> Home:
    return Home(row.batch_code, Cell(row.house_id, row.crop_id, row.cultivar_id), row.seeded_on)


def _share_of_year(day: date) -> float:
    return day.timetuple().tm_yday / 366.0


def _spread(parameter: Parameter, crop: Crop) -> float:
    if parameter == "emergence":
        return science.EMERGENCE_SPREAD
    return float(getattr(profile_of(crop), f"{parameter}_spread"))


def _stage(crop: Crop, said: Mapping[str, Any]) -> float:
    """Return the log of a weight over that of a ready head, at most 0; nan: nothing was weighed."""
    grams = said["observed"]
    if said["kind"] != "weighed" or not grams:
        return np.nan
    profile = profile_of(crop)
    return float(min(0.0, np.log(grams / (profile.target_fresh_g * (1.0 - profile.left_share)))))


def _learn(
    parameter: Parameter,
    cells: Sequence[Cell],
    told: Sequence[tuple[int, Home, list[dict[str, Any]]]],
    crops: Mapping[int, Crop],
    today: date,
) -> Learnt:
    row_of = {cell: row for row, cell in enumerate(cells)}
    spread = np.array([_spread(parameter, crops[c.crop_id]) for c in cells])
    pieces = [
        (batch_id, home.code, home.cell, said)
        for batch_id, home, all_said in told
        for said in all_said
        if said["parameter"] == parameter
    ]
    seeded_on = {batch_id: home.seeded_on for batch_id, home, _ in told}
    ids = sorted({batch_id for batch_id, *_ in pieces})
    place = {batch_id: row for row, batch_id in enumerate(ids)}
    cell_of = {batch_id: row_of[cell] for batch_id, _, cell, _ in pieces}

    def bound(side: str, open_: float) -> _Array:
        return np.array([open_ if (v := said[side]) is None else v for *_, said in pieces], dtype=np.float64)

    given = law.Cells(
        np.array([c.house_id for c in cells], dtype=np.intp),
        np.array([c.crop_id for c in cells], dtype=np.intp),
        # Ids of cultivars are positive; what is not said is a cultivar of its own in each crop.
        np.array([c.cultivar_id or -c.crop_id for c in cells], dtype=np.intp),
        spread,
    )
    of_batch = np.array([place[batch_id] for batch_id, *_ in pieces], dtype=np.intp)
    sd = np.array([said["sd"] for *_, said in pieces], dtype=np.float64)
    aged = None
    if parameter == "growth":
        at_h = np.array([epoch_hours(datetime.fromisoformat(said["at"])) for *_, said in pieces])
        aged = law.drifted(of_batch, at_h)
        sd = np.hypot(sd, aged)
    evidence = law.Evidence(of_batch, bound("low", -np.inf), bound("high", np.inf), sd)
    season = law.Season(np.array([_share_of_year(seeded_on[i]) for i in ids]), _share_of_year(today))
    of_cell = np.array([cell_of[i] for i in ids], dtype=np.intp)
    drift = np.zeros(len(ids))
    if parameter == "growth":
        stage = np.array([_stage(crops[cell.crop_id], said) for _, _, cell, said in pieces])
        evidence, drift = law.staged(evidence, stage, given.crop[of_cell], season)
    out = law.calibrate(given, of_cell, evidence, season, aged)
    if parameter == "growth":
        out = law.ahead(out, of_cell, of_batch, at_h, stage)
    drift_of = dict(zip(given.crop[of_cell].tolist(), drift.tolist(), strict=True))
    own = np.bincount([row_of[cell] for _, _, cell, _ in pieces], minlength=len(cells))
    return Learnt(
        cells={
            cell: Belief(
                prior_sd=float(spread[row]),
                mean=float(out.mean[row]),
                sd=float(out.sd[row]),
                batch_spread=float(out.batch_spread[row]),
                batches=float(out.batches[row]),
                evidence=int(own[row]),
                stage_drift=-drift_of.get(cell.crop_id, 0.0),
            )
            for cell, row in row_of.items()
        },
        batches={
            batch_id: BatchBelief(*map(float, figures))
            for batch_id, *figures in zip(
                ids, out.batch_mean, out.batch_shared_sd, out.batch_own_sd, strict=True
            )
        },
        pieces=[
            Piece(*piece, trust=float(trust), weight=float(weight))
            for piece, trust, weight in zip(pieces, out.trust, out.weight, strict=True)
        ],
    )


# --------------------------------------------------------------------------- showing


@dataclass(frozen=True)
class CellCalibration:
    """What is known of one cultivar in a house."""

    crop: Crop
    cultivar_id: int | None
    cultivar: str | None
    leaf: Belief
    growth: Belief
    emergence: Belief
    evidence: Sequence[Piece]  # newest first


async def house_calibration(
    uow: UnitOfWork, clock: Clock, access: Access, house_id: int
) -> list[CellCalibration]:
    """Return what is believed of the multipliers in a house, from the evidence kept at the last re-forecast."""
    house = await get_house(uow, access, house_id)
    crops, cultivars = await records.names_of(uow, house.farm_id)
    kept = await records.evidence_since(uow, house.farm_id, oldest_day(house, clock.now()))
    grown = await records.grown_in(uow, house_id)
    today = local_day(clock.now(), ZoneInfo(house.time_zone))
    calibration = calibrate(kept, [], {}, [Cell(house_id, *pair) for pair in grown], crops, today)
    return [
        CellCalibration(
            crop=crops[cell.crop_id],
            cultivar_id=cell.cultivar_id,
            cultivar=cultivars.get(cell.cultivar_id) if cell.cultivar_id else None,
            leaf=calibration.leaf.cells[cell],
            growth=calibration.growth.cells[cell],
            emergence=calibration.emergence.cells[cell],
            evidence=sorted(
                (
                    p
                    for learnt in (calibration.leaf, calibration.growth, calibration.emergence)
                    for p in learnt.pieces
                    if p.cell == cell
                ),
                key=lambda p: (p.said["at"], p.said["entryId"]),
                reverse=True,
            ),
        )
        for cell in calibration.leaf.cells
        if cell.house_id == house_id
    ]
