"""Requests that change something: the change, its answer's copy and its line of the audit trail are one transaction.

The operation's transaction is opened when the operation asks for it and committed when its answer is known and
before the answer is sent; an answer of 400 or more leaves nothing behind. So a connection that is lost in the
middle leaves all or nothing, and with an ``Idempotency-Key`` the client finds out which by sending again.
"""

from __future__ import annotations

import contextlib
import json
import logging
from collections.abc import AsyncIterator
from contextlib import AbstractAsyncContextManager
from datetime import datetime
from typing import Any, cast

from litestar import Request
from litestar.datastructures import Headers, State
from litestar.enums import ScopeType
from litestar.middleware import ASGIMiddleware
from litestar.types import ASGIApp, HTTPReceiveMessage, HTTPScope, Message, Receive, Scope, Send
from litestar.utils.scope.state import ScopeState

from service.clock import Clock
from service.records.store import Store, UnitOfWork
from service.work import audit, idempotency
from service.work.access import Access
from service.work.audit import Done, Touched
from service.work.idempotency import Answered, Asked

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
REPLAYED = "Idempotency-Replayed"
_KEY = "idempotency-key"
_STATE = "evenleaf_change"
_log = logging.getLogger(__name__)


class _Refused(Exception):  # noqa: N818
    """Thrown into a transaction to take it back."""


class Change:
    """What a request changes, from its first statement to its answer."""

    def __init__(self, store: Store, clock: Clock, asked: Asked | None) -> None:
        self._store = store
        self._clock = clock
        self._asked = asked
        self._opened: AbstractAsyncContextManager[UnitOfWork] | None = None
        self._uow: UnitOfWork | None = None
        self._touched: Touched | None = None
        self._claimed_at: datetime | None = None

    async def open(self) -> UnitOfWork:
        """Return the operation's transaction; the key, if there is one, is taken in it."""
        if self._uow is None:
            self._opened = self._store.write()
            self._uow = await self._opened.__aenter__()
            self._touched = audit.watch(self._uow)
            if self._asked is not None and self._claimed_at is None:
                await idempotency.claim(self._uow, self._clock, self._asked)
        return self._uow

    async def claim(self) -> None:
        """Take the key beforehand, for an operation that takes transactions of its own."""
        if self._asked is not None:
            async with self._store.write() as uow:
                self._claimed_at = await idempotency.claim(uow, self._clock, self._asked)

    async def keep(self, access: Access | None, done: Done, answered: Answered) -> None:
        """Keep the change, its trail and its answer, together."""
        uow = await self.open()
        await audit.record(uow, self._clock, access, done, self._touched)
        if self._asked is not None:
            await idempotency.answer(uow, self._asked, _without_secret(answered))
        opened, self._opened = self._opened, None
        assert opened is not None  # noqa: S101 - open() has just seen to it
        await opened.__aexit__(None, None, None)

    async def drop(self) -> None:
        """Take back what is not kept; after :meth:`keep`, nothing."""
        opened, self._opened = self._opened, None
        if opened is not None:
            with contextlib.suppress(_Refused):
                await opened.__aexit__(_Refused, _Refused(), None)
        claimed_at, self._claimed_at = self._claimed_at, None
        if claimed_at is not None and self._asked is not None:
            async with self._store.write() as uow:
                await idempotency.give_up(uow, self._asked, claimed_at)


