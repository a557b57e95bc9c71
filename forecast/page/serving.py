"""Open a socket and run the page until it is stopped."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from ipaddress import ip_address
from typing import TYPE_CHECKING

from forecast._checks import check_whole_number
from forecast.errors import RequestError
from forecast.page.guard import new_code
from forecast.page.server import make_app

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

    from forecast.page.desk import Desk

__all__ = ["is_local", "serve"]

MOST_CONNECTIONS = 256


def is_local(host: str) -> bool:
    """Say whether ``host`` is this computer alone.

    Examples
    --------
    >>> is_local("127.0.0.1"), is_local("localhost"), is_local("0.0.0.0")
    (True, True, False)
    """
    try:
        return host == "localhost" or ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def serve(
    desk: Desk,
    *,
    announce: Callable[[str, bool], None],
    host: str = "127.0.0.1",
    port: int = 8765,
    language: str = "",
) -> None:
    """Serve the page until interrupted; returns when it is.

    Parameters
    ----------
    desk : Desk
        What it answers from.
    announce : callable
        Called with the page's address, and whether it is local, once the page can be opened.
    host : str
        This computer alone unless another one of its addresses is named; then the address holds
        an access code.
    port : int
        0 takes any free one.
    language : str
        By default the clinic's.

    Raises
    ------
    RequestError
        The extra is not installed, or the host and port cannot be listened on.
    """
    try:
        import uvicorn
    except ImportError:
        raise RequestError(
            "The page needs packages that are not installed.",
            "Install session-forecast with its extra: pip install -e '.[page]'.",
        ) from None
    from threadpoolctl import threadpool_limits

    local = is_local(host)
    code = "" if local else new_code()
    app = unless_broken_off(make_app(desk, language=language, code=code))
    listening = listen(host.strip("[]"), check_whole_number(port, name="port", high=65_535))
    config = uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        server_header=False,
        date_header=False,
        lifespan="off",
        ws="none",
        http="h11",
        limit_concurrency=MOST_CONNECTIONS,
    )
    with listening:
        name = reachable(host)
        announce(
            f"http://{name}:{listening.getsockname()[1]}/" + (f"{code}/" if code else ""), local
        )
        # an answer's matrices are small: more than one thread for each costs three times as much
        with threadpool_limits(1):
            uvicorn.Server(config).run(sockets=[listening])


def unless_broken_off(app: ASGIApp) -> ASGIApp:
    """Return ``app`` without complaint about requests whose sender left or sent rubbish midway.

    The server has then answered or closed already; a tablet that loses its network is no error.
    """
    from h11 import LocalProtocolError
    from starlette.requests import ClientDisconnect

    async def run(scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await app(scope, receive, send)
        except (ClientDisconnect, LocalProtocolError):
            while (await receive())["type"] != "http.disconnect":
                continue

    return run


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens, or raise RequestError."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # the protocol is named, since asyncio sends small packets at once only where it is: without
    # it every answer waits 40 ms for an acknowledgement
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name == "posix":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        raise RequestError(
            f"The page cannot be served at {host} port {port}: {error.strerror or error}.",
            "Give another --port (0 takes any free one) or --host.",
        ) from None
    return listening


def reachable(host: str) -> str:
    """Return what a tablet types for ``host``: this computer's name where it listens to all."""
    if host in ("0.0.0.0", "::", "[::]"):
        return socket.gethostname()
    return f"[{host.strip('[]')}]" if ":" in host else host
