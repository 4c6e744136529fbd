"""Every page."""

from __future__ import annotations

from litestar import Router
from litestar.middleware import DefineMiddleware

from service.web import (
    assets,
    batches,
    conditions,
    houses,
    log,
    login,
    offline,
    packing,
    plan,
    receivers,
    report,
    seed,
    settings,
    setup,
    tracing,
)
from service.web.frame import exception_handlers
from service.web.sessions import PageAuth, pages_router, secure

PAGES = [
    houses.show_start,
    houses.show_belt,
    houses.get_belt_csv,
    houses.show_today,
    houses.tick_task,
    houses.untick_task,
    houses.see_to_alert,
    houses.put_alert_off,
    houses.show_advice,
    houses.follow_advice,
    batches.show_batch,
    batches.get_batch_code,
    batches.record_entry,
    batches.undo_entry,
    batches.say_seed,
    batches.scan,
    seed.show_store,
    seed.add_lot,
    seed.sow_trial,
    seed.count_trial,
    seed.put_orders_on_list,
    seed.show_lot,
    seed.add_use,
    packing.show_packing,
    packing.pack_lot,
    packing.show_packed_lot,
    packing.add_delivery,
    packing.correct_lot,
    packing.correct_delivery,
    tracing.show_trace,
    plan.show_plan,
    plan.get_plan_csv,
    plan.follow_plan,
    plan.show_orders,
    plan.add_order,
    plan.switch_order,
    conditions.show_conditions,
    conditions.get_conditions_csv,
    conditions.adopt_topic,
    report.show_report,
    log.show_log,
    log.write_log,
    log.add_event,
    log.call_event_off,
    settings.show_settings,
    settings.save_farm,
    settings.save_house,
    settings.save_zone,
    settings.add_section,
    settings.save_section,
    settings.save_crop,
    settings.add_cultivar,
    settings.save_succession,
    settings.save_sensor,
    settings.add_user,
    settings.save_user,
    settings.log_user_out,
    settings.add_token,
    settings.end_token,
    receivers.show_receivers,
    receivers.add_receiver,
    receivers.save_receiver,
    receivers.test_receiver,
    receivers.renew_secret,
    receivers.drop_receiver,
    setup.show_house_form,
    setup.make_house,
    setup.show_step,
    setup.make_succession,
    setup.make_sensor,
    setup.make_batch,
    offline.show_unsent,
    offline.choose_units,
    login.log_out,
    login.show_password,
    login.change_password,
]
"""For those who have logged in."""

OPEN = [
    login.show_login,
    login.log_in,
    login.show_setup,
    login.set_up,
    assets.get_asset,
    offline.get_worker,
    offline.get_session_facts,
    offline.show_offline,
    offline.get_manifest,
]
"""For everyone; their forms see themselves that they come from our own pages."""


def web_routers() -> list[Router]:
    """Return the routers of the pages."""
    return [
        pages_router("/", PAGES, exception_handlers()),
        Router(
            "/",
            route_handlers=OPEN,
            middleware=[DefineMiddleware(PageAuth)],
            exception_handlers=exception_handlers(),
            after_request=secure,
            include_in_schema=False,
        ),
    ]
