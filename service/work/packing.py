"""Packed lots: heads of one or several harvests under one lot code.

A lot code is given, or made by the house: its code, the local day of packing and a running number, for example
``N1-260914-01``, cut short in front so that the whole has at most the 20 characters of GS1's AI 10.

Heads in lots are never more than were harvested: a harvest that was corrected counts as it is said now, and what was
packed from it before the correction counts too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import packing as records
from service.records.batches import entries_of, lock_batch
from service.records.listing import find
from service.records.packing import Cut
from service.records.saving import Stale, Taken, change, saving
from service.records.store import UnitOfWork
from service.records.tables import Entry, House, PackedLot, PackedLotHarvest
from service.work import fields, gs1
from service.work.access import Access, require
from service.work.errors import Conflict, FieldProblem, NotFound, StaleVersion, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.ledger import facts
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.places import get_house
from service.work.saving import check_version
from service.work.sections import AHEAD
from service.work.times import local_day

_MOST_HARVESTS = 200


def _harvests(value: Any) -> list[dict[str, Any]]:
    if not isinstance(value, list | tuple) or len(value) > _MOST_HARVESTS:
        raise ValueError(f"it must be a list of at most {_MOST_HARVESTS} harvests")
    return [checked_new(_HARVEST, item) for item in value]


_HARVEST = {
    "entry_id": Field(fields.reference, required=True),
    "heads": Field(fields.whole(1), required=True),
}
_LOT = {
    "house_id": Field(fields.reference, required=True, fixed=True),
    "harvests": Field(_harvests, required=True),
    "code": Field(gs1.check_lot, fixed=True, why_fixed="it is on the crates; pack another lot instead"),
    "packed_at": Field(fields.moment),
    "weight_kg": Field(fields.number(0, 100_000, "kg", above=True), nullable=True),
    "gtin": Field(gs1.check_gtin, nullable=True),
    "description": Field(fields.text(), nullable=True),
    "cooled_at": Field(fields.moment, nullable=True),
    "cooled_where": Field(fields.text(), nullable=True),
    "packed_where": Field(fields.text(), nullable=True),
    "reference": Field(fields.text(), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
}
_TAKEN = FieldProblem("code", "another packed lot of this farm has this code")


@dataclass(frozen=True)
class LotView:
    """A packed lot, what it was made from, and what left of it."""

    lot: PackedLot
    harvests: Sequence[PackedLotHarvest]
    delivered: int
    """Heads."""


@dataclass(frozen=True)
class OpenHarvest:
    """A harvest of which heads are not packed yet."""

    entry: Entry
    batch_id: int
    batch_code: str
    crop_id: int
    left: int
    """Heads."""


async def open_harvests(
    uow: UnitOfWork, clock: Clock, access: Access, house_id: int, days: int = 14
) -> list[OpenHarvest]:
    """Return the harvests of a house's last days of which heads are not packed yet, the newest first."""
    await get_house(uow, access, house_id)
    since = clock.now() - timedelta(days=days)
    batch_ids = await records.batches_cut_since(uow, house_id, since)
    ledgers = await entries_of(uow, batch_ids)
    packed = await records.packed_from(uow, batch_ids, None)
    held = {
        entry.id: (entry, sum(packed.get(i, 0) for i in _as_it_holds(entry, ledger)[1]))
        for ledger in ledgers.values()
        for entry in facts(ledger)
        if entry.kind == "harvested" and entry.happened_at >= since
    }
    named = await records.cuts(uow, held)
    found = [
        OpenHarvest(entry, cut.batch_id, cut.batch_code, cut.crop_id, (entry.plants or 0) - gone)
        for entry, gone in held.values()
        if (cut := named.get(entry.id)) is not None and (entry.plants or 0) > gone
    ]
    return sorted(found, key=lambda h: (h.entry.happened_at, h.entry.id), reverse=True)


