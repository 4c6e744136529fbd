"""What readings alone say: solution outside its limits, flow or pressure lost, a sensor that is silent."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal

from service.agronomy import comfort
from service.agronomy.comfort import Limits
from service.records.tables import Sensor, ZoneLimit
from service.work.alerts import Condition
from service.work.notices import moment_text
from service.work.quantities import QUANTITIES
from service.work.silence import silent_after
from service.work.words import Words

if TYPE_CHECKING:
    from service.work.watch import Seen

SOLUTION_ALERT = "solution_out_of_limits"
FLOW_ALERT = "flow_lost"
SILENT_ALERT = "sensor_silent"
READING_KINDS = frozenset({SOLUTION_ALERT, FLOW_ALERT, SILENT_ALERT})
FLOWS = ("flow_l_min", "pressure_kpa")
LIMITED = (*comfort.QUANTITIES, *FLOWS)
"""Quantities that have limits."""

NO_SAFETY_SYSTEM = "Evenleaf is no safety system: rely on alarms and cut-outs that act by themselves."
_CHEMICALS = (
    " Acids, bases and fertilisers can hurt: wear eye protection and gloves, add slowly to water and never the other"
    " way round, never mix products, and follow labels and local rules."
)
_STEPS = {
    (
        "temp_solution_c",
        "high",
    ): "Check the chiller and shade the tank; warm solution holds little oxygen and favours root disease.",
    ("temp_solution_c", "low"): "Check the tank's heating and where cold water comes in.",
    ("ph", "high"): "Check the dosing, and the meter in a fresh buffer before anything is added."
    + _CHEMICALS,
    ("ph", "low"): "Check the dosing, and the meter in a fresh buffer before anything is added." + _CHEMICALS,
    ("ec_ms_cm", "high"): "Check the meter, then thin the solution with water." + _CHEMICALS,
    ("ec_ms_cm", "low"): "Check the meter and the stock tanks, then feed." + _CHEMICALS,
    ("oxygen_mg_l", "low"): "Check aeration and the temperature of the solution.",
}


def limits_for(
    quantity: str, set_: ZoneLimit | None, crops: set[str], usual: float | None = None
) -> Limits | None:
    """Return what a quantity is judged by: what was set for the zone, else common practice; none: by nothing."""
    if set_ is not None:
        band = comfort.usual_limits(quantity).band if quantity in comfort.QUANTITIES else 0.0
        urgent_low = set_.low if quantity in FLOWS else set_.urgent_low
        return Limits(set_.low, set_.high, urgent_low, set_.urgent_high, set_.after_minutes, band)
    if quantity in FLOWS:
        return comfort.flow_limits(usual) if usual is not None and usual > 0.0 else None
    return comfort.usual_limits(quantity, crops)


def reading_conditions(seen: Seen) -> list[Condition]:
    """Return what the readings of a house's sensors say now."""
    found = []
    for sensor in seen.sensors:
        if silent := _silent(seen, sensor):
            found.append(silent)
        if sensor.quantity in LIMITED and (out := _out_of_limits(seen, sensor)):
            found.append(out)
    return found


