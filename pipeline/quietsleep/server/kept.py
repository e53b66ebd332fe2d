"""What a browser may keep: styles and scripts, by a digest of their content.

An address that carries the digest never changes what it means, so a browser need not ask for it
again. What is said of infants is kept by no browser, and goes out under `no-store`.
"""

from __future__ import annotations

import hashlib
import re
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.responses import Response

if TYPE_CHECKING:
    from starlette.requests import Request

FOLDER = "assets"
_LINK = re.compile(rb'((?:src|href)=")((?:\.\./){0,4}assets/[A-Za-z0-9_][A-Za-z0-9_.-]{0,119})"')
_FOR_GOOD, _ASK_AGAIN = "max-age=31536000, immutable", "no-cache"


def version_of(content: bytes) -> str:
    """Return what the address of a content carries."""
    return hashlib.sha256(content).hexdigest()[:16]


def kept(request: Request, content: bytes, kind: str, *, whose: str) -> Response:
    """Return a content that may be kept, or that the one which is there is still the same.

    `whose` is "public", or "private" for what only one who has signed in may see.
    """
    version = version_of(content)
    # Weak: what is packed on its way is the same to whoever reads it.
    tag = f'W/"{version}"'
    how_long = _FOR_GOOD if request.query_params.get("v") == version else _ASK_AGAIN
    headers = {"cache-control": f"{whose}, {how_long}", "etag": tag}
    held = {each.strip() for each in request.headers.get("if-none-match", "").split(",")}
    if tag in held or "*" in held:
        return Response(status_code=304, headers=headers)
    return Response(content, media_type=kind, headers=headers)


def with_versions(head: bytes, folder: Path, page: Path) -> bytes:
    """Return the head of a page of `folder` whose links to styles and scripts carry digests."""

    def version(link: re.Match[bytes]) -> bytes:
        place = (page.parent / link[2].decode()).resolve()
        if place.parent != folder.resolve() / FOLDER:
            return link[0]
        try:
            info = place.stat()
            digest = _version_of_file(place, info.st_mtime_ns, info.st_size)
        except OSError:
            return link[0]
        return link[1] + link[2] + b"?v=" + digest.encode() + b'"'

    return _LINK.sub(version, head)


@lru_cache(maxsize=4096)
def _version_of_file(path: Path, _mtime_ns: int, _size: int) -> str:
    return version_of(path.read_bytes())
