"""The page at /docs that shows and tries the API, from local files only."""

from __future__ import annotations

from http import HTTPStatus
from pathlib import Path
from typing import Any

from litestar import Request, Response, Router, get
from litestar.datastructures import CacheControlHeader
from litestar.exceptions import NotFoundException
from litestar.openapi import OpenAPIConfig
from litestar.openapi.plugins import OpenAPIRenderPlugin
from litestar.openapi.spec import Components, SecurityScheme, Tag
from litestar.static_files import create_static_files_router

from service.api.description import Description

VENDOR = Path(__file__).parent.parent / "web" / "static" / "vendor"
_ASSETS = "/static/vendor/swagger-ui-dist-5.35.0"

_HEADERS = {
    # Nothing of the page may come from, or go to, another host.
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:;"
        " connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}

_PAGE = f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Evenleaf API</title>
<link rel="icon" type="image/png" href="{_ASSETS}/favicon-32x32.png">
<link rel="stylesheet" href="{_ASSETS}/swagger-ui.css">
</head>
<body>
<main id="api"></main>
<script src="{_ASSETS}/swagger-ui-bundle.js"></script>
<script src="/docs/start.js"></script>
</body>
</html>
"""

_START = """SwaggerUIBundle({
  url: "/docs/openapi.json",
  dom_id: "#api",
  deepLinking: true,
  docExpansion: "list",
  tryItOutEnabled: true,
  validatorUrl: null,
});
"""


class DocsPage(OpenAPIRenderPlugin):
    """Shows the description by Swagger UI."""

    def __init__(self) -> None:
        super().__init__(path="/")

    def render(self, request: Request[Any, Any, Any], openapi_schema: dict[str, Any]) -> bytes:  # noqa: ARG002
        """Return the page; it fetches the description itself."""
        return _PAGE.encode()

    def receive_router(self, router: Router) -> None:
        """Add the script that starts the page, whose policy forbids scripts within it."""
        router.register(_start)


@get("/start.js", media_type="text/javascript", sync_to_thread=False)
def _start() -> str:
    return _START


def _secure(response: Response[Any]) -> Response[Any]:
    if response.status_code == HTTPStatus.NOT_FOUND:
        raise NotFoundException  # answered as everywhere else, not by Litestar's own page
    response.headers.update(_HEADERS)
    return response


def docs_router() -> Router:
    """Return the router that Litestar hangs the page and the description on."""
    return Router(
        "/docs", route_handlers=[], include_in_schema=False, dto=None, return_dto=None, after_request=_secure
    )


def static_router() -> Router:
    """Return the router of the files of others; their names carry their version, so they never change."""
    return create_static_files_router(
        path="/static/vendor",
        directories=[VENDOR],
        name="vendor",
        cache_control=CacheControlHeader(max_age=31_536_000, immutable=True, public=True),
    )


_TAGS = {
    "Places": "Farms, their houses, and the zones of a house.",
    "Crops": "Crops as a farm grows them, their cultivars, and the profiles that come with the service.",
    "Successions": "Standing programmes, and what each is advised to seed.",
    "Batches": "What was seeded on a day, its ledger of facts, and its forecasts.",
    "Seeds": "Seed lots: which to sow, how they were kept and come up, trials, what to order; germination tests.",
    "Work": "Orders to be met, and tasks to be done.",
    "Trace": "Packed lots and deliveries, and the way between a head sold and the seed it came from.",
    "Conditions": "Sensors, their readings, a zone's hours, and what could not be read.",
    "House": "A house at a glance, what changes it, its alerts, and forecasting it again.",
    "Notices": "Who hears of alerts and news, and what was sent; calendars, and a stream of changes.",
    "Import": "A farm's past, from CSV files.",
    "Access": "Tokens, users, whoever asks, and the audit trail.",
    "Service": "The service itself.",
}

_DESCRIPTION = """Keeps the seedings and harvests of a hydroponic leafy-green house even.

- **Access**: send `Authorization: Bearer <token>`. Reading takes the scope `read`, writing down what was done
  `record`, changing `write`; farms, tokens and users are made with `admin`. A token may be limited to one farm: what
  is of another farm answers 404. In a browser the session of whoever has logged in does as well; a change then takes
  `X-CSRF-Token` (from `GET /v1/me`). Revoking a token ends it within a second.
- **Sending again**: give a POST an `Idempotency-Key`, and it is safe to send it again when its answer was lost.
- **Asking again**: every GET has an `ETag`; give it as `If-None-Match`, and what is unchanged answers 304.
- **Limits**: more requests a minute than are set for a token answer 429 with `Retry-After`.
- **Moments** are RFC 3339 with an offset (`2026-08-03T06:00:00Z`); **days** are local days of the house.
  Units are in the names: `latitudeDeg`, `co2Ppm`, `weightG`, `lightMol` (mol m⁻²), `plantsM2` (m⁻²).
- **Lists** come in pages: give `next` as `after` until it is null.
- **Changes** are PATCH: fields left out stay as they are. Give `If-Match` with the `ETag` that was read, and
  a change made meanwhile by someone else answers 412 instead of being overwritten.
- **Errors** are problem details (RFC 9457); `errors` names the fields. A field or a parameter that is not
  described is an error.
"""


def openapi_config(version: str) -> OpenAPIConfig:
    """Return how the API is described."""
    return OpenAPIConfig(
        title="Evenleaf API",
        version=version,
        description=_DESCRIPTION,
        openapi_router=docs_router(),
        render_plugins=[DocsPage(), Description()],
        use_handler_docstrings=True,
        components=Components(
            security_schemes={
                "token": SecurityScheme(
                    type="http", scheme="bearer", description="A token as printed or answered once."
                ),
                "session": SecurityScheme(
                    type="apiKey",
                    security_scheme_in="cookie",
                    name="evenleaf_session",
                    description="The cookie of a browser in which someone has logged in; over HTTPS its name begins"
                    " with `__Host-`. Every change then also takes `X-CSRF-Token`, see `GET /v1/me`.",
                ),
            }
        ),
        tags=[Tag(name=name, description=text) for name, text in _TAGS.items()],
    )
