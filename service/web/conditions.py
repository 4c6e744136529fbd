"""Light and temperature against what the crop needs, the sensors that measure them, and what could not be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from litestar import Response, get, post
from litestar.params import FromPath

from service.papers.charts import Chart, Series
from service.records.store import UnitOfWork
from service.records.tables import UnknownTopic, Zone
from service.web.forms import Form, Forms
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
from service.web.pictures import Figure, csv_file, figure
from service.web.texts import catalogue
from service.work.conditions import REASONS
from service.work.errors import NotFound, WorkError
from service.work.listing import MAX_LIMIT
from service.work.measurements import ZoneDayConditions, list_days, list_dead_letters, list_unknown_topics
from service.work.places import list_zones
from service.work.quantities import QUANTITIES
from service.work.sensor_states import sensor_states
from service.work.sensors import create_sensor

DAYS = 28
DLI_TARGET_MOL = 17.0
"""Light for heads of lettuce, mol m⁻² d⁻¹: Both et al. 1997, as cited by Hernandez, Timmons and Mattson 2020,
Horticulturae 6:7."""
_LETTERS = 20
_WHOLE = 0.9
"""A day of which at least so much was measured counts as whole."""


@dataclass(frozen=True)
class ZoneConditions:
    """Every day of one zone; of one of which nothing was measured all is none."""

    zone: Zone
    days: Sequence[ZoneDayConditions]


async def _conditions(
    uow: UnitOfWork, request: Web, frame: Frame, first: date, last: date
) -> list[ZoneConditions]:
    house_id = house_of(frame).id
    zones, _ = await list_zones(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
    known = {
        (day.zone_id, day.on): day
        for day in await list_days(uow, clock_of(request), frame.access, house_id, first=first, last=last)
    }
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    return [
        ZoneConditions(zone, [known.get((zone.id, on)) or _unmeasured(zone.id, on) for on in days])
        for zone in zones
    ]


def _unmeasured(zone_id: int, on: date) -> ZoneDayConditions:
    return ZoneDayConditions(zone_id, on, None, 0.0, None, None, None, 0.0)


def asked_days(request: Web, frame: Frame, days: int) -> tuple[date, date, str]:
    """Return the days that were asked for, the last ``days`` if not said, and what is wrong with them."""
    today = frame.formats.local(frame.now).date()
    form = Form.sent(catalogue(), request.query_params.multi_items())
    last = form.day("to") or today
    first = form.day("from") or last - timedelta(days=days - 1)
    problem = next(iter(form.problems.values()), "")
    return first, last, problem


@get("/houses/{house_id:int}/conditions")
async def show_conditions(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show what the zones got and which sensors speak."""
    return await _page(request, house_id, Forms())


