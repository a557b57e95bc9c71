"""The small server behind the page: local unless asked, strict headers, nothing kept unasked."""

from __future__ import annotations

import json
import os
import secrets
import socket
from asyncio import Transport
from collections.abc import Callable, MutableMapping
from contextlib import suppress
from ipaddress import ip_address
from typing import Any
from urllib.parse import parse_qs

import uvicorn
from anyio import CapacityLimiter
from anyio.to_thread import run_sync
from h11 import IDLE, SEND_BODY, LocalProtocolError
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from threadpoolctl import threadpool_limits
from uvicorn.protocols.http.h11_impl import H11Protocol

from forecast._checks import check_whole_number
from forecast._notes import languages, problem_and_remedy
from forecast.daybook import MisfitError
from forecast.errors import ForecastError, RequestError
from forecast.page.answer import Answer, answer
from forecast.page.desk import Asked, Desk, Reading, refreshed
from forecast.page.sheet import STATIC, render_page, render_parts, render_sheet
from forecast.page.visits import ACTIONS, handle
from forecast.page.words import Words, load_words

KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
AT_ONCE = 1  # answer being worked out; more only wait for the processor
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
MOST_CONNECTIONS, MOST_OF_ADDRESS = 256, 64
PATIENCE = 10.0  # seconds for a whole request, header and body


class _TooLargeError(ValueError):
    """The body of a request is larger than anything the page sends."""


def make_app(desk: Desk, *, language: str = "", code: str = "") -> ASGIApp:
    """Return the page as an ASGI application.

    Parameters
    ----------
    desk : Desk
        What it answers from.
    language : str
        Of the page; by default the clinic's.
    code : str
        The access code that every address must begin with; empty for this computer alone, and
        then only requests addressed to it are answered.

    Raises
    ------
    RequestError
        There are no texts in that language.

    Examples
    --------
    >>> from forecast.page import Desk
    >>> make_app(Desk({"clear": forecaster}), language="la")
    Traceback (most recent call last):
    forecast.errors.RequestError: There are no texts for the language 'la'. Use one of de, en.
    """
    page = _Page(desk, language or desk.clinic.language)
    routes = [
        Route("/", page.show, methods=["GET", "POST"]),
        Route("/answer", page.answer, methods=["POST"]),
        Route("/sheet", page.sheet, methods=["POST"]),
        Route("/book/{what}", page.book, methods=["POST"]),
        Route("/logo", page.logo),
        Route("/static/{name}", page.static),
    ]
    return guarded(Starlette(routes=routes), code=code)


