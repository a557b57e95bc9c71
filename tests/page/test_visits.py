"""The page with a daybook: what is kept, opened again, written down, taken back, and told."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

import forecast
from forecast._notes import languages
from forecast.cli import main
from forecast.daybook import Daybook, make_daybook, read_promises
from forecast.page.answer import answer
from forecast.page.desk import Desk, open_desk, refreshed
from forecast.page.server import make_app
from forecast.page.words import load_words

from .conftest import FILLED, Client, serving, serving_here

TODAY = date.today()
NAMES = ("Anna", "anna schmidt", "Schmidt, A.", "a@b.example", "0171 5551234", "Dr. Weber")


def ago(weeks: float) -> str:
    return (TODAY - timedelta(weeks=weeks)).isoformat()


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Daybook]:
    with make_daybook(tmp_path / "book.sqlite") as made:
        yield made


@pytest.fixture
def tablet(desk: Desk, book: Daybook) -> Client:
    return Client(make_app(replace(desk, daybook=book)))


def kept(tablet: Client, client: str = "k7", **given: Any) -> dict[str, Any]:
    sent = {"asked": FILLED, "client_id": client, "by": "op1", **given}
    reply = tablet.post("/book/keep", sent)
    assert reply.status == 200, reply.text
    return dict(reply.json())


def written(tablet: Client, course: dict[str, Any], weeks: float, **given: Any) -> Any:
    sent = {"course": course["course"], "version": course["version"], "by": "op1"}
    sent |= {"treated_on": ago(weeks), "regime": "ns"}
    return tablet.post("/book/session", {**sent, **given})


def test_an_estimate_is_kept_with_its_number_and_opened_again(
    tablet: Client, desk: Desk, book: Daybook
):
    facts = {**FILLED, "facts": ["recent_tan"]}
    found = kept(tablet, package="block_6", asked=facts)
    assert (found["promise"], found["course"]) == (1, "k7-1")
    (promise,) = read_promises(book.path)
    estimate = desk.forecasters["clear"].estimate(
        forecast.Enquiry("V", "forearm", "black;red", "medium", "single")
    )
    assert promise.interval == estimate.interval
    assert promise.chances == pytest.approx([estimate.chance_by(n) for n in range(1, 26)], abs=1e-4)
    assert (promise.package, promise.currency) == ("block_6", "EUR")
    assert (promise.questions, promise.facts) == ("in_part", "recent_tan")
    assert promise.valid_until == TODAY + timedelta(days=90)
    assert promise.model == desk.forecasters["clear"].fingerprint
    for code in ("1", "k7", "k7-1"):
        again = tablet.post("/book/open", {"code": code}).json()
        assert again["course"] == "k7-1"
        assert (again["fields"]["inks"], again["fields"]["skin_type"]) == ("black;red", "V")
        assert again["facts"] == ["recent_tan"]
    sheet = tablet.post_form("/sheet", {"asked": json.dumps({**FILLED, "promise": "1"})}).text
    assert re.search(r"Promise 1 of .*\. Price valid until .*\d{4}\.", sheet)
    kept(tablet)
    assert tablet.post("/book/open", {"code": "k7"}).json()["courses"] == ["k7-1", "k7-2"]


def test_a_number_that_is_a_courses_code_as_well_offers_both(
    browser: Any, served: str, tablet: Client, book: Daybook
):
    kept(tablet, "k7")
    asked = {**FILLED, "skin_type": "II"}
    kept(tablet, "1", asked=asked)
    page = browser.new_page()
    page.goto(served)
    page.fill("#code", "1")
    page.keyboard.press("Enter")
    page.click("#several button:text('1-1')")
    page.wait_for_selector("#course-name:text('1-1')")
    assert page.is_checked("#entries input[name=skin_type][value=II]")
    page.close()


@pytest.mark.parametrize("language", languages())
def test_mid_course_the_promise_stands_against_what_is_said_now(
    language: str, tablet: Client, book: Daybook, files: Path, capsys: pytest.CaptureFixture[str]
):
    course = kept(tablet)
    for weeks, percent in ((30, "0"), (22, "3"), (14, "4"), (6, "6")):
        reply = written(tablet, course, weeks, fading_pct=percent)
        assert reply.status == 200, reply.text
        course = reply.json()
    assert course["offered"] | {"regime": "ns", "by": "op1", "fading": "6"} == course["offered"]
    asked = {**FILLED, "course": course["course"]}
    found = tablet.post(f"/answer?language={language}", asked).json()
    assert "4" in found["short"]
    promised, tell = {
        "en": ("promised", " Tell the client."), "de": ("zugesagt", " Sagen Sie es der Person."),
    }[language]  # fmt: skip
    line = re.search(rf'<p class="refer">(.*{promised}.*)</p>', found["parts"]["headline"])
    assert line
    assert line[1].endswith(tell)
    form = {"asked": json.dumps(asked), "language": language}
    sheet = tablet.post_form("/sheet", form).text
    assert line[1].removesuffix(tell) in sheet
    assert tell not in sheet
    if language == "en":
        arguments = ["update", str(files / "model.json"), "--daybook", str(book.path)]
        assert main([*arguments, "--promise", "1"]) == 0
        said = capsys.readouterr().out.splitlines()[0]
        assert said.split(" promised ")[1] == line[1].split(" promised ")[1]
        assert main([*arguments, "--promise", "9"]) == 1
        assert "no promise 9" in capsys.readouterr().err


def ran(capsys: pytest.CaptureFixture[str], *given: object) -> tuple[int, str]:
    """Return how a command ended, and all that it said."""
    code, said = main([*map(str, given)]), capsys.readouterr()
    return code, said.out + said.err


RECORDED = {"en": "Reaction after session 1: allergy, severe",
            "de": "Reaktion nach Sitzung 1: Allergie, schwer"}  # fmt: skip


@pytest.mark.parametrize("language", languages())
def test_a_reaction_is_shown_and_asked_about_until_it_was_asked_again(
    language: str, tablet: Client, book: Daybook, files: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
):  # fmt: skip
    words, speaks = load_words(language), f"language={language}"
    course = written(tablet, kept(tablet, asked={**FILLED, "questions": "asked"}), 9).json()
    seen = {"reaction": "allergy", "severity": "severe"}
    course = written(tablet, course, 1, fading_pct="10", **seen).json()
    opened = tablet.post(f"/book/open?{speaks}", {"code": "k7"}).json()
    assert opened["facts"] == ["ink_allergy", "severe_reaction"]
    assert opened["html"].startswith(f'<p class="refer">{RECORDED[language]}</p>')
    asked = {**FILLED, "course": course["course"]}
    told = tablet.post(f"/answer?{speaks}", asked).json()
    assert told["short"].startswith(words.say("answer.refer_doctor"))
    assert words.say("answer.withheld") in told["parts"]["details"]
    given = [files / "model.json", "--daybook", book.path, "--tariff", files / "tariff.toml"]
    given += ["--language", language, "--promise", "1"]
    update = ran(capsys, "update", *given)[1]
    assert update.index("! ") < update.index(RECORDED[language]) < update.index("7")
    assert "EUR" not in update
    sheet = tmp_path / "sheet.html"
    assert ran(capsys, "sheet", *given, "-o", sheet)[0] == 0
    html = sheet.read_text(encoding="utf-8")
    for key in ("client.ink_allergy", "client.severe_reaction", "sheet.withheld"):
        assert words.say(key) in html
    # what is not ticked was not asked; asked anew and kept, it is open no longer
    sent = {**asked, "questions": "asked"}
    again = tablet.post(f"/answer?{speaks}", sent).json()["parts"]["details"]
    assert words.say("answer.withheld") not in again
    kept(tablet, asked=sent, version=course["version"], course=course["course"])
    assert tablet.post("/book/open", {"code": "k7"}).json()["facts"] == []
    update = ran(capsys, "update", *given)[1]
    assert RECORDED[language] in update
    assert "EUR" in update


@pytest.mark.parametrize("language", languages())
def test_of_a_course_that_has_ended_nothing_more_is_foretold(
    language: str, tablet: Client, book: Daybook, files: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
):  # fmt: skip
    course = written(tablet, kept(tablet), 9).json()
    end = {"course": course["course"], "version": course["version"], "by": "op1"}
    end |= {"treated_on": ago(0), "outcome": "cleared", "fading_pct": "97"}
    assert tablet.post("/book/end", end).status == 200
    said = {"en": "This course has ended: clear, after 1 session. No further session",
            "de": "Diese Behandlung ist beendet: entfernt, nach 1 Sitzung."}[language]  # fmt: skip
    asked = {**FILLED, "course": course["course"]}
    found = tablet.post(f"/answer?language={language}", asked).json()
    assert found["state"] == "cannot say"
    assert found["message"].startswith(said)
    again = {"asked": asked, "course": course["course"], "version": 3, "by": "op1"}
    assert said in tablet.post(f"/book/keep?language={language}", again).text
    given = [files / "model.json", "--daybook", book.path, "--promise", "1"]
    for command in (["update"], ["sheet", "-o", tmp_path / "sheet.html"]):
        code, told = ran(capsys, *command, *given, "--language", language)
        assert code == 1
        assert said in told


@pytest.mark.parametrize("language", languages())
def test_a_price_is_kept_only_where_one_is_given(
    language: str, desk: Desk, tablet: Client, book: Daybook
):
    words, package = load_words(language), "fixed_price"
    hard = {**FILLED, "body_site": "finger", "skin_type": "VI", "inks": ["white", "green"]}
    waiting = words.say("answer.withheld")
    said = {"en": "no offer.", "de": "kein Angebot."}[language]
    alone = Client(make_app(replace(desk, daybook=book, tariff=None)))
    cases = [(tablet, FILLED, ""), (tablet, {**FILLED, "facts": ["gold_salts"]}, waiting)]
    cases += [(tablet, hard, said), (alone, FILLED, "")]
    for number, (page, asked, why) in enumerate(cases, 1):
        sent = {"asked": asked, "client_id": "k7", "by": "op1", "package": package}
        found = page.post(f"/book/keep?language={language}", sent).json()
        promise = book.promise(number)
        priced = number == 1
        assert (promise.price is not None, promise.package == package) == (priced, priced)
        assert (promise.valid_until is None) == (page is alone)
        message = found["message"]
        assert (words.say("book.kept_alone", {"n": number}) in message) != priced
        assert message.endswith(why)
        form = {"asked": json.dumps({**asked, "promise": str(number)}), "language": language}
        until = words.say("sheet.kept", {"until": words.day(promise.until)})
        assert (until in page.post_form("/sheet", form).text) == priced
    (row,) = [one for one in answer_of(desk, FILLED, language).prices if one.amount == 780]
    assert row.price == words.money(row.amount, "EUR")


def answer_of(desk: Desk, sent: dict[str, Any], language: str) -> Any:
    asked = desk.read(sent).asked
    assert asked is not None
    return answer(desk, asked, load_words(language))


@pytest.mark.parametrize("weeks", [0, 3])
def test_the_sheet_of_a_course_counts_its_next_session_from_the_last_as_the_page_does(
    weeks: int, tablet: Client, book: Daybook, files: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
):  # fmt: skip
    written(tablet, kept(tablet), weeks)
    given = [files / "model.json", "--daybook", book.path, "--promise", "1"]
    sheet = tmp_path / "sheet.html"
    assert ran(capsys, "sheet", *given, "--spacing-weeks", "7", "-o", sheet)[0] == 0
    expected = TODAY + timedelta(weeks=7 - weeks)
    line = f"Next session: {expected.day} {expected:%B %Y}"
    assert line in sheet.read_text(encoding="utf-8")
    asked = {**FILLED, "course": "k7-1", "spacing_weeks": "7", "start": ""}
    assert line in tablet.post("/answer?language=en", asked).json()["parts"]["details"]


def test_the_next_session_is_spaced_from_the_last_unless_another_day_was_chosen(tablet: Client):
    course = written(tablet, kept(tablet), 0).json()
    chosen = TODAY + timedelta(weeks=3)
    for start, expected in (("", TODAY + timedelta(weeks=8)), (chosen.isoformat(), chosen)):
        asked = {**FILLED, "course": course["course"], "spacing_weeks": "8", "start": start}
        found = tablet.post("/answer?language=en", asked).json()["parts"]["details"]
        assert f"Next session: {expected.day} {expected:%B %Y}" in found


def test_what_is_wrong_is_told_at_its_field_and_nothing_is_lost(tablet: Client):
    course = kept(tablet)
    course = written(tablet, course, 20, fading_pct="0").json()
    course = written(tablet, course, 12, fading_pct="40").json()
    wrong = {
        "treated_on": {"treated_on": ago(15)}, "fading_pct": {"fading_pct": "10"},
        "by": {"by": "Anna"}, "passes": {"passes": "99"}, "regime": {"regime": "xx"},
        "wavelengths_nm": {"wavelengths_nm": "abc"},
    }  # fmt: skip
    for field, given in wrong.items():
        reply = written(tablet, course, 2, **given)
        assert reply.status == 422
        assert list(reply.json()["wrong"]) == [field]
    fall = written(tablet, course, 2, fading_pct="10")
    assert fall.json()["askable"]
    assert "more than two graders" in fall.json()["wrong"]["fading_pct"]
    end = {"course": course["course"], "version": course["version"], "by": "op1"}
    end |= {"treated_on": ago(0), "outcome": "cleared"}
    assert "clear is from 95 %" in tablet.post("/book/end", end).json()["wrong"]["outcome"]
    assert list(tablet.post("/book/open", {"code": "77"}).json()["wrong"]) == ["code"]
    assert list(tablet.post("/book/open", {}).json()["wrong"]) == ["code"]
    assert list(tablet.post("/book/keep", {"asked": {}}).json()["wrong"]) == ["client_id"]
    course = written(tablet, course, 2, fading_pct="10", sure="yes").json()
    reply = tablet.post("/book/end", end | {"version": course["version"], "fading_pct": "97"})
    assert reply.status == 200, reply.text
    assert reply.json()["ended"]


def test_two_tablets_lose_nothing_and_the_second_is_told_what_changed(
    tablet: Client, desk: Desk, book: Daybook
):
    course = kept(tablet)
    with Daybook(book.path) as same:
        other = Client(make_app(replace(desk, daybook=same)))
        assert written(tablet, course, 9, fading_pct="0").status == 200
        late = written(other, course, 8, fading_pct="5")
    assert late.status == 409
    assert "a session by op1 at" in late.json()["message"]
    assert written(tablet, late.json(), 8, fading_pct="5").json()["version"] == 3


@pytest.mark.parametrize("language", languages())
def test_each_entry_of_a_visit_is_taken_back_in_turn_and_said_before(
    tablet: Client, book: Daybook, language: str
):
    yesterday = datetime.now() - timedelta(days=1)
    book.clock = lambda: yesterday
    course = kept(tablet)
    book.clock = datetime.now
    course = written(tablet, course, 9, fading_pct="0").json()
    course = written(tablet, course, 1, fading_pct="20").json()
    end = {"course": course["course"], "version": course["version"], "by": "op2"}
    end |= {"treated_on": ago(0), "outcome": "stopped", "stop_reason": "moved"}
    course = tablet.post(f"/book/end?language={language}", end).json()
    told = {
        "en": ("Take back the end of the course by op2 at ", "a session", "an estimate kept"),
        "de": ("Zurücknehmen: das Ende der Behandlung von op2 um ", "eine Sitzung", "eine Schätz"),
    }[language]
    day = load_words(language).day(yesterday.date())
    for said, done in zip((told[0], told[1], told[1], told[2]), (2, 1, 0, 0), strict=True):
        assert said in course["undo"]
        assert (day in course["undo"]) == (said is told[2])
        sent = {"course": course["course"], "version": course["version"], "by": "op1"}
        course = tablet.post(f"/book/undo?language={language}", sent).json()
        assert book.course("k7-1").done == done
    assert course["undo"] == ""


def test_a_second_session_of_one_day_is_asked_about_first(tablet: Client):
    course = written(tablet, kept(tablet), 0).json()
    twice = written(tablet, course, 0)
    assert twice.status == 422
    assert twice.json()["askable"]
    assert "of this day" in twice.json()["wrong"]["treated_on"]
    assert written(tablet, course, 0, sure="yes").status == 200


def test_an_entry_is_taken_back(tablet: Client):
    course = kept(tablet)
    course = written(tablet, course, 9, fading_pct="0").json()
    sent = {"course": course["course"], "version": course["version"], "by": "op1"}
    found = tablet.post("/book/undo", sent).json()
    assert "No session yet" in found["html"]


@pytest.mark.parametrize("name", NAMES)
def test_no_name_is_kept(name: str, tablet: Client, book: Daybook):
    for given in ({"client_id": name}, {"by": name}):
        reply = tablet.post(
            "/book/keep", {"asked": FILLED, "client_id": "k1", "by": "op1", **given}
        )
        assert reply.status == 422
        assert "looks like a name" in reply.text
    assert read_promises(book.path) == ()


@pytest.mark.parametrize("born", ["12.03.1985", "1985-03-12", "12.3.85", "19850312"])
def test_no_birth_date_is_kept(born: str, tablet: Client, book: Daybook):
    sent = {"asked": FILLED, "client_id": born, "by": "op1"}
    reply = tablet.post("/book/keep", sent)
    assert reply.status == 422
    assert "looks like a birth date" in reply.text
    assert read_promises(book.path) == ()
    assert tablet.post("/book/keep", sent | {"client_id": "20210305-2"}).status == 200


def test_without_a_daybook_nothing_is_kept_and_the_page_says_so(client: Client, tablet: Client):
    assert client.post("/book/keep", {}).status == 404
    assert "Nothing typed here is stored" in client.get("/").text
    assert "daybook" not in client.get("/").text.lower()
    assert "Nothing is kept until you say so" in tablet.get("/").text


def test_nothing_of_it_can_be_sent_by_another_site_or_is_stored_on_the_way(tablet: Client):
    form = tablet.post_form("/book/keep", {"asked": "{}"})
    assert form.status == 415
    assert tablet.get("/book/open").status == 405
    assert tablet.post("/book/else", {}).status == 404
    reply = tablet.post("/book/open", {"code": "x"})
    assert reply.headers["cache-control"] == "no-store"
    for broken in ([], None, 7, {"code": 5}, {"version": "x", "course": {}}):
        for what in ("open", "keep", "session", "end", "undo"):
            assert tablet.post(f"/book/{what}", broken).status == 422


def test_a_new_model_is_taken_without_a_restart(files: Path, tmp_path: Path, desk: Desk):
    place = tmp_path / "model.json"
    place.write_bytes((files / "model.json").read_bytes())
    first = open_desk(place)
    assert refreshed(first) is first
    place.write_text("{")
    assert refreshed(first) is first
    replace(desk.forecasters["clear"], seed=99).save(tmp_path / "new.json")
    (tmp_path / "new.json").replace(place)
    assert refreshed(first).forecasters["clear"].seed == 99


@pytest.fixture
def served(desk: Desk, book: Daybook) -> Iterator[str]:
    with serving_here(make_app(replace(desk, daybook=book))) as address:
        yield address


@pytest.fixture
def by_command(files: Path, book: Daybook) -> Iterator[str]:
    with serving(files, "--daybook", str(book.path)) as address:
        yield address


def test_a_usual_second_visit_takes_few_taps_and_one_number(
    browser: Any, by_command: str, tablet: Client, book: Daybook
):
    course = kept(tablet)
    written(tablet, course, 8, fading_pct="0", laser_id="yag", wavelengths_nm="1064")
    context = browser.new_context(viewport={"width": 820, "height": 1180}, has_touch=True)
    page, taps = context.new_page(), []
    page.goto(by_command)

    def tap(place: str) -> None:
        taps.append(place)
        page.tap(place)

    tap("#code")
    page.keyboard.type("1")
    tap("#open-form button")
    page.wait_for_selector("#course:not([hidden])")
    tap("#session-form [data-add='20']")
    tap("#session-form button[type=submit]")
    page.wait_for_selector("#book-state:text('session 2')")
    assert len(taps) <= 8
    (last,) = [one for one in book.course("k7-1").sessions if one["session_no"] == 2]
    assert (last["regime"], last["laser_id"], last["wavelengths_nm"]) == ("ns", "yag", "1064")
    assert book.course("k7-1").graded == ((0, 0.0), (1, 20.0))
    page.wait_for_selector("#headline :text('promised')")
    assert Axe().run(page).response["violations"] == []
    context.close()


def test_what_was_a_yes_stays_one_and_is_to_be_asked_again(
    browser: Any, served: str, tablet: Client
):
    asked = {**FILLED, "facts": ["pregnancy"], "questions": "asked"}
    kept(tablet, asked=asked)
    kept(tablet, client="k8")
    page = browser.new_page()
    page.goto(served)
    for code, said in (("k7", True), ("k8", False)):
        page.fill("#code", code)
        page.keyboard.press("Enter")
        page.wait_for_selector(f"#course-name:text('{code}-1')")
        box = page.locator("input[name=facts][value=pregnancy]")
        assert box.is_checked() == said
        assert not page.locator("input[name=questions]").is_checked()
        place = page.locator("#headline .refer")
        place.first.wait_for(state="attached" if said else "detached")
    page.close()


def test_a_reaction_written_down_asks_its_question_at_once(
    browser: Any, served: str, tablet: Client
):
    written(tablet, kept(tablet), 9, fading_pct="0")
    page = with_course_open(browser.new_page(), served)
    for summary in ("More, if known", "Questions before starting"):
        page.locator("summary", has_text=summary).click()
    page.check("input[name=facts][value=seizures]")
    page.check("input[name=questions]")
    assert page.locator("#headline .refer").count() == 0
    page.select_option("#session-reaction", "infection")
    page.click("#session-form button[type=submit]")
    page.wait_for_selector("#course-lines .refer:text('infection')")
    page.wait_for_selector("#headline .refer:text('Infected or broken skin')")
    assert page.is_checked("input[name=facts][value=infection]")
    assert page.is_checked("input[name=facts][value=seizures]")
    assert not page.is_checked("input[name=questions]")
    assert Axe().run(page).response["violations"] == []
    page.close()


def with_course_open(page: Any, served: str) -> Any:
    """Return a page on which the course of client k7 has been opened by its pseudonym."""
    page.goto(served)
    page.fill("#code", "k7")
    page.keyboard.press("Enter")
    page.wait_for_selector("#course:not([hidden])")
    return page


def test_a_code_that_leads_nowhere_leaves_the_open_course_open(
    browser: Any, served: str, tablet: Client
):
    kept(tablet)
    page = with_course_open(browser.new_page(), served)
    page.fill("#code", "k99")
    page.keyboard.press("Enter")
    page.wait_for_selector("#open-form .wrong:not([hidden])")
    assert page.inner_text("#course-name") == "k7-1"
    page.fill("#by", "op1")
    page.check("#session-form input[name=regime][value=ns]")
    page.fill("#session-fading_pct", "0")
    page.keyboard.press("Enter")
    page.wait_for_selector("#book-state:text('session 1')")
    page.close()


def test_a_tick_that_it_is_right_holds_for_what_was_ticked_alone(
    browser: Any, served: str, tablet: Client, book: Daybook
):
    course = written(tablet, kept(tablet), 20, fading_pct="0").json()
    written(tablet, course, 12, fading_pct="40")
    page = with_course_open(browser.new_page(), served)
    page.fill("#session-fading_pct", "97")
    page.keyboard.press("Enter")
    place = "#session-form [data-field=fading_pct]"
    page.check(f"{place} .sure input")
    page.fill("#session-fading_pct", "7")
    assert not page.is_visible("#session-form .sure")
    page.keyboard.press("Enter")
    page.wait_for_selector(f"{place} .wrong:text('more than two graders')")
    assert book.course("k7-1").done == 2
    page.click("#ending summary")
    page.click("#end-form button[type=submit]")  # what is asked now is asked of something else
    page.wait_for_selector("#end-form .wrong:visible")
    assert not page.is_visible("#session-form .sure")
    page.click("#session-form button[type=submit]")
    page.check(f"{place} .sure input")
    page.click("#session-form button[type=submit]")
    page.wait_for_selector("#book-state:text('session 3')")
    assert book.course("k7-1").graded[-1] == (2, 7.0)
    page.close()


def test_an_entry_that_no_answer_came_to_stays_and_is_not_written_down_twice(
    browser: Any, served: str, tablet: Client, book: Daybook
):
    written(tablet, kept(tablet), 9, fading_pct="0")
    page = with_course_open(browser.new_page(), served)
    page.fill("#session-fading_pct", "15")
    page.route("**/book/session*", lambda route: (route.fetch(), route.abort()))
    page.click("#session-form button[type=submit]")  # it arrives, and its answer is lost
    page.wait_for_selector("#book-state.alert:text('does not answer')")
    assert page.input_value("#session-fading_pct") == "15"
    page.unroute("**/book/session*")
    page.click("#session-form button[type=submit]")
    page.wait_for_selector("#book-state.alert:text('a session by op1')")
    assert book.course("k7-1").done == 2
    page.close()


def test_what_was_typed_stays_where_another_tablet_was_first(
    browser: Any, served: str, tablet: Client, book: Daybook
):
    course = kept(tablet)
    page = with_course_open(browser.new_page(), served)
    written(tablet, course, 9, fading_pct="0")
    page.fill("#session-fading_pct", "15")
    page.check("#session-form [name=regime][value=ps]")
    page.fill("#by", "op2")
    page.click("#session-form button[type=submit]")
    page.wait_for_selector("#book-state.alert")
    assert page.input_value("#session-fading_pct") == "15"
    assert "0 %" in page.inner_text("#session-form .last-fading")
    page.click("#session-form button[type=submit]")
    page.wait_for_selector("#book-state:text('session 2')")
    assert book.course("k7-1").graded == ((0, 0.0), (1, 15.0))
    page.close()


@pytest.mark.parametrize(
    ("language", "said"), [("en", "The disk is full"), ("de", "Die Platte ist voll")]
)
def test_a_full_disk_is_told_in_the_language_of_the_page(
    language: str, said: str, tablet: Client, book: Daybook
):
    course = kept(tablet)
    pages = book.rows("PRAGMA page_count")[0]["page_count"]
    book.rows(f"PRAGMA max_page_count = {pages}")
    for number in range(500):
        sent = {"asked": FILLED, "client_id": f"c{number}", "by": "op1"}
        reply = tablet.post(f"/book/keep?language={language}", sent)
        if reply.status != 200:
            break
    assert reply.status == 422
    assert said in reply.json()["message"]
    assert book.course(course["course"]).promises
    assert len(read_promises(book.path)) == number + 1


@pytest.mark.parametrize(
    "size", [pytest.param((390, 844), marks=pytest.mark.slow), (1280, 900)], ids=["phone", "desk"]
)
def test_by_keyboard_alone_and_leaving_with_unsaved_entries_asks(
    size: tuple[int, int], browser: Any, served: str, tablet: Client
):
    kept(tablet)
    context = browser.new_context(viewport={"width": size[0], "height": size[1]})
    page, asked = context.new_page(), []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    page.goto(f"{served}?language=de")
    page.focus("#code")
    page.keyboard.type("k7")
    page.keyboard.press("Enter")
    page.wait_for_selector("#course:not([hidden])")
    # the answer is in view, or said at the lower edge, beside what is to be written down
    page.wait_for_function(
        "() => document.querySelector('#bar').offsetHeight > 0"
        " || document.querySelector('#headline .big')?.getBoundingClientRect().top < innerHeight"
    )
    page.focus("#session-fading_pct")
    page.keyboard.type("0")
    page.focus("#leave")
    page.keyboard.press("Enter")
    assert asked == ["confirm"]
    assert page.is_visible("#course")
    page.focus("#by")
    page.keyboard.type("op1")
    page.focus("input[name=regime][value=ns]")
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    page.wait_for_selector("#book-state:text('Sitzung 1')")
    assert 0 <= page.locator("#book-state").bounding_box()["y"] < size[1] - 100
    page.focus("#leave")
    page.keyboard.press("Enter")
    assert asked == ["confirm"]
    assert not page.is_visible("#course")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert Axe().run(page).response["violations"] == []
    context.close()


def test_a_course_stays_open_in_the_other_language_with_what_was_not_written_down(
    browser: Any, served: str, tablet: Client, book: Daybook
):
    course = written(tablet, kept(tablet), 8, fading_pct="0").json()
    page = browser.new_page()
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.accept()))
    with_course_open(page, served)
    page.fill("#by", "op3")
    page.fill("#session-fading_pct", "25")
    page.check("#session-form input[value=ps]")
    page.click("#ending summary")
    page.check("#end-form input[value=stopped]")
    page.click("#entries label:has(input[name=skin_type][value=II])")
    page.click("#language-form button[lang=de]")
    page.wait_for_selector("html[lang=de] #course:not([hidden])")
    page.wait_for_selector("#course-lines :text('nach Sitzung')")
    expect(page.locator("#session-fading_pct")).to_have_value("25")
    assert page.input_value("#by") == "op3"
    assert page.is_checked("#session-form input[value=ps]")
    assert page.is_checked("#end-form input[value=stopped]")
    assert page.is_checked("#entries input[name=skin_type][value=II]")
    assert asked == []
    page.click("#leave")
    assert len(asked) == 1  # it is still not written down
    page.close()
    assert book.course("k7-1").version == course["version"]


def test_in_the_other_language_what_somebody_else_wrote_meanwhile_is_still_told(
    browser: Any, served: str, tablet: Client, book: Daybook
):
    course = written(tablet, kept(tablet), 8, fading_pct="0").json()
    page = with_course_open(browser.new_page(), served)
    page.fill("#session-fading_pct", "25")
    written(tablet, course, 3, fading_pct="10")
    page.click("#language-form button[lang=de]")
    expect(page.locator("#session-fading_pct")).to_have_value("25")
    page.click("#session-form button[type=submit]")
    page.wait_for_selector("#book-state.alert:text('op1')")
    assert page.input_value("#session-fading_pct") == "25"
    assert book.course("k7-1").done == 2
    page.close()