def _out_of_limits(seen: Seen, sensor: Sensor) -> Condition | None:
    is_flow = sensor.quantity in FLOWS
    kind, subject = FLOW_ALERT if is_flow else SOLUTION_ALERT, f"sensor:{sensor.id}"
    standing = seen.was(kind, subject)
    usual = seen.most.get(sensor.id)
    if standing is not None and is_flow:  # what was usual before it was lost, however long ago
        usual = max(usual or 0.0, float(standing.evidence.get("usual") or 0.0))
    set_ = None if sensor.zone_id is None else seen.limits.get((sensor.zone_id, sensor.quantity))
    limits = limits_for(sensor.quantity, set_, seen.crops_of(sensor.zone_id), usual)
    if limits is None:
        return None
    was: Literal["low", "high"] | None = standing.evidence.get("side") if standing else None
    if sensor.id not in seen.readings:
        # Silence says nothing about what is measured: what stood goes on standing, and the silence is told as such.
        return _as_it_stood(seen, kind, subject)
    found = comfort.breach(*seen.readings[sensor.id], limits, was)
    if found is None:
        return None
    quantity = QUANTITIES[sensor.quantity]
    since = datetime.fromtimestamp(found.since_min * 60.0, UTC)
    if standing is not None and standing.onset_at is not None:
        since = min(since, standing.onset_at)
    where = seen.zones[sensor.zone_id].name if sensor.zone_id in seen.zones else seen.house.name
    side = "below" if found.side == "low" else "above"
    unit = "" if quantity.unit == "pH" else f" {quantity.unit}"
    said = f"{found.value:.3g}{unit}, the limit {found.limit:.3g}{unit}"
    evidence = {
        "sensorId": sensor.id,
        "quantity": sensor.quantity,
        "value": round(found.value, 2),
        "limit": round(found.limit, 2),
        "side": found.side,
    }
    if is_flow:
        evidence["usual"] = round(usual or 0.0, 2)
    lost = is_flow and found.side == "low"
    return Condition(
        kind=kind,
        subject=subject,
        severity="urgent" if found.urgent else "warning",
        title=f"{where}: {'flow is lost' if lost else f'{quantity.label} {side} the limit'} ({sensor.name})",
        detail=f"{quantity.label[0].upper()}{quantity.label[1:]} is {said}; it has been {side} it since"
        f" {seen.day(since)}, {seen.clock(since)}."
        f" {NO_SAFETY_SYSTEM}",
        next_step=(
            "Look at the pump, its power, the filter and the level of the tank now: roots dry within the hour on a"
            " bright day. Switch the power off before you reach into a pump."
            if is_flow
            else _STEPS.get((sensor.quantity, found.side), "Check the sensor, then the solution.")
        ),
        evidence=evidence,
        size=round(found.size, 2),
        size_unit=quantity.unit,
        onset_at=since,
        words={
            **_code(sensor.quantity, found.side, lost=lost),
            "place": where,
            "sensor": sensor.name,
            **_figures(sensor.quantity, found.value, found.limit),
            "sinceAt": since.isoformat(),
        },
    )


def _code(quantity: str, side: str, *, lost: bool) -> Words:
    if quantity in FLOWS:
        return {"code": "lost" if lost else side, "next": "pump"}
    if quantity == "temp_solution_c":
        return {"code": "warm" if side == "high" else "cold", "next": "warm" if side == "high" else "cold"}
    return {"code": side, "next": f"{quantity}_{side}"}


def _figures(quantity: str, value: float, limit: float) -> Words:
    if quantity == "temp_solution_c":
        return {"valueC": round(value, 1), "limitC": round(limit, 1)}
    known = QUANTITIES[quantity]
    figures = {"value": round(value, 2), "limit": round(limit, 2), "unit": known.unit}
    return figures if quantity in FLOWS else {**figures, "quantity": known.label}


def _as_it_stood(seen: Seen, kind: str, subject: str) -> Condition | None:
    standing = seen.was(kind, subject)
    if standing is None:
        return None
    return Condition(
        kind=kind,
        subject=subject,
        severity=standing.severity,  # type: ignore[arg-type]
        title=standing.title,
        detail=standing.detail,
        next_step=standing.next_step,
        evidence=standing.evidence,
        size=standing.size,
        size_unit=standing.size_unit,
        onset_at=standing.onset_at,
        words=standing.words,
    )


def _silent(seen: Seen, sensor: Sensor) -> Condition | None:
    """Say that a sensor is silent; one that was never heard of is not silent but new."""
    subject = f"sensor:{sensor.id}"
    last = seen.last.get(sensor.id)
    standing = seen.was(SILENT_ALERT, subject)
    if last is None:
        return _as_it_stood(seen, SILENT_ALERT, subject) if standing else None
    if seen.now - last <= silent_after(sensor, seen.sends.get(sensor.id)):
        return None
    where = seen.zones[sensor.zone_id].name if sensor.zone_id in seen.zones else seen.house.name
    return Condition(
        kind=SILENT_ALERT,
        subject=subject,
        severity="urgent" if sensor.quantity in FLOWS else "warning",
        title=f"{where}: {sensor.name} has been silent since {seen.day(last)}, {seen.clock(last)}",
        detail=f"A reading is expected every {sensor.interval_s / 60.0:g} minutes. What it measures is not watched"
        f" meanwhile. {NO_SAFETY_SYSTEM}",
        next_step="Look at the sensor, its power and its link to the broker.",
        evidence={"sensorId": sensor.id, "quantity": sensor.quantity, "lastAt": moment_text(last)},
        onset_at=last,
        words={"code": "is", "place": where, "sensor": sensor.name, "sinceAt": last.isoformat()},
    )
