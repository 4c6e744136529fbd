"""Leases of periodic work: one row a job and subject, claimed once for each time. Time of leases is the database's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from sqlalchemy import Table, and_, literal, or_, select, update

from service.records.listing import among
from service.records.sqltime import now_s
from service.records.store import UnitOfWork, upsert
from service.records.tables import House, JobLease

_lease = cast(Table, JobLease.__table__)


@dataclass(frozen=True)
class Claim:
    """A part of a job that this process does now."""

    subject_id: int
    epoch: int
    mark: str | None
    input_key: str | None


async def ensure(uow: UnitOfWork, job: str, subject_ids: Sequence[int]) -> None:
    """Have a row for each part of a job; those that are there stay as they are."""
    rows = [
        {"job": job, "subject_id": subject_id, "epoch": 0, "lease_until_s": 0.0, "done": True}
        for subject_id in subject_ids
    ]
    await upsert(uow, _lease, rows, key=("job", "subject_id"), update=())


async def ensure_houses(uow: UnitOfWork, job: str) -> None:
    """Have a row of a job for each house."""
    known = select(JobLease.subject_id).where(JobLease.job == job)
    missing = list(
        await uow.session.scalars(select(House.id).where(House.id.not_in(known)).order_by(House.id))
    )
    await ensure(uow, job, missing)


async def claim(
    uow: UnitOfWork, job: str, due_at: datetime, holder: str, lease_s: float, limit: int
) -> list[Claim]:
    """Claim parts of a job that nobody did for this time, and nobody is doing; return them by subject.

    A part whose holder's lease ran out before it was done is taken over, with the next epoch.
    """
    free = and_(
        or_(_lease.c.done, _lease.c.lease_until_s < now_s()),
        or_(
            _lease.c.due_at.is_(None),
            _lease.c.due_at < due_at,
            and_(_lease.c.due_at == due_at, ~_lease.c.done),
        ),
    )
    wanted = (
        select(_lease.c.subject_id)
        .where(_lease.c.job == job, free)
        .order_by(_lease.c.subject_id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    ids = list(await uow.session.scalars(wanted))
    if not ids:
        return []
    rows = await uow.session.execute(
        update(_lease)
        .where(_lease.c.job == job, among(uow, _lease.c.subject_id, ids), free)
        .values(
            due_at=due_at,
            holder=holder,
            epoch=_lease.c.epoch + 1,
            lease_until_s=now_s() + lease_s,
            done=False,
        )
        .returning(_lease.c.subject_id, _lease.c.epoch, _lease.c.mark, _lease.c.input_key)
    )
    return sorted((Claim(*row) for row in rows), key=lambda c: c.subject_id)


async def renew(uow: UnitOfWork, job: str, holder: str, claims: Sequence[Claim], lease_s: float) -> set[int]:
    """Hold claims on; return the subjects that are still ours."""
    rows = await uow.session.execute(
        update(_lease)
        .where(
            _lease.c.job == job,
            among(uow, _lease.c.subject_id, [c.subject_id for c in claims]),
            _lease.c.holder == holder,
            ~_lease.c.done,
        )
        .values(lease_until_s=now_s() + lease_s)
        .returning(_lease.c.subject_id, _lease.c.epoch)
    )
    epochs = {c.subject_id: c.epoch for c in claims}
    return {subject_id for subject_id, epoch in rows if epochs[subject_id] == epoch}


async def finish(
    uow: UnitOfWork,
    job: str,
    holder: str,
    claims: Sequence[Claim],
    told: Mapping[int, tuple[str, str]] | None = None,
) -> bool:
    """Say that claims are done; with ``told``, under which marks and digest. Return whether all were still ours.

    In the transaction that keeps what was done it is the fence: whoever was taken over meanwhile keeps nothing.
    """
    done = 0
    for one in claims:
        mark, key = (told or {}).get(one.subject_id, (one.mark, one.input_key))
        done += len(
            (
                await uow.session.execute(
                    update(_lease)
                    .where(
                        _lease.c.job == job,
                        _lease.c.subject_id == one.subject_id,
                        _lease.c.holder == holder,
                        _lease.c.epoch == one.epoch,
                        ~_lease.c.done,
                    )
                    .values(done=True, mark=mark, input_key=key)
                    .returning(literal(1))
                )
            ).all()
        )
    return done == len(claims)


async def finish_unchanged(uow: UnitOfWork, job: str, holder: str, claims: Sequence[Claim]) -> None:
    """Say of claims at once that there was nothing to do."""
    if claims:
        await uow.session.execute(
            update(_lease)
            .where(
                _lease.c.job == job,
                _lease.c.holder == holder,
                or_(*(and_(_lease.c.subject_id == c.subject_id, _lease.c.epoch == c.epoch) for c in claims)),
            )
            .values(done=True)
        )


async def remember(uow: UnitOfWork, job: str, subject_id: int, mark: str, key: str) -> None:
    """Keep under which marks and digest a subject was concluded outside the periodic work."""
    row = {
        "job": job,
        "subject_id": subject_id,
        "epoch": 0,
        "lease_until_s": 0.0,
        "done": True,
        "mark": mark,
        "input_key": key,
    }
    await upsert(uow, _lease, [row], key=("job", "subject_id"), update=("mark", "input_key"))


async def unfinished(uow: UnitOfWork, job: str) -> int:
    """Return how many parts of a job are claimed and not done."""
    rows = await uow.session.scalars(select(_lease.c.subject_id).where(_lease.c.job == job, ~_lease.c.done))
    return len(rows.all())
