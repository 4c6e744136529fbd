"""Past batches and their ledgers: one row a fact.

A row ``seeded`` makes the batch, the others are what happened to it. Facts that are in the ledger already,
superseded ones included, are left alone, so that the same file can be brought again; the rules of the ledger
and the sites of the sections hold for what is there and what is added together. ``cells_per_tray`` of the row
``seeded`` numbers the trays, which other rows name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import imports as records
from service.records.batches import entries_of, trays_of
from service.records.places import sections_of, successions_of, zones_of
from service.records.reforecast import crops_of
from service.records.store import Store, UnitOfWork
from service.records.tables import Batch, Cultivar, Entry, House, Section, Succession, Tray, Zone
from service.work import fields, saving
from service.work.access import Access
from service.work.batches import ENTRY, mix_at_seeding, usual_zone, usually_regrows, zone_problem
from service.work.errors import FieldProblem, Impossible
from service.work.fields import checked_new
from service.work.imports.beside import read_beside
from service.work.imports.moments import Moments
from service.work.imports.outcome import Imported, faulty
from service.work.imports.table import Faults, columns, look_up, number, read_table, whole, yes_no
from service.work.ledger import KINDS, LedgerState, derive, facts, problems_alone
from service.work.places import get_house
from service.work.profiles import profile_of
from service.work.sections import AHEAD, check_room
from service.work.times import SEEDING_TIME, local_day
from service.work.trays import trays_for

_REQUIRED = ("batch", "kind", "happened_at")
_OPTIONAL = (
    "succession",
    "cultivar",
    "plants",
    "leaves",
    "weight_g",
    "regrows",
    "readiness",
    "zone",
    "reason",
    "note",
    "grade",
    "finding",
    "severity",
    "product",
    "waiting_days",
    "section",
    "from_section",
    "tray",
    "cells_per_tray",
)
COLUMNS = (*_REQUIRED, *_OPTIONAL)
"""Of the file."""
_OTHER_NAMES = {"code": "batch", "at": "happened_at"}
_NUMBERS = {
    "plants": whole,
    "leaves": number,
    "weight_g": number,
    "regrows": yes_no,
    "waiting_days": number,
    "tray": whole,
}
_TEXTS = ("kind", "readiness", "reason", "note", "grade", "finding", "severity", "product")
_CODE = fields.text(60)
_CELLS_PER_TRAY = fields.whole(1, 10_000)
_COLUMNS = {"zone_id": "zone", "section_id": "section", "from_section_id": "from_section", "tray_id": "tray"}
"""Columns that are called otherwise than what they say of an entry."""
_REPEATED_NAMED = 20
# Leaving out a fact of these kinds cannot make the others contradict each other.
_RELAXING = frozenset({"leaves_counted", "weighed", "discarded", "harvested"})
_TAKEN = FieldProblem("batch", "another batch of this code was made at the same time; import again")


@dataclass
class _Fact:
    """One row."""

    line: int
    entry: Entry
    """Its ``tray_id`` is the number of the tray until it is stored."""


@dataclass
class _Planned:
    """What a file says of one batch."""

    code: str
    line: int
    facts: list[_Fact] = field(default_factory=list)
    said: dict[str, str] = field(default_factory=dict)
    """Succession and cultivar as the file calls them."""
    seeding_line: int | None = None
    """Row that makes the batch, if there is one, or one that may be meant to."""
    cells_per_tray: int | None = None
    faulty: bool = False
    """Whether facts are missing without which the others may seem to contradict each other."""


@dataclass(frozen=True)
class _House:
    """What the rows of a house's file refer to."""

    house: House
    zone: ZoneInfo
    zones: Sequence[Zone]
    sections: Sequence[Section]
    successions: Sequence[Succession]
    cultivars: Sequence[Cultivar]
    cuts: Mapping[int, int]  # harvests of a planting, by crop

    @property
    def referred_to(self) -> Sequence[House | Zone | Section]:
        """The rows with which a file is read; the others are looked at when it is stored."""
        return [self.house, *self.zones, *self.sections]

    @property
    def zone_kinds(self) -> dict[int, str]:
        """Kind by zone."""
        return {zone.id: zone.kind for zone in self.zones}


