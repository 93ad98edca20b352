"""What the page consists of: the files in `web/`, compressed once, with the headers they go with.

Owns types, headers and caching. Knows no connection and nothing that is served live.
"""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from http import HTTPStatus
from pathlib import Path

from websockets.datastructures import Headers
from websockets.http11 import Response

FOLDER = Path(__file__).with_name("web")
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
    ".json": "application/json",
    ".webmanifest": "application/manifest+json",
}
_FRONT = "index.html"


@dataclass(frozen=True, slots=True)
class File:
    """One file as it goes over the wire, compressed or not; its tag changes with its content."""

    type: str
    packed: bytes
    plain: bytes
    tag: str


@cache
def files() -> Mapping[str, File]:
    """Every file by its path on the page; the front page is `/`. Read and compressed once."""
    found = {}
    for path in sorted(FOLDER.iterdir()):
        stored = path.suffix == ".gz"
        name = path.stem if stored else path.name
        if (kind := _TYPES.get(Path(name).suffix)) is None:
            continue
        data = path.read_bytes()
        packed = data if stored else gzip.compress(data, 9, mtime=0)
        plain = gzip.decompress(data) if stored else data
        tag = hashlib.sha256(packed).hexdigest()[:20]
        found["/" if name == _FRONT else f"/{name}"] = File(kind, packed, plain, f'"{tag}"')
    return found


def answer(path: str, asked: Headers, host: str, *, head_only: bool = False) -> Response:
    """Answer a request for a file: with it, with `304` where the phone has it, or with `404`."""
    file = files().get(path)
    if file is None:
        return plain(HTTPStatus.NOT_FOUND, "There is no such page here.\n", head_only=head_only)
    headers = common_headers(host)
    headers["ETag"] = file.tag
    headers["Vary"] = "Accept-Encoding"
    if file.tag in _all(asked, "If-None-Match"):
        return Response(HTTPStatus.NOT_MODIFIED, "Not Modified", headers)
    headers["Content-Type"] = file.type
    body = file.packed
    if "gzip" in _all(asked, "Accept-Encoding"):
        headers["Content-Encoding"] = "gzip"
    else:
        body = file.plain
    return _response(HTTPStatus.OK, headers, body, head_only)


def plain(
    status: HTTPStatus, text: str, *, type_: str = "text/plain; charset=utf-8", head_only: bool
) -> Response:
    """Answer with a few words that nobody keeps."""
    headers = common_headers("")
    headers["Content-Type"] = type_
    headers["Cache-Control"] = "no-store"
    return _response(status, headers, text.encode(), head_only)


def common_headers(host: str) -> Headers:
    """Make the headers that every answer has: own files only, in no frame, always asked anew.

    Some browsers do not count a WebSocket to the same host as `'self'`, so it is named.
    """
    sockets = f" ws://{host} wss://{host}" if host else ""
    policy = (
        f"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        f"connect-src 'self'{sockets}; manifest-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return Headers(
        {
            "Content-Security-Policy": policy,
            "X-Content-Type-Options": "nosniff",
            "X-Frame-Options": "DENY",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cache-Control": "no-cache",
            "Connection": "close",
        }
    )


def _response(status: HTTPStatus, headers: Headers, body: bytes, head_only: bool) -> Response:
    headers["Content-Length"] = str(len(body))
    return Response(status, status.phrase, headers, b"" if head_only else body)


def _all(headers: Headers, name: str) -> tuple[str, ...]:
    """The values of a header that may be given in pieces, without their weights."""
    given = ",".join(headers.get_all(name))
    return tuple(one.split(";")[0].strip().removeprefix("W/") for one in given.split(","))
