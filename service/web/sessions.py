"""Who has logged in, for the grower's pages.

Handlers of pages find who asks as ``request.user``, an :class:`~service.work.access.Access`. A form that changes
something carries :func:`current_csrf` as ``csrf``. Reading takes the scope ``read`` and changing ``write``, or what
the handler names, for example ``opt={"scope": "record"}`` where the crew may; ``"any"``: whoever has logged in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote, urlsplit

from litestar import Request, Response, Router
from litestar.connection import ASGIConnection
from litestar.di import Provide
from litestar.exceptions import HTTPException
from litestar.handlers import BaseRouteHandler
from litestar.middleware import AbstractAuthenticationMiddleware, AuthenticationResult, DefineMiddleware
from litestar.response import Redirect
from litestar.types import ControllerRouterHandler, ExceptionHandlersMap

from service.asker import check_csrf, check_scope, provide_access, provide_clock, signed_in
from service.changes import SAFE, Changing, provide_uow
from service.work.sessions import SignedIn

LOGIN = "/login"
HOME = "/"
_HEADERS = {
    "cache-control": "no-store",  # what one user saw is not shown to the next on the same machine
    # Nothing of a page may come from, or go to, another host; nothing in it may run but our own files.
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self';"
        " manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}


class LoginNeeded(HTTPException):
    """Nobody has logged in; the browser is sent to do so."""

    status_code = 401

    def __init__(self, wanted: str) -> None:
        super().__init__("Log in first.")
        self.wanted = wanted


class PageAuth(AbstractAuthenticationMiddleware):
    """Finds who has logged in; ``request.user`` is None if nobody has."""

    async def authenticate_request(self, connection: ASGIConnection) -> AuthenticationResult:  # type: ignore[type-arg]
        """Return what the session of the request's cookie allows."""
        session = await signed_in(connection)
        return AuthenticationResult(user=session.access if session else None, auth=session)


def require_session(connection: ASGIConnection[Any, Any, Any, Any], _handler: BaseRouteHandler) -> None:
    """Guard a page: send whoever has not logged in to do so, and back again."""
    if connection.auth is None:
        url = connection.url
        wanted = url.path + (f"?{url.query}" if url.query else "")
        raise LoginNeeded(wanted if connection.scope.get("method") in SAFE else HOME)


def current_csrf(request: Request[Any, Any, Any]) -> str:
    """Return the token that forms of this session carry as ``csrf``, and scripts as ``X-CSRF-Token``."""
    session = request.auth
    return session.csrf if isinstance(session, SignedIn) else ""


def local_path(wanted: str | None) -> str:
    """Return a path of ours to go to; what is none, or might lead to another site, is the first page."""
    if not wanted or not wanted.startswith("/") or wanted.startswith("//") or not wanted.isprintable():
        return HOME
    if "\\" in wanted or " " in wanted:  # browsers read a backslash as a slash
        return HOME
    try:
        parts = urlsplit(wanted)
    except ValueError:
        return HOME
    return HOME if parts.scheme or parts.netloc else wanted


def secure(response: Response[Any]) -> Response[Any]:
    """Add what pages for people who have logged in need; a page that says otherwise is left so."""
    said = {name.lower() for name in response.headers}
    response.headers.update({name: value for name, value in _HEADERS.items() if name not in said})
    return response


def to_login(_request: Request[Any, Any, Any], error: LoginNeeded) -> Response[Any]:
    """Send the browser to log in."""
    return secure(Redirect(f"{LOGIN}?next={quote(error.wanted, safe='/')}", status_code=303))


def pages_router(
    path: str,
    handlers: Sequence[ControllerRouterHandler],
    exception_handlers: ExceptionHandlersMap | None = None,
) -> Router:
    """Return a router of pages for those who have logged in."""
    return Router(
        path,
        route_handlers=handlers,
        middleware=[DefineMiddleware(PageAuth), Changing()],
        guards=[require_session, check_csrf, check_scope],
        dependencies={
            "uow": Provide(provide_uow),
            "access": Provide(provide_access),
            "clock": Provide(provide_clock),
        },
        exception_handlers={LoginNeeded: to_login, **(exception_handlers or {})},
        after_request=secure,
        include_in_schema=False,
    )
