"""What fills the other pages of the farm: seed, orders, packed lots, a log, sensors and what arrives unasked."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from service.clock import FixedClock
from service.records.conditions import add_dead_letters, count_unknown_topics, save_readings
from service.records.store import Store
from service.records.tables import Succession
from service.work.access import Access
from service.work.batches import append_entry, create_batch
from service.work.deliveries import create_delivery
from service.work.events import create_event
from service.work.house_log import append_log
from service.work.lot_trials import create_trial
from service.work.orders import create_order
from service.work.packing import create_packed_lot
from service.work.sections import create_section
from service.work.seed_stock import create_lot
from service.work.sensors import create_sensor


@dataclass(frozen=True)
class Goods:
    """What there is."""

    seed_lot_id: int
    batch_id: int
    packed_lot_id: int
    order_id: int
    section_id: int


async def make_goods(
    store: Store, clock: FixedClock, who: Access, succession: Succession, channels_id: int, farm_id: int
) -> Goods:
    """Make a batch that was sown, moved, cut, packed and delivered, and the rest."""
    now, today = clock.now(), clock.now().date()
    house_id = succession.house_id
    async with store.write() as uow:
        lots = [
            await create_lot(
                uow,
                clock,
                who,
                {
                    "cultivar_id": succession.cultivar_id,
                    "lot_number": number,
                    "received_on": today - timedelta(days=days),
                    "seeds": seeds,
                    "supplier": "Brook Seeds",
                    "form": "pelleted",
                    "germination_percent": germination,
                    "germination_tested_on": today - timedelta(days=days),
                    "place": "Cold box",
                },
            )
            for number, days, seeds, germination in (
                ("BS-2210", 330, 5000, 91.0),
                ("BS-2418", 120, 5000, 97.0),
                ("BS-2533", 10, 10000, 98.0),
            )
        ]
        await create_trial(
            uow,
            clock,
            who,
            {
                "new_lot_id": lots[2].lot.id,
                "old_lot_id": lots[1].lot.id,
                "sown_on": today - timedelta(days=8),
                "new_sown": 200,
                "old_sown": 200,
                "new_good": 188,
                "old_good": 184,
            },
        )
        section = await create_section(
            uow, who, {"zone_id": channels_id, "code": "A", "name": "Channels 1 to 20", "sites": 800}
        )
        order = await create_order(
            uow,
            who,
            {
                "farm_id": farm_id,
                "crop_id": succession.crop_id,
                "buyer": "Mill Street Market",
                "heads": 90,
                "weekdays": [2, 5],
                "starts_on": date(2026, 9, 1),
                "price": 1.4,
                "price_currency": "EUR",
                "price_unit": "head",
            },
        )
    seeded_at = now - timedelta(days=46)
    async with store.write() as uow:
        batch = (
            await create_batch(
                uow,
                clock,
                who,
                {
                    "succession_id": succession.id,
                    "seeded_at": seeded_at,
                    "seed_lots": [{"seed_lot_id": lots[1].lot.id, "seeds": 240}],
                },
            )
        ).batch
        entry = None
        for days, values in (
            (16, {"kind": "transplanted", "plants": 200, "section_id": section.section.id}),
            (45, {"kind": "harvested", "plants": 150, "weight_g": 152.0, "readiness": "ready"}),
        ):
            entry, _ = await append_entry(
                uow, clock, who, batch.id, {**values, "happened_at": seeded_at + timedelta(days=days)}
            )
        assert entry is not None
    async with store.write() as uow:
        lot = await create_packed_lot(
            uow,
            clock,
            who,
            {"house_id": house_id, "harvests": [{"entry_id": entry.id, "heads": 120}], "weight_kg": 18.2},
        )
        await create_delivery(
            uow,
            clock,
            who,
            {"packed_lot_id": lot.lot.id, "order_id": order.id, "heads": 90, "for_on": date(2026, 9, 15)},
        )
        for values in (
            {"kind": "solution", "ph": 5.9, "ec_ms_cm": 1.6, "temp_solution_c": 20.5},
            {
                "kind": "addition",
                "substance": "Nitric acid 38 %",
                "amount": 120.0,
                "amount_unit": "mL",
                "ph": 5.8,
            },
            {"kind": "cleaning", "what": "trays", "substance": "Peracetic acid"},
            {"kind": "note", "note": "Swifts have left; shade paint washes off."},
        ):
            await append_log(uow, clock, who, house_id, values)
        await create_event(
            uow,
            who,
            {
                "house_id": house_id,
                "kind": "shade",
                "starts_on": date(2026, 6, 1),
                "ends_on": date(2026, 9, 20),
                "light_factor": 0.75,
            },
        )
        sensors = [
            await create_sensor(
                uow,
                who,
                {
                    "house_id": house_id,
                    "zone_id": channels_id,
                    "name": name,
                    "quantity": quantity,
                    "unit": unit,
                },
            )
            for name, quantity, unit in (
                ("Canopy light", "ppfd_umol", "umol m-2 s-1"),
                ("Air, middle bay", "temp_air_c", "degC"),
                ("Solution pH", "ph", "pH"),
            )
        ]
        await save_readings(
            uow,
            [
                {"sensor_id": sensors[0].id, "at": now - timedelta(hours=5), "value": 214.0},
                {"sensor_id": sensors[1].id, "at": now - timedelta(minutes=4), "value": 19.8},
                {"sensor_id": sensors[1].id, "at": now - timedelta(minutes=9), "value": 19.6},
            ],
        )
        await count_unknown_topics(
            uow,
            [
                {
                    "topic": "evenleaf/gateway/rh",
                    "first_seen_at": now - timedelta(days=2),
                    "last_seen_at": now - timedelta(minutes=2),
                    "messages": 512,
                    "last_payload": b'{"rh": 71.5}',
                }
            ],
        )
        await add_dead_letters(
            uow,
            [
                {
                    "topic": "evenleaf/N1/ch/temp_air_c",
                    "payload": b"n/a",
                    "size_bytes": 3,
                    "received_at": now - timedelta(hours=3),
                    "reason": "malformed",
                    "detail": "It is not a number, not JSON, or of a shape that holds no samples.",
                    "sensor_id": sensors[1].id,
                }
            ],
        )
    return Goods(lots[1].lot.id, batch.id, lot.lot.id, order.id, section.section.id)
