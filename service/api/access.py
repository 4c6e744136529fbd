"""Who asks, and what they may: bearer tokens and scopes."""

from __future__ import annotations

from litestar.connection import ASGIConnection
from litestar.exceptions import NotAuthorizedException, PermissionDeniedException
from litestar.handlers import BaseRouteHandler
from litestar.middleware import AbstractAuthenticationMiddleware, AuthenticationResult

from service.records.store import Store
from service.work.access import Access, find_access


class TokenAuth(AbstractAuthenticationMiddleware):
    """Lets in whoever brings a token that is known and not revoked."""

    async def authenticate_request(self, connection: ASGIConnection) -> AuthenticationResult:  # type: ignore[type-arg]
        """Return what the request's token allows."""
        scheme, _, secret = connection.headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer" or not secret:
            raise _unauthorized("Send a token: Authorization: Bearer <token>.", 'Bearer realm="evenleaf"')
        store: Store = connection.app.state.store
        async with store.read() as uow:
            access = await find_access(uow, secret.strip())
        if access is None:
            raise _unauthorized(
                "The token is unknown or revoked.", 'Bearer realm="evenleaf", error="invalid_token"'
            )
        return AuthenticationResult(user=access, auth=secret)


def _unauthorized(detail: str, challenge: str) -> NotAuthorizedException:
    return NotAuthorizedException(detail, headers={"WWW-Authenticate": challenge})


def check_scope(connection: ASGIConnection, handler: BaseRouteHandler) -> None:  # type: ignore[type-arg]
    """Guard an operation: reading takes ``read``, changing ``write``, or what it names as its ``scope``."""
    scope: str = handler.opt.get("scope") or ("read" if connection.scope.get("method") == "GET" else "write")
    access: Access = connection.user
    if not access.may(scope):
        raise PermissionDeniedException(f"This takes the scope {scope}; the token has {_said(access)}.")


def _said(access: Access) -> str:
    return ", ".join(sorted(access.scopes)) or "none"
