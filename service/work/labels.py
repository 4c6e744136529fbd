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
    heads: int
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


async def lot_label(uow: UnitOfWork, access: Access, lot_id: int) -> LotLabel:
    """Return what stands on the labels of a packed lot."""
    lot = (await get_packed_lot(uow, access, lot_id)).lot
    house = await known(uow, House, lot.house_id)
    packed_on = local_day(lot.packed_at, ZoneInfo(house.time_zone))
    batch_ids = await records.batches_of_lot(uow, lot_id)
    mixes = await trace_records.mixes(uow, batch_ids)
    cultivars: dict[str, None] = {}
    for row in await trace_records.batches(uow, batch_ids):
        cultivars |= dict.fromkeys([row.cultivar] if row.cultivar is not None else mixes.get(row.id, []))
    return LotLabel(
        lot_id=lot.id,
        code=lot.code,
        crop=(await known(uow, Crop, lot.crop_id)).name,
        cultivars=list(cultivars),
        description=lot.description,
        packed_on=packed_on,
        heads=lot.heads,
        weight_kg=lot.weight_kg,
        elements=[] if lot.gtin is None else [("01", gs1.gtin_14(lot.gtin)), ("10", lot.code)],
    )
