"""Everything under /v1."""

from __future__ import annotations

from litestar import Router
from litestar.di import Provide
from litestar.middleware import DefineMiddleware

from service.api import (
    audit,
    calibration,
    conclusions,
    house_log,
    imports,
    line,
    measurements,
    pictures,
    planning,
    seed_lots,
    seed_orders,
    seed_tests,
    sensor_data,
    stream,
    weather,
    work_list,
    zone_limits,
)
from service.api.access import ApiAuth
from service.api.answers import KeptAnswers
from service.api.batches import Batches
from service.api.bodies import StrictJson
from service.api.calendars import Calendars
from service.api.crops import Crops, Cultivars, list_crop_profiles
from service.api.events import Events
from service.api.exports import export_farm_trace, export_house_batches, export_trace
from service.api.farms import Farms
from service.api.houses import Houses
from service.api.labels import get_lot_labels, get_tray_labels
from service.api.limits import ConditionalGet
from service.api.lot_trials import LotTrials
from service.api.orders import Orders
from service.api.packing import Deliveries, PackedLots, get_fulfilment, get_order_fulfilment
from service.api.parameters import check_parameters
from service.api.receivers import Notices, Receivers
from service.api.reports import get_report, get_report_csv, get_report_picture
from service.api.sections import Sections
from service.api.seed_lots import SeedLots
from service.api.sensors import Sensors
from service.api.successions import Successions
from service.api.tasks import Tasks
from service.api.tokens import Tokens
from service.api.trace import get_trace
from service.api.users import Users, change_own_password, get_me
from service.api.zones import Zones
from service.asker import check_csrf, check_scope, provide_access, provide_clock
from service.changes import Changing, provide_uow


def api_router() -> Router:
    """Return the API's resources, with who may use them and how their bodies are read."""
    return Router(
        "/v1",
        route_handlers=[
            Farms,
            Houses,
            Events,
            Zones,
            Sections,
            Crops,
            Cultivars,
            list_crop_profiles,
            Successions,
            Batches,
            pictures.add_picture,
            pictures.get_picture,
            house_log.list_house_log,
            house_log.append_house_log,
            work_list.get_work,
            work_list.propose_work,
            Orders,
            PackedLots,
            Deliveries,
            get_order_fulfilment,
            get_fulfilment,
            get_report,
            get_report_csv,
            get_report_picture,
            get_trace,
            get_tray_labels,
            get_lot_labels,
            export_trace,
            export_farm_trace,
            Tasks,
            Sensors,
            measurements.list_readings,
            measurements.list_hours,
            measurements.list_sensor_hours,
            measurements.list_days,
            measurements.list_dead_letters,
            measurements.list_unknown_topics,
            sensor_data.push_readings,
            sensor_data.list_sensor_calibrations,
            sensor_data.add_sensor_calibration,
            sensor_data.change_sensor_calibration,
            sensor_data.replay,
            sensor_data.get_sensor_health,
            weather.push_weather,
            weather.get_weather,
            weather.get_transmission,
            calibration.get_calibration,
            conclusions.list_forecasts,
            conclusions.list_advice,
            conclusions.accept_advice,
            conclusions.list_alerts,
            conclusions.get_alert,
            conclusions.acknowledge_alert,
            conclusions.snooze_alert,
            stream.stream_changes,
            zone_limits.list_limits,
            zone_limits.set_limits,
            zone_limits.forget_limits,
            Calendars,
            Receivers,
            Notices,
            SeedLots,
            LotTrials,
            seed_lots.get_next_seed_lot,
            seed_lots.list_seed_lot_emergence,
            seed_orders.list_seed_orders,
            seed_orders.accept_seed_orders,
            seed_tests.judge_seed_test,
            seed_tests.get_seed_viability,
            line.get_line,
            line.reforecast,
            imports.import_readings,
            imports.import_batches,
            imports.import_orders,
            export_house_batches,
            planning.make_plan,
            planning.accept_plan,
            planning.get_site_values,
            planning.plan_sowing,
            weather.import_weather,
            Tokens,
            Users,
            get_me,
            change_own_password,
            audit.list_audit,
        ],
        middleware=[DefineMiddleware(ApiAuth), ConditionalGet(), KeptAnswers(), Changing()],
        guards=[check_csrf, check_scope, check_parameters],
        dependencies={
            "uow": Provide(provide_uow),
            "access": Provide(provide_access),
            "clock": Provide(provide_clock),
        },
        security=[{"token": []}],
        dto=StrictJson,
        return_dto=None,
    )
