"""What stands on the labels of trays and of packed lots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from zoneinfo import ZoneInfo

from service.records import labels as records
from service.records import trace as trace_records
from service.records.listing import known
from service.records.store import UnitOfWork
from service.records.tables import Crop, House
from service.work import gs1
from service.work.access import Access
from service.work.errors import NotFound, impossible
from service.work.packing import get_packed_lot
from service.work.times import local_day

MOST_LABELS = 2000
_MOST_BATCHES = 200
_MOST_HEADS = 100_000  # of a crate
_MOST_KG = 10_000


@dataclass(frozen=True)
class TrayLabel:
    """What stands on the label of one tray."""

    batch_id: int
    code: str
    crop: str
    cultivars: Sequence[str]
    seeded_on: date
    lots: Sequence[str]
    tray: int | None
    trays: int | None
    """None: the batch has no numbered trays."""


@dataclass(frozen=True)
class LotLabel:
    """What stands on the label of a packed lot."""

    lot_id: int
    code: str
    crop: str
    cultivars: Sequence[str]
    description: str | None
    packed_on: date
    heads: int | None
    weight_kg: float | None
    elements: Sequence[tuple[str, str]]
    """GS1 elements; empty without a GTIN, since a lot code does not stand alone."""


async def tray_labels(
    uow: UnitOfWork, access: Access, batch_ids: Sequence[int], *, trays: int | None = None
) -> list[TrayLabel]:
    """Return a label for each tray of batches, in the order in which the batches were named.

    ``trays`` numbers so many, whatever trays were written down; a batch without trays gets one label.
    """
    if not 1 <= len(batch_ids) <= _MOST_BATCHES:
        raise impossible("batch_id", f"it must name 1 to {_MOST_BATCHES} batches")
    if trays is not None and not 1 <= trays <= MOST_LABELS:
        raise impossible("trays", f"it must be a whole number from 1 to {MOST_LABELS}")
    found = await records.farms_of_batches(uow, [i for i in batch_ids if 0 < i < 2**63])
    for batch_id in batch_ids:
        if batch_id not in found or access.farm_id not in {None, found[batch_id].farm_id}:
            raise NotFound(f"there is no batch {batch_id}")
    rows = {row.id: row for row in await trace_records.batches(uow, found)}
    mixes = await trace_records.mixes(uow, found)
    lots = await records.lot_numbers(uow, found)
    numbers = await records.tray_numbers(uow, found)
    labels: list[TrayLabel] = []
    for batch_id in batch_ids:
        row = rows[batch_id]
        every = list(range(1, trays + 1)) if trays is not None else numbers.get(batch_id, [])
        label = TrayLabel(
            batch_id=batch_id,
            code=row.code,
            crop=row.crop,
            cultivars=[row.cultivar] if row.cultivar is not None else mixes.get(batch_id, []),
            seeded_on=row.seeded_on,
            lots=lots.get(batch_id, []),
            tray=None,
            trays=max(every, default=None),
        )
        labels += [replace(label, tray=number) for number in every] or [label]
    if len(labels) > MOST_LABELS:
        raise impossible("batch_id", f"that would be {len(labels)} labels; at most {MOST_LABELS} at once")
    return labels


async def lot_label(
    uow: UnitOfWork,
    access: Access,
    lot_id: int,
    *,
    crate_heads: int | None = None,
    crate_kg: float | None = None,
) -> LotLabel:
    """Return what stands on the labels of a packed lot: how much is in the lot, or in the crate if that is said."""
    if crate_heads is not None and not 1 <= crate_heads <= _MOST_HEADS:
        raise impossible("crate_heads", f"it must be a whole number from 1 to {_MOST_HEADS}")
    if crate_kg is not None and not 0.001 <= crate_kg <= _MOST_KG:
        raise impossible("crate_kg", f"it must be kg from 0.001 to {_MOST_KG}")
    lot = (await get_packed_lot(uow, access, lot_id)).lot
    house = await known(uow, House, lot.house_id)
    packed_on = local_day(lot.packed_at, ZoneInfo(house.time_zone))
    batch_ids = await records.batches_of_lot(uow, lot_id)
    mixes = await trace_records.mixes(uow, batch_ids)
    cultivars: dict[str, None] = {}
    for row in await trace_records.batches(uow, batch_ids):
        cultivars |= dict.fromkeys([row.cultivar] if row.cultivar is not None else mixes.get(row.id, []))
    of_crate = crate_heads is not None or crate_kg is not None
    return LotLabel(
        lot_id=lot.id,
        code=lot.code,
        crop=(await known(uow, Crop, lot.crop_id)).name,
        cultivars=list(cultivars),
        description=lot.description,
        packed_on=packed_on,
        heads=crate_heads if of_crate else lot.heads,
        weight_kg=crate_kg if of_crate else lot.weight_kg,
        elements=[]
        if lot.gtin is None
        else gs1.packed_lot_elements(
            gtin=lot.gtin, lot=lot.code, packed_on=packed_on, weight_kg=crate_kg, heads=crate_heads
        ),
    )
