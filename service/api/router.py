"""Everything under /v1."""

from __future__ import annotations

from litestar import Router
from litestar.di import Provide
from litestar.middleware import DefineMiddleware

from service.api import (
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
    weather,
    work_list,
)
from service.api.access import TokenAuth, check_scope
from service.api.batches import Batches
from service.api.bodies import StrictJson
from service.api.crops import Crops, Cultivars, list_crop_profiles
from service.api.events import Events
from service.api.exports import export_farm_trace, export_trace
from service.api.farms import Farms
from service.api.houses import Houses
from service.api.labels import get_lot_labels, get_tray_labels
from service.api.lot_trials import LotTrials
from service.api.operations import provide_access, provide_clock, provide_uow
from service.api.orders import Orders
from service.api.packing import Deliveries, PackedLots, get_fulfilment, get_order_fulfilment
from service.api.reports import get_report, get_report_csv, get_report_picture
from service.api.sections import Sections
from service.api.seed_lots import SeedLots
from service.api.sensors import Sensors
from service.api.successions import Successions
from service.api.tasks import Tasks
from service.api.tokens import Tokens
from service.api.trace import get_trace
from service.api.zones import Zones


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
            conclusions.list_alerts,
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
            planning.make_plan,
            planning.accept_plan,
            planning.plan_sowing,
            weather.import_weather,
            Tokens,
        ],
        middleware=[DefineMiddleware(TokenAuth)],
        guards=[check_scope],
        dependencies={
            "uow": Provide(provide_uow),
            "access": Provide(provide_access),
            "clock": Provide(provide_clock),
        },
        security=[{"token": []}],
        dto=StrictJson,
        return_dto=None,
    )
