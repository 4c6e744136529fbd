"""The seed store: lots, which to sow next and why, tests beside each other, what to order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from litestar import Response, get, post
from litestar.params import FromPath

from service.agronomy.lot_trial import Judgement
from service.records.store import Store, UnitOfWork
from service.records.tables import LotTrial, SeedLot
from service.web.forms import Form, Forms
from service.web.frame import Frame, Web, access_of, clock_of, frame_of, house_of, reading, see_other, writing
from service.web.texts import catalogue
from service.work.crops import list_crops, list_cultivars
from service.work.errors import NotFound, WorkError
from service.work.listing import MAX_LIMIT
from service.work.lot_trials import change_trial, create_trial, judge_trial, list_trials
from service.work.seed_fitness import Condition, NextLot, emergence_by_lot, lot_condition, next_lot
from service.work.seed_orders import propose_orders, seed_orders
from service.work.seed_stock import FORMS, REASONS, create_lot, list_lots, list_uses, record_use


@dataclass(frozen=True)
class TrialShown:
    """A trial with what it says; none: it is not counted yet."""

    trial: LotTrial
    new_lot: SeedLot
    old_lot: SeedLot
    judgement: Judgement | None


# --------------------------------------------------------------------------- the store


@get("/houses/{house_id:int}/seed")
async def show_store(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show what seed there is, which lot is next, and what to order."""
    return await _store(request, house_id, Forms())


async def _store(request: Web, house_id: int, forms: Forms, status: int = 200) -> Response[str]:
    clock = clock_of(request)
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        farm_id = house_of(frame).farm_id
        crops = await _cultivars(uow, frame)
        lots, _ = await list_lots(uow, frame.access, farm_id=farm_id, finished=False, limit=MAX_LIMIT)
        held = {view.lot.cultivar_id for view in lots}
        chosen = [
            (crop, await next_lot(uow, clock, frame.access, cultivar_id))
            for cultivar_id, crop, _ in crops
            if cultivar_id in held
        ]
        orders = await seed_orders(uow, clock, frame.access, farm_id)
        trials, _ = await list_trials(uow, frame.access, farm_id=farm_id, limit=MAX_LIMIT)
    numbers = {view.lot.id: view.lot for view in lots}
    return frame.page(
        "seed.html",
        status,
        chosen=sorted(chosen, key=lambda item: (item[0], item[1].cultivar)),
        none_of=[(crop, name) for i, crop, name in crops if i not in held],
        cultivars=[(i, f"{crop}, {name}") for i, crop, name in crops],
        orders=orders,
        trials=await _judged(request, frame, numbers, trials),
        lots=[(view.lot.id, f"{view.lot.lot_number}, {_name(crops, view.lot.cultivar_id)}") for view in lots],
        forms_sent=forms,
        seed_forms=FORMS,
        today=frame.formats.local(frame.now).date(),
        state_of=state_of,
    )


def state_of(condition: Condition, chosen: NextLot) -> str:
    """Return how a lot stands: next, fit, doubted or unfit."""
    if condition.lot.lot.id == chosen.lot_id:
        return "next"
    if not condition.fit:
        return "coming" if condition.faults[0].kind == "not_here" else "unfit"
    return "doubted" if condition.doubted else "fit"


async def _cultivars(uow: UnitOfWork, frame: Frame) -> list[tuple[int, str, str]]:
    """Return id, crop and name of every cultivar of the house's farm."""
    crops, _ = await list_crops(uow, frame.access, farm_id=house_of(frame).farm_id, limit=MAX_LIMIT)
    found = []
    for crop in crops:
        cultivars, _ = await list_cultivars(uow, frame.access, crop_id=crop.id, limit=MAX_LIMIT)
        found += [(cultivar.id, crop.name, cultivar.name) for cultivar in cultivars]
    return sorted(found, key=lambda item: (item[1], item[2]))


def _name(crops: Sequence[tuple[int, str, str]], cultivar_id: int) -> str:
    return next((name for i, _, name in crops if i == cultivar_id), "")


async def _judged(
    request: Web, frame: Frame, lots: dict[int, SeedLot], trials: Sequence[LotTrial]
) -> list[TrialShown]:
    store: Store = request.app.state.store
    found = []
    for trial in sorted(trials, key=lambda t: (t.sown_on, t.id), reverse=True)[:10]:
        new, old = lots.get(trial.new_lot_id), lots.get(trial.old_lot_id)
        verdict = None
        if trial.new_good is not None and trial.old_good is not None:
            judged = await judge_trial(store, frame.access, trial.id)
            new, old, verdict = judged.new_lot, judged.old_lot, judged.judgement
        if new is not None and old is not None:
            found.append(TrialShown(trial, new, old, verdict))
    return found


