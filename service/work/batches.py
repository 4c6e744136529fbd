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
from service.records.places import house_of, zones_of
from service.records.store import UnitOfWork
from service.records.tables import Batch, BatchCultivar, Crop, Entry, House, Succession
from service.work import fields, saving
from service.work.access import Access
from service.work.crops import referred_cultivar
from service.work.errors import Conflict, FieldProblem, NotFound, impossible
from service.work.fields import Field, checked_changes, checked_new
from service.work.ledger import KINDS, READINESS, LedgerState, derive, facts
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import get_house
from service.work.profiles import profile_of

STAGES = ("nursery", "channels", "finished")

_SEEDED_ON_HOUR = time(8)  # a day without an hour is taken as this local time
AHEAD = timedelta(minutes=5)
"""How far ahead of the clock something may have happened: clocks of phones and machines differ a little."""

_BATCH = {
    "succession_id": Field(fields.reference, required=True),
    "seeded_at": Field(fields.moment),
    "seeded_on": Field(fields.day),
    "cells": Field(fields.whole(1)),
    "cultivar_id": Field(fields.reference, nullable=True),
    "code": Field(fields.text(60)),
    "note": Field(fields.text(2000), nullable=True),
}
_IN_LEDGER = "it cannot be changed here; correct the seeding in the batch's ledger"
_CHANGEABLE = {
    "succession_id": Field(fields.reference, fixed=True),
    "seeded_on": Field(fields.day, fixed=True, why_fixed=_IN_LEDGER),
    "cells": Field(fields.whole(1), fixed=True, why_fixed=_IN_LEDGER),
    "cultivar_id": Field(fields.reference, nullable=True),
    "code": Field(fields.text(60)),
}
_TAKEN = FieldProblem("code", "another batch of this house has this code")

ENTRY = {
    "kind": Field(fields.one_of(*KINDS)),
    "happened_at": Field(fields.moment),
    "plants": Field(fields.whole(0), nullable=True),
    "leaves": Field(fields.number(0, 60, "true leaves a plant"), nullable=True),
    "weight_g": Field(fields.number(0, 5000, "g fresh weight a head", above=True), nullable=True),
    "regrows": Field(fields.flag, nullable=True),
    "readiness": Field(fields.one_of(*READINESS), nullable=True),
    "zone_id": Field(fields.reference, nullable=True),
    "reason": Field(fields.text(200), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
    "supersedes_id": Field(fields.reference, nullable=True),
    "void": Field(fields.flag),
}
_SUPERSEDED = FieldProblem("supersedes_id", "this entry has been corrected already; correct the correction")


@dataclass(frozen=True)
class BatchView:
    """A batch and what its ledger says."""

    batch: Batch
    state: LedgerState


async def create_batch(uow: UnitOfWork, clock: Clock, access: Access, values: Mapping[str, Any]) -> BatchView:
    """Seed a batch: ``seeded_at``, or ``seeded_on`` alone for 08:00 local, or neither for now.

    Without ``cells`` and ``cultivar_id`` the succession's are taken, its mix too; without ``code`` one is made.
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
    with saving.refusals(_TAKEN):
        await records.insert_batch(uow, batch, seeded)
    return BatchView(batch, state)


def mix_at_seeding(succession: Succession, cultivar_id: int | None) -> list[BatchCultivar]:
    """Return the mix a batch is of: the succession's, unless the batch is of one cultivar."""
    if cultivar_id is not None:
        return []
    return [
        BatchCultivar(cultivar_id=m.cultivar_id, share=m.share, place=m.place) for m in succession.cultivars
    ]


async def get_batch(uow: UnitOfWork, access: Access, batch_id: int) -> BatchView:
    """Return a batch with what its ledger says."""
    batch = await _find_batch(uow, access, batch_id)
    return BatchView(batch, derive((await records.entries_of(uow, [batch.id]))[batch.id]))


async def list_batches(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    succession_id: int | None = None,
    stage: str | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[BatchView], int | None]:
    """Return a page of batches with what their ledgers say, and the id to go on after."""
    check_page(after, limit, house_id=house_id, succession_id=succession_id)
    check_choice("stage", stage, STAGES)
    batches, next_after = await records.page_batches(
        uow,
        within_farm=access.farm_id,
        house_id=house_id,
        succession_id=succession_id,
        stage=stage,
        after=after,
        limit=limit,
    )
    ledgers = await records.entries_of(uow, [batch.id for batch in batches])
    return [BatchView(batch, derive(ledgers[batch.id])) for batch in batches], next_after


async def change_batch(
    uow: UnitOfWork,
    access: Access,
    batch_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> BatchView:
    """Change a batch's code or cultivar; when and how much was seeded is corrected in its ledger."""
    batch = await _find_batch(uow, access, batch_id)
    cleaned = checked_changes(_CHANGEABLE, batch, changes)
    if "cultivar_id" in cleaned:
        succession = await known(uow, Succession, batch.succession_id)
        await referred_cultivar(uow, succession.crop_id, cleaned["cultivar_id"])
        if cleaned["cultivar_id"] is not None:
            cleaned["cultivars"] = []
    await saving.update(uow, batch, cleaned, expected_version, _TAKEN)
    return await get_batch(uow, access, batch_id)


async def list_entries(uow: UnitOfWork, access: Access, batch_id: int) -> list[Entry]:
    """Return the whole ledger of a batch, superseded and void entries included, in the order of recording."""
    batch = await _find_batch(uow, access, batch_id)
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
    contradicts itself.
    """
    cleaned = checked_new(ENTRY, values)
    await _find_batch(uow, access, batch_id)
    batch = await records.lock_batch(uow, batch_id)
    if batch is None:
        raise NotFound(f"there is no batch {batch_id}")
    saving.check_version(batch, expected_version)
    ledger = (await records.entries_of(uow, [batch.id]))[batch.id]
    now = clock.now()
    house = await house_of(uow, batch.house_id)
    succession = await known(uow, Succession, batch.succession_id)
    entry = _entry(cleaned, ledger, batch, succession, access, now)
    if entry.kind == "harvested" and entry.regrows is None and not entry.void:
        entry.regrows = await _regrows(uow, entry, ledger, succession)
    after = [*ledger, entry]
    state = derive(after)
    await _check_zones(uow, house, after, state)
    with saving.refusals(_SUPERSEDED, expected_version):
        await records.insert_entry(
            uow,
            batch,
            entry,
            cells=state.cells,
            seeded_on=_local_day(state.seeded_at, house),
            stage=state.stage,
        )
    return entry, BatchView(batch, state)


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
        for name in ("plants", "leaves", "weight_g", "readiness", "regrows", "zone_id"):
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
    return Entry(
        batch_id=batch.id,
        kind=kind,
        happened_at=happened_at,
        recorded_at=now,
        recorded_by=access.name,
        plants=given.get("plants"),
        leaves=given.get("leaves"),
        weight_g=given.get("weight_g"),
        readiness=given.get("readiness"),
        regrows=given.get("regrows"),
        zone_id=given.get("zone_id", None if given.get("void") else _usual_zone(kind, corrected, succession)),
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


async def _find_batch(uow: UnitOfWork, access: Access, batch_id: int) -> Batch:
    batch = await find(uow, Batch, batch_id)
    if batch is None:
        raise NotFound(f"there is no batch {batch_id}")
    await get_house(uow, access, batch.house_id)
    return batch


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
