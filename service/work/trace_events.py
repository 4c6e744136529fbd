"""Key data elements of harvesting, cooling, initial packing and shipping, one row an event.

What is asked for in 21 CFR 1.1325 (harvesting, cooling), 1.1330 (initial packing) and 1.1340 (shipping), as read in
the text of June 2026; growing areas with their coordinates are those of a farm map, 1.1315(a)(5). The reference
document of an event without one of its own is the record itself, by its number. A location is described by the
farm's name, address and telephone number as far as they are written down, and by coordinates; harvests are told to the
packer with the business name and telephone number, 1.1325(a), and packing names the harvester's, 1.1330(a).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.records import trace as records
from service.records.listing import known
from service.records.store import UnitOfWork
from service.records.tables import Farm
from service.records.trace import DeliveryRow, HouseRow, LotRow, SectionRow, ZoneRow
from service.work.access import Access
from service.work.fulfilment import check_days, farm_zone
from service.work.places import get_farm
from service.work.times import local_day
from service.work.trace import Harvest, Trace, TracedBatch, TracedLot, trace, trace_farm

LONGEST_DAYS = 2000

Cell = str | int | float | date | datetime | None

CAUTION = (
    "These columns follow the key data elements of 21 CFR 1.1325, 1.1330 and 1.1340. Which of them you must keep, for"
    " which foods and for how long, is decided by your own food-safety plan, by the rules in force and by local law:"
    " check with those before you rely on this file.",
    "Times are local times of the house with their offset from UTC, in ISO 8601. The batch is what is traced: a seed"
    " lot or section reaches every harvest of each batch that it was in.",
    "A harvest that was corrected stands here as it is said now. What was taken back is on the sheet of entries not"
    " followed, with the packed lots that still name it.",
)

EVENT_COLUMNS = (
    "Event",
    "Event number",
    "Date",
    "Time",
    "Commodity",
    "Variety",
    "Quantity",
    "Unit",
    "Net weight (kg)",
    "Traceability lot code",
    "Traceability lot code source",
    "Product description",
    "GTIN",
    "Farm",
    "Farm address",
    "Farm phone",
    "Farm location",
    "Growing area",
    "Growing area latitude (degrees)",
    "Growing area longitude (degrees)",
    "Harvested by",
    "Harvester phone",
    "Harvest date",
    "Date received for packing",
    "Quantity received for packing",
    "Cooling place",
    "Cooling date",
    "Packing place",
    "Packing date",
    "Quantity packed in the lot",
    "Recipient",
    "Reference document",
    "Batch",
    "Seed lots",
    "Recorded by",
    "Recorded at",
    "Note",
)
SEED_LOT_COLUMNS = (
    "Seed lot number", "Crop", "Variety", "Supplier", "Received on", "Form", "Seeds received", "Batches",
)  # fmt: skip
SECTION_COLUMNS = (
    "Growing area",
    "Section code",
    "Zone",
    "House",
    "Sites",
    "Latitude (degrees)",
    "Longitude (degrees)",
    "Coordinates of",
)
CORRECTED_COLUMNS = (
    "Entry", "Batch", "Kind", "Date", "Plants or heads", "Corrected by entry", "Takes another back",
    "Packed lots that still name it", "Recorded by", "Recorded at",
)  # fmt: skip


@dataclass(frozen=True)
class TraceTables:
    """Rows of the export; the columns are the constants of this module."""

    events: Sequence[Sequence[Cell]]
    seed_lots: Sequence[Sequence[Cell]]
    sections: Sequence[Sequence[Cell]]
    corrected: Sequence[Sequence[Cell]]
    notes: Sequence[str] = CAUTION


async def export_trace(
    uow: UnitOfWork, access: Access, beginning: str, on: date | None = None
) -> TraceTables:
    """Return the events on the way through one thing, see :func:`service.work.trace.trace`: a recall's list."""
    found = await trace(uow, access, beginning, on)
    return await _tables(uow, found, found.sections)


