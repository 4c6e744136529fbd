"""Pictures of a ledger's entries."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from litestar import Response, get, post
from litestar.openapi.datastructures import ResponseSpec
from litestar.openapi.spec import OpenAPIFormat, OpenAPIMediaType, OpenAPIType, Operation, RequestBody, Schema
from litestar.params import HeaderParameter, RawBody
from msgspec import Meta

from service.api.bodies import View, view
from service.api.operations import LOCATION, READ, RECORD, Asker, Now, RowId, Uow
from service.api.problems import problem_responses
from service.work import pictures

_TYPES = ("image/jpeg", "image/png", "image/webp")
_BINARY = Schema(type=OpenAPIType.STRING, format=OpenAPIFormat.BINARY)

IfNoneMatch = Annotated[
    str | None, HeaderParameter(name="If-None-Match", description="The `ETag` of what is there already.")
]


class PictureView(View):
    """A picture of what an entry tells."""

    id: int
    entry_id: Annotated[int, Meta(description="The entry it shows.")]
    media_type: Annotated[str, Meta(description="As its bytes say.", examples=["image/jpeg"])]
    size_bytes: Annotated[int, Meta(description="Bytes.")]
    sha256: Annotated[str, Meta(description="SHA-256 of its bytes, hexadecimal.")]
    recorded_at: datetime
    recorded_by: Annotated[str, Meta(description="Name of the token.")]


@dataclass
class PictureOperation(Operation):
    """An operation that takes a picture, whose body is read as bytes and so has no type to describe."""

    def __post_init__(self) -> None:
        """Describe the body."""
        self.request_body = RequestBody(
            content={kind: OpenAPIMediaType(schema=_BINARY) for kind in _TYPES},
            required=True,
            description="A PNG, JPEG or WebP of at most 5 MB.",
        )


@post(
    "/batches/{batch_id:int}/entries/{entry_id:int}/pictures",
    operation_id="addPicture",
    opt=RECORD,
    tags=["Batches"],
    responses=problem_responses(400, 401, 403, 404, 409, 413, 422),
    response_headers=[LOCATION],
    dto=None,
    request_max_body_size=pictures.LARGEST_BYTES + 1,  # so that the use case says what is right
    operation_class=PictureOperation,
)
async def add_picture(
    uow: Uow, clock: Now, access: Asker, batch_id: RowId, entry_id: RowId, body: RawBody
) -> Response[PictureView]:
    """Keep a picture with an entry, for example of what a check found.

    Send the bytes of a PNG, JPEG or WebP as the body. What it is is told by the bytes themselves. The same picture
    again is the one that is there.
    """
    picture = await pictures.add_picture(uow, clock, access, batch_id, entry_id, body)
    return Response(view(PictureView, picture), headers={"Location": f"/v1/pictures/{picture.id}"})


@get(
    "/pictures/{picture_id:int}",
    operation_id="getPicture",
    tags=["Batches"],
    responses={
        **READ,
        200: ResponseSpec(bytes, media_type="image/*", description="The picture.", generate_examples=False),
        304: ResponseSpec(None, description="It is what `If-None-Match` says.", generate_examples=False),
    },
)
async def get_picture(
    uow: Uow, access: Asker, picture_id: RowId, if_none_match: IfNoneMatch = None
) -> Response[bytes | None]:
    """Read a picture. It never changes."""
    picture = await pictures.get_picture(uow, access, picture_id)
    tag = f'"{picture.sha256}"'
    headers = {"ETag": tag, "Cache-Control": "private, max-age=31536000, immutable"}
    if if_none_match is not None and tag in {part.strip() for part in if_none_match.split(",")}:
        return Response(None, status_code=304, headers=headers)
    suffix = picture.media_type.removeprefix("image/")
    headers |= {
        "X-Content-Type-Options": "nosniff",
        "Content-Security-Policy": "default-src 'none'; sandbox",
        "Content-Disposition": f'inline; filename="picture-{picture.id}.{suffix}"',
    }
    return Response(picture.content, media_type=picture.media_type, headers=headers)
