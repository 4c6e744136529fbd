"""The first run: house, crop and succession, sensors, the first batch; each step in one form, a few minutes in all."""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import available_timezones

from litestar import Response, get, post
from litestar.params import FromPath

from service.records.store import UnitOfWork
from service.records.tables import Crop, Farm, House, Sensor, Succession, Zone
from service.web.forms import Form
from service.web.frame import (
    Frame,
    Web,
    access_of,
    clock_of,
    frame_of,
    house_of,
    listens_to,
    reading,
    see_other,
    writing,
)
from service.web.lots import at_first, lots_to_sow, seed_lots_of
from service.web.texts import Formats, catalogue
from service.work.batches import create_batch, list_batches
from service.work.crops import create_crop, create_cultivar, list_crops
from service.work.errors import Conflict, FieldProblem, WorkError, impossible
from service.work.listing import MAX_LIMIT
from service.work.places import (
    create_farm,
    create_house,
    create_zone,
    list_farms,
    list_houses,
    list_zones,
    referred_farm,
)
from service.work.profiles import profile, profile_names
from service.work.programme import create_succession, list_successions
from service.work.quantities import QUANTITIES
from service.work.sensors import HOUSE_TOPIC, ZONE_TOPIC, create_sensor, list_sensors, resolve_topic

STEPS = ("house", "succession", "sensors", "batch")
NEW_FARM = "new"
"""Stands for no farm that is there, where one is chosen."""

# What a form shows at first; each can be changed.
_NURSERY_PLANTS_M2 = 650.0  # 200 cells of a 1020 tray on 0.31 m2; common practice, no source
_CHANNELS_PLANTS_M2 = 25.0  # sites 20 cm apart in channels 20 cm apart; common practice, no source
_KEEP_SHARE = 0.8  # common practice, no source
_SENSOR_QUANTITIES = ("temp_air_c", "ppfd_umol")

_LONGEST_CODE = 30
_LETTERS = str.maketrans({"ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i"})
"""Letters of which no accent can be taken away."""


@dataclass(frozen=True)
class There:
    """What a house has already."""

    zones: list[Zone]
    successions: list[Succession]
    sensors: list[Sensor]
    has_batches: bool

    @property
    def missing(self) -> str | None:
        """The first step that is not done; sensors may be left for later, so they are not asked for twice."""
        if not self.successions:
            return "succession"
        if not self.sensors and not self.has_batches:
            return "sensors"
        return None if self.has_batches else "batch"


async def _there(uow: UnitOfWork, request: Web, house_id: int) -> There:
    access = access_of(request)
    zones, _ = await list_zones(uow, access, house_id=house_id, limit=MAX_LIMIT)
    successions, _ = await list_successions(uow, access, house_id=house_id, limit=MAX_LIMIT)
    sensors, _ = await list_sensors(uow, access, house_id=house_id, limit=MAX_LIMIT)
    batches, _ = await list_batches(uow, access, house_id=house_id, limit=1)
    return There(zones, successions, sensors, bool(batches))


def _page(frame: Frame, step: str, form: Form, status: int = 200, **view: Any) -> Response[str]:
    return frame.page(f"setup_{step}.html", status, step=step, steps=STEPS, form=form, **view)


# --------------------------------------------------------------------------- the house


