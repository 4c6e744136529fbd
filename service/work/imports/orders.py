"""Orders: one row each, with the fields of an order; the crop by name.

Buyer, crop and days (weekdays and their start, or dates) say which order a row means: one that is there takes
the file's amount, end, price and note, and only an order of new days or of a new buyer is added.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from service.records import imports as records
from service.records.orders import orders_of
from service.records.reforecast import crops_of
from service.records.store import Store, UnitOfWork
from service.records.tables import Crop, Farm, Order
from service.work import saving
from service.work.access import Access
from service.work.errors import FieldProblem, Impossible
from service.work.fields import Merged, checked_new
from service.work.imports.beside import read_beside
from service.work.imports.outcome import Imported, faulty
from service.work.imports.table import Faults, columns, look_up, number, read_table, whole
from service.work.orders import ORDER, check_together
from service.work.places import get_farm

_REQUIRED = ("buyer", "crop")
_OPTIONAL = (
    "heads",
    "weight_kg",
    "weekdays",
    "starts_on",
    "ends_on",
    "dates",
    "price",
    "price_currency",
    "price_unit",
    "note",
    "active",
)
_KEY = ("buyer", "crop_id", "weekdays", "starts_on", "dates")
_TAKEN = FieldProblem("", "there is such an order already")  # nothing about an order is one of a kind
_BETWEEN = re.compile(r"[\s,;]+")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f"{text[:40]!r} is not a day, for example 2026-08-03") from error


def _days(text: str) -> list[date]:
    return [_day(part) for part in _BETWEEN.split(text.strip())]


def _weekdays(text: str) -> list[int]:
    return [whole(part) for part in _BETWEEN.split(text.strip())]


def _flag(text: str) -> bool:
    try:
        return {"true": True, "false": False}[text.lower()]
    except KeyError as error:
        raise ValueError("it must be true or false") from error


_READ = {
    "heads": whole,
    "weight_kg": number,
    "weekdays": _weekdays,
    "starts_on": _day,
    "ends_on": _day,
    "dates": _days,
    "price": number,
    "active": _flag,
}


@dataclass
class _Said:
    """One row."""

    line: int
    values: dict[str, Any]

    @property
    def key(self) -> tuple[Any, ...]:
        """What says which order it is."""
        return _key({name: self.values.get(name) for name in _KEY})


@dataclass
class _Matched:
    """Rows against the orders that are there."""

    added: list[Order] = field(default_factory=list)
    changes: list[tuple[Order, Mapping[str, Any]]] = field(default_factory=list)
    unchanged: int = 0


@dataclass(frozen=True)
class _Farm:
    """What a file refers to."""

    farm: Farm
    crops: Sequence[Crop]

    @property
    def referred_to(self) -> Sequence[Crop]:
        """The rows with which the file is read."""
        return self.crops


async def import_orders(
    store: Store, access: Access, farm_id: int, content: bytes, *, dry_run: bool = False
) -> Imported:
    """Store orders of a farm; all or nothing.

    Raises
    ------
    NotFound
        If there is no such farm.
    Impossible
        If the file has faults and it is no dry run.
    """

    async def look(uow: UnitOfWork) -> _Farm:
        farm = await get_farm(uow, access, farm_id)
        return _Farm(farm, await crops_of(uow, farm.id))

    def read_file(known: _Farm) -> tuple[int, Faults, list[_Said]]:
        return _read(content, known.farm.id, known.crops)

    async with read_beside(store, look, read_file, dry_run=dry_run) as (uow, known, (rows, faults, said)):
        kept, repeated = _without_repeated(said, faults)
        matched = _match(kept, await orders_of(uow, known.farm.id), faults)
        if faults.found:
            return faulty(rows, faults.in_order(), dry_run=dry_run)
        if not dry_run:
            with saving.refusals(_TAKEN):
                await records.save_orders(uow, matched.added, matched.changes)
        return Imported(rows, len(matched.added), len(matched.changes), matched.unchanged + repeated)


def _match(said: Iterable[_Said], orders: Iterable[Order], faults: Faults) -> _Matched:
    there: dict[tuple[Any, ...], list[Order]] = {}
    for order in orders:
        there.setdefault(_key({name: getattr(order, name) for name in _KEY}), []).append(order)
    matched = _Matched()
    for row in said:
        known = there.get(row.key, [])
        if any(_same(order, row.values) for order in known):
            matched.unchanged += 1
        elif len(known) > 1:
            ids = ", ".join(str(order.id) for order in known)
            faults.add(row.line, "", f"{len(known)} orders are of this buyer, crop and days: {ids}")
        elif known:
            if _goes_together(Merged(known[0], row.values), row.line, faults):
                matched.changes.append((known[0], row.values))
        else:
            order = Order(**row.values)
            if _goes_together(order, row.line, faults):
                matched.added.append(order)
    return matched


def _goes_together(order: Order | Merged, line: int, faults: Faults) -> bool:
    try:
        check_together(order)
    except Impossible as error:
        for problem in error.problems:
            faults.add(line, problem.field, problem.problem)
        return False
    return True


def _read(content: bytes, farm_id: int, crops: Sequence[Crop]) -> tuple[int, Faults, list[_Said]]:
    table = read_table(content)
    said: list[_Said] = []
    places = columns(table, _REQUIRED, _OPTIONAL) if table.header else None
    if places is not None:
        if not table.count:
            table.faults.add(table.header_line, "", "there are no rows below the header")
        for line, cells in table.rows:
            named = {name: cells[place].strip() for name, place in places.items()}
            values = _row(line, named, farm_id, crops, table.faults)
            if values is not None:
                said.append(_Said(line, values))
    return table.count, table.faults, said


def _row(
    line: int, cells: Mapping[str, str], farm_id: int, crops: Sequence[Crop], faults: Faults
) -> dict[str, Any] | None:
    """Return the values of a row; an empty cell takes a value away, and a column that is not there leaves it."""
    wrong = len(faults.found)
    values: dict[str, Any] = {"farm_id": farm_id, "buyer": cells["buyer"]}
    crop = look_up(faults, line, "crop", crops, cells["crop"], "crop of this farm")
    if crop is not None:
        values["crop_id"] = crop.id
    for name, text in cells.items():
        if name in _REQUIRED or (name == "active" and not text):
            continue
        try:
            values[name] = _READ.get(name, str)(text) if text else None
        except ValueError as error:
            faults.add(line, name, str(error))
    try:
        cleaned = checked_new(ORDER, values)
    except Impossible as error:
        for problem in error.problems:
            if problem.field != "crop_id":  # said already
                faults.add(line, problem.field, problem.problem)
        return None
    return cleaned if len(faults.found) == wrong else None


def _without_repeated(said: Iterable[_Said], faults: Faults) -> tuple[list[_Said], int]:
    """Keep one of the rows that say the same; return them and how many were dropped."""
    first: dict[tuple[Any, ...], _Said] = {}
    repeated = 0
    for row in said:
        before = first.setdefault(row.key, row)
        if before is row:
            continue
        if before.values == row.values:
            repeated += 1
        else:
            faults.add(row.line, "", f"line {before.line} says otherwise of the same buyer, crop and days")
    return list(first.values()), repeated


def _key(values: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(tuple(value) if isinstance(value, list) else value for value in map(values.get, _KEY))


def _same(order: Order, values: Mapping[str, Any]) -> bool:
    return all(getattr(order, name) == value for name, value in values.items())
