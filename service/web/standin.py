"""Log-in by a token's secret in a cookie."""

from __future__ import annotations

import hashlib
from typing import Any

from litestar import Request, Response, get, post
from litestar.datastructures import Cookie, State

from service.records.store import UnitOfWork
from service.web.asking import Asker
from service.work.access import find_access

_COOKIE = "evenleaf_standin"


async def find_asker(request: Request[Any, Any, State], uow: UnitOfWork) -> Asker | None:
    secret = request.cookies.get(_COOKIE, "")
    access = await find_access(uow, secret) if secret else None
    if access is None:
        return None
    return Asker(access, hashlib.sha256(f"csrf:{secret}".encode()).hexdigest())


@get("/login", opt={"open": True}, include_in_schema=False)
async def show_login(request: Request[Any, Any, State]) -> Response[str]:
    from service.web.frame import Frame

    return Frame(request, None).page(
        "login.html", next=request.query_params.get("next", "/"), problem=""
    )


@post("/login", opt={"open": True}, include_in_schema=False)
async def log_in(request: Request[Any, Any, State]) -> Response[Any]:
    from service.web.frame import Frame, own_path, reading, see_other

    form = await request.form()
    secret = str(form.get("password", ""))
    async with reading(request) as uow:
        access = await find_access(uow, secret)
    if access is None:
        return Frame(request, None).page("login.html", 403, next=str(form.get("next", "/")), problem="wrong")
    answer = see_other(own_path(str(form.get("next", "/"))))
    answer.set_cookie(Cookie(_COOKIE, value=secret, httponly=True, samesite="lax", path="/"))
    return answer


@post("/logout", include_in_schema=False)
async def log_out(request: Request[Any, Any, State]) -> Response[Any]:
    from service.web.frame import see_other

    answer = see_other("/login")
    answer.delete_cookie(_COOKIE, path="/")
    return answer