@dataclass
class _Settled:
    """A batch with the entries that are new, and what its ledger then says."""

    batch: Batch
    planned: _Planned
    entries: list[Entry]
    before: LedgerState | None
    state: LedgerState
    trays: list[Tray]
    """Those that are there, or that are to be made with the batch."""


async def import_batches(
    store: Store, clock: Clock, access: Access, house_id: int, content: bytes, *, dry_run: bool = False
) -> Imported:
    """Store past batches of a house and what happened to them; all or nothing.

    ``new`` counts facts; a ledger is only appended to, so nothing is ever ``changed``.

    Raises
    ------
    NotFound
        If there is no such house.
    Impossible
        If the file has faults and it is no dry run.
    """
    now = clock.now()

    async def look(uow: UnitOfWork) -> _House:
        return await _look(uow, access, house_id)

    def read_file(known: _House) -> _Reader:
        reader = _Reader(known, Moments(known.zone, now + AHEAD, SEEDING_TIME), now, access.name)
        reader.read(content)
        return reader

    async with read_beside(store, look, read_file, dry_run=dry_run) as (uow, known, reader):
        return await _keep(uow, known, reader, now, dry_run=dry_run)


async def _look(uow: UnitOfWork, access: Access, house_id: int) -> _House:
    house = await get_house(uow, access, house_id)
    successions = await successions_of(uow, house.id)
    return _House(
        house=house,
        zone=ZoneInfo(house.time_zone),
        zones=await zones_of(uow, house.id),
        sections=await sections_of(uow, house.id),
        successions=successions,
        cultivars=await records.cultivars_of(uow, {succession.crop_id for succession in successions}),
        cuts={crop.id: profile_of(crop).cuts for crop in await crops_of(uow, house.farm_id)},
    )


async def _keep(uow: UnitOfWork, known: _House, reader: _Reader, now: datetime, *, dry_run: bool) -> Imported:
    stored = await records.batches_by_code(uow, known.house.id, list(reader.batches), lock=not dry_run)
    ids = [batch.id for batch in stored.values()]
    ledgers, trays = await entries_of(uow, ids), await trays_of(uow, ids)
    settled, unchanged = [], reader.repeated
    for planned in reader.batches.values():
        batch = stored.get(planned.code)
        ledger = ledgers[batch.id] if batch is not None else []
        there = list(trays[batch.id]) if batch is not None else []
        unchanged += _drop_known(planned, ledger, there)
        result = _settle(planned, batch, ledger, there, known, now, reader.faults)
        if result is not None and result.entries:
            settled.append(result)
    if not reader.faults.found:
        await _check_room(uow, settled, known, now, reader.faults)
    if reader.faults.found:
        return faulty(reader.rows, reader.faults.in_order(), dry_run=dry_run)
    if not dry_run:
        with saving.refusals(_TAKEN):
            await _store(uow, settled, known)
    return Imported(
        reader.rows, sum(len(s.entries) for s in settled), 0, unchanged, notes=tuple(reader.notes)
    )


async def _store(uow: UnitOfWork, settled: Iterable[_Settled], known: _House) -> None:
    await records.append_ledgers(
        uow,
        [
            (
                one.batch,
                one.entries,
                one.trays,
                {
                    "cells": one.state.cells,
                    "seeded_on": local_day(one.state.seeded_at, known.zone),
                    "stage": one.state.stage,
                },
            )
            for one in settled
        ],
    )


