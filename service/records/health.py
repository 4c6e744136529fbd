"""Whether the database answers, and how things stand in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select, text

from service.records.store import UnitOfWork
from service.records.tables import Alert, DeadLetter, Forecast, Hour, House, JobLease, TouchedHour, Zone


@dataclass(frozen=True)
class Standing:
    """A few figures by which one sees whether all goes on."""

    houses: int
    touched_hours: int
    dead_letters: int
    unfinished_houses: int
    open_alerts: int
    newest_hour: datetime | None
    newest_forecast: datetime | None


async def answers(uow: UnitOfWork) -> None:
    """Ask the database for nothing but an answer; raises if there is none."""
    await uow.session.execute(text("SELECT 1"))


async def schema(uow: UnitOfWork) -> str | None:
    """Return the schema's revision."""
    return (await uow.session.execute(text("SELECT version_num FROM alembic_version"))).scalar_one_or_none()


async def standing(uow: UnitOfWork) -> Standing:
    """Return how things stand, from indexes and small tables."""
    session = uow.session
    # The newest hour of each zone is one step down the key; of all hours at once it would be a walk through them.
    newest = select(func.max(Hour.at)).where(Hour.zone_id == Zone.id).correlate(Zone).scalar_subquery()
    # A zone without hours has none, whatever the column's type says.
    found: list[datetime] = list(filter(None, await session.scalars(select(newest).select_from(Zone))))
    last = select(Forecast.made_at).order_by(Forecast.id.desc()).limit(1)
    return Standing(
        houses=int(await session.scalar(select(func.count(House.id))) or 0),
        touched_hours=int(await session.scalar(select(func.count()).select_from(TouchedHour)) or 0),
        dead_letters=int(await session.scalar(select(func.count(DeadLetter.id))) or 0),
        unfinished_houses=int(
            await session.scalar(select(func.count()).select_from(JobLease).where(~JobLease.done)) or 0
        ),
        open_alerts=int(
            await session.scalar(select(func.count(Alert.id)).where(Alert.closed_at.is_(None))) or 0
        ),
        newest_hour=max(found, default=None),
        newest_forecast=await session.scalar(last),
    )
