"""Batches: seeding them, and writing down what happens to them."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import batches as records
from service.records.listing import find, known
from service.records.packing import packed_from
from service.records.places import house_of, zones_of
from service.records.store import UnitOfWork
from service.records.tables import (
    Batch,
    BatchCultivar,
    BatchSeedLot,
    Crop,
    Entry,
    House,
    Succession,
    Tray,
)
from service.work import fields, saving
from service.work.access import Access
from service.work.crops import referred_cultivar
from service.work.errors import Conflict, FieldProblem, Impossible, NotFound, impossible
from service.work.fields import Field, checked_changes, checked_new
from service.work.ledger import (
    FINDINGS,
    GRADED_OUT,
    KINDS,
    MAX_LEAVES,
    MAX_WAITING_DAYS,
    MOST_PLANTS_COUNTED,
    READINESS,
    SEVERITIES,
    LedgerState,
    derive,
    facts,
    mean_leaves,
)
from service.work.ledgers import states_of
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import get_house
from service.work.profiles import profile_of
from service.work.sections import AHEAD, check_entries, check_room
from service.work.ticking import tick_entry, tick_seeding
from service.work.trays import SEED_LOTS, TRAYS, change_trays, sown_with, trays_for

STAGES = ("nursery", "channels", "finished")

_OF_TRAYS = ("trays", "cells_per_tray")
_SEEDED_ON_HOUR = time(8)  # a day without an hour is taken as this local time
_RECENTLY = timedelta(minutes=5)
"""What was recorded within this time may be the same as what someone else records now."""
_SAME_MOMENT = timedelta(minutes=1)
_COUNTED_ONCE = frozenset({"transplanted", "moved", "weighed", "discarded", "harvested"})
_SAYS = (
    "plants",
    "leaves",
    "leaves_each",
    "weight_g",
    "readiness",
    "regrows",
    "zone_id",
    "section_id",
    "from_section_id",
    "tray_id",
    "grade",
    "finding",
    "severity",
    "product",
    "waiting_days",
)
"""What a fact says besides its kind and moment, and a void correction does not."""

_BATCH = {
    "succession_id": Field(fields.reference, required=True),
    "seeded_at": Field(fields.moment),
    "seeded_on": Field(fields.day),
    "cells": Field(fields.whole(1)),
    "cultivar_id": Field(fields.reference, nullable=True),
    "code": Field(fields.text(60)),
    "note": Field(fields.text(2000), nullable=True),
    "seed_lots": SEED_LOTS,
    "trays": TRAYS,
    "cells_per_tray": Field(fields.whole(1, 10_000)),
}
_IN_LEDGER = "it cannot be changed here; correct the seeding in the batch's ledger"
_CHANGEABLE = {
    "succession_id": Field(fields.reference, fixed=True),
    "seeded_on": Field(fields.day, fixed=True, why_fixed=_IN_LEDGER),
    "cells": Field(fields.whole(1), fixed=True, why_fixed=_IN_LEDGER),
    "cultivar_id": Field(fields.reference, nullable=True),
    "code": Field(fields.text(60)),
    "seed_lots": SEED_LOTS,
    "trays": TRAYS,
    "cells_per_tray": Field(fields.whole(1, 10_000)),
}
_TAKEN = FieldProblem("code", "another batch of this house has this code")

_GRADE_OUT = frozenset({"graded out", "grade out", "grade-out", "graded-out", "gradeout"})


def _reason(value: Any) -> str:
    """Check why plants were discarded; grading out has one name, so that it can be counted."""
    cleaned = str(fields.text(200)(value))
    return GRADED_OUT if cleaned.lower() in _GRADE_OUT else cleaned


ENTRY = {
    "kind": Field(fields.one_of(*KINDS)),
    "happened_at": Field(fields.moment),
    "plants": Field(fields.whole(0), nullable=True),
    "leaves": Field(fields.number(0, MAX_LEAVES, "true leaves a plant"), nullable=True),
    "leaves_each": Field(
        fields.numbers(0, MAX_LEAVES, MOST_PLANTS_COUNTED, "true leaves a plant"), nullable=True
    ),
    "weight_g": Field(fields.number(0, 5000, "g fresh weight a head", above=True), nullable=True),
    "regrows": Field(fields.flag, nullable=True),
    "readiness": Field(fields.one_of(*READINESS), nullable=True),
    "grade": Field(fields.text(40), nullable=True),
    "zone_id": Field(fields.reference, nullable=True),
    "section_id": Field(fields.reference, nullable=True),
    "from_section_id": Field(fields.reference, nullable=True),
    "tray_id": Field(fields.reference, nullable=True),
    "reason": Field(_reason, nullable=True),
    "finding": Field(fields.one_of(*FINDINGS), nullable=True),
    "severity": Field(fields.one_of(*SEVERITIES), nullable=True),
    "product": Field(fields.text(200), nullable=True),
    "waiting_days": Field(fields.number(0, MAX_WAITING_DAYS, "days"), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
    "supersedes_id": Field(fields.reference, nullable=True),
    "void": Field(fields.flag),
    "again": Field(fields.flag),
    "minutes_taken": Field(fields.number(0, 1440, "min"), nullable=True),
}
_SUPERSEDED = FieldProblem("supersedes_id", "this entry has been corrected already; correct the correction")


@dataclass(frozen=True)
class BatchView:
    """A batch and what its ledger says."""

    batch: Batch
    state: LedgerState
    seed_lots: Sequence[BatchSeedLot] = ()
    trays: Sequence[Tray] = ()


async def create_batch(uow: UnitOfWork, clock: Clock, access: Access, values: Mapping[str, Any]) -> BatchView:
    """Seed a batch: ``seeded_at``, or ``seeded_on`` alone for 08:00 local, or neither for now.

    Without ``cells`` and ``cultivar_id`` the succession's are taken, its mix too; without ``code`` one is made.
    ``seed_lots`` say what it was sown with; ``trays`` in which trays it stands, or ``cells_per_tray`` that they are
    alike. A task to seed the succession, due by then, is ticked off.
    """
    cleaned = checked_new(_BATCH, values)
    succession = await find(uow, Succession, cleaned["succession_id"])
    house = None if succession is None else await house_of(uow, succession.house_id)
    if succession is None or house is None or access.farm_id not in {None, house.farm_id}:
        raise impossible("succession_id", f"there is no succession {cleaned['succession_id']}")
    cultivar_id = cleaned.get("cultivar_id", succession.cultivar_id)
    await referred_cultivar(uow, succession.crop_id, cultivar_id)

    now = clock.now()
    field, seeded_at = _seeding_moment(cleaned, house, now)
    _check_not_ahead(field, seeded_at, now)
    seeded_on = _local_day(seeded_at, house)
    seeded = Entry(
        batch_id=0,  # known when the batch is stored
        kind="seeded",
        happened_at=seeded_at,
        recorded_at=now,
        recorded_by=access.name,
        plants=cleaned.get("cells", succession.cells_per_seeding),
        zone_id=succession.nursery_zone_id,
        note=cleaned.get("note"),
    )
    state = derive([seeded])
    batch = Batch(
        house_id=house.id,
        succession_id=succession.id,
        cultivar_id=cultivar_id,
        code=cleaned.get("code") or await _new_code(uow, house, succession, seeded_on),
        seeded_on=seeded_on,
        cells=state.cells,
        created_at=now,
        stage=state.stage,
        cultivars=mix_at_seeding(succession, cultivar_id),
    )
    lots = await sown_with(uow, house, succession, batch, cleaned.get("seed_lots", ()))
    trays = trays_for(state.cells, cleaned)
    with saving.refusals(_TAKEN):
        await records.insert_batch(uow, batch, seeded, lots, trays)
    await tick_seeding(uow, access, now, batch)
    return BatchView(batch, state, lots, trays)


def mix_at_seeding(succession: Succession, cultivar_id: int | None) -> list[BatchCultivar]:
    """Return the mix a batch is of: the succession's, unless the batch is of one cultivar."""
    if cultivar_id is not None:
        return []
    return [
        BatchCultivar(cultivar_id=m.cultivar_id, share=m.share, place=m.place) for m in succession.cultivars
    ]


