"""Tasks to order seed that nobody has to ask for: on the list two weeks ahead of their day, and kept true.

They follow the order list with the usual terms of :mod:`service.work.seed_orders`. Of a cultivar that an accepted list
has open tasks of, that list decides; of one of which no lot was ever written down, nobody is told. Writing down the
lot that was ordered, or that came, ticks a task off (:mod:`service.work.ticking`); the next order is another task.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import timedelta

from service.clock import Clock
from service.records import seed_stock as records
from service.records.places import houses_of
from service.records.store import UnitOfWork
from service.records.tables import SeedLot
from service.work.access import SYSTEM, Access
from service.work.places import get_house
from service.work.seed_orders import OrderList, seed_orders, task_note, task_title
from service.work.tasks import ORDER_SUBJECT, of_seed_list
from service.work.work_list import AHEAD_DAYS, Proposal, Proposed, propose_work, settle_proposals


def of_orders(
    wanted: OrderList, last_lots: Mapping[int, int], listed: Collection[int]
) -> dict[int, Proposal]:
    """Return the task to order of each cultivar that has one. Pure.

    Parameters
    ----------
    wanted
        What to order when.
    last_lots
        By cultivar, the id of the lot that was written down last.
    listed
        Cultivars of which an accepted list has open tasks.
    """
    found = {}
    for supply in wanted.supplies:
        cultivar_id = supply.cultivar_id
        if not supply.orders or cultivar_id not in last_lots or cultivar_id in listed:
            continue
        first = supply.orders[0]
        if first.order_on > wanted.made_on + timedelta(days=AHEAD_DAYS):
            continue
        found[cultivar_id] = Proposal(
            # What is ordered after a lot was written down is another order.
            subject=f"{ORDER_SUBJECT}{cultivar_id}:{last_lots[cultivar_id]}",
            kind="order",
            # The day on which it should have gone out: one that is put off must not look new every day.
            due_on=first.order_on - timedelta(days=max(0, first.days_late)),
            title=task_title(supply, first.order_on),
            note=task_note(supply),
        )
    return found


async def settle_orders(
    uow: UnitOfWork, wanted: OrderList, lots: Sequence[SeedLot], growing: Mapping[int, int]
) -> dict[int, Proposed]:
    """Make the automatic tasks to order seed of a farm match what is to be ordered; return by house what changed.

    ``lots`` are all that were ever written down, ``growing`` the first house that grows each cultivar.
    """
    houses = [house.id for house in await houses_of(uow, wanted.farm_id)]
    last_lots: dict[int, int] = {}
    for lot in lots:
        last_lots[lot.cultivar_id] = max(lot.id, last_lots.get(lot.cultivar_id, 0))
    listed = of_seed_list(await records.open_order_tasks(uow, houses))
    by_house: dict[int, dict[str, Proposal]] = {house_id: {} for house_id in houses}
    for cultivar_id, proposal in of_orders(wanted, last_lots, set(listed.values())).items():
        by_house[growing.get(cultivar_id, houses[0])][proposal.subject] = proposal
    return {
        house_id: await settle_proposals(uow, house_id, proposals, orders=True)
        for house_id, proposals in by_house.items()
    }


async def propose_all_work(uow: UnitOfWork, clock: Clock, access: Access, house_id: int) -> Proposed:
    """Put on a house's list what it calls for, and what seed its farm is to order.

    See :func:`service.work.work_list.propose_work`; counted is what changed in this house.
    """
    farm_id = (await get_house(uow, access, house_id)).farm_id
    found = await propose_work(uow, clock, access, house_id)
    lots = await records.lots_of_farm(uow, farm_id, finished=True)
    orders = Proposed(0, 0, 0)
    if lots:
        wanted = await seed_orders(uow, clock, SYSTEM, farm_id)
        orders = (await settle_orders(uow, wanted, lots, await records.houses_growing(uow, farm_id)))[
            house_id
        ]
    return Proposed(
        found.created + orders.created, found.moved + orders.moved, found.withdrawn + orders.withdrawn
    )