async def export_farm(uow: UnitOfWork, access: Access, farm_id: int, first: date, last: date) -> TraceTables:
    """Return a farm's events on local days from ``first`` to ``last``, and all of its sections."""
    farm = await get_farm(uow, access, farm_id)
    check_days(first, last, LONGEST_DAYS)
    zone = await farm_zone(uow, farm_id)
    since = datetime.combine(first, time(), zone).astimezone(UTC) - timedelta(days=1)
    before = datetime.combine(last, time(), zone).astimezone(UTC) + timedelta(days=2)
    found = await trace_farm(uow, farm_id, farm.name, since, before)
    tables = await _tables(uow, found, await records.sections_of_farm(uow, farm_id))
    on = EVENT_COLUMNS.index("Date")
    # Each house has its own midnight, so the span was taken wider and is cut by the local day of each event.
    events = [row for row in tables.events if isinstance(row[on], date) and first <= row[on] <= last]  # type: ignore[operator]
    return replace(tables, events=events)


async def _tables(uow: UnitOfWork, found: Trace, sections: Sequence[SectionRow]) -> TraceTables:
    farm = await known(uow, Farm, found.farm_id)
    houses = {house.id: house for house in await records.houses(uow, found.farm_id)}
    zone_ids = {h.zone_id for h in found.harvests if h.zone_id is not None}
    zones = {zone.id: zone for zone in await records.zones(uow, zone_ids)}
    others = {link.entry_id for lot in found.packed_lots for link in lot.harvests}
    beyond = others - {h.entry_id for h in found.harvests}
    makes = _Events(farm, houses, zones, found)
    rows = makes.harvests() + makes.lots(beyond) + makes.deliveries()
    rows.sort(key=lambda row: (_order(row.get("Time") or row["Date"]), str(row["Event number"])))
    return TraceTables(
        events=[[row.get(column) for column in EVENT_COLUMNS] for row in rows],
        seed_lots=_seed_lots(found),
        sections=[_section(section) for section in sections],
        corrected=makes.corrected(),
        notes=(*CAUTION, *_missing(farm)),
    )


def _missing(farm: Farm) -> list[str]:
    lacks = [what for what, said in (("address", farm.address), ("telephone number", farm.phone)) if not said]
    if not lacks:
        return []
    return [
        f"{farm.name} has no {' and no '.join(lacks)} written down: add it in the settings and take this file again."
    ]


def _order(at: Cell) -> str:
    return at.isoformat() if isinstance(at, date) else ""


def _section(section: SectionRow) -> tuple[Cell, ...]:
    return (
        section.name,
        section.code,
        section.zone,
        section.house,
        section.sites,
        section.latitude_deg,
        section.longitude_deg,
        "the section" if section.own_place else "the house",
    )


def _seed_lots(found: Trace) -> list[tuple[Cell, ...]]:
    batches: dict[int, list[str]] = defaultdict(list)
    for batch in found.batches:
        for seed in batch.seed_lots:
            batches[seed.seed_lot_id].append(batch.code)
    return [
        (
            s.lot_number,
            s.crop,
            s.cultivar,
            s.supplier,
            s.received_on,
            s.form,
            s.seeds,
            "; ".join(batches[s.id]),
        )
        for s in found.seed_lots
    ]