class Changing(ASGIMiddleware):
    """Makes a request's change, its answer and its trail one; answers again what was answered before.

    An operation whose ``opt`` says ``own_transactions`` takes its own, or none: its key is claimed before and its
    trail follows. ``changes_nothing`` leaves no trail.
    """

    scopes = (ScopeType.HTTP,)

    async def handle(self, scope: Scope, receive: Receive, send: Send, next_app: ASGIApp) -> None:
        """Run the operation, keep what it did, and only then send its answer."""
        scope = cast("HTTPScope", scope)
        if scope["method"] in SAFE:
            await next_app(scope, receive, send)
            return
        state = scope["litestar_app"].state
        access = cast("Access | None", scope["user"])
        handler = scope["route_handler"]
        asked = None
        key = Headers.from_scope(scope).get(_KEY) if scope["method"] == "POST" else None
        if key is not None and access is not None:
            body, receive = await _read(receive)
            query = scope["query_string"].decode("latin-1")
            asked = idempotency.asked(access.identity, key, f"POST {scope['path']}?{query}", body)
            async with state.store.read() as uow:
                before = await idempotency.find_answer(uow, state.clock, asked)
            if before is not None:
                await _send(send, before, ((REPLAYED, "true"),))
                return
        change = Change(state.store, state.clock, asked)
        scope["state"][_STATE] = change
        messages: list[Message] = []

        async def collect(message: Message) -> None:
            messages.append(message)

        try:
            if handler.opt.get("own_transactions"):
                await change.claim()
            await next_app(scope, receive, collect)
            answered = _answered(messages)
            if answered.status < 400 and not (handler.opt.get("changes_nothing") and asked is None):
                done = Done(
                    getattr(handler, "operation_id", None) or handler.handler_name,
                    scope["method"],
                    scope["path"],
                    dict(scope["path_params"]),
                    answered.status,
                )
                await change.keep(access, done, answered)
        except BaseException:
            # Nothing was sent: the handlers outside may still answer that it failed.
            ScopeState.from_scope(scope).response_started = False
            raise
        finally:
            await change.drop()
        for message in messages:
            await send(message)


async def provide_uow(request: Request[Any, Any, State], state: State) -> AsyncIterator[UnitOfWork]:
    """Open the operation's transaction; it is committed after the operation and before its answer is sent."""
    if request.method in SAFE:
        store: Store = state.store
        async with store.read() as uow:
            yield uow
    else:
        change: Change = request.scope["state"][_STATE]
        yield await change.open()


async def transaction(request: Request[Any, Any, State]) -> UnitOfWork:
    """Return the transaction of a request that changes something, for operations that open it themselves."""
    change: Change = request.scope["state"][_STATE]
    return await change.open()


async def _read(receive: Receive) -> tuple[bytes, Receive]:
    """Return the whole body, and something that gives it again."""
    parts: list[bytes] = []
    more = True
    while more:
        message = await receive()
        if message["type"] != "http.request":
            break
        parts.append(message["body"])
        more = message["more_body"]
    body = b"".join(parts)
    given = False

    async def again() -> HTTPReceiveMessage:
        nonlocal given
        if given:
            return cast("HTTPReceiveMessage", await receive())
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return body, again


def _answered(messages: list[Message]) -> Answered:
    start = messages[0]
    assert start["type"] == "http.response.start"  # noqa: S101 - every answer begins so
    headers = [(name.decode("latin-1"), value.decode("latin-1")) for name, value in start["headers"]]
    kept = [(name, value) for name, value in headers if name.lower() != "set-cookie"]
    body = b"".join(m["body"] for m in messages[1:] if m["type"] == "http.response.body")
    return Answered(start["status"], kept, body)


def _without_secret(answered: Answered) -> Answered:
    """Return what may be kept of an answer: of one that must not be stored, only that it was given."""
    if ("cache-control", "no-store") not in {(name.lower(), value) for name, value in answered.headers}:
        return answered
    problem = {
        "title": "Conflict",
        "status": 409,
        "type": "about:blank",
        "detail": "It was made the first time. Its secret was in that answer and is not shown again; revoke it and"
        " make another.",
    }
    return Answered(409, [("content-type", "application/problem+json")], json.dumps(problem).encode())


async def _send(send: Send, answered: Answered, more: tuple[tuple[str, str], ...]) -> None:
    headers = [(n.lower().encode("latin-1"), v.encode("latin-1")) for n, v in (*answered.headers, *more)]
    await send({"type": "http.response.start", "status": answered.status, "headers": headers})
    await send({"type": "http.response.body", "body": answered.body, "more_body": False})