async def create_packed_lot(
    uow: UnitOfWork, clock: Clock, access: Access, values: Mapping[str, Any]
) -> LotView:
    """Pack heads of harvests into a lot; without a ``code`` one is made, without ``packed_at`` it is now.

    Raises
    ------
    Impossible
        If a harvest does not hold, is of another farm or crop, or has fewer heads left; if a moment is out of order.
    Conflict
        If the code is in use.
    """
    cleaned = checked_new(_LOT, values)
    try:
        house = await get_house(uow, access, cleaned["house_id"])
    except NotFound:
        raise impossible("house_id", f"there is no house {cleaned['house_id']}") from None
    now = clock.now()
    packed_at = cleaned.setdefault("packed_at", now)
    wanted = cleaned.pop("harvests")
    if not wanted:
        raise impossible("harvests", "it names no harvest")
    heads, cuts = await _taken(uow, house, wanted, None)
    code = cleaned.pop("code", None)
    lot = PackedLot(
        **cleaned,
        farm_id=house.farm_id,
        crop_id=cuts[0].crop_id,
        code=code or "",
        heads=sum(heads.values()),
        recorded_at=now,
        recorded_by=access.name,
    )
    _check_moments(lot, cuts, now)
    if code is not None:
        try:
            await records.insert_lot(uow, lot, heads)
        except Taken as error:
            raise Conflict(_TAKEN.problem, _TAKEN) from error
        return await _view(uow, lot)
    day = f"{local_day(packed_at, ZoneInfo(house.time_zone)):%y%m%d}"
    used = await records.codes_with_prefix(uow, house.farm_id, _code(house.code, day, 1)[:-2])
    while True:
        lot.code = next_code(house.code, day, used)
        try:
            await records.insert_lot(uow, lot, heads)
        except Taken:  # someone else took the number at the same time
            used.add(lot.code)
        else:
            return await _view(uow, lot)


def next_code(house_code: str, day: str, used: Collection[str]) -> str:
    """Return the next free lot code of a house and a day (YYMMDD), for example ``N1-260914-01``."""
    number = 1
    while (code := _code(house_code, day, number)) in used:
        number += 1
    return code


def _code(house_code: str, day: str, number: int) -> str:
    tail = f"-{day}-{number:02d}"
    return house_code[: gs1.LONGEST_LOT - len(tail)] + tail


async def get_packed_lot(uow: UnitOfWork, access: Access, lot_id: int) -> LotView:
    """Return a packed lot."""
    return await _view(uow, await _find(uow, access, lot_id))


async def list_packed_lots(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    house_id: int | None = None,
    crop_id: int | None = None,
    code: str | None = None,
    since: datetime | None = None,
    before: datetime | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[LotView], int | None]:
    """Return a page of packed lots, newest first, and the id to go on after.

    ``since`` and ``before`` are moments of packing.
    """
    check_page(after, limit, farm_id=farm_id, house_id=house_id, crop_id=crop_id)
    lots, following = await records.page_lots(
        uow,
        within_farm=access.farm_id,
        farm_id=farm_id,
        house_id=house_id,
        crop_id=crop_id,
        code=code,
        since=since,
        before=before,
        after=after,
        limit=limit,
    )
    ids = [lot.id for lot in lots]
    harvests = await records.harvests_of(uow, ids)
    delivered = await records.delivered_from(uow, ids)
    return [LotView(lot, harvests[lot.id], delivered.get(lot.id, 0)) for lot in lots], following


