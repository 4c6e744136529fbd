"""Settings of a house and its farm: places, crops, successions, sensors; and who may log in or send with a token."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from litestar import Response, get, post
from litestar.params import FromPath

from service.records.store import UnitOfWork
from service.records.tables import Token, User
from service.web.forms import Form, Forms
from service.web.frame import (
    Frame,
    Web,
    clock_of,
    frame_of,
    house_of,
    listens_to,
    reading,
    see_other,
    writing,
)
from service.web.texts import catalogue
from service.work.access import SCOPES, create_token, list_tokens, revoke_token
from service.work.crops import change_crop, create_cultivar, list_crops, list_cultivars
from service.work.errors import NotFound, WorkError
from service.work.listing import MAX_LIMIT
from service.work.places import change_farm, change_house, change_zone, get_farm, list_zones
from service.work.programme import change_succession, list_successions
from service.work.quantities import QUANTITIES
from service.work.sections import change_section, create_section, list_sections
from service.work.sensors import change_sensor, list_sensors
from service.work.users import ROLES, change_user, create_user, end_sessions, list_users, prepare_user

_ADMIN = {"scope": "admin"}

Job = Callable[[UnitOfWork, Frame, Form], Awaitable[object]]


@get("/houses/{house_id:int}/settings")
async def show_settings(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show the settings."""
    return await _page(request, house_id, Forms())


async def _page(request: Web, house_id: int, forms: Forms, status: int = 200, **view: Any) -> Response[str]:
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        access, farm_id = frame.access, house_of(frame).farm_id
        farm = await get_farm(uow, access, farm_id)
        zones, _ = await list_zones(uow, access, house_id=house_id, limit=MAX_LIMIT)
        sections, _ = await list_sections(uow, access, house_id=house_id, limit=MAX_LIMIT)
        crops, _ = await list_crops(uow, access, farm_id=farm_id, limit=MAX_LIMIT)
        cultivars = {
            c.id: (await list_cultivars(uow, access, crop_id=c.id, limit=MAX_LIMIT))[0] for c in crops
        }
        successions, _ = await list_successions(uow, access, house_id=house_id, limit=MAX_LIMIT)
        sensors, _ = await list_sensors(uow, access, house_id=house_id, limit=MAX_LIMIT)
        users: list[User] = []
        tokens: list[Token] = []
        if frame.may("admin"):
            users, _ = await list_users(uow, access, limit=MAX_LIMIT)
            tokens, _ = await list_tokens(uow, access, limit=MAX_LIMIT)
    return frame.page(
        "settings.html",
        status,
        house=house_of(frame),
        farm=farm,
        zones=zones,
        sections=sections,
        crops=crops,
        cultivars=cultivars,
        successions=successions,
        sensors=sensors,
        quantities=QUANTITIES,
        users=users,
        tokens=[token for token in tokens if token.revoked_at is None],
        roles=ROLES,
        scopes=SCOPES,
        forms_sent=forms,
        **{"secret": None, **view},
    )


