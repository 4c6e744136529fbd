"""Tokens: made, found by their secret only, limited, revoked."""

from __future__ import annotations

import re

import pytest

from service.clock import FixedClock
from service.records.store import Store
from service.work.access import (
    SYSTEM,
    Access,
    create_token,
    find_access,
    first_token,
    list_tokens,
    require,
    revoke_token,
)
from service.work.errors import Impossible, NotAllowed, NotFound
from tests.work.conftest import Place
from tests.work.refusals import refused


async def test_a_token_lets_in_until_it_is_revoked(store: Store, clock: FixedClock, place: Place) -> None:
    async with store.write() as uow:
        token, secret = await create_token(uow, clock, SYSTEM, "tablet", ["write"], place.farm.id)
    assert re.fullmatch(r"evl_[A-Za-z0-9_-]{43}", secret)
    assert secret not in repr(token)
    async with store.read() as uow:
        assert await find_access(uow, clock, secret) == Access("tablet", frozenset({"write"}), place.farm.id)
        for wrong in ("", secret[:-1], secret + "a", token.secret_hash, "evl_\ud800"):
            assert await find_access(uow, clock, wrong) is None
    async with store.write() as uow:
        assert (await revoke_token(uow, clock, SYSTEM, token.id)).revoked_at == clock.now()
        assert (await revoke_token(uow, clock, SYSTEM, token.id)).revoked_at == clock.now()
    async with store.read() as uow:
        assert await find_access(uow, clock, secret) is None


@pytest.mark.parametrize(
    ("scopes", "allowed"),
    [
        ({"read"}, {"read"}),
        ({"record"}, {"record"}),
        ({"write"}, {"read", "record", "write"}),
        ({"ingest"}, {"ingest"}),
        ({"admin"}, {"read", "record", "write", "ingest", "admin"}),
    ],
)
def test_scopes_allow_what_lies_below_them(scopes: set[str], allowed: set[str]) -> None:
    access = Access("someone", frozenset(scopes), None)
    assert {scope for scope in ("read", "record", "write", "ingest", "admin") if access.may(scope)} == allowed


def test_an_access_knows_its_own_farm_only() -> None:
    require(SYSTEM, 7)
    require(Access("grower", frozenset({"read"}), 7), 7)
    for farm_id in (8, None):
        with refused(NotFound):
            require(Access("grower", frozenset({"read"}), 7), farm_id)


async def test_the_first_token_is_given_once(store: Store, clock: FixedClock) -> None:
    async with store.write() as uow:
        secret = await first_token(uow, clock)
        assert secret is not None
        access = await find_access(uow, clock, secret)
        assert access is not None
        assert access.may("admin")
        assert access.farm_id is None
        rows, _ = await list_tokens(uow, SYSTEM)
        await revoke_token(uow, clock, SYSTEM, rows[0].id)
    async with store.write() as uow:
        assert await first_token(uow, clock) is None


async def test_nobody_gives_more_than_they_have(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    owner = Access("owner", frozenset({"admin"}), place.farm.id)
    writer = Access("writer", frozenset({"write"}), None)
    async with store.write() as uow:
        with refused(NotAllowed, "farm_id"):
            await create_token(uow, clock, owner, "all", ["read"], None)
        with refused(Impossible, "farm_id"):
            await create_token(uow, clock, owner, "theirs", ["read"], other_place.farm.id)
        with refused(NotAllowed, "scopes"):
            await create_token(uow, clock, writer, "more", ["read", "admin"], None)
        with refused(Impossible, "scopes"):
            await create_token(uow, clock, SYSTEM, "none", [], None)
        with refused(Impossible, "scopes"):
            await create_token(uow, clock, SYSTEM, "odd", ["root"], None)
        with refused(Impossible, "name"):
            await create_token(uow, clock, SYSTEM, " ", ["read"], None)
        with refused(Impossible, "farm_id"):
            await create_token(uow, clock, SYSTEM, "nowhere", ["read"], 999)
        mine, _ = await create_token(uow, clock, owner, "mine", ["read", "ingest"], place.farm.id)
        theirs, _ = await create_token(uow, clock, SYSTEM, "theirs", ["read"], other_place.farm.id)
        everywhere, _ = await create_token(uow, clock, SYSTEM, "all", ["read"], None)
        assert [row.id for row in (await list_tokens(uow, owner))[0]] == [mine.id]
        for hidden in (theirs, everywhere):
            with refused(NotFound):
                await revoke_token(uow, clock, owner, hidden.id)
        with refused(NotFound):
            await revoke_token(uow, clock, SYSTEM, 999)