class _Page:
    def __init__(self, desk: Desk, language: str) -> None:
        self.desk = desk
        self.language = load_words(language).code
        files = [file for file in STATIC.iterdir() if file.suffix in KINDS]
        self.texts = {file.name: (file.read_text("utf-8"), KINDS[file.suffix]) for file in files}
        self.limiter = CapacityLimiter(AT_ONCE)

    def words(self, wanted: str | None) -> Words:
        return load_words(wanted if wanted in languages() else self.language)

    async def show(self, request: Request) -> Response:
        words = self.words(request.query_params.get("language"))
        self.desk = refreshed(self.desk)
        try:
            form = await _form(request) if request.method == "POST" else {}
        except _TooLargeError:
            return PlainTextResponse(words.say("wrong.too_large"), status_code=413)
        return HTMLResponse(render_page(self.desk, words, carried=form.get("asked", [""])[0]))

    async def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in self.texts:
            return Response(status_code=404)
        text, kind = self.texts[name]
        return Response(text, media_type=kind)

    async def logo(self, request: Request) -> Response:
        logo = self.desk.clinic.logo
        if logo is None:
            return Response(status_code=404)
        return Response(logo.data, media_type=logo.kind)

    async def answer(self, request: Request) -> Response:
        words = self.words(request.query_params.get("language"))
        sent = await _sent(request, words)
        if isinstance(sent, Response):
            return sent
        self.desk = refreshed(self.desk)
        reading = self.desk.read(sent)
        if reading.asked is None:
            message, wrong = reading.told(words)
            state = "wrong" if reading.wrong else "incomplete"
            told = {"state": state, "message": message, "wrong": wrong}
            told |= {"missing": list(reading.missing), "asked_back": reading.asked_back}
            return JSONResponse(told, status_code=422 if reading.wrong else 200)
        return await run_sync(self.answered, reading, reading.asked, words, limiter=self.limiter)

    async def book(self, request: Request) -> Response:
        words = self.words(request.query_params.get("language"))
        what = request.path_params["what"]
        if self.desk.daybook is None or what not in ACTIONS:
            return Response(status_code=404)
        sent = await _sent(request, words)
        if isinstance(sent, Response):
            return sent
        told, status = await run_sync(handle, self.desk, what, sent, words, limiter=self.limiter)
        return JSONResponse(told, status_code=status)

    def answered(self, reading: Reading, asked: Asked, words: Words) -> Response:
        try:
            found = answer(self.desk, asked, words)
        except MisfitError as error:  # its course has ended
            return JSONResponse({"state": "cannot say", "message": words.note(error.note)[0]})
        except ForecastError:
            return _refusal(words, "cannot_answer", 422)
        if found is None:
            why = words.say(f"answer.no_model_{asked.goal}")
            message = f"{words.say('answer.cannot_say')}. {why}"
            return JSONResponse({"state": "cannot say", "message": message})
        message, wrong = reading.told(words)
        first = [words.say(f"answer.refer_{one.first}") for one in found.referrals[:1]]
        return JSONResponse({
            "state": "answered",
            "parts": render_parts(found, words),
            "steps": found.steps,
            "n": found.n,
            "pick": words.say("answer.pick_more" if found.done else "answer.pick"),
            "short": ". ".join([*first, found.headline, found.lines[0]]),
            "estimate": found.estimate.to_dict(),
            "message": message,
            "wrong": wrong,
            "asked_back": reading.asked_back,
        })  # fmt: skip

    async def sheet(self, request: Request) -> Response:
        try:
            form = await _form(request)
        except _TooLargeError:
            return PlainTextResponse(self.words(None).say("wrong.too_large"), status_code=413)
        words = self.words(form.get("language", [""])[0])
        sent = _decoded(form.get("asked", [""])[0].encode("utf-8", "replace"))
        asked = self.desk.read(sent).asked
        found: Answer | None = None
        with suppress(ForecastError):
            if asked is not None:
                found = await run_sync(answer, self.desk, asked, words, limiter=self.limiter)
        if found is None:
            return PlainTextResponse(words.say("wrong.cannot_answer"), status_code=422)
        return HTMLResponse(render_sheet(found, self.desk, words, standalone=False))


async def _sent(request: Request, words: Words) -> object:
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
        return _refusal(words, "request", 415)
    try:
        return _decoded(await _read_body(request))
    except _TooLargeError:
        return _refusal(words, "too_large", 413)


async def _form(request: Request) -> dict[str, list[str]]:
    body = await _read_body(request)
    with suppress(ValueError):
        return parse_qs(body.decode("utf-8", "replace"), max_num_fields=9)
    return {}


async def _read_body(request: Request) -> bytes:
    said = request.headers.get("content-length", "")
    if said.isascii() and said.isdigit() and (len(said) > 9 or int(said) > LARGEST_BODY):
        raise _TooLargeError
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > LARGEST_BODY:
            raise _TooLargeError
    return body


def _decoded(body: bytes) -> object:
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        return None


def _refusal(words: Words, key: str, status: int) -> Response:
    text = words.say(f"wrong.{key}")
    return JSONResponse({"state": "wrong", "message": text, "wrong": {}}, status_code=status)


def new_code() -> str:
    """Return a random access code of 128 bits.

    Examples
    --------
    >>> len(new_code())
    22
    """
    return secrets.token_urlsafe(16)