@get("/houses/new", opt={"scope": "write"})
async def show_house_form(request: Web) -> Response[str]:
    """Ask for a house."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request)
        farms, _ = await list_farms(uow, frame.access, limit=MAX_LIMIT)
    scale = frame.formats.density_scale
    form = Form.blank(
        catalogue(),
        nursery_plants=round(_NURSERY_PLANTS_M2 / scale, 1),
        channels_plants=round(_CHANNELS_PLANTS_M2 / scale, 2),
        light_percent=60,
    )
    return _house_page(frame, farms, form)


def _house_page(frame: Frame, farms: Sequence[Farm], form: Form, status: int = 200) -> Response[str]:
    return _page(
        frame,
        "house",
        form,
        status,
        zones=sorted(available_timezones()),
        farms=farms,
        new_farm=NEW_FARM,
        may_make_farm=frame.access.farm_id is None,
    )


@post("/houses/new")
async def make_house(request: Web) -> Response[Any]:
    """Make a house with its nursery and channels, of a farm that is there or of a new one."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    async with reading(request) as uow:
        frame = await frame_of(uow, request)
        farms, _ = await list_farms(uow, frame.access, limit=MAX_LIMIT)
    try:
        async with writing(request) as uow:
            house = await _make_house(uow, request, form, frame.formats)
    except WorkError as refused:
        names = {"light_transmission": "light_percent", "capacity": "nursery_cells"}
        return _house_page(frame, farms, form.refused(refused, names), 422)
    return see_other(f"/houses/{house.id}/setup")


async def _make_house(uow: UnitOfWork, request: Web, form: Form, formats: Formats) -> House:
    access = access_of(request)
    name = form.text("name")
    values = form.checked(
        name=name,
        code=form.text("code"),
        latitude_deg=form.number("latitude_deg"),
        longitude_deg=form.number("longitude_deg"),
        elevation_m=form.number("elevation", formats.height_scale),
        time_zone=form.text("time_zone"),
        light_transmission=form.number("light_percent", 0.01),
    )
    zones = [
        (kind, form.whole(cells), form.number(plants, formats.density_scale), cells, plants)
        for kind, cells, plants in (
            ("nursery", "nursery_cells", "nursery_plants"),
            ("channels", "channel_sites", "channels_plants"),
        )
    ]
    form.checked()
    farm = await _farm(uow, request, form)
    if name and "code" not in values:
        houses, _ = await list_houses(uow, access, farm_id=farm.id, limit=MAX_LIMIT)
        values["code"] = code_of(name, {h.code for h in houses})
    house = await create_house(uow, access, {"farm_id": farm.id, **values})
    for kind, capacity, plants_m2, cells_field, plants_field in zones:
        given = {"house_id": house.id, "name": catalogue().text(f"zone.{kind}"), "code": kind, "kind": kind}
        amounts = {"capacity": capacity, "plants_m2": plants_m2}
        try:
            await create_zone(uow, access, given | {k: v for k, v in amounts.items() if v is not None})
        except WorkError as refused:
            names = {"capacity": cells_field, "plants_m2": plants_field}
            raise _renamed(refused, names) from refused
    return house


async def _farm(uow: UnitOfWork, request: Web, form: Form) -> Farm:
    """Return the farm that a house is made for: the chosen, the only one, or one that is made with it."""
    access = access_of(request)
    farms, _ = await list_farms(uow, access, limit=MAX_LIMIT)
    chosen, name = form.text("farm_id"), form.text("farm")
    if not farms or chosen == NEW_FARM or (chosen is None and name is not None):
        try:
            return await create_farm(uow, clock_of(request), access, {} if name is None else {"name": name})
        except WorkError as refused:
            raise _renamed(refused, {"name": "farm"}) from refused
    if name is not None:
        raise impossible("farm", catalogue().text("setup.house.farm_either"))
    if chosen is not None:
        return await referred_farm(uow, access, form.checked(farm_id=form.whole("farm_id"))["farm_id"])
    if len(farms) > 1:
        raise impossible("farm_id", catalogue().text("setup.house.farm_missing"))
    return farms[0]


def _renamed(refused: WorkError, names: dict[str, str]) -> WorkError:
    problems = (FieldProblem(names.get(p.field, p.field), p.problem) for p in refused.problems)
    return type(refused)(refused.detail, *problems)


