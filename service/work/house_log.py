"""The house's log: nutrient solution, what was added to it, cleaning, notes.

Entries are facts, appended and corrected like those of a batch's ledger, never erased. Ranges only refuse what cannot
be meant (a decimal point missed, another unit); they are wider than any good practice. They are of the trade's common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import house_log as records
from service.records.listing import find
from service.records.places import sections_of
from service.records.store import UnitOfWork
from service.records.tables import House, HouseLogEntry
from service.work import fields, saving
from service.work.access import Access
from service.work.errors import Conflict, FieldProblem, impossible
from service.work.fields import Field, checked_new
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import get_house, referred_zone
from service.work.sections import AHEAD
from service.work.ticking import tick_cleaning
from service.work.times import local_day

KINDS = ("solution", "addition", "cleaning", "note")
UNITS = ("mL", "L", "g", "kg")
CLEANED = ("channels", "trays", "tank", "table")

_LOG = {
    "kind": Field(fields.one_of(*KINDS)),
    "happened_at": Field(fields.moment),
    "zone_id": Field(fields.reference, nullable=True),
    "section_id": Field(fields.reference, nullable=True),
    "ph": Field(fields.number(0, 14, "(pH)"), nullable=True),
    "ec_ms_cm": Field(fields.number(0, 10, "mS cm-1"), nullable=True),
    "temp_solution_c": Field(fields.number(0, 45, "degC"), nullable=True),
    "substance": Field(fields.text(), nullable=True),
    "amount": Field(fields.number(0, 100_000, above=True), nullable=True),
    "amount_unit": Field(fields.one_of(*UNITS), nullable=True),
    "what": Field(fields.one_of(*CLEANED), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
    "supersedes_id": Field(fields.reference, nullable=True),
    "void": Field(fields.flag),
    "minutes_taken": Field(fields.number(0, 1440, "min"), nullable=True),
}
_MEASURED = ("ph", "ec_ms_cm", "temp_solution_c")
_GOES_WITH: dict[str, tuple[str, ...]] = {
    "solution": _MEASURED,
    "addition": ("substance", "amount", "amount_unit", *_MEASURED),  # measured after it was mixed in
    "cleaning": ("what", "substance", "amount", "amount_unit"),
    "note": (),
}
_FACTS = (*_MEASURED, "substance", "amount", "amount_unit", "what")
_SUPERSEDED = FieldProblem("supersedes_id", "this entry has been corrected already; correct the correction")

_LABEL = "Follow the product's label and local code."
CAUTION_ADDITION = (
    "Acids and bases burn: wear gloves and goggles. Add acid to water, never water to acid, in small steps, and never "
    "mix acid with chlorine or hypochlorite: the gas is poisonous. Keep concentrates apart. " + _LABEL
)
CAUTION_CLEANING = (
    "Sanitisers burn and their fumes harm: wear gloves and goggles, air the place, never mix chlorine or hypochlorite "
    "with acid or ammonia, and rinse before plants come back. " + _LABEL
)
CAUTIONS = {"addition": CAUTION_ADDITION, "cleaning": CAUTION_CLEANING}
"""What to mind, by kind of entry."""


async def append_log(
    uow: UnitOfWork, clock: Clock, access: Access, house_id: int, values: Mapping[str, Any]
) -> HouseLogEntry:
    """Write down what was measured, added or cleaned in a house, or correct what was written down.

    A correction names the entry it supersedes and says the whole fact again; with ``void`` it only takes it back.
    ``happened_at`` is now, if it is not said. A cleaning ticks off the task to clean that is due there.

    Raises
    ------
    NotFound
        If there is no such house.
    Impossible
        If fields do not go together, or refer to another house.
    Conflict
        If the entry has been corrected already.
    """
    cleaned = checked_new(_LOG, values)
    minutes = cleaned.pop("minutes_taken", None)
    house = await get_house(uow, access, house_id)
    given = {name: value for name, value in cleaned.items() if value is not None}
    now = clock.now()
    corrected = await _corrected(uow, house, given.get("supersedes_id"))
    if given.get("void"):
        given = _void(given, corrected)
    entry = _entry(given, corrected, house, access, now)
    if not entry.void:
        _check_together(entry)
        await _check_place(uow, house, entry)
    with saving.refusals(_SUPERSEDED):
        await records.insert_log_entry(uow, entry)
    if entry.kind == "cleaning" and corrected is None:
        day = local_day(entry.happened_at, ZoneInfo(house.time_zone))
        await tick_cleaning(uow, access, now, entry, day, minutes)
    return entry


async def list_log(
    uow: UnitOfWork,
    access: Access,
    house_id: int,
    *,
    kind: str | None = None,
    since: datetime | None = None,
    before: datetime | None = None,
    holding: bool = False,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[HouseLogEntry], int | None]:
    """Return a page of a house's log, and the id to go on after; ``holding`` leaves out what was corrected."""
    check_page(after, limit)
    check_choice("kind", kind, KINDS)
    await get_house(uow, access, house_id)
    return await records.page_log(
        uow, house_id, kind=kind, since=since, before=before, holding=holding, after=after, limit=limit
    )


