"""Logging in and out, the first user, and one's own password."""

from __future__ import annotations

from typing import Any

from litestar import Request, Response, get, post
from litestar.datastructures import State
from litestar.response import Redirect

from service.asker import check_origin, give_cookie, lifetimes, signed_in, take_cookie
from service.clock import Clock
from service.records.store import Store
from service.web.forms import Form
from service.web.frame import Frame
from service.web.sessions import HOME, LOGIN, local_path
from service.web.texts import catalogue
from service.work import sessions, users
from service.work.access import find_access
from service.work.errors import FieldProblem, WorkError, impossible
from service.work.passwords import SHORTEST
from service.work.sessions import SignedIn, TooMany

Asking = Request[Any, Any, State]


async def _field(request: Asking, name: str) -> str:
    value = (await request.form()).get(name)
    return value if isinstance(value, str) else ""


def _device(request: Asking) -> str:
    return request.headers.get("user-agent", "")


def _address(request: Asking) -> str:
    return request.client.host if request.client else ""


def _signed_in(request: Asking, secret: str, wanted: str) -> Response[Any]:
    answer = Redirect(wanted, status_code=303)
    give_cookie(request, answer, secret)
    return answer


def _page(
    request: Asking,
    name: str,
    error: WorkError | None = None,
    *,
    status: int = 200,
    headers: dict[str, str] | None = None,
    typed: dict[str, str] | None = None,
    **more: Any,
) -> Response[str]:
    """Return a form's page; ``typed`` is what it shows again."""
    form = Form.blank(catalogue(), **(typed or {}))
    if error is not None:
        form.refused(error)
    answer = Frame(request).page(name, status, form=form, shortest=SHORTEST, **more)
    answer.headers.update(headers or {})
    return answer


# --------------------------------------------------------------------------- log in, log out


@get("/login")
async def show_login(request: Asking, state: State) -> Response[Any]:
    """Show the form to log in with; where there is no user yet, the one that makes the first."""
    store: Store = state.store
    async with store.read() as uow:
        if not await users.any_user(uow):
            return Redirect("/setup", status_code=303)
    return _page(request, "login.html", next=local_path(request.query_params.get("next")))


@post("/login")
async def log_in(request: Asking, state: State) -> Response[Any]:
    """Log in, and go where one wanted to."""
    check_origin(request)
    store: Store = state.store
    clock: Clock = state.clock
    wanted = local_path(await _field(request, "next"))
    login = await _field(request, "login")
    before = await signed_in(request)
    try:
        secret, _ = await sessions.log_in(
            store,
            clock,
            login,
            await _field(request, "password"),
            _address(request),
            _device(request),
            lifetimes(state.settings),
            wall=state.wall,
        )
    except TooMany as error:
        wait = {"Retry-After": str(error.retry_after_s)}
        return _page(
            request, "login.html", error, status=429, headers=wait, typed={"login": login}, next=wanted
        )
    except WorkError as error:
        return _page(request, "login.html", error, status=422, typed={"login": login}, next=wanted)
    if before is not None:
        async with store.write() as uow:
            await sessions.log_out(uow, clock, before.session_id)
    return _signed_in(request, secret, wanted)


@post("/logout", opt={"scope": "any"})
async def log_out(request: Asking, state: State) -> Response[Any]:
    """Log out."""
    session: SignedIn = request.auth
    store: Store = state.store
    async with store.write() as uow:
        await sessions.log_out(uow, state.clock, session.session_id)
    answer = Redirect(LOGIN, status_code=303)
    take_cookie(request, answer)
    return answer


# --------------------------------------------------------------------------- the first user


@get("/setup")
async def show_setup(request: Asking, state: State) -> Response[Any]:
    """Show the form that makes the first owner, while there is no user."""
    store: Store = state.store
    async with store.read() as uow:
        if await users.any_user(uow):
            return Redirect(LOGIN, status_code=303)
    return _page(request, "first_user.html")


@post("/setup")
async def set_up(request: Asking, state: State) -> Response[Any]:
    """Make the first owner, by someone who has the token that was printed at the first start; log them in."""
    check_origin(request)
    store: Store = state.store
    clock: Clock = state.clock
    login, display_name = await _field(request, "login"), await _field(request, "display_name")
    token, password = await _field(request, "token"), await _field(request, "password")
    try:
        async with store.read() as uow:
            access = await find_access(uow, clock, token.strip())
            if access is None or access.farm_id is not None or not access.may("admin"):
                raise impossible("token", "it is not a token with all rights, as printed at the first start")
        values = {
            "login": login,
            "role": "owner",
            **({"display_name": display_name} if display_name.strip() else {}),
        }
        new = await users.prepare_user(values, password)
        async with store.write() as uow:
            user = await users.create_first_owner(uow, clock, new)
            secret = await sessions.begin(uow, clock, user, _device(request), lifetimes(state.settings))
    except WorkError as error:
        return _page(
            request,
            "first_user.html",
            error,
            status=422,
            typed={"login": login, "display_name": display_name},
        )
    return _signed_in(request, secret, HOME)


# --------------------------------------------------------------------------- one's own password


@get("/password", opt={"scope": "any"})
async def show_password(request: Asking) -> Response[str]:
    """Show the form that changes one's own password."""
    return _page(request, "password.html", done=False)


@post("/password", opt={"scope": "any"})
async def change_password(request: Asking, state: State) -> Response[str]:
    """Change one's own password; every other browser is logged out."""
    session: SignedIn = request.auth
    user_id = session.access.user_id
    assert user_id is not None  # noqa: S101 - only people have sessions
    new = await _field(request, "new_password")
    try:
        if new != await _field(request, "new_password_again"):
            raise WorkError(
                "The new password was typed in two ways.",
                FieldProblem("new_password_again", "it differs from the one above"),
            )
        await users.change_own_password(
            state.store,
            state.clock,
            session.access,
            await _field(request, "current_password"),
            new,
            keep_session=session.session_id,
        )
    except WorkError as error:
        return _page(request, "password.html", error, status=422, done=False)
    return _page(request, "password.html", done=True)
