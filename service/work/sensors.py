"""Sensors: what is measured where, and on which topic it arrives."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from typing import Any

from service.records import sensors as records
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import Farm, House, Sensor, Zone
from service.work import fields, saving
from service.work.access import Access
from service.work.dead_letters import adopt_topic
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import get_house, referred_farm, referred_house, referred_zone
from service.work.quantities import QUANTITIES, SAMPLINGS, light_source_problem, unit_problem
from service.work.topics import matches

ZONE_TOPIC = "evenleaf/{house}/{zone}/{quantity}"
"""Topic of a sensor in a zone, unless another is given."""
HOUSE_TOPIC = "evenleaf/{house}/{quantity}"
"""Topic of a sensor of the whole house or outdoors, unless another is given."""

_LONGEST_TOPIC = 255  # bytes; the broker allows 65535, the records fewer
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_STAYS = (
    "it cannot be changed, or past readings would change with it; retire this sensor and make another one"
)


def _pointer(value: Any) -> str:
    right = (
        isinstance(value, str)
        and len(value) <= 120
        and value.isprintable()
        and re.fullmatch(r"(/([^~/]|~[01])*)*", value)
    )
    if not right:
        raise ValueError("it must be a JSON pointer (RFC 6901), for example /values/0/ppfd, or empty")
    return str(value)


def _template(value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError("it must be a topic, which may hold {farm} {house} {zone} {quantity} {name}")
    return value


_SENSOR = {
    "house_id": Field(fields.reference, required=True, fixed=True),
    "zone_id": Field(fields.reference, nullable=True, fixed=True, why_fixed=_STAYS),
    "name": Field(fields.text(), required=True),
    "quantity": Field(fields.one_of(*QUANTITIES), required=True, fixed=True, why_fixed=_STAYS),
    "unit": Field(fields.text(30), required=True),
    "topic": Field(_template),
    "value_pointer": Field(_pointer),
    "time_pointer": Field(_pointer),
    "sampling": Field(fields.one_of(*SAMPLINGS)),
    "interval_s": Field(fields.number(0, 86400, "s", above=True)),
    "light_source": Field(fields.text(30)),
    "factor": Field(fields.number(0, 1000, above=True)),
    "valid_min": Field(fields.number(-1e9, 1e9), nullable=True),
    "valid_max": Field(fields.number(-1e9, 1e9), nullable=True),
    "active": Field(fields.flag),
    "clock_correction_s": Field(fields.number(-86_400 * 2, 86_400 * 2, "s"), nullable=True),
}
# A broker has one space of topics. Were they one of a kind in a farm only, whoever guessed a topic of another farm
# would be sent its readings; so they are one of a kind altogether, and the refusal does not say whose it is.
_TAKEN = FieldProblem(
    "topic",
    "this topic with this value pointer cannot be had; choose another, for example one that begins with {farm}",
)


async def create_sensor(
    uow: UnitOfWork, access: Access, values: Mapping[str, Any], *, listens: str | None = None
) -> Sensor:
    """Make a sensor; its topic template is resolved once and for all.

    Parameters
    ----------
    uow, access, values
        Where, who and what.
    listens
        Topic filter that is listened to, which a topic that is named has to match; none: it is not known. A sensor
        whose topic is left to us may be one that is fed by push or import alone, so that one is not checked.
    """
    cleaned = checked_new(_SENSOR, values)
    named = cleaned.pop("topic", None)
    template = named or (ZONE_TOPIC if cleaned.get("zone_id") else HOUSE_TOPIC)
    house = await referred_house(uow, access, cleaned["house_id"])
    farm = await referred_farm(uow, access, house.farm_id)
    zone = None
    if cleaned.get("zone_id") is not None:
        zone = await referred_zone(uow, house.id, "zone_id", cleaned["zone_id"])
    topic = resolve_topic(template, _words(farm, house, zone, cleaned["quantity"], cleaned["name"]))
    if named:
        _check_listened(topic, listens)
    sensor = Sensor(**cleaned, topic=topic)
    _check_together(sensor)
    await saving.insert(uow, sensor, await _taken(uow, farm.id, sensor, template))
    await adopt_topic(uow, sensor)
    return sensor


async def get_sensor(uow: UnitOfWork, access: Access, sensor_id: int) -> Sensor:
    """Return a sensor."""
    sensor = await find(uow, Sensor, sensor_id)
    if sensor is None:
        raise NotFound(f"there is no sensor {sensor_id}")
    await get_house(uow, access, sensor.house_id)
    return sensor


async def list_sensors(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    zone_id: int | None = None,
    quantity: str | None = None,
    active: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Sensor], int | None]:
    """Return a page of sensors and the id to go on after."""
    check_page(after, limit, house_id=house_id, zone_id=zone_id)
    check_choice("quantity", quantity, tuple(QUANTITIES))
    return await records.page_sensors(
        uow,
        within_farm=access.farm_id,
        house_id=house_id,
        zone_id=zone_id,
        quantity=quantity,
        active=active,
        after=after,
        limit=limit,
    )


async def change_sensor(
    uow: UnitOfWork,
    access: Access,
    sensor_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
    *,
    listens: str | None = None,
) -> Sensor:
    """Change a sensor; readings that are stored already stay as they are. ``listens``: as of a new one."""
    sensor = await get_sensor(uow, access, sensor_id)
    cleaned = checked_changes(_SENSOR, sensor, changes)
    after = Merged(sensor, cleaned)
    house = await referred_house(uow, access, sensor.house_id)
    template = cleaned.get("topic", sensor.topic)
    if "topic" in cleaned:
        farm = await referred_farm(uow, access, house.farm_id)
        zone = None if sensor.zone_id is None else await find(uow, Zone, sensor.zone_id)
        cleaned["topic"] = resolve_topic(template, _words(farm, house, zone, sensor.quantity, after.name))
        if cleaned["topic"] != sensor.topic:
            _check_listened(cleaned["topic"], listens)
    _check_together(after)
    taken = await _taken(uow, house.farm_id, after, template)
    await saving.update(uow, sensor, cleaned, expected_version, taken)
    if "topic" in cleaned:
        await adopt_topic(uow, sensor)
    return sensor


def _check_listened(topic: str, listens: str | None) -> None:
    if listens is not None and not matches(listens, topic):
        raise impossible(
            "topic",
            f"nothing listens to {topic}: EVENLEAF_MQTT_TOPIC is {listens}; choose a topic that it matches",
        )


async def _taken(uow: UnitOfWork, farm_id: int, sensor: Sensor | Merged, template: str) -> FieldProblem:
    """Return what is said if the topic is had by another sensor: which one, where it is one of the same farm."""
    holder = await records.holder(uow, farm_id, sensor.topic, sensor.value_pointer or "")
    if holder is None or holder.id == sensor.id:
        return _TAKEN
    way = (
        "give this one another name"
        if "{name}" in template
        else "choose another, for example with {name} in it"
    )
    retired = "" if holder.active else ", which is not active,"
    return FieldProblem(
        "topic", f"your sensor {holder.name}{retired} has {sensor.topic} with this value pointer; {way}"
    )


def resolve_topic(template: str, words: Mapping[str, str]) -> str:
    """Return a topic template with its placeholders filled in.

    Raises
    ------
    Impossible
        If a placeholder is unknown, or the result is not a topic that can be published to.
    """

    def word(match: re.Match[str]) -> str:
        name = match.group(1)
        if name not in words:
            raise impossible(
                "topic",
                f"{{{name}}} cannot be filled in here; there are {', '.join(f'{{{w}}}' for w in words)}",
            )
        return words[name]

    topic = _PLACEHOLDER.sub(word, template)
    problem = _topic_problem(topic)
    if problem:
        raise impossible("topic", problem)
    return topic


def _topic_problem(topic: str) -> str | None:
    # MQTT 5, section 4.7
    if "+" in topic or "#" in topic:
        return "it must name one topic, without the wildcards + and #"
    if "{" in topic or "}" in topic:
        return "it has a brace that is not part of a placeholder"
    if any(unicodedata.category(c) in {"Cc", "Cs"} for c in topic):
        return "it must not hold control characters"
    if topic.startswith("$"):
        return "it must not begin with $, which brokers keep for themselves"
    if not 1 <= len(topic.encode()) <= _LONGEST_TOPIC:
        return f"it must be 1 to {_LONGEST_TOPIC} bytes long in UTF-8"
    return None


def _words(farm: Farm, house: House, zone: Zone | None, quantity: str, name: str) -> dict[str, str]:
    words = {"farm": _slug(farm.name), "house": house.code, "quantity": quantity, "name": _slug(name)}
    return words if zone is None else {**words, "zone": zone.code}


def _slug(name: str) -> str:
    return re.sub(r"\W+", "-", name.lower()).strip("-") or "unnamed"


def _check_together(sensor: Sensor | Merged) -> None:
    problem = light_source_problem(sensor.quantity, sensor.light_source)
    if problem:
        raise impossible("light_source", problem)
    problem = unit_problem(sensor.quantity, sensor.unit, sensor.sampling, sensor.light_source)
    if problem:
        raise impossible("unit", problem)
    low, high = sensor.valid_min, sensor.valid_max
    if low is not None and high is not None and low >= high:
        raise impossible("valid_max", f"it is {high:g}, and must be above valid_min, {low:g}")
