"""What lets the pages work where there is no network: the worker, the shell, the session's own facts."""

from __future__ import annotations

from typing import Any

from litestar import Response, get, post
from litestar.datastructures import Cookie

from service.web import assets
from service.web.frame import UNITS_COOKIE, Frame, Web, clock_of, frame_of, reading, see_other
from service.web.sessions import current_csrf, local_path
from service.work.access import Access


@get("/worker.js", sync_to_thread=False)
def get_worker() -> Response[bytes]:
    """Return the worker; it stands at the root, since a worker serves what lies below it."""
    shell = ",".join(f'"{assets.url(name)}"' for name in sorted(assets.contents()) if name != "worker.js")
    content = assets.contents()["worker.js"].decode()
    content = content.replace('"SHELL"', shell).replace('"VERSION"', f'"{assets.digest()}"')
    return Response(content.encode(), media_type="text/javascript", headers={"cache-control": "no-cache"})


@get("/session.json", sync_to_thread=False)
def get_session_facts(request: Web) -> Response[dict[str, Any]]:
    """Say who is logged in, what their requests must carry, and what time it is here."""
    asker: Access | None = request.user
    facts: dict[str, Any] = {"now": clock_of(request).now().isoformat(), "name": None, "csrf": None}
    if asker is not None:
        facts |= {"name": asker.name, "csrf": current_csrf(request)}
    return Response(facts, headers={"cache-control": "no-store"})


@get("/offline", sync_to_thread=False)
def show_offline(request: Web) -> Response[str]:
    """Show that there is no network; kept by the worker for when that is so."""
    return Frame(request).page("offline.html")


@get("/unsent")
async def show_unsent(request: Web) -> Response[str]:
    """Show what is kept in this browser and not sent yet, or was refused; the script fills it in."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request)
    return frame.page("unsent.html")


@get("/app.webmanifest", sync_to_thread=False)
def get_manifest() -> Response[dict[str, Any]]:
    """Say how the pages are put on a phone's start screen."""
    manifest = {
        "name": "Evenleaf",
        "short_name": "Evenleaf",
        "start_url": "/",
        "display": "standalone",
        "background_color": "#f6f5f1",
        "theme_color": "#f6f5f1",
        "icons": [{"src": assets.url("icon.svg"), "sizes": "any", "type": "image/svg+xml"}],
    }
    return Response(manifest, media_type="application/manifest+json", headers={"cache-control": "no-cache"})


@post("/units", opt={"scope": "any", "changes_nothing": True})
async def choose_units(request: Web) -> Response[None]:
    """Write amounts in metric or US units in this browser."""
    form = await request.form()
    units = "us" if form.get("units") == "us" else "metric"
    answer = see_other(local_path(str(form.get("back", ""))))
    answer.set_cookie(
        Cookie(UNITS_COOKIE, value=units, path="/", max_age=63_072_000, httponly=True, samesite="lax")
    )
    return answer