async def _check_room(
    uow: UnitOfWork, settled: Sequence[_Settled], known: _House, now: datetime, faults: Faults
) -> None:
    """Add a fault for each batch whose plants would stand on sites that a section does not have."""
    sections = {section.id: section for section in known.sections}
    # A batch that is new has no id yet.
    changed = {one.batch.id or -n: (one.before, one.state) for n, one in enumerate(settled, 1)}
    try:
        await check_room(uow, known.house, now, changed)
        kept = None
    except Impossible:
        kept = dict[int, tuple[LedgerState | None, LedgerState]]()
    for one, (key, change) in zip(settled, changed.items(), strict=True):
        closed = [sections[i].code for i, n in one.state.in_sections if i and n and not sections[i].active]
        if closed:
            faults.add(_line_in_section(one), "section", f"section {closed[0]} is out of use")
        if kept is None:
            continue
        try:
            await check_room(uow, known.house, now, {**kept, key: change})
            kept[key] = change
        except Impossible as error:
            problem = error.problems[0].problem
            faults.add(
                _line_in_section(one),
                "section",
                f"with the batches before it, {problem}" if kept else problem,
            )


def _line_in_section(one: _Settled) -> int:
    """Return the last line that put plants into a section."""
    lines = [fact.line for fact in one.planned.facts if fact.entry.section_id is not None]
    return max(lines, default=one.planned.line)


# --------------------------------------------------------------------------- rows


