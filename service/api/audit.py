"""The audit trail."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from litestar import get
from litestar.params import QueryParameter
from msgspec import Meta

from service.api.bodies import Page, View, page
from service.api.operations import PAGE, READ, After, Asker, From, Limit, To, Uow, moment
from service.work import audit


class AuditView(View):
    """One change."""

    id: int
    at: datetime
    access: Annotated[str, Meta(description="Who: a token or a user, by id.", examples=["user:1"])]
    name: Annotated[str, Meta(description="What they were called then.", examples=["Ada"])]
    operation: Annotated[str, Meta(description="Which operation.", examples=["appendEntry"])]
    method: Annotated[str, Meta(description="HTTP method.", examples=["POST"])]
    path: Annotated[str, Meta(description="Path of the request.", examples=["/v1/batches/12/entries"])]
    status: Annotated[int, Meta(description="Answered.", examples=[201])]
    things: Annotated[
        list[str],
        Meta(
            description="Rows made or changed, at most 50; a change in bulk names none.",
            examples=[["entry:80", "batch:12"]],
        ),
    ]
    changes: Annotated[
        dict[str, dict[str, Any]] | None,
        Meta(
            description="Of records that are corrected in place (deliveries, packed lots, seed lots, orders, farms): by"
            " row and column, what was said before and what is said since.",
            examples=[{"delivery:9": {"heads": [50, 40]}}],
        ),
    ]
    farm_id: Annotated[int | None, Meta(description="Whose; null: of no farm, or of several.", examples=[1])]


class AuditPage(Page):
    """Changes, newest first."""

    items: list[AuditView]


@get("/audit", operation_id="listAudit", tags=["Access"], opt={"scope": "admin"}, responses=READ)
async def list_audit(
    uow: Uow,
    access: Asker,
    by: Annotated[
        str | None, QueryParameter(description="Only of this token or user, for example user:1.")
    ] = None,
    from_: From = None,
    to: To = None,
    after: After = None,
    limit: Limit = PAGE,
) -> AuditPage:
    """List what was changed, newest first: who, when, by which operation, which rows."""
    rows = await audit.list_audit(
        uow,
        access,
        by=by,
        since=moment("from", from_),
        until=moment("to", to),
        after=after,
        limit=limit,
    )
    return page(AuditPage, rows)