async def change_packed_lot(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    lot_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> LotView:
    """Change what is said of a packed lot; ``harvests`` says anew what it was made from.

    An empty ``harvests`` takes the lot apart, so that its heads can be packed again; its code stays used.

    Raises
    ------
    Impossible
        As when it was packed, or if fewer heads would be left in it than were delivered.
    """
    await _find(uow, access, lot_id)
    lot = await records.lock_lot(uow, lot_id)
    if lot is None:
        raise NotFound(f"there is no packed lot {lot_id}")
    check_version(lot, expected_version)
    wanted = changes.get("harvests")
    cleaned = checked_changes(_LOT, lot, {k: v for k, v in changes.items() if k != "harvests"})
    heads: dict[int, int] | None = None
    if "harvests" in changes:
        wanted = checked_new({"harvests": _LOT["harvests"]}, {"harvests": wanted})["harvests"]
        house = await get_house(uow, access, lot.house_id)
        heads, cuts = await _taken(uow, house, wanted, lot)
        cleaned["heads"] = sum(heads.values())
        delivered = (await records.delivered_from(uow, [lot.id])).get(lot.id, 0)
        if cleaned["heads"] < delivered:
            raise impossible(
                "harvests", f"they are {cleaned['heads']} heads, and {delivered} of the lot were delivered"
            )
    else:
        links = (await records.harvests_of(uow, [lot.id]))[lot.id]
        cuts = list((await records.cuts(uow, [link.entry_id for link in links])).values())
    _check_moments(Merged(lot, cleaned), cuts, clock.now())
    try:
        async with saving(uow):
            change(lot, cleaned)
            if heads is not None:
                await records.replace_harvests(uow, lot, heads)
    except Stale as error:
        raise StaleVersion("it was changed by someone else at the same time; read it again") from error
    return await _view(uow, lot)


async def _find(uow: UnitOfWork, access: Access, lot_id: int) -> PackedLot:
    lot = await find(uow, PackedLot, lot_id)
    if lot is None:
        raise NotFound(f"there is no packed lot {lot_id}")
    require(access, lot.farm_id)
    return lot


async def _view(uow: UnitOfWork, lot: PackedLot) -> LotView:
    harvests = (await records.harvests_of(uow, [lot.id]))[lot.id]
    return LotView(lot, harvests, (await records.delivered_from(uow, [lot.id])).get(lot.id, 0))


async def _taken(
    uow: UnitOfWork, house: House, wanted: Sequence[Mapping[str, Any]], lot: PackedLot | None
) -> tuple[dict[int, int], list[Cut]]:
    """Return heads by harvest, checked against what is left of each, and the harvests.

    Nobody can correct or pack these harvests until the transaction ends.
    """
    heads = {item["entry_id"]: item["heads"] for item in wanted}
    if len(heads) != len(wanted):
        raise impossible("harvests", "it names a harvest twice")
    named = await records.cuts(uow, heads)
    for entry_id in heads:
        cut = named.get(entry_id)
        if cut is None or cut.farm_id != house.farm_id:
            raise impossible("harvests", f"there is no harvest {entry_id} of this farm")
        if cut.entry.kind != "harvested":
            raise impossible("harvests", f"entry {entry_id} is no harvest, but says {cut.entry.kind}")
    crops = {cut.crop_id for cut in named.values()} | ({lot.crop_id} if lot else set())
    if len(crops) > 1:
        raise impossible("harvests", "they are of different crops, and a packed lot is of one")
    batch_ids = sorted({cut.batch_id for cut in named.values()})
    for batch_id in batch_ids:
        await lock_batch(uow, batch_id)
    ledgers = await entries_of(uow, batch_ids)
    packed = await records.packed_from(uow, batch_ids, lot.id if lot else None)
    for entry_id, n in heads.items():
        cut = named[entry_id]
        newest, same = _as_it_holds(cut.entry, ledgers[cut.batch_id])
        if newest.void:
            raise impossible("harvests", f"harvest {entry_id} was taken back by entry {newest.id}")
        if newest.id != entry_id:
            raise impossible("harvests", f"harvest {entry_id} was corrected: name entry {newest.id}")
        cut_heads = newest.plants or 0
        gone = sum(packed.get(i, 0) for i in same)
        if n > cut_heads - gone:
            raise impossible(
                "harvests",
                f"{n} heads of harvest {entry_id} are to be packed, and of {cut_heads} harvested from batch"
                f" {cut.batch_code} {max(cut_heads - gone, 0)} are left",
            )
    return heads, list(named.values())


def _as_it_holds(entry: Entry, ledger: Iterable[Entry]) -> tuple[Entry, list[int]]:
    """Return the last correction of an entry, or itself, and the ids of all that say the same fact."""
    corrected_by = {e.supersedes_id: e for e in ledger if e.supersedes_id is not None}
    supersedes = {e.id: e.supersedes_id for e in ledger}
    first: int = entry.id
    while (before := supersedes[first]) is not None:
        first = before
    ids = [first]
    newest = entry if entry.id == first else None
    while ids[-1] in corrected_by:
        newest = corrected_by[ids[-1]]
        ids.append(newest.id)
    return newest or entry, ids


def _check_moments(lot: PackedLot | Merged, cuts: Iterable[Cut], now: datetime) -> None:
    """Refuse moments that are out of the order harvest, cooling, packing, now."""
    packed_at: datetime = lot.packed_at
    cooled_at: datetime | None = lot.cooled_at
    if packed_at > now + AHEAD:
        raise impossible("packed_at", f"it is {_said(packed_at)}, and now is {_said(now)}")
    last = max((cut.entry.happened_at for cut in cuts), default=None)
    if last is not None and packed_at < last:
        raise impossible("packed_at", f"it is {_said(packed_at)}, before the harvest at {_said(last)}")
    if cooled_at is None:
        return
    if cooled_at > packed_at:
        raise impossible("cooled_at", f"it is {_said(cooled_at)}, after packing at {_said(packed_at)}")
    if last is not None and cooled_at < last:
        raise impossible("cooled_at", f"it is {_said(cooled_at)}, before the harvest at {_said(last)}")


def _said(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"