class _Events:
    """Makes rows of a trace."""

    def __init__(
        self, farm: Farm, houses: Mapping[int, HouseRow], zones: Mapping[int, ZoneRow], found: Trace
    ) -> None:
        self._farm = farm
        self._houses = houses
        self._zones = zones
        self._found = found
        self._batches = {batch.id: batch for batch in found.batches}
        self._harvests = {harvest.entry_id: harvest for harvest in found.harvests}
        self._lots = {lot.lot.id: lot for lot in found.packed_lots}
        self._sections = {section.id: section for section in found.sections}
        self._orders = {order.id: order for order in found.orders}
        self._numbers = {seed.id: seed.lot_number for seed in found.seed_lots}
        self._lots_of: dict[int, list[LotRow]] = defaultdict(list)
        for lot in found.packed_lots:
            for link in lot.harvests:
                self._lots_of[link.entry_id].append(lot.lot)

    def harvests(self) -> list[dict[str, Cell]]:
        """Return a row for each harvest."""
        return [self._harvest(harvest) for harvest in self._found.harvests]

    def _harvest(self, harvest: Harvest) -> dict[str, Cell]:
        batch = self._batches[harvest.batch_id]
        house = self._houses[batch.house_id]
        packed_at = dict.fromkeys(_packing_place(lot, self._farm) for lot in self._lots_of[harvest.entry_id])
        weight = None if harvest.weight_g is None else harvest.weight_g * harvest.heads / 1000.0
        return {
            "Event": "Harvesting",
            "Event number": f"harvest {harvest.entry_id}",
            **self._when(harvest.harvested_at, house),
            **self._grown(batch, harvest),
            "Quantity": harvest.heads,
            "Unit": "heads",
            "Net weight (kg)": weight,
            "Recipient": "; ".join(packed_at) or None,
            "Reference document": f"harvest record {harvest.entry_id}",
            "Recorded by": harvest.recorded_by,
            "Recorded at": _local(harvest.recorded_at, house),
            "Note": harvest.note,
        }

    def lots(self, beyond: set[int]) -> list[dict[str, Cell]]:
        """Return rows of cooling and of packing, one for each harvest that went into a lot.

        ``beyond`` are harvests of other batches, off the way: what is known of them here is their number.
        """
        rows: list[dict[str, Cell]] = []
        for traced in self._found.packed_lots:
            for link in traced.harvests:
                rows += self._lot(traced, link.entry_id, link.heads, link.entry_id in beyond)
        return rows

    def _lot(self, traced: TracedLot, entry_id: int, heads: int, beyond: bool) -> list[dict[str, Cell]]:
        lot = traced.lot
        house = self._houses[lot.house_id]
        harvest = self._harvests.get(entry_id)
        if harvest is None or beyond:
            grown: dict[str, Cell] = {
                "Commodity": lot.crop,
                "Note": f"from harvest {entry_id} of another batch",
            }
        else:
            grown = {**self._grown(self._batches[harvest.batch_id], harvest), "Note": lot.note}
        document = lot.reference or f"packing record {lot.id}"
        common: dict[str, Cell] = {
            **grown,
            "Unit": "heads",
            "Quantity": heads,
            "Cooling place": lot.cooled_where,
            "Cooling date": None if lot.cooled_at is None else _local_day(lot.cooled_at, house),
            "Reference document": document,
            "Recorded by": lot.recorded_by,
            "Recorded at": _local(lot.recorded_at, house),
        }
        rows: list[dict[str, Cell]] = []
        if lot.cooled_at is not None:
            rows.append(
                {
                    **common,
                    "Event": "Cooling",
                    "Event number": f"lot {lot.id} harvest {entry_id}",
                    **self._when(lot.cooled_at, house),
                    "Recipient": _packing_place(lot, self._farm),
                }
            )
        received = harvest.harvested_at if lot.cooled_at is None and harvest is not None else lot.cooled_at
        rows.append(
            {
                **common,
                **self._coded(lot),
                "Event": "Initial packing",
                "Event number": f"lot {lot.id} harvest {entry_id}",
                **self._when(lot.packed_at, house),
                "Net weight (kg)": None if not lot.weight_kg else lot.weight_kg * heads / max(lot.heads, 1),
                "Date received for packing": None if received is None else _local_day(received, house),
                "Quantity received for packing": heads,
                "Packing place": _packing_place(lot, self._farm),
                "Packing date": _local_day(lot.packed_at, house),
                "Quantity packed in the lot": lot.heads,
            }
        )
        return rows

    def deliveries(self) -> list[dict[str, Cell]]:
        """Return a row for each delivery that happened."""
        return [self._delivery(delivery) for delivery in self._found.deliveries if delivery.heads]

    def _delivery(self, delivery: DeliveryRow) -> dict[str, Cell]:
        traced = self._lots[delivery.packed_lot_id]
        lot = traced.lot
        house = self._houses[lot.house_id]
        order = None if delivery.order_id is None else self._orders.get(delivery.order_id)
        recipient = delivery.recipient or (None if order is None else order.buyer)
        batches = {
            self._harvests[link.entry_id].batch_id
            for link in traced.harvests
            if link.entry_id in self._harvests
        }
        return {
            **self._coded(lot),
            "Event": "Shipping",
            "Event number": f"delivery {delivery.id}",
            "Date": delivery.for_on,
            "Commodity": lot.crop,
            "Variety": self._said(sorted({c for i in batches for c in self._batches[i].cultivars})),
            "Quantity": delivery.heads,
            "Unit": "heads",
            "Net weight (kg)": delivery.weight_kg,
            **self._of_farm(house),
            "Recipient": recipient,
            "Reference document": delivery.reference
            or (f"order {delivery.order_id}" if delivery.order_id else f"delivery record {delivery.id}"),
            "Batch": self._said(sorted(self._batches[i].code for i in batches)),
            "Recorded by": delivery.recorded_by,
            "Recorded at": _local(delivery.recorded_at, house),
            "Note": delivery.note,
        }

    def corrected(self) -> list[tuple[Cell, ...]]:
        """Return the entries that are not followed."""
        codes = {batch.id: batch.code for batch in self._found.batches}
        houses = {batch.id: self._houses[batch.house_id] for batch in self._found.batches}
        any_house = next(iter(self._houses.values()))
        rows: list[tuple[Cell, ...]] = []
        for entry in self._found.corrected:
            house = houses.get(entry.batch_id, any_house)
            rows.append(
                (
                    entry.entry_id,
                    codes.get(entry.batch_id, f"batch {entry.batch_id}"),
                    entry.kind,
                    _local_day(entry.happened_at, house),
                    entry.plants,
                    entry.superseded_by_id,
                    "yes" if entry.void else "no",
                    "; ".join(str(i) for i in entry.packed_lot_ids) or None,
                    entry.recorded_by,
                    _local(entry.recorded_at, house),
                )
            )
        return rows

    def _coded(self, lot: LotRow) -> dict[str, Cell]:
        return {
            "Traceability lot code": lot.code,
            "Traceability lot code source": _together(_packing_place(lot, self._farm), self._farm.phone),
            "Product description": lot.description or lot.crop,
            "GTIN": lot.gtin,
        }

    def _grown(self, batch: TracedBatch, harvest: Harvest) -> dict[str, Cell]:
        house = self._houses[batch.house_id]
        section = None if harvest.section_id is None else self._sections.get(harvest.section_id)
        zone = None if harvest.zone_id is None else self._zones.get(harvest.zone_id)
        parts = [house.name]
        if section is not None:
            parts += [section.zone, section.name]
        elif zone is not None:
            parts.append(zone.name)
        return {
            "Commodity": batch.crop,
            "Variety": self._said(batch.cultivars),
            **self._of_farm(house),
            "Growing area": ", ".join(parts),
            "Growing area latitude (degrees)": section.latitude_deg if section else house.latitude_deg,
            "Growing area longitude (degrees)": section.longitude_deg if section else house.longitude_deg,
            "Harvested by": self._farm.name,
            "Harvester phone": self._farm.phone,
            "Harvest date": _local_day(harvest.harvested_at, house),
            "Batch": batch.code,
            "Seed lots": self._said([self._numbers[seed.seed_lot_id] for seed in batch.seed_lots]),
        }

    def _of_farm(self, house: HouseRow) -> dict[str, Cell]:
        return {
            "Farm": self._farm.name,
            "Farm address": self._farm.address,
            "Farm phone": self._farm.phone,
            "Farm location": _place(house),
        }

    def _when(self, moment: datetime, house: HouseRow) -> dict[str, Cell]:
        return {"Date": _local_day(moment, house), "Time": _local(moment, house)}

    @staticmethod
    def _said(names: Sequence[str]) -> str | None:
        return "; ".join(names) or None


def _packing_place(lot: LotRow, farm: Farm) -> str:
    return _together(lot.packed_where, farm.name, farm.address)


def _together(*parts: str | None) -> str:
    return ", ".join(part for part in parts if part)


def _place(house: HouseRow) -> str:
    return f"{house.name}, {house.latitude_deg:.5f} {house.longitude_deg:.5f}"


def _local(moment: datetime, house: HouseRow) -> datetime:
    return moment.astimezone(ZoneInfo(house.time_zone)).replace(microsecond=0)


def _local_day(moment: datetime, house: HouseRow) -> date:
    return local_day(moment, ZoneInfo(house.time_zone))
