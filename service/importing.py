"""The command that brings a farm's past from CSV files."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path

from service.clock import parse_clock
from service.opening import open_store
from service.records.imports import houses_called
from service.records.listing import find
from service.records.store import Store, UnitOfWork
from service.records.tables import House
from service.settings import Settings, SettingsError
from service.work import imports
from service.work.access import SYSTEM
from service.work.errors import Conflict, FieldProblem, Impossible
from service.work.imports import Imported

KINDS = ("readings", "batches", "orders")
EXIT_DONE, EXIT_FAULTS = 0, 1

_WHO = replace(SYSTEM, name="import")


async def run_import(
    settings: Settings, kind: str, file: Path, house: str, *, dry_run: bool = False, as_json: bool = False
) -> int:
    """Import a file (``-``: standard input), print what that did, and return the exit code: 0 done, 1 faults.

    Raises
    ------
    SettingsError
        If the file cannot be read or there is no such house.
    """
    content = _content(file)
    faults: tuple[FieldProblem, ...]
    try:
        async with open_store(settings) as store:
            imported = await _import(store, settings, kind, content, house, dry_run=dry_run)
        faults = imported.faults
    except (Impossible, Conflict) as error:
        imported, faults = None, error.problems
    if as_json:
        shown = {"faults": [asdict(fault) for fault in faults]}
        if imported is not None:
            shown = {**asdict(imported), **shown}
        print(json.dumps(shown))
    else:
        _print(file, imported, faults, dry_run=dry_run)
    return EXIT_FAULTS if faults or imported is None else EXIT_DONE


def _content(file: Path) -> bytes:
    try:
        return sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes()
    except OSError as error:
        raise SettingsError(f"{file}: {error.strerror}") from error


async def _import(
    store: Store, settings: Settings, kind: str, content: bytes, house_named: str, *, dry_run: bool
) -> Imported:
    clock = parse_clock(settings.clock)
    async with store.read() as uow:
        house = await find_house(uow, house_named)
    if kind == "batches":
        return await imports.import_batches(store, clock, _WHO, house.id, content, dry_run=dry_run)
    if kind == "orders":
        return await imports.import_orders(store, _WHO, house.farm_id, content, dry_run=dry_run)
    lead = timedelta(seconds=settings.max_reading_lead_s)
    imported = await imports.import_readings(
        store, clock, _WHO, house.id, content, max_lead=lead, dry_run=dry_run
    )
    if not dry_run:
        await imports.settle_all(store)
    return imported


async def find_house(uow: UnitOfWork, named: str) -> House:
    """Return the house with a code or id."""
    houses = await houses_called(uow, named)
    if not houses and named.isdecimal():
        house = await find(uow, House, int(named))
        houses = [] if house is None else [house]
    if not houses:
        raise SettingsError(f"--house {named}: there is no house with this code or id")
    if len(houses) > 1:
        ids = ", ".join(str(house.id) for house in houses)
        raise SettingsError(f"--house {named}: several houses have this code; give an id: {ids}")
    return houses[0]


def _print(file: Path, imported: Imported | None, faults: tuple[FieldProblem, ...], *, dry_run: bool) -> None:
    for fault in faults:
        column = f" {fault.field}:" if fault.field else ""
        print(f"{file}:{fault.line or 1}:{column} {fault.problem}")
    if faults or imported is None:
        print(f"{len(faults)} faults; nothing is stored.")
        return
    would = "would be " if dry_run else ""
    print(
        f"{imported.rows} rows: {imported.new} {would}new, {imported.changed} {would}changed,"
        f" {imported.unchanged} unchanged."
    )
    for note in imported.notes:
        print(f"Note: {note}")
