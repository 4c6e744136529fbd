"""The command that replays a house's recorded past and prints how its forecasts would have done."""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import parse_clock
from service.importing import find_house
from service.opening import open_store
from service.records.places import successions_of
from service.records.tables import Succession
from service.settings import Settings
from service.work.reforecast import HOLD_DAYS, HouseInput, read_house
from service.work.replay import Line, Past, Replay, Span, replay
from service.work.replay.compare import Comparison, compare
from service.work.replay.compare import as_json as as_json_of
from service.work.replay.compare import table as table_of
from service.work.replay.recorded import CannotFollow, walkable
from service.work.replay.records import read_pasts
from service.work.times import epoch_hours

# Cheap enough for years of a house on one core.
FOLLOW_MEMBERS = 12
FOLLOW_HORIZON_DAYS = 150
FOLLOW_EVERY_DAYS = 7


async def run_replay(
    settings: Settings,
    house_named: str,
    first: date | None,
    last: date | None,
    *,
    follow: bool = False,
    as_json: bool,
) -> int:
    """Replay a house (batches seeded from one local day to another), print the scores, and return the exit code.

    With ``follow``, the house is instead walked under a fixed seeding interval, under the advice and with foresight.

    Raises
    ------
    SettingsError
        If there is no such house.
    """
    async with open_store(settings) as store, store.read() as uow:
        house = await find_house(uow, house_named)
        zone = ZoneInfo(house.time_zone)
        clock = parse_clock(settings.clock)
        pasts = await read_pasts(uow, clock, house.id)
        known = (
            await read_house(uow, clock, house.id, FOLLOW_MEMBERS, FOLLOW_HORIZON_DAYS) if follow else None
        )
        programmes = await successions_of(uow, house.id) if follow else []
    span = Span(
        from_h=-math.inf if first is None else _midnight_h(first, zone),
        to_h=math.inf if last is None else _midnight_h(last + timedelta(days=1), zone),
    )
    if known is not None:
        closed = [await asyncio.to_thread(_followed, past, span, known, programmes) for past in pasts]
        if as_json:
            said = [as_json_of(c) if isinstance(c, Comparison) else {"refused": c} for c in closed]
            print(json.dumps({"house": house.code, "crops": said}))
        else:
            texts = ["\n".join(table_of(c)) if isinstance(c, Comparison) else c for c in closed]
            print("\n\n".join(texts) or f"{house.name}: no batches are recorded.")
        return 0 if any(isinstance(c, Comparison) for c in closed) or not closed else 1
    done = [
        await asyncio.to_thread(replay, past, span, settings.members, settings.horizon_days) for past in pasts
    ]
    if as_json:
        print(json.dumps({"house": house.code, "crops": [shown(r) for r in done]}))
    else:
        print("\n\n".join(["\n".join(table(r)) for r in done]) or f"{house.name}: no batches are recorded.")
    return 0


def _followed(
    past: Past, span: Span, known: HouseInput, programmes: Sequence[Succession]
) -> Comparison | str:
    """Walk a past under the three growers; a sentence where its records do not say enough."""
    inside = [b for b in past.batches if span.from_h <= b.seeded_h < span.to_h]
    own = [s for s in programmes if s.id in past.succession_ids]
    try:
        found = walkable(replace(past, batches=inside), known, own, round(HOLD_DAYS))
    except CannotFollow as error:
        return f"The advice cannot be followed. {error}."
    return compare(
        past.name,
        found.growth,
        found.rules,
        found.known,
        found.succession,
        follow_from=found.follow_from,
        every_days=FOLLOW_EVERY_DAYS,
    )


def _midnight_h(day: date, zone: ZoneInfo) -> float:
    return epoch_hours(datetime.combine(day, time(0), zone))


def shown(result: Replay) -> dict[str, Any]:
    """Return a replay as JSON shows it."""
    even = result.evenness
    return {
        "name": result.name,
        "evenness": None if even is None else {f"{k}Days": round(v, 2) for k, v in asdict(even).items()},
        "scores": [
            {
                "event": line.event,
                "lead": line.lead,
                "season": line.season,
                "forecasts": line.forecasts,
                "maeDays": round(line.mae, 3),
                "biasDays": round(line.bias, 3),
                "coverage": round(line.coverage, 3),
                "coverageInterval": [round(line.coverage_low, 3), round(line.coverage_high, 3)],
                "widthDays": round(line.width, 3),
                "crpsDays": round(line.crps, 3),
                "otherMaeDays": {rule: round(mae, 3) for rule, mae in line.rules.items()},
            }
            for line in result.lines
        ],
    }


def table(result: Replay) -> Sequence[str]:
    """Return the lines of a table of the scores."""
    lines = [result.name]
    if result.evenness is not None:
        e = result.evenness
        lines.append(
            f"Harvests {e.mean:.1f} days apart (wished {e.wished:g}), standard deviation {e.spread:.1f},"
            f" longest gap {e.longest:.1f}."
        )
    if not result.lines:
        return [*lines, "No batch of the span was harvested, so there is nothing to compare."]
    rules = sorted({rule for line in result.lines for rule in line.rules})
    lines.append(
        f"{'date':<11} {'made':<14} {'season':<6} {'n':>4} {'error':>6} {'bias':>6} {'in 10-90 %':>17} {'wide':>5}"
        f" {'CRPS':>5}" + "".join(f" {rule:>14}" for rule in rules)
    )
    lines.extend(_row(line, rules) for line in result.lines)
    return [*lines, "Days. Error: mean absolute error of the 50 % point; on the right, that of other rules."]


def _row(line: Line, rules: Sequence[str]) -> str:
    held = f"{line.coverage:.0%} ({line.coverage_low:.0%}-{line.coverage_high:.0%})"
    others = "".join(f" {line.rules[r]:>14.2f}" if r in line.rules else f" {'':>14}" for r in rules)
    return (
        f"{line.event.replace('_', ' '):<11} {line.lead:<14} {line.season:<6} {line.forecasts:>4} {line.mae:>6.2f}"
        f" {line.bias:>+6.2f} {held:>17} {line.width:>5.1f} {line.crps:>5.2f}{others}"
    )
