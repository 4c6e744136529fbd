"""What a client is told when something is wrong: problem details (RFC 9457), whoever raises it."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Annotated, Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import HTTPException, ValidationException
from litestar.openapi.datastructures import ResponseSpec
from litestar.types import ExceptionHandlersMap
from msgspec import Meta

from service.api.taken import Taken, taken_by
from service.records.store import Busy
from service.work.errors import (
    Conflict,
    FieldProblem,
    Impossible,
    NotAllowed,
    NotFound,
    StaleVersion,
    WorkError,
)
from service.work.throttle import TooMany

_log = logging.getLogger(__name__)

_ASK_AGAIN_S = 5

MEDIA_TYPE = "application/problem+json"

_SNAKE = re.compile(r"[a-z]+(?:_[a-z0-9]+)+")
_NO_SUCH_WORD = "Invalid enum value"  # as msgspec says it


class FieldError(msgspec.Struct, kw_only=True, rename="camel", omit_defaults=True):
    """What is wrong with one field of the request."""

    field: Annotated[
        str,
        Meta(
            description="JSON pointer (RFC 6901) into the body; of a parameter, a slash and its name.",
            examples=["/seededOn"],
        ),
    ]
    problem: Annotated[
        str, Meta(description="What is wrong, and what would be right.", examples=["is in the future"])
    ]
    line: Annotated[int | None, Meta(description="Line of the file, where a file was sent.")] = None


class Problem(msgspec.Struct, kw_only=True, rename="camel", omit_defaults=True):
    """An error (RFC 9457)."""

    title: Annotated[str, Meta(description="The kind of error, in words.", examples=["Unprocessable Entity"])]
    status: Annotated[int, Meta(description="HTTP status code.", examples=[422])]
    type: Annotated[str, Meta(description="The kind of error; about:blank: as the status says.")] = (
        "about:blank"
    )
    detail: Annotated[str, Meta(description="What happened this time.")] = ""
    instance: Annotated[str, Meta(description="Path of the request.", examples=["/v1/batches"])] = ""
    errors: Annotated[
        list[FieldError], Meta(description="The fields at fault, where fields are at fault.")
    ] = []
    current: Annotated[
        dict[str, Any] | None,
        Meta(description="Of a clash over a batch: the batch as it is now, to go on from."),
    ] = None


class RequestFault(ValidationException):
    """The request is not what the operation takes; says where."""

    def __init__(self, *errors: FieldError) -> None:
        super().__init__("; ".join(_said(error) for error in errors))
        self.errors = errors


def parameter_fault(name: str, problem: str) -> RequestFault:
    """Return the fault of one parameter."""
    return RequestFault(FieldError(field=f"/{name}", problem=problem))


def _said(error: FieldError) -> str:
    """Return an error as a sentence of its own."""
    name = error.field.removeprefix("/")
    return f"{name}: {error.problem}" if name else error.problem


def problem_responses(*statuses: int) -> dict[int, ResponseSpec]:
    """Return what an operation's description says of its errors."""
    return {
        status: ResponseSpec(
            Problem, media_type=MEDIA_TYPE, description=HTTPStatus(status).phrase, generate_examples=False
        )
        for status in statuses
    }


def pointer(field: str) -> str:
    """Return the JSON pointer of a field that the work names in snake case; "" is the whole."""
    return f"/{camel(field)}" if field else ""


def camel(name: str) -> str:
    """Return a snake_case name in camelCase, as ``rename="camel"`` does."""
    first, *rest = name.split("_")
    return first + "".join(part.capitalize() for part in rest)


def exception_handlers() -> ExceptionHandlersMap:
    """Return the handlers that make a problem of every exception."""
    return {HTTPException: _on_http, WorkError: _on_work, Busy: _on_busy, Exception: _on_bug}


def _answer(
    request: Request[Any, Any, Any],
    status: int,
    detail: str,
    errors: Iterable[FieldError] = (),
    headers: dict[str, str] | None = None,
    current: dict[str, Any] | None = None,
) -> Response[Problem]:
    problem = Problem(
        title=HTTPStatus(status).phrase,
        status=status,
        detail=detail,
        instance=request.url.path,
        errors=list(errors),
        current=current,
    )
    return Response(problem, status_code=status, media_type=MEDIA_TYPE, headers=headers)


