"""Tokens."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from litestar import Controller, Response, delete, get, post
from litestar.params import JSONBody
from msgspec import Meta

from service.api.bodies import Body, Page, View, page, view
from service.api.operations import CREATE, LOCATION, PAGE, READ, After, Asker, Limit, Now, RowId, Uow
from service.work import access as tokens

Scope = Literal["read", "record", "write", "ingest", "admin"]
Name = Annotated[
    str, Meta(description="Whose or what it is; written beside what is done with it.", examples=["tablet"])
]
Scopes = Annotated[
    list[Scope],
    Meta(
        description="What it allows; record: to write down what was done; write includes read and record, admin"
        " everything.",
        examples=[["read", "record"]],
    ),
]
FarmId = Annotated[int | None, Meta(description="The one farm it is for; null: every farm.", examples=[1])]

ExpiresAt = Annotated[
    datetime | None,
    Meta(
        description="When it stops working; null: not until it is revoked.", examples=["2027-03-01T00:00:00Z"]
    ),
]

_ADMIN = {"scope": "admin"}


class TokenNew(Body):
    """A token to be made."""

    name: Name
    scopes: Scopes
    farm_id: FarmId = None
    expires_at: ExpiresAt = None


class TokenView(View):
    """A token, without its secret."""

    id: int
    name: Name
    scopes: Scopes
    farm_id: FarmId
    created_at: datetime
    revoked_at: Annotated[datetime | None, Meta(description="Null: it was not revoked.")]
    expires_at: ExpiresAt
    last_used_at: Annotated[datetime | None, Meta(description="To the hour; null: never.")]


class TokenPage(Page):
    """Tokens."""

    items: list[TokenView]


class TokenMade(TokenView):
    """A token that was just made, with its secret."""

    secret: Annotated[
        str, Meta(description="To be sent as `Authorization: Bearer <secret>`. Shown only this once.")
    ]


class Tokens(Controller):
    """Tokens."""

    path = "/tokens"
    tags = ("Access",)

    @get(operation_id="listTokens", opt=_ADMIN, responses=READ)
    async def list_tokens(
        self, uow: Uow, access: Asker, after: After = None, limit: Limit = PAGE
    ) -> TokenPage:
        """List tokens, revoked ones included."""
        return page(TokenPage, await tokens.list_tokens(uow, access, after=after, limit=limit))

    @post(operation_id="createToken", opt=_ADMIN, responses=CREATE, response_headers=[LOCATION])
    async def create_token(
        self, uow: Uow, clock: Now, access: Asker, data: JSONBody[TokenNew]
    ) -> Response[TokenMade]:
        """Make a token. Its secret is in this answer and nowhere else."""
        row, secret = await tokens.create_token(
            uow, clock, access, data.name, data.scopes, data.farm_id, data.expires_at
        )
        made = TokenMade(
            id=row.id,
            name=row.name,
            scopes=view(TokenView, row).scopes,
            farm_id=row.farm_id,
            created_at=row.created_at,
            revoked_at=row.revoked_at,
            expires_at=row.expires_at,
            last_used_at=row.last_used_at,
            secret=secret,
        )
        # A secret must not stay in a cache on the way.
        return Response(made, headers={"Location": "/v1/tokens", "Cache-Control": "no-store"})

    @delete("/{token_id:int}", operation_id="revokeToken", opt=_ADMIN, responses=READ, status_code=200)
    async def revoke_token(self, uow: Uow, clock: Now, access: Asker, token_id: RowId) -> TokenView:
        """Revoke a token for good."""
        return view(TokenView, await tokens.revoke_token(uow, clock, access, token_id))
