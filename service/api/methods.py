"""What a path may be asked: the answer to OPTIONS names all of its methods.

Litestar makes that answer with the first operation of a path and keeps it when later ones join.
"""

from __future__ import annotations

from functools import cache

from litestar import Litestar
from litestar.datastructures import MutableScopeHeaders
from litestar.types import Message, Scope


async def name_methods(message: Message, scope: Scope) -> None:
    """Name every method of the path in what is sent in answer to OPTIONS."""
    if message["type"] != "http.response.start" or scope.get("method") != "OPTIONS":
        return
    methods = _methods(scope["litestar_app"]).get(str(scope.get("path_template")))
    if methods:
        MutableScopeHeaders.from_message(message)["allow"] = ", ".join(methods)


@cache
def _methods(app: Litestar) -> dict[str, list[str]]:
    return {route.path_format: sorted(getattr(route, "methods", ())) for route in app.routes}