def _on_http(request: Request[Any, Any, Any], error: HTTPException) -> Response[Problem]:
    if error.status_code >= HTTPStatus.INTERNAL_SERVER_ERROR:
        return _on_bug(request, error)
    if isinstance(error, ValidationException) and isinstance(error.extra, list):
        taken = taken_by(request.route_handler)
        error = RequestFault(*(_parameter_error(found, taken) for found in error.extra))
    if error.status_code == HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
        most = request.route_handler.resolve_request_max_body_size()
        return _answer(
            request, error.status_code, f"The body is larger than {most} bytes, which are allowed here."
        )
    errors = error.errors if isinstance(error, RequestFault) else ()
    return _answer(request, error.status_code, error.detail, errors, headers=error.headers)


def _parameter_error(found: dict[str, str], taken: Taken) -> FieldError:
    """Return what Litestar found, which names parameters as the code does, under the name that clients know."""
    name = found.get("key", "")
    if name == "data":
        return FieldError(field="", problem="A JSON body is missing")
    return FieldError(
        field=f"/{taken.names.get(name, camel(name))}",
        problem=with_words(found["message"], taken.words.get(name, ())),
    )


def with_words(problem: str, words: Iterable[str]) -> str:
    """Return what is wrong with a word, and which words it may be."""
    listed = ", ".join(words)
    return (
        f"{problem}; it must be one of {listed}" if listed and problem.startswith(_NO_SUCH_WORD) else problem
    )


_STATUS: dict[type[WorkError], HTTPStatus] = {
    TooMany: HTTPStatus.TOO_MANY_REQUESTS,
    NotFound: HTTPStatus.NOT_FOUND,
    NotAllowed: HTTPStatus.FORBIDDEN,
    Impossible: HTTPStatus.UNPROCESSABLE_ENTITY,
    StaleVersion: HTTPStatus.PRECONDITION_FAILED,  # a Conflict too, so it stands before it
    Conflict: HTTPStatus.CONFLICT,
}


def _on_work(request: Request[Any, Any, Any], error: WorkError) -> Response[Problem]:
    status = next(
        (s for kind, s in _STATUS.items() if isinstance(error, kind)), HTTPStatus.UNPROCESSABLE_ENTITY
    )
    detail, limited = error.detail, getattr(request.scope.get("user"), "farm_id", None) is not None
    if isinstance(error, NotFound) and limited:
        # Whoever sees one farm is told the same of what is not there and of what is another farm's.
        detail = "there is no such thing"
    wait = getattr(error, "retry_after_s", None)
    headers = None if wait is None else {"Retry-After": str(wait)}
    current = getattr(error, "current", None)
    shown = msgspec.to_builtins(current) if isinstance(current, msgspec.Struct) else None
    names = taken_by(request.route_handler).fields
    errors = [field_error(problem, names) for problem in error.problems]
    return _answer(request, status, _in_words_of(detail, names), errors, headers, shown)


def field_error(problem: FieldProblem, names: Mapping[str, str] = {}) -> FieldError:
    """Return a problem as shown; ``names``: what clients call the fields that it may speak of."""
    said = _in_words_of(problem.problem, names)
    return FieldError(field=pointer(problem.field), problem=said, line=problem.line)


def _in_words_of(sentence: str, names: Mapping[str, str]) -> str:
    """Return a sentence of the work, which calls fields as the code does, with their names in JSON."""
    return _SNAKE.sub(lambda found: names.get(found[0], found[0]), sentence)


def _on_busy(request: Request[Any, Any, Any], error: Exception) -> Response[Problem]:
    _log.warning("%s %s: more is asked than can be answered: %s", request.method, request.url.path, error)
    return _answer(
        request,
        HTTPStatus.SERVICE_UNAVAILABLE,
        "More is asked than can be answered now; ask again later.",
        headers={"Retry-After": str(_ASK_AGAIN_S)},
    )


def _on_bug(request: Request[Any, Any, Any], error: Exception) -> Response[Problem]:
    _log.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return _answer(
        request,
        HTTPStatus.INTERNAL_SERVER_ERROR,
        "This is a fault of the service; it is in its log. Nothing was changed.",
    )
