"""`forecast page` serves the consultation page; `forecast sheet` writes the client's sheet."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from io import StringIO
from pathlib import Path
from typing import Any

from forecast._files import read_whole
from forecast._notes import Note, problem_and_remedy, sentence
from forecast.cli.files import (
    Options,
    answer,
    asked_of,
    check_output,
    course_of,
    given,
    gradings_of,
    write_template,
    write_text,
)
from forecast.errors import RequestError

DESK = ("lighten", "tariff", "clinic", "daybook")  # what a desk is opened with, beside its model


@contextmanager
def _needs_extra() -> Iterator[None]:
    try:
        yield
    except ImportError as error:
        values = {"name": error.name}
        raise RequestError(*problem_and_remedy("refused.not_installed", values)) from None


@_needs_extra()
def run_page(options: Options) -> None:
    """Do what ``forecast page`` is asked."""
    if options.template is not None:
        write_template(options, "clinic")
        return
    if options.model is None:
        raise RequestError(*problem_and_remedy("refused.page_model"))
    from forecast.page import Desk, new_code, open_desk, serve

    desk: Desk = open_desk(options.model, **given(options, *DESK))
    code = ""
    if options.code:
        path: Path = options.code
        if not path.exists():
            write_text(path, new_code() + "\n")
            path.chmod(0o600)
        code = read_whole(path, 1000).decode("utf-8", "replace").strip()
        if not re.fullmatch(r"[A-Za-z0-9_-]{22,99}", code):
            raise RequestError(*problem_and_remedy("refused.no_code", {"path": str(path)}))
    where = given(options, "host", "port", "language")
    try:
        serve(desk, announce=partial(_announce, options), code=code, **where)
    except KeyboardInterrupt:
        if not options.json:
            print("\n" + Note("text.stopped").say(options.language or "en"))


def _announce(options: Options, address: str, local: bool) -> None:
    if options.json:
        print(json.dumps({"address": address, "local": local}), flush=True)
        return
    values = {"address": address, "code": str(options.code), "book": str(options.daybook)}

    def say(code: str) -> None:
        print(Note(f"text.{code}", values=values).say(options.language or "en"), flush=True)

    say("page_at")
    if not local:
        say("code_kept" if options.code else "code_changes")
        if sys.stdout.isatty():  # for the camera of a tablet
            import segno

            segno.make(address).terminal(square := StringIO(), compact=True)
            for line in square.getvalue().splitlines():  # white on black, whatever is usual here
                print(f"\x1b[97;40m{line}\x1b[0m")
    say("page_keeps" if options.daybook else "page_keeps_nothing")


@_needs_extra()
def run_sheet(options: Options) -> None:
    """Do what ``forecast sheet`` is asked."""
    out: Path = options.out or Path("sheet.pdf")
    if out.suffix.lower() not in (".pdf", ".html"):
        raise RequestError(*problem_and_remedy("refused.no_sheet_file", {"file": str(out)}))
    from forecast.page import (
        Asked,
        find_browser,
        html_to_pdf,
        is_sheet,
        make_sheet,
        open_desk,
        read_day,
    )

    desk = open_desk(options.model, **given(options, *DESK))
    browser = find_browser() if out.suffix.lower() == ".pdf" else None
    written = out if browser else out.with_suffix(".html")
    check_output(written, what="a_sheet", known=is_sheet)
    course = course_of(options) if options.promise is not None or not options.daybook else None
    on_record: dict[str, Any] = {}
    if course is not None:
        on_record = {"course": course.course_id, "promise": options.promise}
    elif options.enquiry is None:
        raise RequestError(*problem_and_remedy("refused.which_course"))
    graded = gradings_of(options)
    enquiry, told = asked_of(options, course, [own.name for own in desk.extra])
    weeks, start = options.spacing_weeks, options.start
    asked = Asked(
        enquiry=enquiry,
        goal=options.goal or (course.goal if course else next(iter(desk.forecasters))),
        sessions_done=options.sessions_done,
        gradings=tuple((row[0], row[1]) for row in graded),
        **on_record,
        facts=told["facts"],
        questions_asked=told["all_asked"],
        spacing_weeks=desk.clinic.spacing_weeks if weeks is None else weeks,
        start=start and read_day(start, name="--start", low=date.today()),
    )
    html = make_sheet(desk, asked, language=options.language)
    if browser:
        html_to_pdf(html, written, browser=browser)
    else:
        write_text(written, html)
    code = "wrote" if browser else "sheet_html" if out == written else "sheet_no_browser"
    said = sentence(f"text.{code}", {"file": str(written)})
    answer(options, {"written": str(written)}, [said])
