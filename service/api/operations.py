"""What the operations share: their unit of work, their parameters, and what they say of themselves."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from typing import Annotated, Any

import msgspec
from litestar import Response
from litestar.datastructures import ResponseHeader
from litestar.di import NamedDependency
from litestar.params import FromPath, HeaderParameter, QueryParameter, SkipValidation

from service.api.bodies import StructT, view
from service.api.limits import tag_of
from service.api.problems import parameter_fault, problem_responses
from service.clock import Clock
from service.records.store import UnitOfWork
from service.work.access import Access
from service.work.errors import StaleVersion
from service.work.listing import DEFAULT_LIMIT, MAX_LIMIT
from service.work.saving import Versioned

# --------------------------------------------------------------------------- dependencies

Uow = NamedDependency[UnitOfWork]
Asker = NamedDependency[Access]
# A Protocol cannot be checked by isinstance, which Litestar would try.
Now = NamedDependency[SkipValidation[Clock]]

# What the crew may do: write down what was done, not change what is set.
RECORD = {"scope": "record"}

# --------------------------------------------------------------------------- parameters

RowId = FromPath[int]
After = Annotated[
    int | None, QueryParameter(description="Id after which the page begins: `next` of the page before.")
]
Limit = Annotated[int, QueryParameter(description=f"How many to return at most, 1 to {MAX_LIMIT}.")]
IfMatch = Annotated[
    str | None,
    HeaderParameter(
        name="If-Match",
        description='The `ETag` that the change was made from, for example `"3"`; else 412.',
    ),
]
PAGE = DEFAULT_LIMIT


def _only_of(thing: str) -> QueryParameter:
    return QueryParameter(name=f"{thing}Id", description=f"Only of this {thing}.")


OfFarm = Annotated[int | None, _only_of("farm")]
OfHouse = Annotated[int | None, _only_of("house")]
OfZone = Annotated[int | None, _only_of("zone")]
OfCrop = Annotated[int | None, _only_of("crop")]
OfSuccession = Annotated[int | None, _only_of("succession")]
OfBatch = Annotated[int | None, _only_of("batch")]
OfSensor = Annotated[int | None, _only_of("sensor")]

_SPAN = "with its offset, for example 2026-08-03T00:00:00Z"


def _moment_parameter(query: str, description: str) -> Any:
    return QueryParameter(name=query, description=description, schema_extra={"format": "date-time"})


FirstDay = Annotated[date | None, QueryParameter(name="from", description="First day, local.")]
LastDay = Annotated[date | None, QueryParameter(name="to", description="Last day, local; it is included.")]

# Read by `moment`: Litestar would take "2026" for a second of 1970.
From = Annotated[str | None, _moment_parameter("from", f"First moment, {_SPAN}.")]
To = Annotated[str | None, _moment_parameter("to", f"Moment before which to end, {_SPAN}.")]
AfterMoment = Annotated[str | None, _moment_parameter("after", "`next` of the page before.")]


def moment(name: str, text: str | None) -> datetime | None:
    """Return the moment that a query parameter names."""
    if text is None:
        return None
    problem = f"{text!r} is not a moment {_SPAN}"
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise parameter_fault(name, problem)
    return found.astimezone(UTC)


def seen_version(if_match: str | None) -> int | None:
    """Return the version that an ``If-Match`` names; none: any will do."""
    if if_match is None or if_match.strip() == "*":
        return None
    found = re.fullmatch(r'\s*"(\d{1,18})"\s*', if_match)
    if not found:
        # Weak tags never match here (RFC 9110, 13.1.1), and a resource has but one tag.
        raise StaleVersion(f"If-Match: {if_match} is not the ETag of one version")
    return int(found[1])


# --------------------------------------------------------------------------- answers

READ = problem_responses(400, 401, 403, 404, 422)
CREATE = problem_responses(400, 401, 403, 409, 422)
CHANGE = problem_responses(400, 401, 403, 404, 409, 412, 422)

ETAG = ResponseHeader(
    name="ETag",
    description="The version in quotes, for `If-Match`.",
    value='"3"',  # for the description only, which takes its type from it
    documentation_only=True,
)
LOCATION = ResponseHeader(name="Location", description="Where it is.", value="", documentation_only=True)


def one(kind: type[StructT], row: Versioned) -> Response[StructT]:
    """Answer one resource."""
    return Response(view(kind, row), headers={"ETag": f'"{row.version}"'})


def worked_out(shown: StructT, asked_at: str) -> Response[StructT]:
    """Answer what is worked out at each asking; the field that says when has no part in its ETag."""
    timeless = msgspec.structs.replace(shown, **{asked_at: None})
    return Response(shown, headers={"ETag": tag_of(msgspec.json.encode(timeless))})


def made(kind: type[StructT], row: Any, path: str) -> Response[StructT]:
    """Answer a resource that was just made."""
    headers = {"ETag": f'"{row.version}"', "Location": f"{path}/{row.id}"}
    return Response(view(kind, row), status_code=201, headers=headers)
