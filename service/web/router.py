"""Every page."""

from __future__ import annotations

from litestar import Router

from service.web import assets, batches, houses, offline, setup, standin
from service.web.frame import before_page, exception_handlers, secured


def web_router() -> Router:
    """Return the pages, with what comes before and after each."""
    return Router(
        "/",
        route_handlers=[
            assets.get_asset,
            standin.show_login,
            standin.log_in,
            standin.log_out,
            houses.show_start,
            houses.show_belt,
            houses.get_belt_csv,
            houses.show_today,
            houses.tick_task,
            houses.untick_task,
            houses.show_advice,
            houses.follow_advice,
            batches.show_batch,
            batches.get_batch_code,
            batches.record_entry,
            batches.undo_entry,
            batches.scan,
            setup.show_house_form,
            setup.make_house,
            setup.show_step,
            setup.make_succession,
            setup.make_sensor,
            setup.make_batch,
            offline.get_worker,
            offline.get_session_facts,
            offline.show_offline,
            offline.show_unsent,
            offline.get_manifest,
            offline.choose_units,
        ],
        before_request=before_page,
        after_request=secured,
        exception_handlers=exception_handlers(),
        include_in_schema=False,
    )