async def _page(request: Web, house_id: int, forms: Forms, status: int = 200) -> Response[str]:
    clock = clock_of(request)
    zones: Sequence[ZoneConditions] = ()
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        first, last, problem = asked_days(request, frame, DAYS)
        try:
            zones = [] if problem else await _conditions(uow, request, frame, first, last)
        except WorkError as refused:
            problem = refused.detail
        states = await sensor_states(uow, clock, frame.access, house_id)
        places, _ = await list_zones(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
        letters, _ = await list_dead_letters(uow, frame.access, limit=_LETTERS)
        topics: Sequence[UnknownTopic] = ()
        if frame.access.farm_id is None:  # whose they are is not known yet
            topics, _ = await list_unknown_topics(uow, frame.access, limit=50)
    names = {zone.id: zone.name for zone in places}
    csv = f"/houses/{house_id}/conditions.csv?from={first}&to={last}"
    return frame.page(
        "conditions.html",
        422 if problem else status,
        first=first,
        last=last,
        problem=problem,
        zones=[(z.zone, _summary(frame, z), _figures(frame, z, csv)) for z in zones],
        states=states,
        names=names,
        quantities=QUANTITIES,
        letters=letters,
        reasons=REASONS,
        topics=topics,
        places=[(zone.id, zone.name) for zone in places],
        forms_sent=forms,
        payload=lambda raw: raw.decode("utf-8", "backslashreplace")[:120],
    )


def _summary(frame: Frame, zone: ZoneConditions) -> str:
    """Return a zone's last seven whole days in a sentence."""
    f, t = frame.formats, catalogue().text
    whole = [d for d in zone.days if d.dli_mol is not None and d.light_coverage >= _WHOLE][-7:]
    warm = [d for d in zone.days if d.temp_mean_c is not None and d.temp_coverage >= _WHOLE][-7:]
    if not whole and not warm:
        return t("conditions.zone_none", zone=zone.zone.name)
    light = sum(d.dli_mol or 0.0 for d in whole) / len(whole) if whole else None
    mean = sum(d.temp_mean_c or 0.0 for d in warm) / len(warm) if warm else None
    return t(
        "conditions.zone_sentence",
        zone=zone.zone.name,
        light=f.number(light, 1),
        temperature=f.temperature(mean),
    )


def _figures(frame: Frame, zone: ZoneConditions, csv: str) -> list[Figure]:
    f, t = frame.formats, catalogue().text
    house = house_of(frame)
    light = [d.dli_mol for d in zone.days]
    known = [d.dli_mol for d in zone.days if d.dli_mol is not None and d.light_coverage >= _WHOLE]
    dim = sum(v < DLI_TARGET_MOL for v in known)
    partly = sum(d.dli_mol is not None and d.light_coverage < _WHOLE for d in zone.days)
    sentence = (
        t(
            "conditions.light_sentence",
            zone=zone.zone.name,
            n=dim,
            of=len(known),
            need=f.plain(DLI_TARGET_MOL),
        )
        if known
        else t("conditions.light_none", zone=zone.zone.name)
    )
    if partly:
        sentence += " " + t("conditions.partly", n=partly)
    days = [d.on for d in zone.days]
    found = [
        figure(
            Chart(
                title=t("conditions.light_title", zone=zone.zone.name),
                description=sentence,
                x=days,
                x_label=t("plan.day"),
                y_label=t("conditions.light_unit"),
                series=[
                    Series(t("conditions.measured"), "bar", light),
                    Series(t("conditions.need"), "step", [DLI_TARGET_MOL] * len(days)),
                ],
                name=f"light-{zone.zone.id}",
            ),
            [t("plan.day"), t("conditions.light"), t("conditions.coverage")],
            [[f.day(d.on), f.number(d.dli_mol, 1), f.percent(d.light_coverage)] for d in zone.days],
            csv,
        )
    ]
    us = f.units == "us"

    def degrees(celsius: float | None) -> float | None:
        return celsius * 9 / 5 + 32 if us and celsius is not None else celsius

    lowest = [d.temp_min_c for d in zone.days if d.temp_min_c is not None]
    highest = [d.temp_max_c for d in zone.days if d.temp_max_c is not None]
    sentence = (
        t(
            "conditions.temp_sentence",
            zone=zone.zone.name,
            low=f.temperature(min(lowest)),
            high=f.temperature(max(highest)),
            heat=f.temperature(house.temp_heat_night_c),
            vent=f.temperature(house.temp_vent_c),
        )
        if lowest and highest
        else t("conditions.temp_none", zone=zone.zone.name)
    )
    n = len(days)
    found.append(
        figure(
            Chart(
                title=t("conditions.temp_title", zone=zone.zone.name),
                description=sentence,
                x=days,
                x_label=t("plan.day"),
                y_label=t("conditions.temp_unit", unit="°F" if us else "°C"),
                series=[
                    Series(
                        t("conditions.span"),
                        "range",
                        [degrees(d.temp_min_c) for d in zone.days],
                        [degrees(d.temp_max_c) for d in zone.days],
                    ),
                    Series(t("conditions.mean"), "line", [degrees(d.temp_mean_c) for d in zone.days]),
                    Series(t("conditions.heat"), "step", [degrees(house.temp_heat_night_c)] * n),
                    Series(t("conditions.vent"), "step", [degrees(house.temp_vent_c)] * n),
                ],
                from_zero=False,
                name=f"temperature-{zone.zone.id}",
            ),
            [
                t("plan.day"),
                t("conditions.mean"),
                t("conditions.low"),
                t("conditions.high"),
                t("conditions.coverage"),
            ],
            [
                [
                    f.day(d.on),
                    f.temperature(d.temp_mean_c),
                    f.temperature(d.temp_min_c),
                    f.temperature(d.temp_max_c),
                    f.percent(d.temp_coverage),
                ]
                for d in zone.days
            ],
            csv,
        )
    )
    return found


@get("/houses/{house_id:int}/conditions.csv")
async def get_conditions_csv(request: Web, house_id: FromPath[int]) -> Response[bytes]:
    """Return the days of a house's zones as CSV, in metric units."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        first, last, _ = asked_days(request, frame, DAYS)
        zones = await _conditions(uow, request, frame, first, last)
    columns = [
        "zone",
        "on",
        "dli_mol_m2",
        "light_coverage",
        "temp_mean_c",
        "temp_min_c",
        "temp_max_c",
        "temp_coverage",
    ]
    rows = [
        [
            z.zone.name,
            d.on,
            d.dli_mol,
            d.light_coverage,
            d.temp_mean_c,
            d.temp_min_c,
            d.temp_max_c,
            d.temp_coverage,
        ]
        for z in zones
        for d in z.days
    ]
    return csv_file(f"conditions-{house_id}", columns, rows)


@post("/houses/{house_id:int}/sensors")
async def adopt_topic(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Make a sensor of a topic that arrives and that no sensor claims."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    quantity, unit = form.text("quantity") or "", form.text("unit")
    try:
        async with writing(request) as uow:
            await frame_of(uow, request, house_id)
            total = quantity in QUANTITIES and unit in QUANTITIES[quantity].total_units
            values = form.checked(
                house_id=house_id,
                zone_id=form.whole("zone_id"),
                name=form.text("name") or (QUANTITIES[quantity].label if quantity in QUANTITIES else None),
                quantity=quantity,
                unit=unit,
                topic=form.text("topic"),
                value_pointer=form.text("value_pointer"),
                time_pointer=form.text("time_pointer"),
                interval_s=form.number("interval_s"),
                sampling="total" if total else None,
            )
            await create_sensor(uow, access_of(request), values, listens=listens_to(request))
    except NotFound:
        raise
    except WorkError as refused:
        return await _page(request, house_id, Forms(form.value("topic"), form.refused(refused)), 422)
    return see_other(f"/houses/{house_id}/conditions", "sensor_adopted")
