"""Who asks of the API: the bearer of a token, or a browser in which someone has logged in."""

from __future__ import annotations

import time
from typing import Any

from litestar.connection import ASGIConnection
from litestar.exceptions import NotAuthorizedException
from litestar.middleware import AbstractAuthenticationMiddleware, AuthenticationResult
from litestar.types import ASGIApp

from service.api.answers import SEEN
from service.asker import signed_in
from service.clock import Clock
from service.records.store import Store
from service.work import access as tokens
from service.work.access import TokenFound

_CHALLENGE = 'Bearer realm="evenleaf"'


class ApiAuth(AbstractAuthenticationMiddleware):
    """Lets in whoever brings a token that works, or else has logged in.

    What a token allows is remembered as long as no process has changed any token or user, so one that is revoked is
    out at once; for some seconds at most, should an older version run beside this one, which counts no such changes.
    """

    _MOST_KNOWN = 1000
    _LONGEST_S = 10.0

    def __init__(self, app: ASGIApp, **options: Any) -> None:
        super().__init__(app, **options)
        self._known: dict[str, tuple[int, float, TokenFound]] = {}

    async def authenticate_request(self, connection: ASGIConnection) -> AuthenticationResult:  # type: ignore[type-arg]
        """Return what the request's token or session allows."""
        if "authorization" not in connection.headers:
            session = await signed_in(connection)
            if session is None:
                raise _unauthorized("Send a token (Authorization: Bearer <token>), or log in.", _CHALLENGE)
            connection.app.state.rate_limit.check(session.access)
            return AuthenticationResult(user=session.access, auth=session)
        scheme, _, secret = connection.headers["authorization"].partition(" ")
        secret = secret.strip()
        if scheme.lower() != "bearer" or not secret:
            raise _unauthorized("Send a token: Authorization: Bearer <token>.", _CHALLENGE)
        state = connection.app.state
        store: Store = state.store
        clock: Clock = state.clock
        seen = await state.freshness.look()
        connection.scope["state"][SEEN] = seen
        key = tokens.digest(secret)
        known = self._known.get(key)
        if known is not None and known[0] == seen.access and time.monotonic() - known[1] < self._LONGEST_S:
            found = tokens.still(known[2], clock)
        else:
            async with store.read() as uow:
                found = await tokens.find_token(uow, clock, secret)
            if found is not None:
                self._keep(key, seen.access, found)
        if found is None:
            raise _unauthorized(
                "The token is unknown, revoked or expired.", f'{_CHALLENGE}, error="invalid_token"'
            )
        if found.stale:
            await state.uses.note(key, lambda uow: tokens.touch_token(uow, clock, secret))
            self._known.pop(key, None)  # the next request sees whether it was noted
        connection.app.state.rate_limit.check(found.access)
        return AuthenticationResult(user=found.access, auth=secret)

    def _keep(self, key: str, access: int, found: TokenFound) -> None:
        if len(self._known) >= self._MOST_KNOWN:
            self._known.clear()
        self._known[key] = (access, time.monotonic(), found)


def _unauthorized(detail: str, challenge: str) -> NotAuthorizedException:
    return NotAuthorizedException(detail, headers={"WWW-Authenticate": challenge})
