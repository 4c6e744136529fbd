"""Finding a batch by what stands on its label."""

from __future__ import annotations

from datetime import date

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.work.access import SYSTEM, Access
from service.work.finding import find_batches
from tests.work.conftest import Place
from tests.work.test_line import seed


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("N1-BUT-1", ["N1-BUT-1"]),
        (" n1-but-1 ", ["N1-BUT-1"]),
        ("n1-b", ["N1-BUT-10", "N1-BUT-1"]),
        ("N1_BUT", []),
        ("%", []),
        ("", []),
        ("x" * 61, []),
        ("N1\x00", []),
    ],
)
async def test_a_code_or_its_beginning(
    store: Store, clock: FixedClock, place: Place, typed: str, found: list[str]
) -> None:
    for code in ("N1-BUT-1", "N1-BUT-10", "S9"):
        await seed(store, clock, place, code, date(2026, 9, 1))
    async with store.read() as uow:
        assert [b.code for b in await find_batches(uow, SYSTEM, typed)] == found
        stranger = Access("stranger", frozenset({"read"}), place.farm.id + 1)
        assert await find_batches(uow, stranger, typed) == []
