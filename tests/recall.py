"""A seed lot of many batches over years, written straight into the records; shared by the tests and the bench."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.records.store import Store
from service.records.tables import (
    Batch,
    BatchSeedLot,
    Crop,
    Cultivar,
    Delivery,
    Entry,
    Farm,
    House,
    Order,
    PackedLot,
    PackedLotHarvest,
    Section,
    SeedLot,
    Succession,
    Zone,
)

START = datetime(2021, 9, 1, 6, tzinfo=UTC)


@dataclass(frozen=True)
class Recall:
    """What was made."""

    farm_id: int
    seed_lot_id: int
    other_lot_id: int
    section_ids: tuple[int, ...]
    order_id: int


async def make_recall(store: Store, batches: int = 200, every_days: int = 9) -> Recall:
    """Make a farm with ``batches`` batches of one seed lot, each cut twice, packed and delivered.

    Every third batch is of a second lot too; every fifth has a corrected harvest, every seventh one that was taken
    back, every eleventh a move to another section. As many batches of the second lot alone lie between them.
    """
    async with store.write() as uow:
        s = uow.session

        async def put(row: Any) -> Any:
            s.add(row)
            await s.flush()
            return row

        farm_id = (await put(Farm(name="Recall Farm", created_at=START))).id
        house = await put(
            House(
                farm_id=farm_id,
                name="Hall",
                code="R1",
                latitude_deg=52.1,
                longitude_deg=-5.2,
                time_zone="Europe/Amsterdam",
            )
        )
        nursery = await put(
            Zone(house_id=house.id, name="Table", code="t", kind="nursery", capacity=4000, plants_m2=500.0)
        )
        channels = await put(
            Zone(house_id=house.id, name="Channels", code="c", kind="channels", capacity=9000, plants_m2=25.0)
        )
        sections = [
            await put(
                Section(
                    zone_id=channels.id,
                    code=f"S{n}",
                    name=f"Section {n}",
                    sites=500,
                    latitude_deg=52.1001 if n == 1 else None,
                    longitude_deg=-5.2003 if n == 1 else None,
                )
            )
            for n in range(1, 7)
        ]
        crop = await put(Crop(farm_id=farm_id, name="Romaine", profile="romaine"))
        cultivar = await put(Cultivar(crop_id=crop.id, name="Alder"))
        lots = [
            await put(
                SeedLot(
                    farm_id=farm_id,
                    cultivar_id=cultivar.id,
                    lot_number=number,
                    received_on=date(2021, 8, 20),
                    seeds=200_000,
                    supplier="=Seeds & Sons",
                )
            )
            for number in ("L-4711", "L-4712")
        ]
        succession = await put(
            Succession(
                house_id=house.id,
                crop_id=crop.id,
                cultivar_id=cultivar.id,
                nursery_zone_id=nursery.id,
                channels_zone_id=channels.id,
                name="Romaine",
                heads_per_harvest=150,
                harvest_interval_days=9.0,
                seeding_interval_days=9.0,
                seeding_weekdays=[1],
                cells_per_seeding=200,
                keep_share=0.8,
            )
        )
        order = await put(
            Order(
                farm_id=farm_id,
                crop_id=crop.id,
                buyer="Market hall",
                heads=80,
                weekdays=[1, 2, 3, 4, 5, 6, 7],
                starts_on=date(2021, 9, 1),
            )
        )
        rows = []
        for n in range(2 * batches):
            at = START + timedelta(days=every_days * (n // 2))
            row = Batch(
                house_id=house.id,
                succession_id=succession.id,
                cultivar_id=cultivar.id,
                code=f"R1-{n:05d}",
                seeded_on=at.date(),
                cells=200,
                created_at=at,
                stage="finished",
            )
            s.add(row)
            rows.append((n, at, row))
        await s.flush()
        harvests: list[tuple[int, datetime, Entry, bool]] = []
        for n, at, batch in rows:
            own, number = n % 2 == 0, n // 2
            s.add(BatchSeedLot(batch_id=batch.id, seed_lot_id=lots[0 if own else 1].id, seeds=200))
            if own and number % 3 == 0:
                s.add(BatchSeedLot(batch_id=batch.id, seed_lot_id=lots[1].id, seeds=20, cells=20))
            where = sections[n % len(sections)]
            s.add(_entry(batch, "seeded", at, plants=200, zone_id=nursery.id))
            s.add(_entry(batch, "emergence_counted", at + timedelta(days=4), plants=190, zone_id=nursery.id))
            s.add(_entry(batch, "leaves_counted", at + timedelta(days=10), leaves=3.5))
            s.add(
                _entry(
                    batch, "transplanted", at + timedelta(days=16), plants=180, zone_id=channels.id,
                    section_id=where.id,
                )
            )  # fmt: skip
            if number % 11 == 0:
                there = sections[(n + 1) % len(sections)]
                s.add(
                    _entry(
                        batch, "moved", at + timedelta(days=25), zone_id=channels.id, section_id=there.id,
                        from_section_id=where.id,
                    )
                )  # fmt: skip
                where = there
            for cut in range(2):
                entry = _entry(
                    batch,
                    "harvested",
                    at + timedelta(days=44 + cut),
                    plants=90,
                    weight_g=150.0,
                    zone_id=channels.id,
                    section_id=where.id,
                )
                s.add(entry)
                harvests.append((number, at + timedelta(days=44 + cut), entry, cut == 1))
        await s.flush()
        for number, at, entry, second in harvests:
            if (second and number % 7 == 0) or (not second and number % 5 == 0):
                void = second
                again = _entry(
                    None, "harvested", at, plants=None if void else 88, weight_g=None if void else 151.0,
                    zone_id=None if void else entry.zone_id, section_id=None if void else entry.section_id,
                    supersedes_id=entry.id, void=void,
                )  # fmt: skip
                again.batch_id = entry.batch_id
                s.add(again)
        await s.flush()
        await _pack(s, farm_id, house.id, crop.id, order.id, harvests)
        return Recall(farm_id, lots[0].id, lots[1].id, tuple(x.id for x in sections), order.id)


def _entry(batch: Batch | None, kind: str, at: datetime, **more: Any) -> Entry:
    batch_id = 0 if batch is None else batch.id
    return Entry(batch_id=batch_id, kind=kind, happened_at=at, recorded_at=at, recorded_by="crew", **more)


async def _pack(
    s: Any,
    farm_id: int,
    house_id: int,
    crop_id: int,
    order_id: int,
    harvests: list[tuple[int, datetime, Entry, bool]],
) -> None:
    """Pack 80 heads of each harvest; of every fourth lot, 8 heads come from the harvest before."""
    made = []
    for n, (_, at, entry, _) in enumerate(harvests):
        lot = PackedLot(
            farm_id=farm_id,
            house_id=house_id,
            crop_id=crop_id,
            code=f"R1-{n:06d}",
            packed_at=at + timedelta(hours=5),
            heads=88 if n % 4 == 1 else 80,
            recorded_at=at,
            recorded_by="crew",
            cooled_at=at + timedelta(hours=2) if n % 2 else None,
            cooled_where="Cold room" if n % 2 else None,
            packed_where="Packing table",
            reference=f"slip {n}",
        )
        s.add(lot)
        made.append((n, at, lot, entry))
    await s.flush()
    for n, at, lot, entry in made:
        s.add(PackedLotHarvest(packed_lot_id=lot.id, entry_id=entry.id, heads=80))
        if n % 4 == 1:
            s.add(PackedLotHarvest(packed_lot_id=lot.id, entry_id=made[n - 1][3].id, heads=8))
        delivery = {"farm_id": farm_id, "packed_lot_id": lot.id, "recorded_at": at, "recorded_by": "crew"}
        on = (at + timedelta(days=1)).date()
        s.add(Delivery(**delivery, order_id=order_id, for_on=on, heads=50))
        s.add(Delivery(**delivery, recipient="+School kitchen", for_on=on, heads=20))
    await s.flush()