async def get_batch(uow: UnitOfWork, access: Access, batch_id: int) -> BatchView:
    """Return a batch with what its ledger says."""
    return (await _views(uow, [await find_batch(uow, access, batch_id)]))[0]


async def list_batches(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    succession_id: int | None = None,
    stage: str | None = None,
    code: str | None = None,
    first: date | None = None,
    last: date | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[BatchView], int | None]:
    """Return a page of batches with what their ledgers say, and the id to go on after.

    ``first`` and ``last`` are days of seeding, both included.
    """
    check_page(after, limit, house_id=house_id, succession_id=succession_id)
    check_choice("stage", stage, STAGES)
    batches, next_after = await records.page_batches(
        uow,
        within_farm=access.farm_id,
        house_id=house_id,
        succession_id=succession_id,
        stage=stage,
        code=code,
        first=first,
        last=last,
        after=after,
        limit=limit,
    )
    return await _views(uow, batches), next_after


async def _views(uow: UnitOfWork, batches: Sequence[Batch]) -> list[BatchView]:
    ids = [batch.id for batch in batches]
    states = await states_of(uow, ids)
    lots, trays = await records.seed_lots_of(uow, ids), await records.trays_of(uow, ids)
    return [BatchView(b, states[b.id], lots[b.id], trays[b.id]) for b in batches]


