"""What stands between the network and the page: access code, addressee, headers, size."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from starlette.requests import Request
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["HEADERS", "LARGEST_BODY", "TooLargeError", "guarded", "new_code", "read_body"]

LARGEST_BODY = 32_768
OWN_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
REFUSED = b"Wrong or missing access code, or another address than the one shown at the start.\n"


class TooLargeError(ValueError):
    """The body of a request is larger than anything the page sends."""


def new_code() -> str:
    """Return a random access code of 128 bits."""
    return secrets.token_urlsafe(16)


async def read_body(request: Request) -> bytes:
    """Return the body of a request, or raise TooLargeError without reading the rest."""
    said = request.headers.get("content-length", "")
    if said.isascii() and said.isdigit() and (len(said) > 9 or int(said) > LARGEST_BODY):
        raise TooLargeError
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > LARGEST_BODY:
            raise TooLargeError
    return body


def guarded(app: ASGIApp, *, code: str) -> ASGIApp:
    """Return ``app`` behind its access code, or for this computer alone when there is none.

    The code is the first part of every address and is compared in constant time; what lies
    behind it sees the rest. Without one, a request whose Host is not this computer is refused, so
    that no other site can reach the page through a name of its own.
    """

    async def guard(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def strict(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = with_headers(message["headers"])
            await send(message)

        inner = within(scope, code)
        if inner is None:
            await refuse(strict)
        elif inner["path"] == "":
            await move(f"/{code}/", strict)
        else:
            await app(inner, receive, strict)

    return guard


def within(scope: Scope, code: str) -> MutableMapping[str, Any] | None:
    """Return the scope as the page sees it, or None when it is refused."""
    if not code:
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        host = hosts[0].decode("latin-1") if len(hosts) == 1 else ""
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
        return dict(scope) if name in OWN_NAMES else None
    given, slash, rest = str(scope["path"]).removeprefix("/").partition("/")
    same = secrets.compare_digest(given.encode("utf-8", "replace"), code.encode("utf-8"))
    if not same:
        return None
    return {**scope, "path": slash + rest, "raw_path": b""}


def with_headers(sent: Any) -> list[tuple[bytes, bytes]]:
    """Return the headers of a response with the strict ones in place of its own."""
    strict = {name.encode(): value.encode() for name, value in HEADERS.items()}
    kept = [(name, value) for name, value in sent if name.lower() not in strict]
    return [*kept, *strict.items()]


async def refuse(send: Send) -> None:
    """Answer that the code or the address is wrong; nothing tells which part of it."""
    await plain(send, 403, REFUSED, [(b"content-type", b"text/plain; charset=utf-8")])


async def move(address: str, send: Send) -> None:
    """Answer with the page's own address."""
    await plain(send, 307, b"", [(b"location", address.encode())])


async def plain(send: Send, status: int, body: bytes, headers: list[tuple[bytes, bytes]]) -> None:
    """Send a whole small response."""
    length = (b"content-length", str(len(body)).encode())
    await send({"type": "http.response.start", "status": status, "headers": [*headers, length]})
    await send({"type": "http.response.body", "body": body})
