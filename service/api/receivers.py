"""Receivers of alerts and news, and the notices written for them."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from litestar import Controller, Response, delete, get, patch, post
from litestar.datastructures import State
from litestar.di import NamedDependency, Provide
from litestar.params import JSONBody, QueryParameter, SkipValidation
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View, page, view
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
    OfFarm,
    RowId,
    Uow,
    one,
    seen_version,
)
from service.records.tables import Receiver
from service.work import notices, receivers
from service.work.alert_kinds import KINDS
from service.work.receivers_targets import Targets

KindWord = Literal["webhook", "mail", "mqtt"]
StateWord = Literal["waiting", "held", "sent", "dead", "replaced"]
_ADMIN = {"scope": "admin"}
_TIME = "local, HH:MM"

FarmId = Annotated[int, Meta(description="The farm it hears of.", examples=[1])]
Kind = Annotated[KindWord, Meta(description="The way by which it is told.")]
Name = Annotated[str, Meta(description="What it is called.", examples=["Control room"])]
Target = Annotated[
    str,
    Meta(
        description="Of a webhook an https URL on the public internet, or in a network that the settings allow; of mail"
        " one address; of mqtt the first part of the topics, `evenleaf-out` if it is left out.",
        examples=["https://example.org/hooks/evenleaf"],
    ),
]
TimeZone = Annotated[
    str,
    Meta(
        description="IANA time zone of quiet hours and digest; left out: that of the farm's first house.",
        examples=["Europe/Amsterdam"],
    ),
]
HouseIds = Annotated[
    list[int] | None, Meta(description="Only of these houses; null: of every one.", examples=[[1]])
]
AlertKinds = Annotated[
    list[str] | None,
    Meta(
        description=f"Only alerts of these kinds; null: of every kind. There are {', '.join(KINDS)}.",
        examples=[["flow_lost", "solution_out_of_limits"]],
    ),
]
MinSeverity = Annotated[
    Literal["info", "warning", "urgent"], Meta(description="Only alerts at least as severe.")
]
News = Annotated[
    list[Literal["advice", "forecast"]],
    Meta(description="What it hears of besides alerts: new advice, dates that moved by two days or more."),
]
QuietFrom = Annotated[
    str | None,
    Meta(
        description=f"Beginning of quiet hours ({_TIME}), in which only what is urgent is sent.",
        examples=["21:00"],
    ),
]
QuietTo = Annotated[str | None, Meta(description=f"End of quiet hours ({_TIME}).", examples=["06:30"])]
DigestAt = Annotated[
    str | None,
    Meta(
        description=f"Of mail: when to send the morning digest ({_TIME}), which then holds what the quiet hours kept"
        " back; null: none.",
        examples=["06:30"],
    ),
]
Active = Annotated[bool, Meta(description="False: nothing is sent to it.")]


class ReceiverNew(Body):
    """A receiver to be made."""

    farm_id: FarmId
    kind: Kind
    name: Name
    target: Target | UnsetType = UNSET
    time_zone: TimeZone | UnsetType = UNSET
    house_ids: HouseIds | UnsetType = UNSET
    alert_kinds: AlertKinds | UnsetType = UNSET
    min_severity: MinSeverity | UnsetType = UNSET
    news: News | UnsetType = UNSET
    quiet_from: QuietFrom | UnsetType = UNSET
    quiet_to: QuietTo | UnsetType = UNSET
    digest_at: DigestAt | UnsetType = UNSET


class ReceiverChange(Body):
    """What is to be different about a receiver."""

    name: Name | UnsetType = UNSET
    target: Target | UnsetType = UNSET
    time_zone: TimeZone | UnsetType = UNSET
    house_ids: HouseIds | UnsetType = UNSET
    alert_kinds: AlertKinds | UnsetType = UNSET
    min_severity: MinSeverity | UnsetType = UNSET
    news: News | UnsetType = UNSET
    quiet_from: QuietFrom | UnsetType = UNSET
    quiet_to: QuietTo | UnsetType = UNSET
    digest_at: DigestAt | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class ReceiverView(View):
    """Someone, or something, that hears of a farm's alerts and news; without its secret."""

    id: int
    farm_id: FarmId
    kind: Kind
    name: Name
    target: Target
    time_zone: TimeZone
    house_ids: HouseIds
    alert_kinds: AlertKinds
    min_severity: MinSeverity
    news: News
    quiet_from: QuietFrom
    quiet_to: QuietTo
    digest_at: DigestAt
    active: Active
    created_at: datetime
    old_secret_until: Annotated[
        datetime | None, Meta(description="Until when a secret that was replaced signs beside the new one.")
    ]
    version: int


