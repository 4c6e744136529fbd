"""Who is told of a farm's alerts and news: by web, mail or broker, at which hours, and how the last of it went."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from litestar import Response, get, post
from litestar.params import FromPath

from service.records.store import UnitOfWork
from service.web.forms import Form, Forms
from service.web.frame import Frame, Web, clock_of, frame_of, house_of, reading, see_other, writing
from service.web.texts import catalogue
from service.work import receivers
from service.work.alert_kinds import KINDS as ALERT_KINDS
from service.work.errors import NotFound, WorkError
from service.work.listing import MAX_LIMIT
from service.work.notices import SEVERITIES, list_notices
from service.work.receivers_targets import Targets

_ADMIN = {"scope": "admin"}
SHOWN_NOTICES = 3
"""Of each receiver, so many of what was sent last."""

Job = Callable[[UnitOfWork, Frame, Form], Awaitable[Any]]


@get("/houses/{house_id:int}/receivers", opt=_ADMIN)
async def show_receivers(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show who is told."""
    return await _page(request, house_id, Forms())


async def _page(
    request: Web,
    house_id: int,
    forms: Forms,
    status: int = 200,
    secret: tuple[str, str] | None = None,
) -> Response[str]:
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        farm_id = house_of(frame).farm_id
        shown, _ = await receivers.list_receivers(uow, frame.access, farm_id=farm_id, limit=MAX_LIMIT)
        last = {
            r.id: (await list_notices(uow, frame.access, receiver_id=r.id, limit=SHOWN_NOTICES))[0]
            for r in shown
        }
    return frame.page(
        "receivers.html",
        status,
        receivers=shown,
        last=last,
        houses=[h for h in frame.houses if h.farm_id == farm_id],
        kinds=receivers.KINDS,
        alert_kinds=ALERT_KINDS,
        severities=SEVERITIES,
        news=receivers.NEWS,
        forms_sent=forms,
        secret=secret,
    )


async def _done(
    request: Web, house_id: int, name: str, job: Job, said: str, anchor: str = ""
) -> Response[Any]:
    """Do what a form asks for; show a new secret, go back, or show the form again with what is wrong."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            made = await job(uow, await frame_of(uow, request, house_id), form)
    except NotFound:
        raise
    except WorkError as refused:
        return await _page(request, house_id, Forms(name, form.refused(refused)), 422)
    if made is not None:
        return await _page(request, house_id, Forms(), secret=made)
    return see_other(f"/houses/{house_id}/receivers", said, anchor)


def _targets(request: Web) -> Targets:
    targets: Targets = request.app.state.settings.targets()
    return targets


def _values(form: Form) -> dict[str, Any]:
    """Return what a form says of a receiver; nothing chosen of houses or kinds means all of them."""
    return {
        **form.checked(
            name=form.text("name"), target=form.text("target"), min_severity=form.text("min_severity")
        ),
        "house_ids": form.wholes("house_ids") or None,
        "alert_kinds": form.typed.get("alert_kinds") or None,
        "news": form.typed.get("news", []),
        "quiet_from": form.text("quiet_from"),
        "quiet_to": form.text("quiet_to"),
        "digest_at": form.text("digest_at"),
    }


@post("/houses/{house_id:int}/receivers", opt=_ADMIN)
async def add_receiver(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Make a receiver; what signs for a webhook is shown this once."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> tuple[str, str] | None:
        house = house_of(frame)
        values = {
            **_values(form),
            "kind": form.value("kind"),
            "farm_id": house.farm_id,
            "time_zone": house.time_zone,
        }
        made, secret = await receivers.create_receiver(
            uow, clock_of(request), frame.access, _targets(request), values
        )
        return None if secret is None else (made.name, secret)

    return await _done(request, house_id, "receiver", job, "receiver_added")


@post("/houses/{house_id:int}/receivers/{receiver_id:int}", opt=_ADMIN)
async def save_receiver(request: Web, house_id: FromPath[int], receiver_id: FromPath[int]) -> Response[Any]:
    """Change a receiver."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = {**_values(form), "active": form.value("active") == "yes"}
        await receivers.change_receiver(
            uow,
            clock_of(request),
            frame.access,
            _targets(request),
            receiver_id,
            values,
            form.whole("version"),
        )

    name = f"receiver-{receiver_id}"
    return await _done(request, house_id, name, job, "saved", name)


@post("/houses/{house_id:int}/receivers/{receiver_id:int}/test", opt=_ADMIN)
async def test_receiver(request: Web, house_id: FromPath[int], receiver_id: FromPath[int]) -> Response[Any]:
    """Send a test."""

    async def job(uow: UnitOfWork, frame: Frame, _form: Form) -> None:
        await receivers.send_test(uow, clock_of(request), frame.access, receiver_id)

    name = f"receiver-{receiver_id}"
    return await _done(request, house_id, name, job, "test_sent", name)


@post("/houses/{house_id:int}/receivers/{receiver_id:int}/secret", opt=_ADMIN)
async def renew_secret(request: Web, house_id: FromPath[int], receiver_id: FromPath[int]) -> Response[Any]:
    """Give a webhook a new secret, shown this once."""

    async def job(uow: UnitOfWork, frame: Frame, _form: Form) -> tuple[str, str]:
        changed, secret = await receivers.rotate_secret(uow, clock_of(request), frame.access, receiver_id)
        return changed.name, secret

    return await _done(request, house_id, f"receiver-{receiver_id}", job, "saved")


@post("/houses/{house_id:int}/receivers/{receiver_id:int}/delete", opt=_ADMIN)
async def drop_receiver(request: Web, house_id: FromPath[int], receiver_id: FromPath[int]) -> Response[Any]:
    """Delete a receiver."""

    async def job(uow: UnitOfWork, frame: Frame, _form: Form) -> None:
        await receivers.delete_receiver(uow, frame.access, receiver_id)

    return await _done(request, house_id, f"receiver-{receiver_id}", job, "receiver_deleted")
