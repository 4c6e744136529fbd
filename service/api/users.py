"""Users, and whoever asks."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from litestar import Controller, Request, Response, delete, get, patch, post
from litestar.datastructures import State
from litestar.params import JSONBody
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View, page
from service.api.operations import (
    CHANGE,
    CREATE,
    ETAG,
    LOCATION,
    PAGE,
    READ,
    After,
    Asker,
    IfMatch,
    Limit,
    Now,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.changes import transaction
from service.records.store import Store
from service.work import users
from service.work.access import SCOPES, Access
from service.work.passwords import check_password, hashed
from service.work.sessions import SignedIn

Role = Literal["owner", "grower", "crew", "viewer"]
Login = Annotated[
    str,
    Meta(
        description="Name or mail address to log in with; case does not matter.",
        examples=["ada@farm.example"],
    ),
]
DisplayName = Annotated[
    str, Meta(description="Name to show, and written beside what is done.", examples=["Ada"])
]
RoleWord = Annotated[
    Role,
    Meta(
        description="owner: everything of the farm; grower: read and write; crew: read and record what was done;"
        " viewer: read.",
        examples=["grower"],
    ),
]
FarmId = Annotated[
    int | None, Meta(description="The one farm the user sees; null: every farm.", examples=[1])
]
Password = Annotated[str, Meta(description="10 to 200 characters.", examples=["a sentence of your own"])]
_ADMIN = {"scope": "admin"}
_ANY = {"scope": "any"}


class UserNew(Body):
    """A user to be made."""

    login: Login
    role: RoleWord
    password: Password
    display_name: DisplayName | UnsetType = UNSET
    farm_id: FarmId = None


class UserChange(Body):
    """What to change of a user."""

    display_name: DisplayName | UnsetType = UNSET
    role: RoleWord | UnsetType = UNSET
    farm_id: FarmId | UnsetType = UNSET
    active: (
        Annotated[bool, Meta(description="False: no longer let in, and logged out everywhere.")] | UnsetType
    ) = UNSET


class UserView(View):
    """A user."""

    id: int
    login: Login
    display_name: DisplayName
    role: RoleWord
    farm_id: FarmId
    active: Annotated[bool, Meta(description="False: not let in.")]
    created_at: datetime
    password_changed_at: datetime
    version: int


class UserPage(Page):
    """Users."""

    items: list[UserView]


class PasswordNew(Body):
    """Another password for a user."""

    password: Password


class PasswordChange(Body):
    """Another password for oneself."""

    current_password: Annotated[str, Meta(description="The present one.", examples=["the old sentence"])]
    new_password: Password


class Me(View):
    """Whoever asks."""

    name: Annotated[str, Meta(description="What they are called.", examples=["tablet"])]
    scopes: Annotated[list[str], Meta(description="All that is allowed.", examples=[["read", "record"]])]
    farm_id: FarmId
    user_id: Annotated[int | None, Meta(description="The user, where someone has logged in.", examples=[1])]
    csrf_token: Annotated[
        str | None,
        Meta(
            description="Of a browser session: to be sent as X-CSRF-Token with every change.",
            examples=[None],
        ),
    ]


class Users(Controller):
    """Users."""

    path = "/users"
    tags = ("Access",)

    @get(operation_id="listUsers", opt=_ADMIN, responses=READ)
    async def list_users(self, uow: Uow, access: Asker, after: After = None, limit: Limit = PAGE) -> UserPage:
        """List users, inactive ones included."""
        return page(UserPage, await users.list_users(uow, access, after=after, limit=limit))

    @post(operation_id="createUser", opt=_ADMIN, responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_user(
        self, request: Request[Access, Any, State], clock: Now, access: Asker, data: JSONBody[UserNew]
    ) -> Response[UserView]:
        """Make a user who can log in."""
        values = data.given()
        new = await users.prepare_user(values, values.pop("password"))
        uow = await transaction(request)  # only now: hashing takes long, and SQLite has one writer
        return made(UserView, await users.create_user(uow, clock, access, new), "/v1/users")

    @get("/{user_id:int}", operation_id="getUser", opt=_ADMIN, responses=READ, response_headers=[ETAG])
    async def get_user(self, uow: Uow, access: Asker, user_id: RowId) -> Response[UserView]:
        """Read a user."""
        return one(UserView, await users.get_user(uow, access, user_id))

    @patch("/{user_id:int}", operation_id="changeUser", opt=_ADMIN, responses=CHANGE, response_headers=[ETAG])
    async def change_user(
        self,
        uow: Uow,
        clock: Now,
        access: Asker,
        user_id: RowId,
        data: JSONBody[UserChange],
        if_match: IfMatch = None,
    ) -> Response[UserView]:
        """Change a user; one made inactive is logged out everywhere."""
        row = await users.change_user(uow, clock, access, user_id, data.given(), seen_version(if_match))
        return one(UserView, row)

    @post(
        "/{user_id:int}/password",
        operation_id="setPassword",
        opt=_ADMIN,
        responses=CHANGE,
        response_headers=[ETAG],
        status_code=200,
    )
    async def set_password(
        self,
        request: Request[Access, Any, State],
        state: State,
        clock: Now,
        access: Asker,
        user_id: RowId,
        data: JSONBody[PasswordNew],
    ) -> Response[UserView]:
        """Give a user another password and log them out everywhere."""
        store: Store = state.store
        async with store.read() as uow:
            user = await users.get_user(uow, access, user_id)
        check_password(data.password, user.login)
        password_hash = await hashed(data.password)
        uow = await transaction(request)  # only now: hashing takes long, and SQLite has one writer
        user = await users.get_user(uow, access, user_id)
        await users.set_password(uow, clock, user, password_hash)
        return one(UserView, user)

    @delete(
        "/{user_id:int}/sessions", operation_id="endSessions", opt=_ADMIN, responses=READ, status_code=204
    )
    async def end_sessions(self, uow: Uow, clock: Now, access: Asker, user_id: RowId) -> None:
        """Log a user out everywhere."""
        await users.end_sessions(uow, clock, access, user_id)


@get("/me", operation_id="getMe", tags=["Access"], opt=_ANY, responses=READ)
async def get_me(request: Request[Access, Any, State]) -> Me:
    """Say who asks and what they may."""
    access, session = request.user, request.auth
    return Me(
        name=access.name,
        scopes=[scope for scope in SCOPES if access.may(scope)],
        farm_id=access.farm_id,
        user_id=access.user_id,
        csrf_token=session.csrf if isinstance(session, SignedIn) else None,
    )


@post(
    "/me/password",
    operation_id="changeOwnPassword",
    tags=["Access"],
    opt={"scope": "any", "own_transactions": True},
    responses=READ,
    status_code=204,
)
async def change_own_password(
    request: Request[Access, Any, State], state: State, clock: Now, data: JSONBody[PasswordChange]
) -> None:
    """Change one's own password, where one has logged in; every other session of the user ends."""
    store: Store = state.store
    session = request.auth.session_id if isinstance(request.auth, SignedIn) else None
    await users.change_own_password(
        store,
        clock,
        request.user,
        data.current_password,
        data.new_password,
        keep_session=session,
        address=request.client.host if request.client else "",
        wall=state.wall,
    )
