"""The way between a seed lot and a buyer, from either end or from anywhere between.

The batch is what is traced: seed of several lots and plants of several sections that were sown as one batch cannot be
told apart later, so all of a batch follows from each of its seed lots and from each section it stood in. From a
packed lot, delivery or order the way back goes through the harvests that were packed.

An entry that was corrected is not followed: the correction is, with what was packed under the old one. A harvest that
was taken back is not followed at all. Both are listed, a harvest that was taken back with the lots that name it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import TypeVar
from zoneinfo import ZoneInfo

from service.records import trace as records
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import Batch, Delivery, Entry, House, Order, PackedLot, Section, SeedLot, Zone
from service.records.trace import (
    BatchRow,
    DeliveryRow,
    EntryRow,
    LinkRow,
    LotRow,
    OrderRow,
    SectionRow,
    SeedLotRow,
    SownRow,
)
from service.work.access import Access, require
from service.work.errors import NotFound, impossible

BEGINNINGS = ("seedLot", "batch", "section", "harvest", "packedLot", "lotCode", "delivery", "order")
"""Where a trace can begin; a section on a day."""

_LONGEST_ID = 18

Row = TypeVar("Row")


@dataclass(frozen=True)
class Beginning:
    """Where a trace begins."""

    kind: str
    key: str
    """Id, or the code of a packed lot."""
    on: date | None
    """Local day of a section, or of an order."""
    label: str
    """For people."""


@dataclass(frozen=True)
class TracedBatch:
    """A batch along the way."""

    id: int
    code: str
    house_id: int
    house: str
    crop: str
    cultivars: Sequence[str]
    seeded_on: date
    stage: str
    seed_lots: Sequence[SownRow]


@dataclass(frozen=True)
class Stay:
    """A batch in a section."""

    batch_id: int
    section_id: int
    since: datetime
    until: datetime | None
    """None: it may still stand there."""


@dataclass(frozen=True)
class Harvest:
    """A harvest that holds."""

    entry_id: int
    batch_id: int
    harvested_at: datetime
    heads: int
    weight_g: float | None
    """Fresh weight a head."""
    zone_id: int | None
    section_id: int | None
    grade: str | None
    recorded_at: datetime
    recorded_by: str
    note: str | None


@dataclass(frozen=True)
class Corrected:
    """An entry that is not followed."""

    entry_id: int
    batch_id: int
    kind: str
    happened_at: datetime
    recorded_at: datetime
    recorded_by: str
    plants: int | None
    superseded_by_id: int | None
    void: bool
    """It only takes another one back."""
    packed_lot_ids: Sequence[int]
    """Lots that say they were packed from it though it was taken back."""


@dataclass(frozen=True)
class TracedLot:
    """A packed lot along the way, and the harvests it was made from as they hold now."""

    lot: LotRow
    harvests: Sequence[LinkRow]


@dataclass(frozen=True)
class Trace:
    """All that lies along the way."""

    beginning: Beginning
    farm_id: int
    seed_lots: Sequence[SeedLotRow]
    batches: Sequence[TracedBatch]
    sections: Sequence[SectionRow]
    stays: Sequence[Stay]
    harvests: Sequence[Harvest]
    packed_lots: Sequence[TracedLot]
    deliveries: Sequence[DeliveryRow]
    orders: Sequence[OrderRow]
    corrected: Sequence[Corrected]


async def trace(uow: UnitOfWork, access: Access, beginning: str, on: date | None = None) -> Trace:
    """Return all that lies on the way through a thing.

    Parameters
    ----------
    uow
        The transaction.
    access
        Who asks.
    beginning
        ``seedLot:3``, ``batch:12``, ``section:4`` (with ``on``), ``harvest:77`` (the entry), ``packedLot:7``,
        ``lotCode:N1-260914-01``, ``delivery:9`` or ``order:5`` (all of it, or one day with ``on``).
    on
        Local day.

    Raises
    ------
    Impossible
        If it is none of these.
    NotFound
        If there is no such thing.
    """
    kind, _, key = beginning.partition(":")
    if kind not in BEGINNINGS or not key:
        raise impossible(
            "from", f"it must be one of {', '.join(BEGINNINGS)}, a colon and an id, as in seedLot:3"
        )
    if on is not None and kind not in {"section", "order"}:
        raise impossible("on", "a day goes with a section or an order")
    if kind == "lotCode":
        return await _from_lots(uow, await _lot_of_code(uow, access, key))
    if not (key.isascii() and key.isdecimal() and len(key) <= _LONGEST_ID):
        raise impossible("from", f"{key!r} is no id of a {kind}")
    row_id = int(key)
    if kind == "section":
        return await _from_section(uow, access, row_id, on)
    if kind == "order":
        return await _from_order(uow, access, row_id, on)
    return await _FROM[kind](uow, access, row_id)


async def trace_farm(uow: UnitOfWork, farm_id: int, label: str, since: datetime, before: datetime) -> Trace:
    """Return the way through every batch of a farm of which heads were cut, packed or left in a span."""
    ids = await records.batches_cut_or_packed(uow, farm_id, since, before)
    return await _through_batches(uow, Beginning("farm", str(farm_id), None, label), farm_id, ids)


# --------------------------------------------------------------------------- beginnings


def _must(row: Row | None, thing: str, row_id: int) -> Row:
    if row is None:
        raise NotFound(f"there is no {thing} {row_id}")
    return row


async def _from_seed_lot(uow: UnitOfWork, access: Access, lot_id: int) -> Trace:
    lot = _must(await find(uow, SeedLot, lot_id), "seed lot", lot_id)
    require(access, lot.farm_id)
    beginning = Beginning("seedLot", str(lot_id), None, f"seed lot {lot.lot_number}")
    ids = await records.batches_sown_with(uow, lot_id)
    return await _through_batches(uow, beginning, lot.farm_id, ids, seed_lot_ids={lot_id})


async def _from_batch(uow: UnitOfWork, access: Access, batch_id: int) -> Trace:
    batch = _must(await find(uow, Batch, batch_id), "batch", batch_id)
    farm_id = await _farm_of(uow, access, batch.house_id)
    return await _through_batches(
        uow, Beginning("batch", str(batch_id), None, f"batch {batch.code}"), farm_id, [batch_id]
    )


async def _from_harvest(uow: UnitOfWork, access: Access, entry_id: int) -> Trace:
    entry = _must(await find(uow, Entry, entry_id), "harvest", entry_id)
    batch = _must(await find(uow, Batch, entry.batch_id), "batch", entry.batch_id)
    farm_id = await _farm_of(uow, access, batch.house_id)
    if entry.kind != "harvested":
        raise NotFound(f"there is no harvest {entry_id}")
    beginning = Beginning("harvest", str(entry_id), None, f"harvest {entry_id} of batch {batch.code}")
    return await _through_batches(uow, beginning, farm_id, [batch.id], of_entry=entry_id)


async def _from_section(uow: UnitOfWork, access: Access, section_id: int, on: date | None) -> Trace:
    section = _must(await find(uow, Section, section_id), "section", section_id)
    zone = _must(await find(uow, Zone, section.zone_id), "zone", section.zone_id)
    farm_id = await _farm_of(uow, access, zone.house_id)
    if on is None:
        raise impossible("on", "it is missing: a section is traced from a day")
    house = _must(await find(uow, House, zone.house_id), "house", zone.house_id)
    local = ZoneInfo(house.time_zone)
    begin = datetime.combine(on, time(), local).astimezone(UTC)
    end = datetime.combine(on + timedelta(days=1), time(), local).astimezone(UTC)
    ids = await records.batches_ever_in(uow, section_id, end)
    rows = await records.entries(uow, ids)
    finished = {b.id for b in await records.batches(uow, ids) if b.stage == "finished"}
    there = {
        stay.batch_id
        for stay in _stays(rows, finished)
        if stay.section_id == section_id and stay.since < end and (stay.until is None or stay.until >= begin)
    }
    beginning = Beginning("section", str(section_id), on, f"section {section.name} on {on}")
    return await _through_batches(uow, beginning, farm_id, there)


async def _from_packed_lot(uow: UnitOfWork, access: Access, lot_id: int) -> Trace:
    lot = _must(await find(uow, PackedLot, lot_id), "packed lot", lot_id)
    require(access, lot.farm_id)
    return await _from_lots(uow, lot)


async def _lot_of_code(uow: UnitOfWork, access: Access, code: str) -> PackedLot:
    found = await records.lots_with_code(uow, access.farm_id, code)
    if not found:
        raise NotFound(f"there is no packed lot with the code {code}")
    if len(found) > 1:
        ids = ", ".join(f"packedLot:{lot.id}" for lot in found)
        raise impossible("from", f"several farms have a packed lot with the code {code}: say {ids}")
    return found[0]


async def _from_lots(uow: UnitOfWork, lot: PackedLot) -> Trace:
    beginning = Beginning("packedLot", str(lot.id), None, f"packed lot {lot.code}")
    return await _through_lots(uow, beginning, lot.farm_id, [lot.id])


async def _from_delivery(uow: UnitOfWork, access: Access, delivery_id: int) -> Trace:
    row = _must(await find(uow, Delivery, delivery_id), "delivery", delivery_id)
    require(access, row.farm_id)
    beginning = Beginning("delivery", str(delivery_id), None, f"delivery {delivery_id} for {row.for_on}")
    return await _through_lots(uow, beginning, row.farm_id, [row.packed_lot_id], of_delivery=delivery_id)


async def _from_order(uow: UnitOfWork, access: Access, order_id: int, on: date | None) -> Trace:
    order = _must(await find(uow, Order, order_id), "order", order_id)
    require(access, order.farm_id)
    label = f"order {order_id} of {order.buyer}" + (f" for {on}" if on else "")
    lot_ids = await records.lots_delivered_for(uow, order_id, on)
    beginning = Beginning("order", str(order_id), on, label)
    return await _through_lots(uow, beginning, order.farm_id, lot_ids, of_order=order_id)


_FROM = {
    "seedLot": _from_seed_lot,
    "batch": _from_batch,
    "harvest": _from_harvest,
    "packedLot": _from_packed_lot,
    "delivery": _from_delivery,
}


async def _farm_of(uow: UnitOfWork, access: Access, house_id: int) -> int:
    house = _must(await find(uow, House, house_id), "house", house_id)
    require(access, house.farm_id)
    return house.farm_id


# --------------------------------------------------------------------------- the way


async def _through_batches(
    uow: UnitOfWork,
    beginning: Beginning,
    farm_id: int,
    batch_ids: Collection[int],
    *,
    seed_lot_ids: Collection[int] = (),
    of_entry: int | None = None,
) -> Trace:
    """Go from batches back to their seed, and on to all that was packed from them."""
    facts = _Facts(await records.entries(uow, batch_ids))
    every = await records.links_through_batches(uow, batch_ids)
    links = [link for link in every if link.entry_id in facts.by_id]
    harvests = facts.harvests()
    if of_entry is not None:
        held = facts.as_it_holds(of_entry)
        harvests = [h for h in harvests if h.id == held]
    kept = {h.id for h in harvests}
    held_links = [link for link in facts.held(links) if link.entry_id in kept]
    lot_ids = {link.packed_lot_id for link in held_links}
    others = facts.held(link for link in every if link.packed_lot_id in lot_ids)
    return await _put_together(
        uow, beginning, farm_id, batch_ids, facts, harvests, links, held_links, others, seed_lot_ids
    )


async def _through_lots(
    uow: UnitOfWork,
    beginning: Beginning,
    farm_id: int,
    lot_ids: Collection[int],
    *,
    of_order: int | None = None,
    of_delivery: int | None = None,
) -> Trace:
    """Go from packed lots back through their harvests, and on to those who got them."""
    links = await records.links_of_lots(uow, lot_ids)
    packed_from = await records.batches_of_entries(uow, [link.entry_id for link in links])
    facts = _Facts(await records.entries(uow, packed_from))
    held_links = facts.held(links)
    named = {link.entry_id for link in held_links}
    harvests = [h for h in facts.harvests() if h.id in named]
    return await _put_together(
        uow,
        beginning,
        farm_id,
        {h.batch_id for h in harvests},
        facts,
        harvests,
        links,
        held_links,
        held_links,
        (),
        lot_ids=lot_ids,
        of_order=of_order,
        of_delivery=of_delivery,
    )


async def _put_together(
    uow: UnitOfWork,
    beginning: Beginning,
    farm_id: int,
    batch_ids: Collection[int],
    facts: _Facts,
    harvests: Sequence[EntryRow],
    links: Sequence[LinkRow],
    held_links: Sequence[LinkRow],
    lot_links: Sequence[LinkRow],
    seed_lot_ids: Collection[int],
    *,
    lot_ids: Collection[int] = (),
    of_order: int | None = None,
    of_delivery: int | None = None,
) -> Trace:
    rows = await records.batches(uow, batch_ids)
    mixes = await records.mixes(uow, [row.id for row in rows if row.cultivar is None])
    sown = await records.sown(uow, batch_ids)
    lots = await records.lots(uow, {*lot_ids, *(link.packed_lot_id for link in held_links)})
    deliveries = [
        d
        for d in await records.deliveries(uow, [lot.id for lot in lots])
        if (of_delivery is None or d.id == of_delivery)
        and (of_order is None or (d.order_id == of_order and beginning.on in {None, d.for_on}))
    ]
    order_ids = {d.order_id for d in deliveries if d.order_id is not None}
    orders = await records.orders(uow, order_ids | ({of_order} if of_order is not None else set()))
    finished = {batch.id for batch in rows if batch.stage == "finished"}
    wanted = set(batch_ids)
    stays = [s for s in _stays(facts.rows, finished) if s.batch_id in wanted]
    section_ids = {s.section_id for s in stays} | {h.section_id for h in harvests if h.section_id}
    seeds: dict[int, list[SownRow]] = defaultdict(list)
    for seed in sown:
        seeds[seed.batch_id].append(seed)
    made_from: dict[int, list[LinkRow]] = defaultdict(list)
    for link in lot_links:
        made_from[link.packed_lot_id].append(link)
    return Trace(
        beginning=beginning,
        farm_id=farm_id,
        seed_lots=await records.seed_lots(uow, {*seed_lot_ids, *(s.seed_lot_id for s in sown)}),
        batches=[_batch(row, mixes.get(row.id), seeds[row.id]) for row in rows],
        sections=await records.sections(uow, section_ids),
        stays=stays,
        harvests=[_harvest(entry) for entry in sorted(harvests, key=lambda h: (h.happened_at, h.id))],
        packed_lots=[TracedLot(lot, made_from[lot.id]) for lot in lots],
        deliveries=deliveries,
        orders=orders,
        corrected=facts.corrected(links),
    )


def _batch(row: BatchRow, mix: Sequence[str] | None, seeds: Sequence[SownRow]) -> TracedBatch:
    return TracedBatch(
        id=row.id,
        code=row.code,
        house_id=row.house_id,
        house=row.house,
        crop=row.crop,
        cultivars=[row.cultivar] if row.cultivar is not None else list(mix or ()),
        seeded_on=row.seeded_on,
        stage=row.stage,
        seed_lots=seeds,
    )


def _harvest(entry: EntryRow) -> Harvest:
    return Harvest(
        entry_id=entry.id,
        batch_id=entry.batch_id,
        harvested_at=entry.happened_at,
        heads=entry.plants or 0,
        weight_g=entry.weight_g,
        zone_id=entry.zone_id,
        section_id=entry.section_id,
        grade=entry.grade,
        recorded_at=entry.recorded_at,
        recorded_by=entry.recorded_by,
        note=entry.note,
    )


@dataclass(frozen=True)
class _Facts:
    """Entries of ledgers, and which of them hold."""

    rows: Sequence[EntryRow]
    corrected_by: dict[int, EntryRow] = field(init=False)
    by_id: dict[int, EntryRow] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(
            self, "corrected_by", {r.supersedes_id: r for r in self.rows if r.supersedes_id is not None}
        )
        object.__setattr__(self, "by_id", {r.id: r for r in self.rows})

    def as_it_holds(self, entry_id: int) -> int | None:
        """Return the last correction of an entry, or itself; None if the fact was taken back."""
        while entry_id in self.corrected_by:
            entry_id = self.corrected_by[entry_id].id
        return None if self.by_id[entry_id].void else entry_id

    def harvests(self) -> list[EntryRow]:
        return [r for r in self.rows if r.kind == "harvested" and self._holds(r)]

    def held(self, links: Iterable[LinkRow]) -> list[LinkRow]:
        """Return links to harvests as these hold now, those to harvests taken back left out.

        A lot may name a harvest and a correction of it: their heads are added up.
        """
        heads: dict[tuple[int, int], int] = {}
        for link in links:
            # A lot of other batches too is made from entries that are not here: they stay as they are.
            held = self.as_it_holds(link.entry_id) if link.entry_id in self.by_id else link.entry_id
            if held is not None:
                key = (link.packed_lot_id, held)
                heads[key] = heads.get(key, 0) + link.heads
        return [LinkRow(lot_id, entry_id, n) for (lot_id, entry_id), n in heads.items()]

    def corrected(self, links: Iterable[LinkRow]) -> list[Corrected]:
        """Return the entries that do not hold, in the order of recording."""
        lots: dict[int, list[int]] = defaultdict(list)
        for link in links:
            lots[link.entry_id].append(link.packed_lot_id)
        return [
            Corrected(
                entry_id=r.id,
                batch_id=r.batch_id,
                kind=r.kind,
                happened_at=r.happened_at,
                recorded_at=r.recorded_at,
                recorded_by=r.recorded_by,
                plants=r.plants,
                superseded_by_id=self.corrected_by[r.id].id if r.id in self.corrected_by else None,
                void=r.void,
                packed_lot_ids=[] if self.as_it_holds(r.id) is not None else lots.get(r.id, []),
            )
            for r in self.rows
            if not self._holds(r)
        ]

    def _holds(self, row: EntryRow) -> bool:
        return not row.void and row.id not in self.corrected_by


# --------------------------------------------------------------------------- where plants stood


def _stays(rows: Iterable[EntryRow], finished: Collection[int]) -> list[Stay]:
    """Return where batches stood and when; a stay is rather taken too long than too short."""
    every = list(rows)
    superseded = {r.supersedes_id for r in every}
    ledgers: dict[int, list[EntryRow]] = defaultdict(list)
    for row in every:
        if not row.void and row.id not in superseded:
            ledgers[row.batch_id].append(row)
    found: list[Stay] = []
    for batch_id, facts in ledgers.items():
        facts.sort(key=lambda r: (r.happened_at, records.KINDS.index(r.kind), r.id))
        if any(r.section_id is not None for r in facts):
            found += _Standing(batch_id).walk(facts, batch_id in finished)
    return found


class _Standing:
    """Counts the plants of a batch in each section, as far as its ledger says."""

    def __init__(self, batch_id: int) -> None:
        self._batch_id = batch_id
        self._plants: dict[int | None, int] = {}  # None: in channels, of which section is not said
        self._since: dict[int, datetime] = {}
        self._stays: list[Stay] = []

    def walk(self, facts: Sequence[EntryRow], finished: bool) -> list[Stay]:
        for fact in facts:
            if fact.kind == "transplanted" or (fact.kind == "seeded" and fact.section_id is not None):
                self._put(fact.section_id, fact.plants or 0, fact.happened_at)
            elif fact.kind == "moved":
                self._move(fact)
            elif fact.kind in {"harvested", "discarded"}:
                if fact.section_id is not None:
                    self._since.setdefault(fact.section_id, fact.happened_at)
                if not fact.regrows:
                    self._take(fact.section_id, fact.plants or 0, fact.happened_at)
        if finished:
            for section_id in list(self._since):
                self._close(section_id, facts[-1].happened_at)
        self._stays += [Stay(self._batch_id, i, since, None) for i, since in self._since.items()]
        return self._stays

    def _put(self, section_id: int | None, plants: int, at: datetime) -> None:
        self._plants[section_id] = self._plants.get(section_id, 0) + plants
        if section_id is not None:
            self._since.setdefault(section_id, at)

    def _move(self, fact: EntryRow) -> None:
        at = fact.happened_at
        if fact.plants is not None:
            self._take(fact.from_section_id, fact.plants, at, but=fact.section_id)
            self._put(fact.section_id, fact.plants, at)
            return
        leaving = [fact.from_section_id] if fact.from_section_id is not None else list(self._plants)
        moved = sum(self._plants.pop(section_id, 0) for section_id in leaving)
        for section_id in leaving:
            if section_id is not None and section_id != fact.section_id:
                self._close(section_id, at)
        self._put(fact.section_id, moved, at)

    def _take(self, section_id: int | None, plants: int, at: datetime, but: int | None = None) -> None:
        if section_id is None:
            standing = [i for i, n in self._plants.items() if n > 0 and (i is None or i != but)]
            if len(standing) != 1:
                return  # where they were taken from is open: every section is kept
            section_id = standing[0]
        self._plants[section_id] = self._plants.get(section_id, 0) - plants
        if section_id is not None and self._plants[section_id] <= 0 and self._plants.get(None, 0) <= 0:
            self._close(section_id, at)

    def _close(self, section_id: int, at: datetime) -> None:
        since = self._since.pop(section_id, None)
        self._plants.pop(section_id, None)
        if since is not None:
            self._stays.append(Stay(self._batch_id, section_id, since, at))