async def _saved(
    request: Web,
    house_id: int,
    name: str,
    job: Job,
    anchor: str,
    fields: dict[str, str] | None = None,
    said: str = "saved",
) -> Response[Any]:
    """Do what a form asks for and go back to its place, or show it again with what is wrong."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            await job(uow, await frame_of(uow, request, house_id), form)
    except NotFound:
        raise
    except WorkError as refused:
        return await _page(request, house_id, Forms(name, form.refused(refused, fields)), 422)
    return see_other(f"/houses/{house_id}/settings", said, anchor)


def _cleared(values: dict[str, Any], *names: str) -> dict[str, Any]:
    """Return values in which a nullable field that was left empty is none."""
    return dict.fromkeys(names) | values


# --------------------------------------------------------------------------- places


@post("/houses/{house_id:int}/settings/farm", opt=_ADMIN)
async def save_farm(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Change the farm: its name, address and telephone number."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(name=form.text("name"), address=form.text("address"), phone=form.text("phone"))
        cleared = _cleared(values, "address", "phone")
        await change_farm(uow, frame.access, house_of(frame).farm_id, cleared, form.whole("version"))

    return await _saved(request, house_id, "farm", job, "farm")


@post("/houses/{house_id:int}/settings/house")
async def save_house(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Change the house."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(
            name=form.text("name"),
            latitude_deg=form.number("latitude_deg"),
            longitude_deg=form.number("longitude_deg"),
            elevation_m=form.number("elevation", frame.formats.height_scale),
            time_zone=form.text("time_zone"),
            light_transmission=form.number("light_percent", 0.01),
            co2_ppm=form.number("co2_ppm"),
            temp_heat_day_c=form.celsius("temp_heat_day_c", frame.formats),
            temp_heat_night_c=form.celsius("temp_heat_night_c", frame.formats),
            temp_vent_c=form.celsius("temp_vent_c", frame.formats),
            lamp_ppfd_umol=form.number("lamp_ppfd_umol"),
            lamp_start_h=form.number("lamp_start_h"),
            lamp_hours=form.number("lamp_hours"),
        )
        await change_house(uow, frame.access, house_id, values, form.whole("version"))

    names = {"light_transmission": "light_percent", "elevation_m": "elevation"}
    return await _saved(request, house_id, "house", job, "house", names)


@post("/houses/{house_id:int}/settings/zones/{zone_id:int}")
async def save_zone(request: Web, house_id: FromPath[int], zone_id: FromPath[int]) -> Response[Any]:
    """Change a zone."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(
            name=form.text("name"),
            capacity=form.whole("capacity"),
            plants_m2=form.number("plants_m2", frame.formats.density_scale),
        )
        await change_zone(uow, frame.access, zone_id, values, form.whole("version"))

    return await _saved(request, house_id, f"zone-{zone_id}", job, "zones")


@post("/houses/{house_id:int}/settings/sections")
async def add_section(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Make a section."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(
            zone_id=form.whole("zone_id"),
            code=form.text("code"),
            name=form.text("name"),
            sites=form.whole("sites"),
        )
        await create_section(uow, frame.access, values)

    return await _saved(request, house_id, "section", job, "sections")


@post("/houses/{house_id:int}/settings/sections/{section_id:int}")
async def save_section(request: Web, house_id: FromPath[int], section_id: FromPath[int]) -> Response[Any]:
    """Change a section."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(name=form.text("name"), sites=form.whole("sites"))
        values["active"] = form.value("active") == "yes"
        await change_section(uow, frame.access, section_id, values, form.whole("version"))

    return await _saved(request, house_id, f"section-{section_id}", job, "sections", {"active": ""})


# --------------------------------------------------------------------------- what is grown


@post("/houses/{house_id:int}/settings/crops/{crop_id:int}")
async def save_crop(request: Web, house_id: FromPath[int], crop_id: FromPath[int]) -> Response[Any]:
    """Change a crop's target and window."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(
            name=form.text("name"),
            target_fresh_g=form.number("target", frame.formats.weight_scale),
            window_open_leaves=form.number("window_open_leaves"),
            window_close_leaves=form.number("window_close_leaves"),
        )
        optional = ("target_fresh_g", "window_open_leaves", "window_close_leaves")
        await change_crop(uow, frame.access, crop_id, _cleared(values, *optional), form.whole("version"))

    return await _saved(request, house_id, f"crop-{crop_id}", job, "crops", {"target_fresh_g": "target"})


@post("/houses/{house_id:int}/settings/crops/{crop_id:int}/cultivars")
async def add_cultivar(request: Web, house_id: FromPath[int], crop_id: FromPath[int]) -> Response[Any]:
    """Make a cultivar."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(name=form.text("name"), season_months=form.wholes("season_months") or None)
        await create_cultivar(uow, frame.access, {"crop_id": crop_id, **values})

    return await _saved(request, house_id, f"cultivar-{crop_id}", job, "crops")


@post("/houses/{house_id:int}/settings/successions/{succession_id:int}")
async def save_succession(
    request: Web, house_id: FromPath[int], succession_id: FromPath[int]
) -> Response[Any]:
    """Change a succession."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(
            name=form.text("name"),
            heads_per_harvest=form.whole("heads_per_harvest"),
            harvest_interval_days=form.number("harvest_interval_days"),
            seeding_interval_days=form.number("seeding_interval_days"),
            seeding_weekdays=form.wholes("seeding_weekdays"),
            cells_per_seeding=form.whole("cells_per_seeding"),
            keep_share=form.number("keep_percent", 0.01),
        )
        values["active"] = form.value("active") == "yes"
        await change_succession(uow, frame.access, succession_id, values, form.whole("version"))

    name = f"succession-{succession_id}"
    return await _saved(request, house_id, name, job, "successions", {"keep_share": "keep_percent"})