async def change_batch(
    uow: UnitOfWork,
    access: Access,
    batch_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> BatchView:
    """Change a batch's code, cultivar, seed or trays; when and how much was seeded is corrected in its ledger.

    Seed lots and trays are said anew as a whole. A tray that an entry names stays.
    """
    batch = await find_batch(uow, access, batch_id)
    cleaned = checked_changes(_CHANGEABLE, batch, changes)
    if "cultivar_id" in cleaned:
        succession = await known(uow, Succession, batch.succession_id)
        await referred_cultivar(uow, succession.crop_id, cleaned["cultivar_id"])
        if cleaned["cultivar_id"] is not None:
            cleaned["cultivars"] = []
    lots, given = cleaned.pop("seed_lots", None), {k: cleaned.pop(k) for k in _OF_TRAYS if k in cleaned}
    await saving.update(uow, batch, cleaned, expected_version, _TAKEN)
    if lots is not None or "cultivar_id" in cleaned:
        await _change_seed(uow, batch, lots)
    if given:
        ledger = (await records.entries_of(uow, [batch.id]))[batch.id]
        await change_trays(uow, batch, given, {entry.tray_id for entry in ledger})
    return await get_batch(uow, access, batch_id)


async def _change_seed(uow: UnitOfWork, batch: Batch, lots: Sequence[Mapping[str, Any]] | None) -> None:
    """Say anew what a batch was sown with, or see that it still fits the batch's cultivars."""
    house = await house_of(uow, batch.house_id)
    succession = await known(uow, Succession, batch.succession_id)
    if lots is None:
        kept = (await records.seed_lots_of(uow, [batch.id]))[batch.id]
        lots = [{"seed_lot_id": lot.seed_lot_id, "seeds": lot.seeds, "cells": lot.cells} for lot in kept]
        await sown_with(uow, house, succession, batch, lots)
    else:
        rows = await sown_with(uow, house, succession, batch, lots)
        await records.replace_seed_lots(uow, batch, rows)


async def list_entries(uow: UnitOfWork, access: Access, batch_id: int) -> list[Entry]:
    """Return the whole ledger of a batch, superseded and void entries included, in the order of recording."""
    batch = await find_batch(uow, access, batch_id)
    return (await records.entries_of(uow, [batch.id]))[batch.id]


async def append_entry(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    batch_id: int,
    values: Mapping[str, Any],
    expected_version: int | None = None,
) -> tuple[Entry, BatchView]:
    """Write down what happened to a batch, or correct what was written down.

    A correction names the entry it supersedes (``supersedes_id``) and says the whole fact again; with
    ``void`` it only takes the fact back. ``happened_at`` is now, if it is not said. A transplant without a
    zone goes to the succession's channels. Of a crop of several cuts, plants that are harvested stay for the next
    unless it was the last or ``regrows`` says otherwise. The whole ledger is derived again, and nothing is kept if it
    contradicts itself, or if plants would stand on sites that a section does not have. A task of the batch that the
    fact fulfils is ticked off.

    Raises
    ------
    NotFound
        If there is no such batch.
    Impossible
        If it cannot be; the field is named.
    Conflict
        If the same was recorded just now, by whomever, or if what was recorded just now makes it impossible; what the
        batch is now is ``current``. :class:`StaleVersion` if the batch is no longer at ``expected_version``.
    """
    try:
        return await _append(uow, clock, access, batch_id, values, expected_version)
    except Conflict as error:
        error.current = await get_batch(uow, access, batch_id)
        raise


async def _append(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    batch_id: int,
    values: Mapping[str, Any],
    expected_version: int | None,
) -> tuple[Entry, BatchView]:
    cleaned = checked_new(ENTRY, values)
    again, minutes = cleaned.pop("again", False), cleaned.pop("minutes_taken", None)
    _, house = await _find_in_house(uow, access, batch_id)
    batch = await records.lock_batch(uow, batch_id)
    if batch is None:
        raise NotFound(f"there is no batch {batch_id}")
    saving.check_version(batch, expected_version)
    ledger = (await records.entries_of(uow, [batch.id]))[batch.id]
    now = clock.now()
    succession = await known(uow, Succession, batch.succession_id)
    entry = _entry(cleaned, ledger, batch, succession, access, now)
    if entry.kind == "harvested" and entry.regrows is None and not entry.void:
        entry.regrows = await _regrows(uow, entry, ledger, succession)
    await check_entries(uow, house, [entry])
    if entry.kind == "harvested" and entry.supersedes_id is not None:
        await _keep_packed(uow, entry, ledger)
    trays = (await records.trays_of(uow, [batch.id]))[batch.id]
    if entry.tray_id is not None and entry.tray_id not in {tray.id for tray in trays}:
        raise impossible("tray_id", f"there is no tray {entry.tray_id} of this batch")
    if not again:
        _refuse_repeat(entry, ledger, now)
    after = [*ledger, entry]
    state = _derived(after, entry, ledger, now)
    await _check_zones(uow, house, after, state)
    await check_room(uow, house, now, {batch.id: (derive(ledger), state)})
    with saving.refusals(_SUPERSEDED, expected_version):
        await records.insert_entry(
            uow,
            batch,
            entry,
            cells=state.cells,
            seeded_on=_local_day(state.seeded_at, house),
            stage=state.stage,
        )
    await tick_entry(uow, access, now, house, batch, entry, minutes)
    lots = (await records.seed_lots_of(uow, [batch.id]))[batch.id]
    return entry, BatchView(batch, state, lots, trays)


async def _keep_packed(uow: UnitOfWork, entry: Entry, ledger: Sequence[Entry]) -> None:
    """Refuse a correction that leaves fewer heads than were packed: what left the house must lead back to them."""
    supersedes = {there.id: there.supersedes_id for there in ledger}
    same, said = set[int](), entry.supersedes_id
    while said is not None:
        same.add(said)
        said = supersedes[said]
    by_entry = await packed_from(uow, [entry.batch_id], without_lot=None)
    packed = sum(heads for entry_id, heads in by_entry.items() if entry_id in same)
    if packed > (0 if entry.void else entry.plants or 0):
        raise impossible(
            "void" if entry.void else "plants",
            f"{packed} heads of this harvest were packed; correct the packed lots first",
        )


def _refuse_repeat(entry: Entry, ledger: Sequence[Entry], now: datetime) -> None:
    """Refuse what someone has just written down: two phones in one house, or one that did not hear the answer."""
    if entry.kind not in _COUNTED_ONCE or entry.supersedes_id is not None:
        return
    for there in _just_recorded(entry, ledger, now):
        alike = all(getattr(there, name) == getattr(entry, name) for name in _SAYS)
        if alike and abs(there.happened_at - entry.happened_at) <= _SAME_MOMENT:
            raise Conflict(
                f"{there.recorded_by} has just recorded the same (entry {there.id}); if it happened twice,"
                " say again: true"
            )


def _just_recorded(entry: Entry, ledger: Sequence[Entry], now: datetime) -> list[Entry]:
    return [
        there
        for there in facts(ledger)
        if there.kind == entry.kind
        and now - there.recorded_at <= _RECENTLY
        and abs(there.happened_at - entry.happened_at) <= _RECENTLY
    ]


def _derived(after: Sequence[Entry], entry: Entry, ledger: Sequence[Entry], now: datetime) -> LedgerState:
    """Return what a ledger says with an entry; if only for what was just recorded it cannot be, say so."""
    try:
        return derive(after)
    except Impossible as error:
        recent = [] if entry.supersedes_id else _just_recorded(entry, ledger, now)
        if not recent or entry.kind not in _COUNTED_ONCE:
            raise
        just = {there.id for there in recent}
        try:
            derive([there for there in after if getattr(there, "id", None) not in just])
        except Impossible:
            raise error from None
        who = ", ".join(sorted({there.recorded_by for there in recent}))
        raise Conflict(
            f"{error.detail}; {who} has just recorded entry {max(just)}", *error.problems
        ) from error


def _entry(
    cleaned: Mapping[str, Any],
    ledger: Sequence[Entry],
    batch: Batch,
    succession: Succession,
    access: Access,
    now: datetime,
) -> Entry:
    given = {name: value for name, value in cleaned.items() if value is not None}
    corrected = _corrected(given, ledger)
    if given.get("void"):
        if corrected is None:
            raise impossible("supersedes_id", "a void entry must say which entry it takes back")
        if corrected.void:
            raise impossible("supersedes_id", "this entry takes another one back already")
        if corrected.kind == "seeded":
            raise impossible("void", "the seeding cannot be taken back; discard the batch instead")
        for name in _SAYS:
            if name in given:
                raise impossible(name, "a void entry only takes a fact back")
        given = {"kind": corrected.kind, "happened_at": corrected.happened_at, **given}
    if "kind" not in given:
        raise impossible("kind", "it is missing")
    kind = given["kind"]
    if corrected is not None and corrected.kind != kind:
        raise impossible("kind", f"it corrects an entry of kind {corrected.kind}, and must be of that kind")
    if corrected is None and kind == "seeded":
        raise impossible("kind", "the batch is seeded already; correct that entry instead")
    happened_at = given.get("happened_at", now)
    _check_not_ahead("happened_at", happened_at, now)
    said: dict[str, Any] = {name: given.get(name) for name in _SAYS if name not in {"leaves", "zone_id"}}
    in_section = given.get("void") or "section_id" in given  # which says the zone
    return Entry(
        batch_id=batch.id,
        kind=kind,
        happened_at=happened_at,
        recorded_at=now,
        recorded_by=access.name,
        **said,
        leaves=given.get("leaves", mean_leaves(each) if (each := given.get("leaves_each")) else None),
        zone_id=given.get("zone_id", None if in_section else _usual_zone(kind, corrected, succession)),
        reason=given.get("reason"),
        note=given.get("note"),
        supersedes_id=given.get("supersedes_id"),
        void=given.get("void", False),
    )


async def _regrows(
    uow: UnitOfWork, entry: Entry, ledger: Sequence[Entry], succession: Succession
) -> bool | None:
    """Say whether a harvest leaves plants for another cut; None: the crop is cut once."""
    if entry.supersedes_id is not None:
        return next(e.regrows for e in ledger if e.id == entry.supersedes_id)
    cuts = profile_of(await known(uow, Crop, succession.crop_id)).cuts
    return usually_regrows(cuts, ledger)


def usually_regrows(cuts: int, ledger: Sequence[Entry]) -> bool | None:
    """Say whether the next harvest of a ledger leaves plants for another cut; None: the crop is cut once."""
    if cuts == 1:
        return None
    this = math.floor(derive(ledger).cuts_made + 1e-9) + 1  # a cut may take several days
    return this < cuts


def _corrected(given: Mapping[str, Any], ledger: Sequence[Entry]) -> Entry | None:
    supersedes_id = given.get("supersedes_id")
    if supersedes_id is None:
        return None
    found = next((entry for entry in ledger if entry.id == supersedes_id), None)
    if found is None:
        raise impossible("supersedes_id", f"there is no entry {supersedes_id} in this batch")
    if any(entry.supersedes_id == supersedes_id for entry in ledger):
        raise Conflict(_SUPERSEDED.problem, _SUPERSEDED)
    return found


def _usual_zone(kind: str, corrected: Entry | None, succession: Succession) -> int | None:
    usual = usual_zone(kind, succession)
    return usual if usual is None or corrected is None or corrected.zone_id is None else corrected.zone_id


def usual_zone(kind: str, succession: Succession) -> int | None:
    """Return the zone in which something of this kind happened if nothing else is said; None: it stays unsaid."""
    return {"seeded": succession.nursery_zone_id, "transplanted": succession.channels_zone_id}.get(kind)


async def _check_zones(uow: UnitOfWork, house: House, ledger: Sequence[Entry], state: LedgerState) -> None:
    """Refuse entries in zones of another house or of the wrong kind."""
    kinds = {zone.id: zone.kind for zone in await zones_of(uow, house.id)}
    for entry in facts(ledger):
        problem = zone_problem(entry, kinds, state.transplanted_at)
        if problem:
            raise impossible("zone_id", problem)


def zone_problem(entry: Entry, kinds: Mapping[int, str], transplanted_at: datetime | None) -> str | None:
    """Say why something cannot have happened in the zone it says; None: it can.

    ``kinds`` are those of the zones of the batch's house; ``transplanted_at`` is the batch's first transplant.
    """
    if entry.zone_id is None:
        return "a move must say which zone the plants went to" if entry.kind == "moved" else None
    kind = kinds.get(entry.zone_id)
    if kind is None:
        return f"there is no zone {entry.zone_id} in this house"
    wanted = _zone_kind(entry, transplanted_at)
    if wanted in {None, kind}:
        return None
    return f"zone {entry.zone_id} is of kind {kind}, and must be of kind {wanted}"


def _zone_kind(entry: Entry, transplanted_at: datetime | None) -> str | None:
    """Return the kind of zone in which this can happen; None: in either."""
    if entry.kind in {"seeded", "emergence_counted"}:
        return "nursery"
    if entry.kind in {"transplanted", "harvested"}:
        return "channels"
    if entry.kind == "moved":
        before = transplanted_at is None or entry.happened_at < transplanted_at
        return "nursery" if before else "channels"
    return None


async def find_batch(uow: UnitOfWork, access: Access, batch_id: int) -> Batch:
    return (await _find_in_house(uow, access, batch_id))[0]


async def _find_in_house(uow: UnitOfWork, access: Access, batch_id: int) -> tuple[Batch, House]:
    batch = await find(uow, Batch, batch_id)
    if batch is None:
        raise NotFound(f"there is no batch {batch_id}")
    return batch, await get_house(uow, access, batch.house_id)


def _seeding_moment(cleaned: Mapping[str, Any], house: House, now: datetime) -> tuple[str, datetime]:
    """Return the field that says when the batch was seeded, and when that was."""
    at: datetime | None = cleaned.get("seeded_at")
    on: date | None = cleaned.get("seeded_on")
    if at is not None:
        if on is not None and on != _local_day(at, house):
            raise impossible("seeded_on", f"seeded_at is on {_local_day(at, house)} in the house's time zone")
        return "seeded_at", at
    if on is not None:
        local = datetime.combine(on, _SEEDED_ON_HOUR, ZoneInfo(house.time_zone))
        moment = local.astimezone(UTC)
        # Today's seeding, written down before eight, is not one of the future.
        return "seeded_on", min(moment, now) if on == _local_day(now, house) else moment
    return "seeded_at", now


def _local_day(moment: datetime, house: House) -> date:
    return moment.astimezone(ZoneInfo(house.time_zone)).date()


def _check_not_ahead(field: str, moment: datetime, now: datetime) -> None:
    if moment > now + AHEAD:
        raise impossible(field, f"it is {moment:%Y-%m-%d %H:%M} UTC, and now is {now:%Y-%m-%d %H:%M} UTC")


async def _new_code(uow: UnitOfWork, house: House, succession: Succession, seeded_on: date) -> str:
    """Return for example ``N1-BUT-260803``, and ``N1-BUT-260803-B`` for the second of that day."""
    crop = await known(uow, Crop, succession.crop_id)
    stem = f"{house.code}-{_letters(crop.name)}-{seeded_on:%y%m%d}"
    taken = await records.codes_with_prefix(uow, house.id, stem)
    if stem not in taken:
        return stem
    number = 2
    while f"{stem}-{_running_letters(number)}" in taken:
        number += 1
    return f"{stem}-{_running_letters(number)}"


def _letters(name: str) -> str:
    plain = unicodedata.normalize("NFKD", name).upper()
    return "".join(c for c in plain if "A" <= c <= "Z")[:3] or "X"


def _running_letters(number: int) -> str:
    """Return A, B, ... Z, AA, AB, ... for 1, 2, ... 26, 27, 28, ..."""
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