def code_of(name: str, taken: Collection[str]) -> str:
    """Return a short code that no other house has, from a name: North house becomes north, then north-2."""
    folded = unicodedata.normalize("NFKD", name.casefold().translate(_LETTERS))
    plain = "".join(c for c in folded if not unicodedata.combining(c))
    words = (re.sub("[^a-z0-9]+", "-", word).strip("-") for word in plain.split())
    code = next((word for word in words if word), "house")[:_LONGEST_CODE].rstrip("-")
    others = {other.lower() for other in taken}
    numbered = (f"{code}-{n}" for n in itertools.count(2))
    return code if code not in others else next(c for c in numbered if c not in others)


# --------------------------------------------------------------------------- the steps that follow


@get("/houses/{house_id:int}/setup", opt={"scope": "write"})
async def show_step(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Ask for what a house lacks next."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        there = await _there(uow, request, house_id)
        step = request.query_params.get("step") or there.missing
        if step is None:
            return see_other(f"/houses/{house_id}")
        return await _step_page(uow, frame, there, step, None)


async def _step_page(
    uow: UnitOfWork, frame: Frame, there: There, step: str, form: Form | None, status: int = 200
) -> Response[str]:
    if step == "succession":
        return _page(
            frame,
            "succession",
            form or Form.blank(catalogue(), keep_percent=round(100 * _KEEP_SHARE), harvest_interval_days=7),
            status,
            profiles=[(name, profile(name)) for name in profile_names()],
            first=not there.successions,
        )
    if step == "batch":
        if not there.successions:
            return await _step_page(uow, frame, there, "succession", None)
        succession = there.successions[0]
        today = frame.formats.local(frame.now).date()
        clock = clock_of(frame.request)
        lots = await lots_to_sow(uow, clock, frame.access, there.successions)
        return _page(
            frame,
            "batch",
            form
            or Form.blank(
                catalogue(),
                succession_id=succession.id,
                cells=succession.cells_per_seeding,
                seeded_on=today.isoformat(),
                **at_first(lots),
            ),
            status,
            successions=there.successions,
            lots=lots,
            first=not there.has_batches,
        )
    zone = next((z for z in there.zones if z.kind == "channels"), None)
    taken = {s.quantity for s in there.sensors}
    quantity = next((q for q in _SENSOR_QUANTITIES if q not in taken), _SENSOR_QUANTITIES[0])
    house = house_of(frame)
    example = resolve_topic(
        ZONE_TOPIC if zone else HOUSE_TOPIC,
        {"house": house.code, "zone": zone.code if zone else "", "quantity": quantity},
    )
    shown = form or Form.blank(
        catalogue(), zone_id=zone.id if zone else None, quantity=quantity, unit=QUANTITIES[quantity].unit
    )
    return _page(
        frame,
        "sensors",
        shown,
        status,
        zones=there.zones,
        sensors=there.sensors,
        quantities=QUANTITIES,
        example=example,
    )


@post("/houses/{house_id:int}/setup/succession")
async def make_succession(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Make a succession, with its crop and cultivar if the farm has none of that name."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            frame = await frame_of(uow, request, house_id)
            await _make_succession(uow, frame, form)
    except WorkError as refused:
        names = {"keep_share": "keep_percent", "seeding_interval_days": "harvest_interval_days"}
        return await _again(request, house_id, "succession", form.refused(refused, names))
    return see_other(f"/houses/{house_id}/setup", "succession_made")


async def _make_succession(uow: UnitOfWork, frame: Frame, form: Form) -> Succession:
    house = house_of(frame)
    zones, _ = await list_zones(uow, frame.access, house_id=house.id, limit=MAX_LIMIT)
    kinds = {zone.kind: zone.id for zone in reversed(zones)}
    if set(kinds) != {"nursery", "channels"}:
        raise Conflict(catalogue().text("error.no_zones"))
    interval = form.number("harvest_interval_days")
    values = form.checked(
        name=form.text("name"),
        heads_per_harvest=form.whole("heads_per_harvest"),
        harvest_interval_days=interval,
        seeding_interval_days=interval,
        seeding_weekdays=form.wholes("seeding_weekdays"),
        cells_per_seeding=form.whole("cells_per_seeding"),
        keep_share=form.number("keep_percent", 0.01),
    )
    crop = await _crop(uow, frame, form, house.farm_id)
    cultivar_id = None
    if form.text("cultivar"):
        cultivar = await create_cultivar(
            uow, frame.access, {"crop_id": crop.id, "name": form.text("cultivar")}
        )
        cultivar_id = cultivar.id
    if "name" not in values:
        values["name"] = crop.name
    return await create_succession(
        uow,
        frame.access,
        {
            "house_id": house.id,
            "crop_id": crop.id,
            "cultivar_id": cultivar_id,
            "nursery_zone_id": kinds["nursery"],
            "channels_zone_id": kinds["channels"],
            **values,
        },
    )


async def _crop(uow: UnitOfWork, frame: Frame, form: Form, farm_id: int) -> Crop:
    chosen = form.text("profile") or ""
    name = form.text("crop") or (
        catalogue().text(f"crop.{chosen}") if f"crop.{chosen}" in catalogue() else ""
    )
    crops, _ = await list_crops(uow, frame.access, farm_id=farm_id, limit=MAX_LIMIT)
    there = next((c for c in crops if c.name == name and c.profile == chosen), None)
    if there is not None:
        return there
    weight = form.number("target", frame.formats.weight_scale)
    values = form.checked(farm_id=farm_id, name=name or None, profile=chosen or None, target_fresh_g=weight)
    try:
        return await create_crop(uow, frame.access, values)
    except WorkError as refused:
        raise _renamed(refused, {"name": "crop", "target_fresh_g": "target"}) from refused


@post("/houses/{house_id:int}/setup/sensors")
async def make_sensor(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Make a sensor."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    quantity = form.text("quantity") or ""
    try:
        async with writing(request) as uow:
            values = form.checked(
                house_id=house_id,
                zone_id=form.whole("zone_id"),
                name=form.text("name") or (QUANTITIES[quantity].label if quantity in QUANTITIES else None),
                quantity=quantity,
                unit=form.text("unit"),
                topic=form.text("topic"),
                sampling="total" if _is_total(quantity, form.text("unit")) else None,
            )
            await create_sensor(uow, access_of(request), values, listens=listens_to(request))
    except WorkError as refused:
        return await _again(request, house_id, "sensors", form.refused(refused))
    return see_other(f"/houses/{house_id}/setup?step=sensors", "sensor_made")


def _is_total(quantity: str, unit: str | None) -> bool:
    return quantity in QUANTITIES and unit in QUANTITIES[quantity].total_units


@post("/houses/{house_id:int}/setup/batch", opt={"own_transactions": True})  # the forecast takes its own
async def make_batch(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Seed a batch and forecast the house at once, so that its place on the belt is seen."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    names: dict[str, str] = {}
    try:
        async with writing(request) as uow:
            frame = await frame_of(uow, request, house_id)
            values = form.checked(
                succession_id=form.whole("succession_id"),
                seeded_on=form.day("seeded_on"),
                cells=form.whole("cells"),
                note=form.text("note"),
            )
            there, _ = await list_successions(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
            succession = next((s for s in there if s.id == values.get("succession_id")), None)
            if succession is not None:
                lots, names = seed_lots_of(form, succession, succession.crop_id)
                values |= form.checked(seed_lots=lots)
            seeded = await create_batch(uow, clock_of(request), access_of(request), values)
    except WorkError as refused:
        return await _again(request, house_id, "batch", form.refused(refused, names))
    reforecast = getattr(request.app.state, "reforecast", None)
    if reforecast is not None:
        await reforecast(seeded.batch.house_id)
    return see_other(f"/houses/{seeded.batch.house_id}", "batch_seeded")


async def _again(request: Web, house_id: int, step: str, form: Form) -> Response[str]:
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        there = await _there(uow, request, house_id)
        return await _step_page(uow, frame, there, step, form, 422)
