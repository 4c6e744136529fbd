"""Moments come back from both databases as they went in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import select
from sqlalchemy.exc import StatementError

from service.records.store import Store
from service.records.tables import Farm

INDIA = timezone(timedelta(hours=5, minutes=30))


async def stored_and_read(store: Store, moment: datetime) -> datetime:
    async with store.write() as uow:
        farm = Farm(name="A", created_at=moment)
        uow.session.add(farm)
        await uow.flush()
        number = farm.id
    async with store.read() as uow:
        read = await uow.session.scalar(select(Farm.created_at).where(Farm.id == number))
    assert read is not None
    return read


@pytest.mark.parametrize(
    "moment",
    [
        datetime(2026, 9, 14, 6, tzinfo=UTC),
        datetime(2026, 9, 14, 11, 30, tzinfo=INDIA),
        datetime(2026, 9, 14, 6, 0, 0, 1, tzinfo=UTC),
        datetime(1969, 12, 31, 23, 59, 59, 999999, tzinfo=UTC),
        datetime(1900, 1, 1, tzinfo=UTC),
        datetime(2261, 12, 31, 23, 59, 59, 999999, tzinfo=UTC),
    ],
    ids=str,
)
async def test_moment_comes_back_the_same_in_utc(store: Store, moment: datetime) -> None:
    read = await stored_and_read(store, moment)
    assert read == moment
    assert read.tzinfo is UTC


async def test_naive_moment_is_refused(store: Store) -> None:
    with pytest.raises(StatementError, match="without an offset"):
        await stored_and_read(store, datetime(2026, 9, 14, 6))  # noqa: DTZ001


async def test_moments_compare_across_offsets(store: Store) -> None:
    moments = [datetime(2026, 9, 14, hour, tzinfo=INDIA) for hour in (3, 4, 5)]
    async with store.write() as uow:
        uow.session.add_all(Farm(name=str(n), created_at=at) for n, at in enumerate(moments))
    async with store.read() as uow:
        query = (
            select(Farm.name).where(Farm.created_at > moments[0].astimezone(UTC)).order_by(Farm.created_at)
        )
        assert list(await uow.session.scalars(query)) == ["1", "2"]
