"""Pictures of what was found: kept with the entry they show."""

from __future__ import annotations

import hashlib

from service.clock import Clock
from service.records import pictures as records
from service.records.batches import lock_batch
from service.records.listing import find, known
from service.records.store import UnitOfWork
from service.records.tables import Entry, Picture
from service.work import saving
from service.work.access import Access
from service.work.batches import find_batch
from service.work.errors import FieldProblem, NotFound, impossible

LARGEST_BYTES = 5 * 1024 * 1024
MOST = 10
"""Pictures of one entry."""

_TAKEN = FieldProblem("", "there is such a picture already")


def media_type_of(content: bytes) -> str | None:
    """Return the media type of a PNG, JPEG or WebP by its first bytes; None: it is none of these.

    References
    ----------
    PNG: ISO/IEC 15948, section 5.2. JPEG: ITU-T T.81, annex B (SOI, then a marker). WebP: RFC 9649, section 2.4.
    """
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if content.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "image/webp"
    return None


async def add_picture(
    uow: UnitOfWork, clock: Clock, access: Access, batch_id: int, entry_id: int, content: bytes
) -> Picture:
    """Keep a picture with an entry; the same picture again is the one that is there.

    Raises
    ------
    NotFound
        If there is no such batch, or no such entry in it.
    Impossible
        If it is no PNG, JPEG or WebP, is larger than 5 MB, or the entry has ten already.
    """
    await find_batch(uow, access, batch_id)
    entry = await find(uow, Entry, entry_id)
    if entry is None or entry.batch_id != batch_id:
        raise NotFound(f"there is no entry {entry_id} in batch {batch_id}")
    if len(content) > LARGEST_BYTES:
        raise impossible(
            "", f"the picture has {len(content)} bytes, and may have at most {LARGEST_BYTES} (5 MB)"
        )
    media_type = media_type_of(content)
    if media_type is None:
        raise impossible("", "it must be a picture: PNG, JPEG or WebP, sent as it is")
    await lock_batch(uow, batch_id)
    sha256 = hashlib.sha256(content).hexdigest()
    there = await records.same_picture(uow, entry_id, sha256)
    if there is not None:
        return there
    if await records.count_pictures(uow, [entry_id]) >= MOST:
        raise impossible("", f"the entry has {MOST} pictures already")
    picture = Picture(
        entry_id=entry_id,
        media_type=media_type,
        content=content,
        size_bytes=len(content),
        sha256=sha256,
        recorded_at=clock.now(),
        recorded_by=access.name,
    )
    await saving.insert(uow, picture, _TAKEN)
    return picture


async def get_picture(uow: UnitOfWork, access: Access, picture_id: int) -> Picture:
    """Return a picture."""
    picture = await find(uow, Picture, picture_id)
    if picture is None:
        raise NotFound(f"there is no picture {picture_id}")
    await find_batch(uow, access, (await known(uow, Entry, picture.entry_id)).batch_id)
    return picture


async def pictures_of(uow: UnitOfWork, access: Access, batch_id: int) -> dict[int, list[int]]:
    """Return the ids of the pictures of a batch's entries, by entry."""
    await find_batch(uow, access, batch_id)
    return await records.picture_ids(uow, batch_id)
