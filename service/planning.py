"""The command that plans a farm's seedings."""

from __future__ import annotations

import msgspec

from service.api.bodies import view
from service.api.planning import PlanView
from service.clock import parse_clock
from service.opening import open_store
from service.settings import Settings, SettingsError
from service.work.access import SYSTEM
from service.work.errors import WorkError
from service.work.planning import FarmPlan, make_plan

EXIT_DONE = 0
_MOST_SHORTFALLS = 20  # are printed; --json has them all


async def run_plan(settings: Settings, farm_id: int, *, weeks: int, as_json: bool = False) -> int:
    """Plan a farm, print the plan, and return the exit code.

    Raises
    ------
    SettingsError
        If there is no such farm or the plan cannot be made; the sentence says why.
    """
    async with open_store(settings) as store:
        try:
            plan = await make_plan(store, parse_clock(settings.clock), SYSTEM, farm_id, {"weeks": weeks})
        except WorkError as error:
            raise SettingsError(error.detail) from error
    if as_json:
        print(msgspec.json.encode(view(PlanView, plan)).decode())
    else:
        print("\n".join(lines(plan)))
    return EXIT_DONE


def lines(plan: FarmPlan) -> list[str]:
    """Return a plan in words: seedings by date, expected harvests against orders, shortfalls and what binds."""
    said = [f"Plan from {plan.starts_on:%d %b %Y} to {plan.ends_on:%d %b %Y}", ""]
    if plan.seedings:
        said.append("Seed on       trays  cells  succession")
    said += [
        f"{s.on:%a %d %b %y} {s.trays:6d} {s.cells:6d}  {s.succession} ({s.house})" for s in plan.seedings
    ]
    if plan.expected:
        said += ["", "Wanted on     heads  there  short  crop"]
    for e in plan.expected:
        whose = f" for {e.buyer}" if e.buyer else ""
        said.append(f"{e.on:%a %d %b %y} {e.heads:6.0f} {e.planned:6.0f} {e.short:6.0f}  {e.crop}{whose}")
    short = [e.sentence for e in plan.expected if e.sentence]
    if short:
        said += ["", "Short:", *short[:_MOST_SHORTFALLS]]
    if len(short) > _MOST_SHORTFALLS:
        said.append(f"and {len(short) - _MOST_SHORTFALLS} more; --json has them all.")
    if plan.values:
        said += ["", "A site earns a week:"]
    for value in plan.values:
        worth = (
            "no price is known"
            if value.per_site_week is None
            else f"{value.per_site_week:.3f} {value.currency or ''}".strip()
        )
        said.append(
            f"  {value.crop}: {worth}; wanted are {value.heads_ordered_a_week:.0f} heads a week, which hold"
            f" {value.sites_ordered:.0f} sites"
        )
    said += [
        "",
        f"{plan.heads_planned:.0f} of {plan.heads_wanted:.0f} heads; {plan.heads_short:.0f} short;"
        f" {plan.plants_surplus:.0f} plants raised for nobody; within {plan.gap:.1%} of the best.",
        *(f"Note: {note}" for note in plan.notes),
    ]
    return said