class _Reader:
    """Reads rows into facts, batch by batch."""

    def __init__(self, known: _House, moments: Moments, now: datetime, recorded_by: str) -> None:
        self.faults = Faults()
        self.batches: dict[str, _Planned] = {}
        self.rows = self.repeated = 0
        self.notes: list[str] = []
        self._known = known
        self._kinds = known.zone_kinds
        self._moments = moments
        self._now = now
        self._by = recorded_by

    def read(self, content: bytes) -> None:
        """Read a file."""
        table = read_table(content)
        self.faults, self.rows = table.faults, table.count
        places = columns(table, _REQUIRED, _OPTIONAL, _OTHER_NAMES) if table.header else None
        if places is None:
            return
        if not table.count:
            self.faults.add(table.header_line, "", "there are no rows below the header")
        for line, cells in table.rows:
            self._row(line, {name: _plain(cells[place]) for name, place in places.items()})
        for planned in self.batches.values():
            self._drop_repeated(planned)
        if self.repeated > _REPEATED_NAMED:
            self.notes.append(f"and {self.repeated - _REPEATED_NAMED} more lines say what others say")

    def _row(self, line: int, cells: Mapping[str, str]) -> None:
        try:
            code = _CODE(cells["batch"])
        except ValueError as error:
            self.faults.add(line, "batch", str(error))
            return
        planned = self.batches.setdefault(code, _Planned(code, line))
        wrong = len(self.faults.found)
        if planned.seeding_line is None and (cells["kind"] == "seeded" or cells["kind"] not in KINDS):
            planned.seeding_line = line
        for name in ("succession", "cultivar"):
            self._say(planned, line, name, cells.get(name, ""))
        values = self._values(line, cells)
        try:
            cleaned = checked_new(ENTRY, values)
        except Impossible as error:
            cleaned = {}
            for found in error.problems:
                self.faults.add(line, _COLUMNS.get(found.field, found.field), found.problem)
        if cells["kind"] == "moved" and not cells.get("zone") and not cells.get("section"):
            self.faults.add(line, "zone", "a move must say which zone or section the plants went to")
        self._read_cells_per_tray(planned, line, cells)
        if len(self.faults.found) == wrong:
            entry = Entry(batch_id=0, recorded_at=self._now, recorded_by=self._by, **cleaned)
            for name, problem in problems_alone(entry):
                self.faults.add(line, _COLUMNS.get(name, name), problem)
            # Where a move may go depends on what happened before, and is seen with the ledger.
            there = None if entry.kind == "moved" else zone_problem(entry, self._kinds, None)
            if there:
                self.faults.add(line, "zone", there)
        if len(self.faults.found) == wrong:
            planned.facts.append(_Fact(line, entry))
        elif cells["kind"] not in _RELAXING:
            planned.faulty = True

    def _say(self, planned: _Planned, line: int, name: str, word: str) -> None:
        if not word:
            return
        said = planned.said.setdefault(name, word)
        if said != word:
            self.faults.add(line, name, f"another row of batch {planned.code!r} says {said!r}")

    def _values(self, line: int, cells: Mapping[str, str]) -> dict[str, Any]:
        """Return what the cells hold, empty ones left out."""
        values: dict[str, Any] = {name: cells[name] for name in _TEXTS if cells.get(name)}
        if not cells["kind"]:
            self.faults.add(line, "kind", "it is empty")
        for name, read in [("happened_at", self._moments.read), *_NUMBERS.items()]:
            if cells.get(name) or name == "happened_at":
                try:
                    values[name] = read(cells[name])
                except ValueError as error:
                    self.faults.add(line, name, str(error))
        if word := cells.get("zone"):
            zone = look_up(self.faults, line, "zone", self._known.zones, word, "zone of this house")
            if zone is not None:
                values["zone_id"] = zone.id
        if "tray" in values:
            values["tray_id"] = values.pop("tray")
        self._read_sections(line, cells, values)
        return values

    def _read_sections(self, line: int, cells: Mapping[str, str], values: dict[str, Any]) -> None:
        for column, name in (("section", "section_id"), ("from_section", "from_section_id")):
            word = cells.get(column)
            if not word:
                continue
            zone_id = values.get("zone_id") if column == "section" else None
            there = [s for s in self._known.sections if zone_id in {None, s.zone_id}]
            kind = "section of this house" if zone_id is None else "section of this zone"
            section = look_up(self.faults, line, column, there, word, kind)
            if section is not None:
                values[name] = section.id
                if column == "section":
                    values["zone_id"] = section.zone_id

    def _read_cells_per_tray(self, planned: _Planned, line: int, cells: Mapping[str, str]) -> None:
        word = cells.get("cells_per_tray")
        if not word:
            return
        if cells["kind"] != "seeded":
            self.faults.add(line, "cells_per_tray", "it goes with the row of kind seeded")
            return
        try:
            planned.cells_per_tray = _CELLS_PER_TRAY(whole(word))
        except ValueError as error:
            self.faults.add(line, "cells_per_tray", str(error))

    def _drop_repeated(self, planned: _Planned) -> None:
        """Keep one of the rows that say the same."""
        first: dict[tuple[Any, ...], int] = {}
        kept = []
        for fact in planned.facts:
            line = first.setdefault(_key(fact.entry, fact.entry.zone_id), fact.line)
            if line == fact.line:
                kept.append(fact)
            else:
                self.repeated += 1
                if self.repeated <= _REPEATED_NAMED:
                    self.notes.append(f"line {fact.line} says the same as line {line}, and counts once")
        planned.facts = kept


def _plain(cell: str) -> str:
    """Return a cell without the apostrophe that keeps a spreadsheet from taking a text for a formula."""
    text = cell.strip()
    return text[1:] if text.startswith(("'=", "'+", "'-", "'@")) else text


def _key(entry: Entry, zone_id: int | None, trays: Mapping[int, int] | None = None) -> tuple[Any, ...]:
    """Return what makes two entries say the same, in this zone; ``trays`` number those of a stored one."""
    tray = entry.tray_id
    return (
        entry.kind,
        entry.happened_at,
        entry.plants,
        entry.leaves,
        entry.weight_g,
        entry.readiness,
        zone_id,
        entry.reason,
        entry.note,
        entry.grade,
        entry.finding,
        entry.severity,
        entry.product,
        entry.waiting_days,
        entry.section_id,
        entry.from_section_id,
        tray if trays is None or tray is None else trays.get(tray),
    )


