"""Everything under /v1."""

from __future__ import annotations

from litestar import Router
from litestar.di import Provide
from litestar.middleware import DefineMiddleware

from service.api import (
    audit,
    calibration,
    conclusions,
    imports,
    line,
    measurements,
    planning,
    seed_lots,
    seed_orders,
    seed_tests,
    weather,
)
from service.api.access import ApiAuth
from service.api.answers import KeptAnswers
from service.api.batches import Batches
from service.api.bodies import StrictJson
from service.api.crops import Crops, Cultivars, list_crop_profiles
from service.api.events import Events
from service.api.farms import Farms
from service.api.houses import Houses
from service.api.limits import ConditionalGet
from service.api.lot_trials import LotTrials
from service.api.orders import Orders
from service.api.seed_lots import SeedLots
from service.api.sensors import Sensors
from service.api.successions import Successions
from service.api.tasks import Tasks
from service.api.tokens import Tokens
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
            Crops,
            Cultivars,
            list_crop_profiles,
            Successions,
            Batches,
            Orders,
            Tasks,
            Sensors,
            measurements.list_readings,
            measurements.list_hours,
            measurements.list_dead_letters,
            measurements.list_unknown_topics,
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
            Users,
            get_me,
            change_own_password,
            audit.list_audit,
        ],
        middleware=[DefineMiddleware(ApiAuth), ConditionalGet(), KeptAnswers(), Changing()],
        guards=[check_csrf, check_scope],
        dependencies={
            "uow": Provide(provide_uow),
            "access": Provide(provide_access),
            "clock": Provide(provide_clock),
        },
        security=[{"token": []}],
        dto=StrictJson,
        return_dto=None,
    )
