"""Alerts about seed: too old, too hot in store, running out, failing. Settled like every other alert."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from service.agronomy import seed
from service.clock import Clock
from service.records import seed_stock as records
from service.records.places import houses_of
from service.records.store import Store, UnitOfWork
from service.work import seed_fitness
from service.work.access import SYSTEM
from service.work.alerts import Condition, settle_alerts
from service.work.order_tasks import settle_orders
from service.work.seed_fitness import LotEmergence, evidence_of
from service.work.seed_orders import OrderList, Supply, seed_orders

OLD_ALERT = "seed_old"
HEAT_ALERT = "seed_store_heat"
RUNNING_OUT_ALERT = "seed_running_out"
FAILING_ALERT = "seed_failing"
KINDS = frozenset({OLD_ALERT, HEAT_ALERT, RUNNING_OUT_ALERT, FAILING_ALERT})

OLD_SOON_DAYS = 21  # before seed is too old, so that it can still be sown; assumed
ORDER_SOON_DAYS = 7  # before an order is due; assumed


def lot_alerts(lot: seed_fitness.Condition, today: date) -> list[Condition]:
    """Return what a grower should know of a lot in store. Pure."""
    row = lot.lot.lot
    if row.finished_on is not None or lot.lot.remaining == 0 or row.received_on > today:
        return []
    found = []
    left = (lot.use_by - today).days
    if left <= OLD_SOON_DAYS:
        over = left < 0
        found.append(
            Condition(
                kind=OLD_ALERT,
                subject=f"seed_lot:{row.id}",
                severity="warning" if over else "info",
                title=f"Seed lot {row.lot_number} {'is' if over else 'will soon be'} too old",
                detail=(
                    f"It is {lot.age_days} days here and holds {lot.lot.remaining} seeds; {row.form} seed is kept"
                    f" {seed.KEEPING[row.form].limit_days} days at most ({seed.KEEPING[row.form].origin})."
                ),
                next_step=(
                    "Sow another lot; throw this one away, or test it before you sow it."
                    if over
                    else f"Sow it first, until {lot.use_by}."
                ),
                evidence={"useBy": lot.use_by.isoformat(), **evidence_of(lot)},
            )
        )
    hot = [f for f in lot.faults if f.kind in {"hot", "aged"}]
    if hot:
        found.append(
            Condition(
                kind=HEAT_ALERT,
                subject=f"seed_lot:{row.id}",
                severity="warning",
                title=f"Seed lot {row.lot_number} was kept too warm",
                detail=" ".join(f"{f.sentence[0].upper()}{f.sentence[1:]}." for f in hot),
                next_step="Keep seed cold, dry and closed, and test the lot's germination before you rely on it.",
                evidence=evidence_of(lot),
            )
        )
    return found


def supply_alert(supply: Supply, today: date) -> Condition | None:
    """Return what a grower should know of the stock of a cultivar; none: enough, or time enough to order. Pure."""
    first = supply.orders[0] if supply.orders else None
    due = first is not None and first.order_on <= today + timedelta(days=ORDER_SOON_DAYS)
    if not due and not supply.missing:
        return None
    late = bool(supply.missing) or (first is not None and first.days_late > 0)
    return Condition(
        kind=RUNNING_OUT_ALERT,
        subject=f"cultivar:{supply.cultivar_id}",
        severity="urgent" if supply.missing else "warning" if late else "info",
        title=f"Seed of {supply.cultivar} is running out",
        detail=supply.sentence,
        next_step=(
            "Order it, and write it down as a seed lot with the day on which it is expected."
            if first is not None
            else "Sow another cultivar, or fetch seed from elsewhere."
        ),
        evidence={
            "daysLeft": supply.days_left,
            "inStock": supply.in_stock,
            "expected": supply.expected,
            "runsOutOn": supply.runs_out_on.isoformat() if supply.runs_out_on else None,
            "orderOn": first.order_on.isoformat() if first else None,
            "orderSeeds": first.seeds if first else None,
        },
    )


def emergence_alert(lot: LotEmergence) -> Condition | None:
    """Return what a grower should know of how a lot comes up; none: as well as others, or nobody knows. Pure."""
    row = lot.lot.lot
    if not lot.behind or row.finished_on is not None or lot.lot.remaining == 0:
        return None
    return Condition(
        kind=FAILING_ALERT,
        subject=f"seed_lot:{row.id}",
        severity="warning",
        title=f"Seed lot {row.lot_number} comes up badly",
        detail=lot.sentence,
        next_step="Sow more cells of it or another lot, test it, and tell the supplier.",
        evidence={
            "lotId": row.id,
            "cells": lot.cells,
            "emerged": lot.emerged,
            "share": lot.share,
            "low": lot.low,
            "high": lot.high,
        },
    )


async def settle_seed_alerts(uow: UnitOfWork, clock: Clock, farm_id: int) -> tuple[int, int]:
    """Make the open alerts about a farm's seed match what holds now, and return how many were opened and closed.

    Tasks to order seed are settled with them, from the same list.
    An alert is raised in the house whose sensor measures the store, else in the first that grows the cultivar. Of a
    cultivar of which no lot was ever written down, nobody is told that it runs out.
    """
    houses = [house.id for house in await houses_of(uow, farm_id)]
    if not houses:
        return 0, 0
    by_house: dict[int, list[Condition]] = {house_id: [] for house_id in houses}
    growing = await records.houses_growing(uow, farm_id)
    every = await records.lots_of_farm(uow, farm_id, finished=True)
    lots = [lot for lot in every if lot.finished_on is None]
    kept = {lot.cultivar_id for lot in every}
    if not kept:
        return _sum([await settle_alerts(uow, clock, house_id, KINDS, []) for house_id in houses])
    sensors = await records.sensors_of(uow, [x.sensor_id for x in lots if x.sensor_id is not None])
    orders: OrderList = await seed_orders(uow, clock, SYSTEM, farm_id)
    await settle_orders(uow, orders, every, growing)
    today = orders.made_on
    house_of = {
        lot.id: sensors[lot.sensor_id].house_id
        if lot.sensor_id is not None
        else growing.get(lot.cultivar_id, houses[0])
        for lot in lots
    }
    for condition in await seed_fitness.conditions(uow, clock, farm_id, lots):
        by_house[house_of[condition.lot.lot.id]] += lot_alerts(condition, today)
    for supply in orders.supplies:
        alert = supply_alert(supply, today)
        if alert is not None and supply.cultivar_id in kept:
            by_house[growing.get(supply.cultivar_id, houses[0])].append(alert)
    crops = await records.crops_of_lots(uow, lots)
    for cultivar_id, (_, crop) in crops.items():
        its = [lot for lot in every if lot.cultivar_id == cultivar_id]
        for lot in await seed_fitness.emergence(uow, its, crop):
            alert = emergence_alert(lot)
            if alert is not None:
                by_house[house_of[lot.lot.lot.id]].append(alert)
    return _sum(
        [await settle_alerts(uow, clock, house_id, KINDS, alerts) for house_id, alerts in by_house.items()]
    )


async def watch_seed(store: Store, clock: Clock) -> tuple[int, int]:
    """Settle the alerts about the seed of every farm, and return how many were opened and closed."""
    async with store.read() as uow:
        farms = await records.all_farm_ids(uow)
    settled = []
    for farm_id in farms:
        async with store.write() as uow:
            settled.append(await settle_seed_alerts(uow, clock, farm_id))
    return _sum(settled)


def _sum(settled: Iterable[tuple[int, int]]) -> tuple[int, int]:
    pairs = list(settled)
    return sum(opened for opened, _ in pairs), sum(closed for _, closed in pairs)
