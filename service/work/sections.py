"""Sections: groups of channels with their sites, and how many plants stand in them.

How many plants of a batch stand in a section follows from its ledger. Over all batches there are never more than the
section has sites; a site that was emptied may be planted again on the same local day, so days are compared as they
ended, and today as it is now.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.records import batches as batch_records
from service.records import places as records
from service.records.listing import find, known
from service.records.store import UnitOfWork
from service.records.tables import Entry, House, Section, Zone
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.ledger import LedgerState, derive
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.times import local_day

_SECTION = {
    "zone_id": Field(fields.reference, required=True, fixed=True),
    "code": Field(fields.code, required=True),
    "name": Field(fields.text()),
    "sites": Field(fields.whole(1), required=True),
    "latitude_deg": Field(fields.number(-90, 90, "degrees north"), nullable=True),
    "longitude_deg": Field(fields.number(-180, 180, "degrees east"), nullable=True),
    "active": Field(fields.flag),
}
AHEAD = timedelta(minutes=5)
"""How far ahead of the clock something may have happened: clocks of phones and machines differ a little."""

_TAKEN = FieldProblem("code", "another section of this zone has this code")


@dataclass(frozen=True)
class SectionView:
    """A section and how many plants stand in it now."""

    section: Section
    house_id: int
    standing: int

    @property
    def free(self) -> int:
        """Sites on which nothing stands."""
        return max(0, self.section.sites - self.standing)


async def create_section(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> SectionView:
    """Make a section of a zone of channels; without ``name`` it is called by its code."""
    cleaned = checked_new(_SECTION, values)
    zone = await _referred_zone(uow, access, cleaned["zone_id"])
    section = Section(**{"name": cleaned["code"], **cleaned})
    await _check(uow, zone, section, None)
    await saving.insert(uow, section, _TAKEN)
    return SectionView(section, zone.house_id, 0)


async def get_section(uow: UnitOfWork, access: Access, section_id: int) -> SectionView:
    """Return a section."""
    section, zone = await _find(uow, access, section_id)
    return SectionView(section, zone.house_id, (await standing_now(uow, [section.id]))[section.id])


async def list_sections(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    zone_id: int | None = None,
    active: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[SectionView], int | None]:
    """Return a page of sections with what stands in them, and the id to go on after."""
    check_page(after, limit, house_id=house_id, zone_id=zone_id)
    rows, following = await records.page_sections(
        uow,
        within_farm=access.farm_id,
        house_id=house_id,
        zone_id=zone_id,
        active=active,
        after=after,
        limit=limit,
    )
    standing = await standing_now(uow, [row.id for row in rows])
    houses = {i: (await known(uow, Zone, i)).house_id for i in {row.zone_id for row in rows}}
    return [SectionView(row, houses[row.zone_id], standing[row.id]) for row in rows], following


async def change_section(
    uow: UnitOfWork,
    access: Access,
    section_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> SectionView:
    """Change a section; one that is not ``active`` takes no more plants and counts no sites."""
    section, zone = await _find(uow, access, section_id)
    await records.lock_sections(uow, [section.id])
    cleaned = checked_changes(_SECTION, section, changes)
    standing = (await standing_now(uow, [section.id]))[section.id]
    merged = Merged(section, cleaned)
    if merged.sites < standing:
        raise impossible("sites", f"{standing} plants stand in the section, so it has at least as many")
    if not merged.active and standing:
        raise impossible("active", f"{standing} plants stand in the section; move or harvest them first")
    if cleaned.keys() & {"sites", "active"}:
        await _check(uow, zone, merged, section.id)
    await saving.update(uow, section, cleaned, expected_version, _TAKEN)
    return SectionView(section, zone.house_id, standing)


async def _referred_zone(uow: UnitOfWork, access: Access, zone_id: int) -> Zone:
    zone = await find(uow, Zone, zone_id)
    if zone is None or access.farm_id not in {None, (await records.house_of(uow, zone.house_id)).farm_id}:
        raise impossible("zone_id", f"there is no zone {zone_id}")
    if zone.kind != "channels":
        raise impossible("zone_id", f"zone {zone_id} is of kind {zone.kind}; only channels have sections")
    return zone


async def _find(uow: UnitOfWork, access: Access, section_id: int) -> tuple[Section, Zone]:
    section = await find(uow, Section, section_id)
    if section is None:
        raise NotFound(f"there is no section {section_id}")
    zone = await known(uow, Zone, section.zone_id)
    require(access, (await records.house_of(uow, zone.house_id)).farm_id)
    return section, zone


async def _check(uow: UnitOfWork, zone: Zone, section: Section | Merged, own_id: int | None) -> None:
    """Refuse sites that the zone does not have."""
    await records.lock_zone(uow, zone.id)
    if not section.active:
        return
    left = zone.capacity - await records.sites_in_sections(uow, zone.id, but=own_id)
    if section.sites > left:
        raise impossible(
            "sites", f"of the {zone.capacity} sites of zone {zone.code}, {max(0, left)} are in no section"
        )


# --------------------------------------------------------------------------- what stands in them


async def standing_now(uow: UnitOfWork, section_ids: Sequence[int]) -> dict[int, int]:
    """Return how many plants stand in each section, over all batches."""
    standing = dict.fromkeys(section_ids, 0)
    if standing:
        ids = await batch_records.batches_in_sections(uow, section_ids)
        for entries in (await batch_records.entries_of(uow, ids)).values():
            for section_id, plants in derive(entries).in_sections:
                if section_id in standing:
                    standing[section_id] += plants
    return standing


async def check_entries(uow: UnitOfWork, house: House, entries: Iterable[Entry]) -> None:
    """Fill in the zones of the sections that entries name; refuse sections of another house or zone."""
    named = [e for e in entries if e.section_id is not None or e.from_section_id is not None]
    if not named:
        return
    sections = {section.id: section for section in await records.sections_of(uow, house.id)}
    for entry in named:
        for name in ("section_id", "from_section_id"):
            wanted = getattr(entry, name)
            if wanted is not None and wanted not in sections:
                raise impossible(name, f"there is no section {wanted} in this house")
        if entry.section_id is not None:
            section = sections[entry.section_id]
            if entry.zone_id is not None and entry.zone_id != section.zone_id:
                raise impossible("zone_id", f"section {section.code} is in zone {section.zone_id}")
            entry.zone_id = section.zone_id
            if not section.active and entry.kind in {"transplanted", "moved"} and not entry.void:
                raise impossible("section_id", f"section {section.code} is out of use")


async def check_room(
    uow: UnitOfWork,
    house: House,
    now: datetime,
    changed: Mapping[int, tuple[LedgerState | None, LedgerState]],
) -> None:
    """Refuse plants for which a section has no sites.

    Parameters
    ----------
    uow
        The transaction; the sections that get more plants stay locked until it ends.
    house
        The house of the batches.
    now
        The present.
    changed
        By batch, what its ledger said before, and what it is to say.

    Raises
    ------
    Impossible
        If on any day more plants would stand in a section than it has sites, and these are some of them.
    """
    zone = ZoneInfo(house.time_zone)
    today = local_day(now + AHEAD, zone)
    own = {i: (_days(before, zone), _days(after, zone)) for i, (before, after) in changed.items()}
    grown: dict[int, set[date]] = {}
    for before, after in own.values():
        for section_id, course in after.items():
            old = before.get(section_id, {})
            days = {min(day, today) for day in (*course, *old)}
            more = {day for day in days if _on(course, day) > _on(old, day)}
            if more:
                grown.setdefault(section_id, set()).update(more)
    if not grown:
        return
    sections = await records.lock_sections(uow, grown)
    first = min(min(days) for days in grown.values())
    since = datetime.combine(first, time(), zone)
    ids = [i for i in await batch_records.batches_in_sections(uow, list(grown), since) if i not in own]
    ledgers = await batch_records.entries_of(uow, ids)
    courses = [_days(derive(entries), zone) for entries in ledgers.values()]
    courses += [after for _, after in own.values()]
    for section in sections:
        here = [course[section.id] for course in courses if section.id in course]
        _check_days(section, here, [o for o in own.values() if section.id in o[1]], grown[section.id], today)


def _check_days(
    section: Section,
    here: Sequence[Mapping[date, int]],
    own: Sequence[tuple[Mapping[int, Mapping[date, int]], Mapping[int, Mapping[date, int]]]],
    grown: Collection[date],
    today: date,
) -> None:
    days = sorted({min(day, today) for course in here for day in course if day >= min(grown)} | set(grown))
    for day in days:
        more = sum(
            _on(after[section.id], day) - _on(before.get(section.id, {}), day) for before, after in own
        )
        total = sum(_on(course, day) for course in here)
        if more > 0 and total > section.sites:
            free = max(0, section.sites - (total - more))
            when = "are" if day == today else f"were on {day}"
            raise impossible(
                "section_id",
                f"section {section.code} has {section.sites} sites, of which {free} {when} free; {more} are needed",
            )


def _days(state: LedgerState | None, zone: ZoneInfo) -> dict[int, dict[date, int]]:
    """Return by section how many plants stood there at the end of each day on which that changed."""
    found: dict[int, dict[date, int]] = {}
    for at, section_id, plants in state.section_history if state is not None else ():
        found.setdefault(section_id, {})[local_day(at, zone)] = plants
    return found


def _on(course: Mapping[date, int], day: date) -> int:
    """Return how many plants stood there when a day ended; the days of a course are in order."""
    standing = 0
    for since, plants in course.items():
        if since > day:
            break
        standing = plants
    return standing
