"""Slots of the ingest: which process holds which, for how long. Time is the database's, so clocks need not agree."""

from __future__ import annotations

from typing import cast

from sqlalchemy import Table, delete, func, or_, select, update

from service.records.sqltime import now_s
from service.records.store import UnitOfWork, upsert
from service.records.tables import IngestSlot

_slot = cast(Table, IngestSlot.__table__)


async def ensure_slots(uow: UnitOfWork, slots: int) -> None:
    """Have a row for each slot; those that are there stay as they are."""
    rows = [
        {"slot": number, "holder": None, "epoch": 0, "lease_until_s": 0.0, "wanted_until_s": 0.0}
        for number in range(slots)
    ]
    await upsert(uow, _slot, rows, key=("slot",), update=())


async def take_free_slot(uow: UnitOfWork, holder: str, lease_s: float) -> tuple[int, int] | None:
    """Take a slot that nobody holds, or whose lease ran out; return ``(slot, epoch)``, None if there is none."""
    free = or_(_slot.c.holder.is_(None), _slot.c.lease_until_s < now_s())
    found = await uow.session.scalar(
        select(_slot.c.slot).where(free).order_by(_slot.c.slot).limit(1).with_for_update(skip_locked=True)
    )
    if found is None:
        return None
    row = (
        await uow.session.execute(
            update(_slot)
            .where(_slot.c.slot == found, free)
            .values(
                holder=holder,
                epoch=_slot.c.epoch + 1,
                lease_until_s=now_s() + lease_s,
                wanted_until_s=0.0,
            )
            .returning(_slot.c.epoch)
        )
    ).one_or_none()
    return None if row is None else (int(found), int(row[0]))


async def renew_slot(uow: UnitOfWork, slot: int, holder: str, epoch: int, lease_s: float) -> bool | None:
    """Hold a slot on; return whether another process wants it, None if it is not ours any more."""
    row = (
        await uow.session.execute(
            update(_slot)
            .where(_slot.c.slot == slot, _slot.c.holder == holder, _slot.c.epoch == epoch)
            .values(lease_until_s=now_s() + lease_s)
            .returning(_slot.c.wanted_until_s > now_s())
        )
    ).one_or_none()
    return None if row is None else bool(row[0])


async def release_slot(uow: UnitOfWork, slot: int, holder: str, epoch: int) -> None:
    """Give a slot back, if it is still ours."""
    await uow.session.execute(
        update(_slot)
        .where(_slot.c.slot == slot, _slot.c.holder == holder, _slot.c.epoch == epoch)
        .values(holder=None, lease_until_s=0.0, wanted_until_s=0.0)
    )


async def want_slot(uow: UnitOfWork, patience_s: float) -> bool:
    """Ask a process that holds several slots for one of them; return whether there is any."""
    several = select(_slot.c.holder).group_by(_slot.c.holder).having(func.count() > 1)
    found = await uow.session.scalar(
        select(_slot.c.slot).where(_slot.c.holder.in_(several)).order_by(_slot.c.slot.desc()).limit(1)
    )
    if found is None:
        return False
    await uow.session.execute(
        update(_slot).where(_slot.c.slot == found).values(wanted_until_s=now_s() + patience_s)
    )
    return True


async def drop_slot(uow: UnitOfWork, slot: int, holder: str, epoch: int) -> None:
    """Remove a slot that was drained, if it is still ours."""
    await uow.session.execute(
        delete(_slot).where(_slot.c.slot == slot, _slot.c.holder == holder, _slot.c.epoch == epoch)
    )


async def forget_free_slot(uow: UnitOfWork, slot: int) -> None:
    """Remove a slot, unless it is held."""
    await uow.session.execute(
        delete(_slot).where(
            _slot.c.slot == slot, or_(_slot.c.holder.is_(None), _slot.c.lease_until_s < now_s())
        )
    )


async def any_free(uow: UnitOfWork) -> bool:
    """Return whether there is a slot that nobody holds, or whose lease ran out."""
    free = or_(_slot.c.holder.is_(None), _slot.c.lease_until_s < now_s())
    return await uow.session.scalar(select(_slot.c.slot).where(free).limit(1)) is not None


async def slot_rows(uow: UnitOfWork) -> list[IngestSlot]:
    """Return all slots in order."""
    return list(await uow.session.scalars(select(IngestSlot).order_by(IngestSlot.slot)))
