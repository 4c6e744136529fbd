"""Who asks of the API: the bearer of a token, or a browser in which someone has logged in."""

from __future__ import annotations

from litestar.connection import ASGIConnection
from litestar.exceptions import NotAuthorizedException
from litestar.middleware import AbstractAuthenticationMiddleware, AuthenticationResult

from service.asker import signed_in
from service.clock import Clock
from service.records.store import Store
from service.work import access as tokens

_CHALLENGE = 'Bearer realm="evenleaf"'


class ApiAuth(AbstractAuthenticationMiddleware):
    """Lets in whoever brings a token that works, or else has logged in."""

    async def authenticate_request(self, connection: ASGIConnection) -> AuthenticationResult:  # type: ignore[type-arg]
        """Return what the request's token or session allows."""
        if "authorization" not in connection.headers:
            session = await signed_in(connection)
            if session is None:
                raise _unauthorized("Send a token (Authorization: Bearer <token>), or log in.", _CHALLENGE)
            return AuthenticationResult(user=session.access, auth=session)
        scheme, _, secret = connection.headers["authorization"].partition(" ")
        secret = secret.strip()
        if scheme.lower() != "bearer" or not secret:
            raise _unauthorized("Send a token: Authorization: Bearer <token>.", _CHALLENGE)
        store: Store = connection.app.state.store
        clock: Clock = connection.app.state.clock
        async with store.read() as uow:
            found = await tokens.find_token(uow, clock, secret)
        if found is None:
            raise _unauthorized(
                "The token is unknown, revoked or expired.", f'{_CHALLENGE}, error="invalid_token"'
            )
        if found.stale:
            async with store.write() as uow:
                await tokens.touch_token(uow, clock, secret)
        return AuthenticationResult(user=found.access, auth=secret)


def _unauthorized(detail: str, challenge: str) -> NotAuthorizedException:
    return NotAuthorizedException(detail, headers={"WWW-Authenticate": challenge})