async def _corrected(uow: UnitOfWork, house: House, entry_id: int | None) -> HouseLogEntry | None:
    if entry_id is None:
        return None
    found = await find(uow, HouseLogEntry, entry_id)
    if found is None or found.house_id != house.id:
        raise impossible("supersedes_id", f"there is no entry {entry_id} in this house's log")
    if await records.correction_of(uow, entry_id) is not None:
        raise Conflict(_SUPERSEDED.problem, _SUPERSEDED)
    return found


def _void(given: Mapping[str, Any], corrected: HouseLogEntry | None) -> dict[str, Any]:
    if corrected is None:
        raise impossible("supersedes_id", "a void entry must say which entry it takes back")
    if corrected.void:
        raise impossible("supersedes_id", "this entry takes another one back already")
    for name in (*_FACTS, "zone_id", "section_id"):
        if name in given:
            raise impossible(name, "a void entry only takes a fact back")
    return {"kind": corrected.kind, "happened_at": corrected.happened_at, **given}


def _entry(
    given: Mapping[str, Any], corrected: HouseLogEntry | None, house: House, access: Access, now: datetime
) -> HouseLogEntry:
    if "kind" not in given:
        raise impossible("kind", "it is missing")
    if corrected is not None and corrected.kind != given["kind"]:
        raise impossible("kind", f"it corrects an entry of kind {corrected.kind}, and must be of that kind")
    happened_at = given.get("happened_at", now)
    if happened_at > now + AHEAD:
        raise impossible("happened_at", f"it lies in the future; it is {now:%Y-%m-%d %H:%M} UTC now")
    return HouseLogEntry(
        **{**given, "happened_at": happened_at},
        house_id=house.id,
        recorded_at=now,
        recorded_by=access.name,
    )


def _check_together(entry: HouseLogEntry) -> None:
    """Refuse fields that do not go with the kind, and facts that say nothing."""
    for name in _FACTS:
        if getattr(entry, name) is not None and name not in _GOES_WITH[entry.kind]:
            kinds = " or ".join(kind for kind, names in _GOES_WITH.items() if name in names)
            raise impossible(name, f"an entry of kind {entry.kind} has none; it goes with {kinds}")
    if (entry.amount is None) != (entry.amount_unit is None):
        name = "amount" if entry.amount is None else "amount_unit"
        raise impossible(name, "it is missing: an amount has a unit")
    if entry.kind == "solution" and all(getattr(entry, name) is None for name in _MEASURED):
        raise impossible("ph", f"it is missing: say at least one of {', '.join(_MEASURED)}")
    if entry.kind == "addition" and entry.substance is None:
        raise impossible("substance", "it is missing: what was added")
    if entry.kind == "cleaning" and entry.what is None:
        raise impossible("what", f"it is missing: what was cleaned, one of {', '.join(CLEANED)}")
    if entry.kind == "note" and entry.note is None:
        raise impossible("note", "it is missing")


async def _check_place(uow: UnitOfWork, house: House, entry: HouseLogEntry) -> None:
    if entry.zone_id is not None:
        await referred_zone(uow, house.id, "zone_id", entry.zone_id)
    if entry.section_id is None:
        return
    section = next((s for s in await sections_of(uow, house.id) if s.id == entry.section_id), None)
    if section is None:
        raise impossible("section_id", f"there is no section {entry.section_id} in this house")
    if entry.zone_id not in {None, section.zone_id}:
        raise impossible("zone_id", f"section {section.code} is in zone {section.zone_id}")
    entry.zone_id = section.zone_id