def guarded(app: ASGIApp, *, code: str) -> ASGIApp:
    """Return ``app`` behind its access code, or for this computer alone when there is none.

    The code is the first part of every address and is compared in constant time; what lies
    behind it sees the rest. Without one, a request whose Host is not this computer is refused, so
    that no other site can reach the page through a name of its own.
    """
    always = {name.encode(): value.encode() for name, value in HEADERS.items()}

    async def guard(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def strict(message: Message) -> None:
            if message["type"] == "http.response.start":
                sent = [one for one in message["headers"] if one[0].lower() not in always]
                message["headers"] = [*sent, *always.items()]
            await send(message)

        inner = _within(scope, code)
        if inner is None:
            await PlainTextResponse(REFUSED, 403)(scope, receive, strict)
        elif inner["path"] == "":
            await RedirectResponse(f"/{code}/", 307)(scope, receive, strict)
        else:
            await app(inner, receive, strict)

    return guard


def _within(scope: Scope, code: str) -> MutableMapping[str, Any] | None:
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
    code: str = "",
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
    code : str
        The access code; by default a new one.

    Raises
    ------
    RequestError
        The host and port cannot be listened on.

    Examples
    --------
    >>> from forecast.page import Desk
    >>> serve(Desk({"clear": forecaster}), announce=print, port=99_999)
    Traceback (most recent call last):
    forecast.errors.RequestError: port is 99999. Give port as a whole number from 0 to 65535.
    """
    local = is_local(host)
    code = "" if local else code or new_code()
    app = _unless_broken_off(make_app(desk, language=language, code=code))
    listening = _listen(host.strip("[]"), check_whole_number(port, name="port", high=65_535))
    config = uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        server_header=False,
        date_header=False,
        lifespan="off",
        ws="none",
        http=_Patient,
        limit_concurrency=MOST_CONNECTIONS,
    )
    with listening:
        name = _reachable(host)
        announce(
            f"http://{name}:{listening.getsockname()[1]}/" + (f"{code}/" if code else ""), local
        )
        # an answer's matrices are small: more than one thread for each costs three times as much
        with threadpool_limits(1):
            uvicorn.Server(config).run(sockets=[listening])


class _Patient(H11Protocol):
    """A connection that waits ten seconds for a whole request, and makes room for others.

    Where an address, or all together, have too many connections, the one that has kept us waiting
    longest is dropped: whoever asks in earnest is answered while others only hold the line.
    """

    since = 0.0

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.since = self.loop.time()
        self._wait()
        everyone = [one for one in self.connections if isinstance(one, _Patient) and one.is_open]
        own = [one for one in everyone if (one.client or ("",))[0] == (self.client or ("",))[0]]
        for group, most in ((own, MOST_OF_ADDRESS), (everyone, MOST_CONNECTIONS - 1)):
            if len(group) > most:
                min((one for one in group if one.owes), key=lambda one: one.since).drop()

    @property
    def is_open(self) -> bool:
        return not self.transport.is_closing()

    @property
    def owes(self) -> bool:
        """Whether we wait for the other side, and not it for us."""
        return self.is_open and self.conn.their_state in (IDLE, SEND_BODY)

    def on_response_complete(self) -> None:
        self.since = self.loop.time()
        super().on_response_complete()

    def drop(self) -> None:
        self.transport.abort()

    def _wait(self) -> None:
        left = self.since + PATIENCE - self.loop.time()
        if self.owes and left <= 0:
            self.drop()
        elif self.is_open:
            self.loop.call_later(left if left > 0 else PATIENCE, self._wait)


def _unless_broken_off(app: ASGIApp) -> ASGIApp:
    # A sender who leaves midway or sends rubbish has been answered or closed already by the server:
    # a tablet that loses its network is no error.
    async def run(scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await app(scope, receive, send)
        except (ClientDisconnect, LocalProtocolError):
            while (await receive())["type"] != "http.disconnect":
                continue

    return run


def _listen(host: str, port: int) -> socket.socket:
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
        values = {"host": host, "port": port, "why": str(error.strerror or error)}
        raise RequestError(*problem_and_remedy("refused.not_served", values)) from None
    return listening


def _reachable(host: str) -> str:
    if host in ("0.0.0.0", "::", "[::]"):
        return socket.gethostname()
    return f"[{host.strip('[]')}]" if ":" in host else host