# --------------------------------------------------------------------------- ledgers


def _drop_known(planned: _Planned, ledger: Iterable[Entry], trays: Sequence[Tray]) -> int:
    """Drop facts that were written down already, whether or not they were corrected since; return how many."""
    held = [entry for entry in ledger if not entry.void]
    numbers = {tray.id: tray.number for tray in trays}
    written = {_key(entry, entry.zone_id, numbers) for entry in held}
    # Where none is said, the usual zone was filled in.
    written |= {_key(entry, None, numbers) for entry in held if entry.kind in {"seeded", "transplanted"}}
    kept = [fact for fact in planned.facts if _key(fact.entry, fact.entry.zone_id) not in written]
    dropped = len(planned.facts) - len(kept)
    planned.facts = kept
    return dropped


def _settle(
    planned: _Planned,
    batch: Batch | None,
    ledger: Sequence[Entry],
    trays: list[Tray],
    known: _House,
    now: datetime,
    faults: Faults,
) -> _Settled | None:
    """Put a batch together and check its whole ledger; None: it has faults, which are added."""
    wrong = len(faults.found)
    if batch is None:
        batch = _new_batch(planned, known, now, faults)
    else:
        _check_same(planned, batch, known, faults)
    if batch is None or planned.faulty:
        return None
    if any(fault.field == "batch" for fault in faults.found[wrong:]):
        return None  # the rows are of a batch that is not this one
    succession = next(s for s in known.successions if s.id == batch.succession_id)
    for fact in planned.facts:
        if fact.entry.zone_id is None:
            fact.entry.zone_id = usual_zone(fact.entry.kind, succession)
    _let_regrow(planned, ledger, known.cuts[succession.crop_id])
    state = _check_ledger(planned, ledger, known.zone_kinds, faults)
    if state is not None and not ledger:
        trays = _new_trays(planned, state.cells, faults)
    numbers = {tray.number for tray in trays}
    for fact in planned.facts:
        if (
            fact.entry.tray_id is not None
            and fact.entry.tray_id not in numbers
            and len(faults.found) == wrong
        ):
            have = f"they are numbered 1 to {max(numbers)}" if numbers else "it has none"
            faults.add(fact.line, "tray", f"there is no tray {fact.entry.tray_id} of this batch; {have}")
    if state is None or len(faults.found) > wrong:
        return None
    entries = [fact.entry for fact in planned.facts]
    return _Settled(batch, planned, facts(entries), derive(ledger) if ledger else None, state, trays)


def _new_trays(planned: _Planned, cells: int, faults: Faults) -> list[Tray]:
    if planned.cells_per_tray is None:
        return []
    try:
        return trays_for(cells, {"cells_per_tray": planned.cells_per_tray})
    except Impossible as error:
        faults.add(planned.seeding_line or planned.line, "cells_per_tray", error.problems[0].problem)
        return []


def _let_regrow(planned: _Planned, ledger: Sequence[Entry], cuts: int) -> None:
    """Have plants stand on after all cuts of a crop of several but the last, where the file does not say."""
    added = facts(fact.entry for fact in planned.facts)
    so_far = [*ledger, *(entry for entry in added if entry.kind != "harvested")]
    for entry in added:
        if entry.kind == "harvested" and cuts > 1:
            if entry.regrows is None:
                try:
                    entry.regrows = usually_regrows(cuts, so_far)
                except Impossible:
                    return  # the check of the whole ledger names what is wrong
            so_far.append(entry)


