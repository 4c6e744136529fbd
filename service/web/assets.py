"""The pages' own style and scripts, served under a name that holds the digest of them all, so that none goes stale."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from litestar import Response, get
from litestar.exceptions import NotFoundException
from litestar.params import FromPath

FOLDER = Path(__file__).parent / "assets"
_TYPES = {
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
_FOR_GOOD = "public, max-age=31536000, immutable"


@cache
def contents() -> dict[str, bytes]:
    """Return every file by its name."""
    return {file.name: file.read_bytes() for file in sorted(FOLDER.iterdir()) if file.suffix in _TYPES}


@cache
def digest() -> str:
    """Return a short digest of all files: scripts that import one another change together."""
    found = hashlib.blake2b(digest_size=8)
    for name, content in contents().items():
        found.update(f"{name}\0{len(content)}\0".encode() + content)
    return found.hexdigest()


def url(name: str) -> str:
    """Return where a file is.

    Raises
    ------
    KeyError
        If there is no such file.
    """
    if name not in contents():
        raise KeyError(name)
    return f"/assets/{digest()}/{name}"


@get("/assets/{version:str}/{name:str}", sync_to_thread=False)
def get_asset(version: FromPath[str], name: FromPath[str]) -> Response[bytes]:
    """Return a file; of an old page whose files have changed, the new ones, not kept for good."""
    content = contents().get(name)
    if content is None:
        raise NotFoundException("There is no such file.")
    return Response(
        content,
        media_type=f"{_TYPES[Path(name).suffix]}; charset=utf-8",
        headers={"cache-control": _FOR_GOOD if version == digest() else "no-cache"},
    )