@post("/houses/{house_id:int}/settings/sensors/{sensor_id:int}")
async def save_sensor(request: Web, house_id: FromPath[int], sensor_id: FromPath[int]) -> Response[Any]:
    """Change a sensor."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(
            name=form.text("name"),
            topic=form.text("topic"),
            interval_s=form.number("interval_s"),
            factor=form.number("factor"),
            value_pointer=form.value("value_pointer"),
            time_pointer=form.value("time_pointer"),
        )
        values["active"] = form.value("active") == "yes"
        await change_sensor(
            uow,
            frame.access,
            sensor_id,
            values,
            form.whole("version"),
            listens=listens_to(request),
        )

    return await _saved(request, house_id, f"sensor-{sensor_id}", job, "sensors")


# --------------------------------------------------------------------------- who may


@post("/houses/{house_id:int}/settings/users", opt=_ADMIN)
async def add_user(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Make a user."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
    try:
        values = form.checked(
            login=form.text("login"), display_name=form.text("display_name"), role=form.text("role")
        )
        values["farm_id"] = house_of(frame).farm_id if form.value("farm") else frame.access.farm_id
        new = await prepare_user(values, form.value("password"))  # hashes, so before the transaction
        async with writing(request) as uow:
            await create_user(uow, clock_of(request), frame.access, new)
    except WorkError as refused:
        return await _page(request, house_id, Forms("user", form.refused(refused)), 422)
    return see_other(f"/houses/{house_id}/settings", "saved", "users")


@post("/houses/{house_id:int}/settings/users/{user_id:int}", opt=_ADMIN)
async def save_user(request: Web, house_id: FromPath[int], user_id: FromPath[int]) -> Response[Any]:
    """Change what a user may, or let them log in no more."""

    async def job(uow: UnitOfWork, frame: Frame, form: Form) -> None:
        values = form.checked(display_name=form.text("display_name"), role=form.text("role"))
        values["active"] = form.value("active") == "yes"
        await change_user(uow, clock_of(request), frame.access, user_id, values, form.whole("version"))

    return await _saved(request, house_id, f"user-{user_id}", job, "users", {"active": ""})


@post("/houses/{house_id:int}/settings/users/{user_id:int}/log-out", opt=_ADMIN)
async def log_user_out(request: Web, house_id: FromPath[int], user_id: FromPath[int]) -> Response[Any]:
    """Log a user out everywhere."""

    async def job(uow: UnitOfWork, frame: Frame, _form: Form) -> None:
        await end_sessions(uow, clock_of(request), frame.access, user_id)

    return await _saved(request, house_id, f"user-{user_id}", job, "users", said="logged_out")


@post("/houses/{house_id:int}/settings/tokens", opt=_ADMIN)
async def add_token(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Make a token; its secret is shown this once."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            frame = await frame_of(uow, request, house_id)
            farm_id = house_of(frame).farm_id if form.value("farm") else frame.access.farm_id
            token, secret = await create_token(
                uow,
                clock_of(request),
                frame.access,
                form.value("name"),
                form.typed.get("scopes", []),
                farm_id,
                form.moment("expires_at", frame.formats),
            )
            form.checked()
    except NotFound:
        raise
    except WorkError as refused:
        return await _page(request, house_id, Forms("token", form.refused(refused)), 422)
    return await _page(request, house_id, Forms(), secret=(token.name, secret))


@post("/houses/{house_id:int}/settings/tokens/{token_id:int}/revoke", opt=_ADMIN)
async def end_token(request: Web, house_id: FromPath[int], token_id: FromPath[int]) -> Response[Any]:
    """End a token for good."""

    async def job(uow: UnitOfWork, frame: Frame, _form: Form) -> None:
        await revoke_token(uow, clock_of(request), frame.access, token_id)

    return await _saved(request, house_id, "tokens", job, "tokens", said="revoked")