@post("/houses/{house_id:int}/seed/lots")
async def add_lot(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Receive a lot, or write down one that is ordered."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            await frame_of(uow, request, house_id)
            values = form.checked(
                cultivar_id=form.whole("cultivar_id"),
                lot_number=form.text("lot_number"),
                received_on=form.day("received_on"),
                seeds=form.whole("seeds"),
                supplier=form.text("supplier"),
                form=form.text("form"),
                germination_percent=form.number("germination_percent"),
                germination_tested_on=form.day("germination_tested_on"),
                germination_seeds=form.whole("germination_seeds"),
                moisture_percent=form.number("moisture_percent"),
                place=form.text("place"),
                note=form.text("note"),
            )
            view = await create_lot(uow, clock_of(request), access_of(request), values)
    except NotFound:
        raise
    except WorkError as refused:
        return await _store(request, house_id, Forms("lot", form.refused(refused)), 422)
    return see_other(f"/seed-lots/{view.lot.id}?house={house_id}", "lot_added")


@post("/houses/{house_id:int}/seed/trials")
async def sow_trial(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Sow a new lot beside the one in use."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            await frame_of(uow, request, house_id)
            values = form.checked(
                new_lot_id=form.whole("new_lot_id"),
                old_lot_id=form.whole("old_lot_id"),
                sown_on=form.day("sown_on"),
                new_sown=form.whole("new_sown"),
                old_sown=form.whole("old_sown"),
            )
            await create_trial(uow, clock_of(request), access_of(request), values)
    except NotFound:
        raise
    except WorkError as refused:
        return await _store(request, house_id, Forms("trial", form.refused(refused)), 422)
    return see_other(f"/houses/{house_id}/seed", "trial_sown")


@post("/houses/{house_id:int}/seed/trials/{trial_id:int}")
async def count_trial(request: Web, house_id: FromPath[int], trial_id: FromPath[int]) -> Response[Any]:
    """Write down what came up in a trial."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            await frame_of(uow, request, house_id)
            values = form.checked(new_good=form.whole("new_good"), old_good=form.whole("old_good"))
            await change_trial(uow, clock_of(request), access_of(request), trial_id, values)
    except NotFound:
        raise
    except WorkError as refused:
        return await _store(request, house_id, Forms(f"trial-{trial_id}", form.refused(refused)), 422)
    return see_other(f"/houses/{house_id}/seed", "trial_counted")


@post("/houses/{house_id:int}/seed/orders")
async def put_orders_on_list(request: Web, house_id: FromPath[int]) -> Response[None]:
    """Put what is to be ordered on the work list."""
    async with writing(request) as uow:
        frame = await frame_of(uow, request, house_id)
        await propose_orders(uow, clock_of(request), frame.access, house_of(frame).farm_id)
    return see_other(f"/houses/{house_id}/seed", "orders_listed")


# --------------------------------------------------------------------------- one lot


@get("/seed-lots/{lot_id:int}")
async def show_lot(request: Web, lot_id: FromPath[int]) -> Response[str]:
    """Show a lot: how it was kept, how it comes up, what left it."""
    return await _lot_page(request, lot_id, Forms())


async def _lot_page(request: Web, lot_id: int, forms: Forms, status: int = 200) -> Response[str]:
    clock = clock_of(request)
    async with reading(request) as uow:
        condition = await lot_condition(uow, clock, access_of(request), lot_id)
        lot = condition.lot.lot
        frame = await frame_of(uow, request)
        frame.stand_in(farm_id=lot.farm_id)
        crops, _ = await list_crops(uow, frame.access, farm_id=lot.farm_id, limit=MAX_LIMIT)
        names: dict[int, tuple[str, str]] = {}
        for crop in crops:
            cultivars, _ = await list_cultivars(uow, frame.access, crop_id=crop.id, limit=MAX_LIMIT)
            names |= {c.id: (crop.name, c.name) for c in cultivars}
        uses, _ = await list_uses(uow, frame.access, lot_id, limit=MAX_LIMIT)
        rises = await emergence_by_lot(uow, frame.access, lot.cultivar_id)
    return frame.page(
        "seed_lot.html",
        status,
        condition=condition,
        lot=lot,
        name=names[lot.cultivar_id],
        uses=list(reversed(uses)),
        rise=next((r for r in rises if r.lot.lot.id == lot_id), None),
        reasons=REASONS,
        forms_sent=forms,
    )


@post("/seed-lots/{lot_id:int}/uses")
async def add_use(request: Web, lot_id: FromPath[int]) -> Response[Any]:
    """Write down seed that left a lot, or what a count found."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    counting = form.text("reason") == "count"
    amount = form.whole("seeds")
    try:
        async with writing(request) as uow:
            values = form.checked(
                reason=form.text("reason"),
                used_on=form.day("used_on"),
                note=form.text("note"),
                **({"counted": amount} if counting else {"seeds": amount}),
            )
            await record_use(uow, clock_of(request), access_of(request), lot_id, values)
    except NotFound:
        raise
    except WorkError as refused:
        names = {"counted": "seeds"}
        return await _lot_page(request, lot_id, Forms("use", form.refused(refused, names)), 422)
    return see_other(f"/seed-lots/{lot_id}", "written")
