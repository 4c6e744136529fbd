"""Who asks over HTTP: what the API and the grower's pages share.

A program brings a token (``Authorization: Bearer``), a browser the cookie of its session. What is sent with a
cookie may have been made by another site, so a change then takes proof that it comes from a page of ours: the
browser's own word for where it comes from, and a token that only our pages know (``X-CSRF-Token``, or the form
field ``csrf``).
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

from litestar import Request, Response
from litestar.connection import ASGIConnection
from litestar.datastructures import State
from litestar.exceptions import PermissionDeniedException
from litestar.handlers import BaseRouteHandler

from service.changes import SAFE
from service.clock import Clock
from service.records.store import Store
from service.settings import Settings
from service.work import sessions
from service.work.access import Access
from service.work.sessions import Lifetimes, SignedIn

CSRF_HEADER = "X-CSRF-Token"
CSRF_FIELD = "csrf"
_COOKIE = "evenleaf_session"
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")

# --------------------------------------------------------------------------- the session's cookie


def cookie_name(connection: ASGIConnection[Any, Any, Any, Any]) -> str:
    """Return the name of the session's cookie: with a prefix that binds it to this host where there is HTTPS."""
    return f"__Host-{_COOKIE}" if _is_https(connection) else _COOKIE


def _is_https(connection: ASGIConnection[Any, Any, Any, Any]) -> bool:
    return connection.scope["scheme"] == "https"


def give_cookie(connection: ASGIConnection[Any, Any, Any, Any], response: Response[Any], secret: str) -> None:
    """Have the browser keep a session's secret, where no script can read it."""
    response.set_cookie(
        cookie_name(connection),
        secret,
        path="/",
        max_age=int(lifetimes(connection.app.state.settings).whole.total_seconds()),
        secure=_is_https(connection),
        httponly=True,
        samesite="lax",
    )


def take_cookie(connection: ASGIConnection[Any, Any, Any, Any], response: Response[Any]) -> None:
    """Have the browser forget its session's secret."""
    response.set_cookie(
        cookie_name(connection),
        "",
        path="/",
        max_age=0,
        secure=_is_https(connection),
        httponly=True,
        samesite="lax",
    )


def lifetimes(settings: Settings) -> Lifetimes:
    """Return how long sessions last, as set."""
    return Lifetimes(timedelta(days=settings.session_idle_days), timedelta(days=settings.session_days))


async def signed_in(connection: ASGIConnection[Any, Any, Any, Any]) -> SignedIn | None:
    """Return who has logged in with this browser, or None if nobody has."""
    secret = connection.cookies.get(cookie_name(connection))
    if not secret:
        return None
    state = connection.app.state
    store: Store = state.store
    clock: Clock = state.clock
    async with store.read() as uow:
        found = await sessions.find_session(uow, clock, secret, lifetimes(state.settings))
    if found is not None and found.stale:
        session_id = found.session_id
        await state.uses.note(f"session:{session_id}", lambda uow: sessions.touch(uow, clock, session_id))
    return found


# --------------------------------------------------------------------------- guards


def check_scope(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """Guard an operation: reading takes ``read``, changing ``write``, or what it names as its ``scope``."""
    if connection.scope.get("method") == "OPTIONS":  # nobody is asked who they are to hear what may be asked
        return
    scope: str = handler.opt.get("scope") or ("read" if connection.scope.get("method") in SAFE else "write")
    access: Access = connection.user
    if scope != "any" and not access.may(scope):
        raise PermissionDeniedException(f"This takes the scope {scope}; you have {_said(access)}.")


def _said(access: Access) -> str:
    return ", ".join(sorted(access.scopes)) or "none"


async def check_csrf(connection: ASGIConnection[Any, Any, Any, Any], _handler: BaseRouteHandler) -> None:
    """Guard changes that come with a cookie: they must come from a page of ours."""
    if connection.scope.get("method") in SAFE:
        return
    session = connection.auth
    if not isinstance(session, SignedIn):
        return
    check_origin(connection)
    given = connection.headers.get(CSRF_HEADER)
    if given is None and isinstance(connection, Request) and _is_form(connection.headers):
        field = (await connection.form()).get(CSRF_FIELD)
        given = field if isinstance(field, str) else None
    if given is None or not hmac.compare_digest(given.encode(), session.csrf.encode()):
        raise PermissionDeniedException(
            f"Send the session's token as {CSRF_HEADER} or as the form field {CSRF_FIELD}; reload the page."
        )


def check_origin(connection: ASGIConnection[Any, Any, Any, Any]) -> None:
    """Refuse what a browser says comes from another site; what says nothing is no browser of this decade."""
    if foreign(connection.headers):
        raise PermissionDeniedException("This request comes from another site.")


def foreign(headers: Mapping[str, str]) -> bool:
    """Return whether a browser says that another site sends this request."""
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site != "same-origin"
    origin = headers.get("origin")
    if origin is None:
        return False
    try:
        return urlsplit(origin).netloc.lower() != headers.get("host", "").lower()
    except ValueError:
        return True


def _is_form(headers: Mapping[str, str]) -> bool:
    return headers.get("content-type", "").lower().startswith(_FORMS)


# --------------------------------------------------------------------------- dependencies


async def provide_access(request: Request[Access, Any, State]) -> Access:
    """Return who asks."""
    return request.user


async def provide_clock(state: State) -> Clock:
    """Return the clock that everything shares."""
    clock: Clock = state.clock
    return clock