class ReceiverMade(ReceiverView):
    """A receiver with its secret."""

    secret: Annotated[
        str | None,
        Meta(
            description="Of a webhook: what signs (Standard Webhooks). Shown only this once.",
            examples=["whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"],
        ),
    ]


class ReceiverPage(Page):
    """Receivers."""

    items: list[ReceiverView]


class NoticeView(View):
    """One delivery of one event to one receiver."""

    id: int
    receiver_id: Annotated[int, Meta(examples=[1])]
    event_id: Annotated[
        str, Meta(description="The same at every try: drop what came before.", examples=["4f0c8f5e0d0b4b0c"])
    ]
    type: Annotated[str, Meta(examples=["evenleaf.alert.opened"])]
    source: Annotated[str, Meta(examples=["/farms/1/houses/1"])]
    subject: Annotated[str, Meta(description="Of mqtt the topic.", examples=["alerts/12"])]
    data: Annotated[dict[str, Any] | None, Meta(description="What is told; null: the topic is cleared.")]
    alert_id: int | None
    state: Annotated[
        StateWord,
        Meta(
            description="held: for the digest; dead: given up, after a day or because it was refused several times;"
            " replaced: something newer took its place."
        ),
    ]
    attempts: int
    created_at: datetime
    due_at: Annotated[datetime, Meta(description="When it is tried next.")]
    expires_at: Annotated[datetime, Meta(description="When it is given up at the latest.")]
    sent_at: datetime | None
    last_error: Annotated[str | None, Meta(examples=["answered 500"])]


class NoticePage(Page):
    """Notices, newest first."""

    items: list[NoticeView]


async def provide_targets(state: State) -> Targets:
    """Return where notices may go."""
    targets: Targets = state.settings.targets()
    return targets


Allowed = NamedDependency[SkipValidation[Targets]]


def _made(row: Receiver, secret: str | None, status: int) -> Response[ReceiverMade]:
    shown = view(ReceiverView, row)
    fields = {name: getattr(shown, name) for name in ReceiverView.__struct_fields__}
    # A secret must not stay in a cache on the way.
    headers = {
        "ETag": f'"{row.version}"',
        "Location": f"/v1/receivers/{row.id}",
        "Cache-Control": "no-store",
    }
    return Response(ReceiverMade(**fields, secret=secret), status_code=status, headers=headers)


