"""The outbox is looked through every second: that costs no more when a month of sent notices lies in it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import event, insert, text

from service.clock import FixedClock
from service.records import notices
from service.records.store import Store, UnitOfWork
from service.records.tables import Farm, Notice, Receiver

SENT, WAITING = 4000, 3


@pytest.fixture
async def outbox(store: Store, clock: FixedClock) -> Store:
    """Have an outbox in which most was sent."""
    now = clock.now()
    async with store.write() as uow:
        farm = Farm(name="Alder Farm", created_at=now)
        uow.session.add(farm)
        await uow.flush()
        receiver = Receiver(
            farm_id=farm.id, kind="mqtt", name="Broker", target="out", created_at=now, time_zone="UTC"
        )
        uow.session.add(receiver)
        await uow.flush()
        rows = [
            {
                "receiver_id": receiver.id,
                "event_id": str(n),
                "type": "evenleaf.retained",
                "source": "/farms/1",
                "subject": f"out/{n}",
                "created_at": now,
                "due_at": now - timedelta(minutes=1),
                "expires_at": now + timedelta(days=1),
                "data": {"n": n},
                "state": "waiting" if n < WAITING else "sent",
                "attempts": 0,
            }
            for n in range(SENT + WAITING)
        ]
        await uow.session.execute(insert(Notice.__table__), rows)  # type: ignore[arg-type]
    if store.dialect == "postgresql":  # which does so by itself after a while; SQLite goes without
        async with store.write() as uow:
            await uow.session.execute(text("ANALYZE notice"))
    return store


@contextmanager
def noted(store: Store) -> Iterator[list[tuple[str, Any]]]:
    """Note the statements that are run, with their parameters."""
    found: list[tuple[str, Any]] = []

    def note(_c: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        found.append((statement, parameters))

    event.listen(store.engine.sync_engine, "before_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(store.engine.sync_engine, "before_cursor_execute", note)


async def plan(uow: UnitOfWork, statement: str, parameters: Any) -> str:
    """Return how the database goes about a statement."""
    explain = "EXPLAIN" if uow.dialect == "postgresql" else "EXPLAIN QUERY PLAN"
    connection = await uow.session.connection()
    rows = (await connection.exec_driver_sql(f"{explain} {statement}", parameters)).all()
    return "\n".join(str(row[-1]) for row in rows)


async def test_looking_for_what_is_due_reads_only_what_waits(outbox: Store, clock: FixedClock) -> None:
    now = clock.now()
    async with outbox.write() as uow:
        with noted(outbox) as statements:
            assert await notices.anything_due(uow, now)
            claimed = await notices.claim_due(uow, now, "a", now + timedelta(minutes=1), 20)
        assert [notice.subject for notice, _ in claimed] == ["out/0"]
        looks = [one for one in statements if one[0].startswith("SELECT notice.id")][:2]
        assert "LIMIT" in looks[0][0]
        assert "row_number" in looks[1][0]
        for look in looks:
            how = await plan(uow, *look)
            assert "ix_notice_waiting" in how
            # All else is found by its key.
            for step in how.splitlines():
                assert "Seq Scan on notice" not in step
                assert not re.match(r"SCAN notice(?!.*ix_notice_waiting)", step)
