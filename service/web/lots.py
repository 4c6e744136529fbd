"""What a batch is sown with, on its forms: one choice of a seed lot for each cultivar."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.clock import Clock
from service.records.store import UnitOfWork
from service.records.tables import Batch, BatchSeedLot, SeedLot, Succession
from service.web.forms import Form
from service.work.access import Access
from service.work.crops import get_crop, list_cultivars
from service.work.listing import MAX_LIMIT
from service.work.seed_fitness import next_lot
from service.work.seed_stock import get_lot, list_lots


@dataclass(frozen=True)
class Choice:
    """A choice of a seed lot of one cultivar, or of any of a crop where the cultivar is not said."""

    field: str
    label: str
    lots: list[tuple[int, str]]
    chosen: int | None


@dataclass(frozen=True)
class Sown:
    """A lot that a batch was sown with."""

    lot: SeedLot
    seeds: int


def at_first(choices: Iterable[Choice]) -> dict[str, int | None]:
    """Return what the fields show at first."""
    return {choice.field: choice.chosen for choice in choices}


async def lots_to_sow(
    uow: UnitOfWork, clock: Clock, access: Access, successions: Sequence[Succession]
) -> list[Choice]:
    """Return the choices of what successions can be sown with today; those of which nothing is fit are left out.

    The lot to sow next is chosen, and one that is in doubt can be.
    """
    found: dict[str, Choice] = {}
    for succession in successions:
        crop_name, cultivars = await _cultivars(uow, access, succession)
        for field, cultivar_ids in _fields(succession, succession.crop_id, cultivars):
            if field in found:
                continue
            lots: list[tuple[int, str]] = []
            chosen: list[int] = []
            for cultivar_id in cultivar_ids:
                state = await next_lot(uow, clock, access, cultivar_id)
                lots += [
                    (c.lot.lot.id, _said(c.lot.lot, state.cultivar, cultivar_ids))
                    for c in state.lots
                    if c.fit
                ]
                chosen += [state.lot_id] if state.lot_id is not None else []
            if lots:
                label = _label(crop_name, cultivars, cultivar_ids)
                found[field] = Choice(field, label, lots, chosen[0] if len(cultivar_ids) == 1 else None)
    return list(found.values())


async def lots_sown(
    uow: UnitOfWork, access: Access, batch: Batch, succession: Succession, used: Sequence[BatchSeedLot]
) -> tuple[list[Sown], list[Choice]]:
    """Return what a batch was sown with, and the choices of what it may have been.

    There are none where two lots of a cultivar are named: one choice could not say it.
    """
    sown = [Sown((await get_lot(uow, access, row.seed_lot_id)).lot, row.seeds) for row in used]
    crop_name, cultivars = await _cultivars(uow, access, succession)
    found = []
    for field, cultivar_ids in _fields(batch, succession.crop_id, cultivars):
        own = [s.lot for s in sown if s.lot.cultivar_id in cultivar_ids]
        if len(own) > 1:
            return sown, []
        lots = {lot.id: lot for lot in own}
        for cultivar_id in cultivar_ids:
            there, _ = await list_lots(uow, access, cultivar_id=cultivar_id, limit=MAX_LIMIT)
            lots |= {v.lot.id: v.lot for v in there if _in_store(v.lot, batch.seeded_on)}
        if lots:
            told = [(lot.id, _said(lot, cultivars[lot.cultivar_id], cultivar_ids)) for lot in lots.values()]
            label = _label(crop_name, cultivars, cultivar_ids)
            found.append(Choice(field, label, told, own[0].id if own else None))
    return sown, found


def seed_lots_of(
    form: Form, of: Succession | Batch, crop_id: int, used: Sequence[BatchSeedLot] = ()
) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Return the lots that were chosen as a use case takes them, and which of its fields is which of the form.

    A lot that is named already keeps how many seeds of it were sown, and in how many cells.
    """
    kept = {row.seed_lot_id: row for row in used}
    lots: list[dict[str, Any]] = []
    names: dict[str, str] = {}
    for field in _names(of, crop_id):
        lot_id = form.whole(field)
        if lot_id is None:
            continue
        names[f"seed_lots/{len(lots)}/seed_lot_id"] = field
        row = kept.get(lot_id)
        lots.append(
            {"seed_lot_id": lot_id}
            if row is None
            else {"seed_lot_id": lot_id, "seeds": row.seeds, "cells": row.cells}
        )
    return lots, names


def _own(of: Succession | Batch) -> list[int]:
    """Return the cultivars of a succession or batch; none: it is not said."""
    return [of.cultivar_id] if of.cultivar_id is not None else [m.cultivar_id for m in of.cultivars]


def _names(of: Succession | Batch, crop_id: int) -> list[str]:
    return [f"lot_{cultivar_id}" for cultivar_id in _own(of)] or [f"lot_of_crop_{crop_id}"]


def _fields(
    of: Succession | Batch, crop_id: int, cultivars: Mapping[int, str]
) -> Iterable[tuple[str, list[int]]]:
    """Return the fields with the cultivars of which each takes a lot."""
    own = [[cultivar_id] for cultivar_id in _own(of)] or [list(cultivars)]
    return zip(_names(of, crop_id), own, strict=True)


async def _cultivars(uow: UnitOfWork, access: Access, succession: Succession) -> tuple[str, dict[int, str]]:
    crop = await get_crop(uow, access, succession.crop_id)
    cultivars, _ = await list_cultivars(uow, access, crop_id=crop.id, limit=MAX_LIMIT)
    return crop.name, {c.id: c.name for c in cultivars}


def _label(crop: str, cultivars: Mapping[int, str], cultivar_ids: Sequence[int]) -> str:
    return f"{crop}, {cultivars[cultivar_ids[0]]}" if len(cultivar_ids) == 1 else crop


def _said(lot: SeedLot, cultivar: str, cultivar_ids: Sequence[int]) -> str:
    return lot.lot_number if len(cultivar_ids) == 1 else f"{lot.lot_number}, {cultivar}"


def _in_store(lot: SeedLot, on: date) -> bool:
    return lot.received_on <= on and (lot.finished_on is None or lot.finished_on >= on)
