"""Batches and their ledgers as rows of the file that :mod:`service.work.imports.batches` takes: one row a fact."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.records import batches as records
from service.records import planning as plan_records
from service.records.places import sections_of, successions_of, zones_of
from service.records.store import UnitOfWork
from service.records.tables import Entry, Tray
from service.work.access import Access
from service.work.errors import impossible
from service.work.imports.batches import COLUMNS
from service.work.ledger import facts
from service.work.places import get_house

Cell = str | int | float | bool | datetime | None

_OF_BATCH = ("batch", "succession", "cultivar", "cells_per_tray")


async def export_batches(
    uow: UnitOfWork, access: Access, house_id: int, first: date | None = None, last: date | None = None
) -> tuple[tuple[str, ...], list[list[Cell]]]:
    """Return columns and rows of a house's batches seeded on days from ``first`` to ``last``, in order of seeding.

    Facts stand as they hold now: what was corrected or taken back is left out, and so is what the file has no column
    for (seed lots, pictures, the leaves of each plant counted). Times are local with their offset.

    Raises
    ------
    NotFound
        If there is no such house.
    Impossible
        If ``last`` is before ``first``.
    """
    house = await get_house(uow, access, house_id)
    if first is not None and last is not None and last < first:
        raise impossible("to", "it must not be before the first day")
    zone = ZoneInfo(house.time_zone)
    batches = await records.batches_seeded(uow, house.id, first, last)
    ids = [batch.id for batch in batches]
    ledgers, trays = await records.entries_of(uow, ids), await records.trays_of(uow, ids)
    successions = {s.id: s.name for s in await successions_of(uow, house.id)}
    cultivars = await plan_records.cultivar_names(uow, house.farm_id)
    zones = {z.id: z.code for z in await zones_of(uow, house.id)}
    # A code is one of a kind within its zone only.
    sections = {s.id: s.code for s in await sections_of(uow, house.id)}
    rows: list[list[Cell]] = []
    for batch in batches:
        numbers = {tray.id: tray.number for tray in trays[batch.id]}
        for entry in facts(ledgers[batch.id]):
            cells: dict[str, Cell] = {
                "batch": batch.code,
                "kind": entry.kind,
                "happened_at": entry.happened_at.astimezone(zone),
                "zone": zones.get(entry.zone_id or 0),
                "section": sections.get(entry.section_id or 0),
                "from_section": sections.get(entry.from_section_id or 0),
                "tray": numbers.get(entry.tray_id or 0),
            }
            if entry.kind == "seeded":
                cells["succession"] = successions[batch.succession_id]
                cells["cultivar"] = None if batch.cultivar_id is None else cultivars[batch.cultivar_id]
                cells["cells_per_tray"] = _cells_per_tray(trays[batch.id], batch.cells)
            rows.append([_cell(name, entry, cells) for name in COLUMNS])
    return COLUMNS, rows


def _cell(name: str, entry: Entry, cells: Mapping[str, Cell]) -> Cell:
    if name in cells or name in _OF_BATCH:
        return cells.get(name)
    value: Any = getattr(entry, name)
    return ("yes" if value else "no") if isinstance(value, bool) else value


def _cells_per_tray(trays: Sequence[Tray], cells: int) -> int | None:
    """Return how many cells trays have that are filled one after the other; None: they are not alike."""
    if not trays:
        return None
    size = trays[0].cells
    alike = {n + 1: min(size, cells - n * size) for n in range(-(-cells // size))}
    return size if {tray.number: tray.cells for tray in trays} == alike else None
