"""The guard of what is asked in a query: names that an operation does not describe, and those that are missing."""

from __future__ import annotations

from typing import Any

from litestar.connection import ASGIConnection
from litestar.handlers import BaseRouteHandler

from service.api.problems import FieldError, RequestFault
from service.api.taken import taken_by


def check_parameters(connection: ASGIConnection[Any, Any, Any, Any], _: BaseRouteHandler) -> None:
    """Guard an operation: a parameter that it does not describe is an error, as is one that is missing.

    Else a misspelt ``dryRun`` would store what was only to be tried.

    Raises
    ------
    RequestFault
        If there are such parameters; each is named.
    """
    # The framework hands each guard a copy of the handler, a new one for each request: what is kept of those grows.
    taken = taken_by(connection.route_handler)
    if not (connection.scope["query_string"] or taken.needed) or connection.scope.get("method") == "OPTIONS":
        return
    given = dict.fromkeys(connection.query_params)
    errors = [
        FieldError(field=f"/{name}", problem=f"is not a parameter; {_there_are(taken.query)}")
        for name in given
        if name not in taken.query
    ]
    errors += [
        FieldError(field=f"/{name}", problem="is missing") for name in taken.needed if name not in given
    ]
    if errors:
        raise RequestFault(*errors)


def _there_are(names: tuple[str, ...]) -> str:
    if not names:
        return "there is none"
    return f"there {'are' if len(names) > 1 else 'is'} {', '.join(names)}"
