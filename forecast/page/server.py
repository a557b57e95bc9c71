"""The small server behind the page: local unless asked, strict headers, nothing kept."""

from __future__ import annotations

import json
from contextlib import suppress
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from forecast.errors import ForecastError
from forecast.page.answer import Answer, answer
from forecast.page.asking import Reading, read_asked
from forecast.page.guard import TooLargeError, guarded, read_body
from forecast.page.render import render_page, render_parts, render_sheet, static_text
from forecast.page.words import Words, languages, load_words

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp

    from forecast.page.desk import Desk

__all__ = ["make_app"]

STATIC = {
    "page.js": "text/javascript",
    "sheet.js": "text/javascript",
    "page.css": "text/css",
    "pictures.css": "text/css",
    "sheet.css": "text/css",
    "a4.css": "text/css",
    "letter.css": "text/css",
    "icon.svg": "image/svg+xml",
}
AT_ONCE = 2  # answers being worked out; more only wait for the processor


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
    """
    from starlette.applications import Starlette
    from starlette.routing import Route

    page = Page(desk, language or desk.clinic.language)
    routes = [
        Route("/", page.show),
        Route("/answer", page.answer, methods=["POST"]),
        Route("/sheet", page.sheet, methods=["POST"]),
        Route("/logo", page.logo),
        Route("/static/{name}", page.static),
    ]
    return guarded(Starlette(routes=routes), code=code)


class Page:
    """The answers to the page's requests."""

    def __init__(self, desk: Desk, language: str) -> None:
        from anyio import CapacityLimiter

        self.desk = desk
        self.language = load_words(language).code
        self.texts = {name: static_text(name) for name in STATIC}
        self.limiter = CapacityLimiter(AT_ONCE)

    def words(self, wanted: str | None) -> Words:
        """Return the texts of the language asked for, or of the page's own."""
        return load_words(wanted if wanted in languages() else self.language)

    async def show(self, request: Request) -> Response:
        """Return the page with an empty form."""
        from starlette.responses import HTMLResponse

        words = self.words(request.query_params.get("language"))
        return HTMLResponse(render_page(self.desk, words))

    async def static(self, request: Request) -> Response:
        """Return one of the page's own files."""
        from starlette.responses import Response

        name = request.path_params["name"]
        if name not in STATIC:
            return Response(status_code=404)
        return Response(self.texts[name], media_type=STATIC[name])

    async def logo(self, request: Request) -> Response:
        """Return the clinic's logo."""
        from starlette.responses import Response

        logo = self.desk.clinic.logo
        if logo is None:
            return Response(status_code=404)
        return Response(logo.data, media_type=logo.kind)

    async def answer(self, request: Request) -> Response:
        """Return the answer to what is filled in, or what is missing or wrong."""
        from anyio.to_thread import run_sync

        words = self.words(request.query_params.get("language"))
        if request.headers.get("content-type", "").partition(";")[0].strip() != "application/json":
            return refusal(words, "request", 415)
        try:
            sent = decoded(await read_body(request))
        except TooLargeError:
            return refusal(words, "too_large", 413)
        reading = read_asked(sent, spacing_weeks=self.desk.clinic.spacing_weeks)
        if reading.asked is None:
            return complaint(reading, words)
        return await run_sync(self.answered, reading, words, limiter=self.limiter)

    def answered(self, reading: Reading, words: Words) -> Response:
        """Return the answer as JSON, or that it cannot be given."""
        from starlette.responses import JSONResponse

        assert reading.asked is not None
        try:
            found = answer(self.desk, reading.asked, words)
        except ForecastError:
            return refusal(words, "cannot_answer", 422)
        if found is None:
            return JSONResponse(cannot_say(reading.asked.goal, words))
        return JSONResponse(as_json(found, words))

    async def sheet(self, request: Request) -> Response:
        """Return the client's sheet for what was filled in."""
        from anyio.to_thread import run_sync
        from starlette.responses import HTMLResponse, PlainTextResponse

        words = self.words(None)
        try:
            form = parse_qs((await read_body(request)).decode("utf-8", "replace"), max_num_fields=9)
        except TooLargeError:
            return PlainTextResponse(words.say("wrong.too_large"), status_code=413)
        except ValueError:
            form = {}
        words = self.words(form.get("language", [""])[0])
        sent = decoded(form.get("asked", [""])[0].encode("utf-8", "replace"))
        asked = read_asked(sent, spacing_weeks=self.desk.clinic.spacing_weeks).asked
        found: Answer | None = None
        with suppress(ForecastError):
            if asked is not None:
                found = await run_sync(answer, self.desk, asked, words, limiter=self.limiter)
        if found is None:
            return PlainTextResponse(words.say("wrong.cannot_answer"), status_code=422)
        return HTMLResponse(render_sheet(found, self.desk, words, standalone=False))


def decoded(body: bytes) -> object:
    """Return a JSON body, or None for anything else; nesting and sizes cannot hurt."""
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        return None


def refusal(words: Words, key: str, status: int) -> Response:
    """Return why a whole request cannot be answered."""
    from starlette.responses import JSONResponse

    text = words.say(f"wrong.{key}")
    return JSONResponse({"state": "wrong", "message": text, "wrong": {}}, status_code=status)


def complaint(reading: Reading, words: Words) -> Response:
    """Return what is missing, or what is wrong beside the fields concerned."""
    from starlette.responses import JSONResponse

    wrong = {field: words.say(f"wrong.{key}", of) for field, (key, of) in reading.wrong.items()}
    message = wrong.pop("", "")
    if reading.missing:
        named = ", ".join(words.say(f"form.{name}_term") for name in reading.missing)
        message = words.say("page.missing", {"fields": named})
    state = "wrong" if reading.wrong else "incomplete"
    body = {"state": state, "message": message, "wrong": wrong, "missing": list(reading.missing)}
    return JSONResponse(body, status_code=422 if reading.wrong else 200)


def cannot_say(goal: str, words: Words) -> dict[str, Any]:
    """Return that no model for the goal is loaded."""
    message = f"{words.say('answer.cannot_say')}. {words.say(f'answer.no_model_{goal}')}"
    return {"state": "cannot say", "message": message}


def as_json(found: Answer, words: Words) -> dict[str, Any]:
    """Return an answer as the page swaps it in, with the estimate's own numbers beside it."""
    return {
        "state": "answered",
        "parts": render_parts(found, words),
        "steps": found.steps,
        "n": found.n,
        "pick": words.say("answer.pick_more" if found.done else "answer.pick"),
        "short": f"{found.headline}. {found.lines[0]}",
        "estimate": found.estimate.to_dict(),
    }