class Receivers(Controller):
    """Receivers."""

    path = "/receivers"
    tags = ("Notices",)
    opt = _ADMIN
    dependencies = {"targets": Provide(provide_targets)}  # noqa: RUF012

    @get(operation_id="listReceivers", responses=READ)
    async def list_receivers(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        kind: Annotated[KindWord | None, QueryParameter(description="Only of this kind.")] = None,
        active: Annotated[
            bool | None, QueryParameter(description="Only active ones, or only others.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> ReceiverPage:
        """List receivers."""
        rows = await receivers.list_receivers(
            uow, access, farm_id=farm_id, kind=kind, active=active, after=after, limit=limit
        )
        return page(ReceiverPage, rows)

    @post(operation_id="createReceiver", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_receiver(
        self, uow: Uow, clock: Now, access: Asker, targets: Allowed, data: JSONBody[ReceiverNew]
    ) -> Response[ReceiverMade]:
        """Make a receiver. A webhook's secret is in this answer and nowhere else."""
        row, secret = await receivers.create_receiver(uow, clock, access, targets, data.given())
        return _made(row, secret, 201)

    @get("/{receiver_id:int}", operation_id="getReceiver", responses=READ, response_headers=[ETAG])
    async def get_receiver(self, uow: Uow, access: Asker, receiver_id: RowId) -> Response[ReceiverView]:
        """Read a receiver."""
        return one(ReceiverView, await receivers.get_receiver(uow, access, receiver_id))

    @patch("/{receiver_id:int}", operation_id="changeReceiver", responses=CHANGE, response_headers=[ETAG])
    async def change_receiver(
        self,
        uow: Uow,
        clock: Now,
        access: Asker,
        targets: Allowed,
        receiver_id: RowId,
        data: JSONBody[ReceiverChange],
        if_match: IfMatch = None,
    ) -> Response[ReceiverView]:
        """Change a receiver; with `active` false nothing more is sent, and retained topics are cleared."""
        row = await receivers.change_receiver(
            uow, clock, access, targets, receiver_id, data.given(), seen_version(if_match)
        )
        return one(ReceiverView, row)

    @delete("/{receiver_id:int}", operation_id="deleteReceiver", responses=CHANGE, status_code=204)
    async def delete_receiver(self, uow: Uow, access: Asker, receiver_id: RowId) -> None:
        """Delete a receiver with its notices. One of kind mqtt is made inactive first, which clears its topics."""
        await receivers.delete_receiver(uow, access, receiver_id)

    @post(
        "/{receiver_id:int}/rotate",
        operation_id="rotateReceiverSecret",
        responses=CHANGE,
        response_headers=[ETAG],
        status_code=200,
    )
    async def rotate_secret(
        self, uow: Uow, clock: Now, access: Asker, receiver_id: RowId
    ) -> Response[ReceiverMade]:
        """Give a webhook a new secret; for 24 hours the old one signs beside it."""
        return _made(*await receivers.rotate_secret(uow, clock, access, receiver_id), 200)

    @post(
        "/{receiver_id:int}/test",
        operation_id="testReceiver",
        responses=CHANGE,
        status_code=202,
    )
    async def send_test(self, uow: Uow, clock: Now, access: Asker, receiver_id: RowId) -> NoticeView:
        """Send a test; how it went is in the notice."""
        return view(NoticeView, await receivers.send_test(uow, clock, access, receiver_id))


class Notices(Controller):
    """Notices."""

    path = "/notices"
    tags = ("Notices",)
    opt = _ADMIN

    @get(operation_id="listNotices", responses=READ)
    async def list_notices(
        self,
        uow: Uow,
        access: Asker,
        receiver_id: Annotated[
            int | None, QueryParameter(name="receiverId", description="Only for this receiver.")
        ] = None,
        alert_id: Annotated[
            int | None, QueryParameter(name="alertId", description="Only of this alert.")
        ] = None,
        state_: Annotated[
            StateWord | None, QueryParameter(name="state", description="Only in this state.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> NoticePage:
        """List what was, or is to be, sent; newest first."""
        rows = await notices.list_notices(
            uow, access, receiver_id=receiver_id, alert_id=alert_id, state=state_, after=after, limit=limit
        )
        return page(NoticePage, rows)

    @get("/{notice_id:int}", operation_id="getNotice", responses=READ)
    async def get_notice(self, uow: Uow, access: Asker, notice_id: RowId) -> NoticeView:
        """Read a notice."""
        return view(NoticeView, await notices.get_notice(uow, access, notice_id))

    @post("/{notice_id:int}/resend", operation_id="resendNotice", responses=CHANGE, status_code=202)
    async def resend_notice(self, uow: Uow, clock: Now, access: Asker, notice_id: RowId) -> NoticeView:
        """Send again what was sent or given up, with the id it had."""
        return view(NoticeView, await notices.resend_notice(uow, clock, access, notice_id))