def _new_batch(planned: _Planned, known: _House, now: datetime, faults: Faults) -> Batch | None:
    line = planned.seeding_line
    if line is None:
        problem = f"there is no batch {planned.code!r} yet, and no row of kind seeded makes it"
        faults.add(planned.line, "batch", problem)
        return None
    if "succession" not in planned.said:
        faults.add(line, "succession", "it is empty, and must name the succession that seeded the batch")
        return None
    succession = _succession(planned, line, known, faults)
    cultivar_id = None if succession is None else _cultivar_id(planned, line, succession, known, faults)
    seeding = next((fact.entry for fact in planned.facts if fact.entry.kind == "seeded"), None)
    if succession is None or seeding is None:
        return None
    return Batch(
        house_id=known.house.id,
        succession_id=succession.id,
        cultivar_id=cultivar_id,
        code=planned.code,
        seeded_on=local_day(seeding.happened_at, known.zone),
        cells=seeding.plants or 0,
        created_at=now,
        cultivars=mix_at_seeding(succession, cultivar_id),
    )


def _succession(planned: _Planned, line: int, known: _House, faults: Faults) -> Succession | None:
    found: Succession | None = look_up(
        faults, line, "succession", known.successions, planned.said["succession"], "succession of this house"
    )
    return found


def _cultivar_id(
    planned: _Planned, line: int, succession: Succession, known: _House, faults: Faults
) -> int | None:
    if "cultivar" not in planned.said:
        return succession.cultivar_id
    cultivars = [cultivar for cultivar in known.cultivars if cultivar.crop_id == succession.crop_id]
    found = look_up(
        faults, line, "cultivar", cultivars, planned.said["cultivar"], "cultivar of the succession's crop"
    )
    return None if found is None else int(found.id)


def _check_same(planned: _Planned, batch: Batch, known: _House, faults: Faults) -> None:
    """Refuse a file that means another batch by a code that is in use."""
    there = f"batch {batch.code!r} is there already"
    succession = next(s for s in known.successions if s.id == batch.succession_id)
    if "succession" in planned.said:
        said = _succession(planned, planned.line, known, faults)
        if said is not None and said.id != succession.id:
            faults.add(planned.line, "succession", f"{there}, of the succession {succession.name!r}")
    if "cultivar" in planned.said:
        cultivar_id = _cultivar_id(planned, planned.line, succession, known, faults)
        if cultivar_id not in {None, batch.cultivar_id}:
            faults.add(planned.line, "cultivar", f"{there}, of another cultivar")
    for fact in planned.facts:
        if fact.entry.kind == "seeded":
            problem = (
                f"{there}, seeded with {batch.cells} cells on {batch.seeded_on}; correct that in its ledger"
            )
            faults.add(fact.line, "batch", problem)


def _check_ledger(
    planned: _Planned, ledger: Sequence[Entry], zone_kinds: Mapping[int, str], faults: Faults
) -> LedgerState | None:
    """Return what a ledger says with the facts of a file added, or add every fault of these."""
    added = [fact.entry for fact in planned.facts]
    try:
        state = derive([*ledger, *added])
        sound = [
            fact for fact in planned.facts if not zone_problem(fact.entry, zone_kinds, state.transplanted_at)
        ]
        if len(sound) == len(planned.facts):
            return state
    except Impossible:
        pass
    # One by one, to name each that contradicts what is sound: the counts that hold for the whole first, then
    # in the order in which they happened.
    lines = {id(fact.entry): fact.line for fact in planned.facts}
    in_order = facts(added)
    first = [e for e in in_order if e.kind == "seeded"] + [
        e for e in in_order if e.kind == "emergence_counted"
    ]
    so_far = list(ledger)
    for entry in [*first, *(e for e in in_order if e.kind not in {"seeded", "emergence_counted"})]:
        try:
            state = derive([*so_far, entry])
        except Impossible as error:
            for problem in error.problems:
                column = _COLUMNS.get(problem.field, problem.field)
                faults.add(lines[id(entry)], column, problem.problem)
            continue
        problem_there = zone_problem(entry, zone_kinds, state.transplanted_at)
        if problem_there:
            faults.add(lines[id(entry)], "zone", problem_there)
            continue
        so_far.append(entry)
    return None
