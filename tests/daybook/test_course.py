"""What does not fit a course is told at its field and not kept; a course looked back on."""

import re
from contextlib import nullcontext
from datetime import date, datetime, timedelta

import pytest

from forecast.daybook import Course, Daybook, MisfitError, history_lines, read_promises
from forecast.daybook.course import check_end

from .conftest import TODAY, promised, visit


def test_what_does_not_fit_is_told_at_its_field(book):
    kept = book.keep(promised(), by="op1")
    course = book.course(kept.course_id)
    course = book.write_session(kept.course_id, visit(8, 0), version=course.version, by="op1")

    def refused(field, **given):
        sure = given.pop("sure", False)
        cells = {"weeks_ago": 1, **given}
        with pytest.raises(MisfitError) as told:
            book.write_session(
                kept.course_id, visit(**cells), version=course.version, by="op1", sure=sure
            )
        assert told.value.field == field

    refused("treated_on", weeks_ago=9)
    refused("treated_on", weeks_ago=-3)
    refused("regime", regime="")
    refused("wavelengths_nm", wavelengths_nm="20")
    refused("passes", passes=50)
    refused("operator_id", operator_id="Anna Schmidt")
    refused("grader_id", percent=10, grader_id="peter")
    refused("laser_id", laser_id="call 0171 5551234")
    refused("laser_id", laser_id="x" * 60)
    refused("reaction", severity="mild")
    refused("fading_pct", percent=140)
    refused("fading_pct", percent=95)
    for outcome, field in (("cleared", "outcome"), ("stopped", "stop_reason"), ("x", "outcome")):
        given = {"version": course.version, "by": "op1", "stop_reason": "Anna moved"}
        with pytest.raises(MisfitError) as told:
            book.end(kept.course_id, outcome=outcome, **given)
        assert told.value.field == field
    assert book.course(kept.course_id).version == course.version
    sure = {"version": course.version, "by": "op1", "sure": True}
    assert book.end(kept.course_id, outcome="cleared", **sure).outcome == "cleared"
    with pytest.raises(MisfitError, match="has ended"):
        book.write_session(kept.course_id, visit(1), version=course.version + 1, by="op1")
    for asked in ("2", "k901", "anna"):
        with pytest.raises(MisfitError, match="no promise, course or pseudonym"):
            book.find(asked)
    for name in ("Anna", "anna schmidt", "schmidt1", "a@b.example", "0171 5551234", "", "x" * 60):
        with pytest.raises(MisfitError):
            book.keep(promised(name), by="op1")
        with pytest.raises(MisfitError):
            book.keep(promised(), by=name)
    assert len(read_promises(book.path)) == 1


def course_of(goal="clear", **given):
    row = {"sessions_given": 3, "outcome": "ongoing", "goal": goal}
    return Course("k1-1", "k1", 1, row, (), (), (), **{"promises": (), "own": {}, **given})


@pytest.mark.parametrize(
    ("goal", "outcome", "graded", "fits"),
    [
        ("clear", "cleared", 95, True),
        ("clear", "cleared", 94, False),
        ("clear", "lightened", 95, False),
        ("lighten", "lightened", 95, True),  # lighter than was asked for is no contradiction
        ("lighten", "cleared", 94, False),
    ],
)
def test_an_end_fits_the_last_grading_and_the_goal(goal, outcome, graded, fits):
    with nullcontext() if fits else pytest.raises(MisfitError) as told:
        check_end(course_of(goal), outcome, None, graded, 95)
    assert fits or told.value.askable


def test_a_course_begun_before_it_was_promised_was_not_enquired_about_before():
    course = course_of(promises=(promised(issued_on=date(2024, 3, 5)),))
    days = {day: course.begun(day)["enquired_on"] for day in ("2024-03-04", "2024-03-05")}
    assert days == {"2024-03-04": None, "2024-03-05": "2024-03-05"}


def test_misfits_can_be_sent_between_processes():
    import pickle

    from forecast._notes import Note

    error = MisfitError("code", Note("daybook.not_found"))
    assert pickle.loads(pickle.dumps(error)).field == "code"


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", ["an estimate kept by op1 at 09:30, 5 Mar 2024", "promise 1, 5 to more than 10 "
                "sessions in all: block_6, 780, EUR", "course begun on 5 Mar 2024",
                "session 1 on 5 Mar 2024: nanosecond (ns), Laser yag, Wavelengths 1064 nm, op1",
                "10 % faded after session 0: op2, a photograph",
                "a session by op1 at 09:30, 5 Mar 2024 (taken back)", "entry 3 no longer holds",
                "after session 1 blister: mild", "outcome stopped: moved away"]),
        ("de", ["eine Schätzung, festgehalten von op1 um 09:30, 05.03.2024",
                "Zusage 1, insgesamt 5 bis mehr als 10 Sitzungen: block_6, 780, EUR",
                "Sitzung 1 am 05.03.2024: Nanosekunden (ns), Laser yag, Wellenlängen 1064 nm, op1",
                "eine Sitzung von op1 um 09:30, 05.03.2024 (zurückgenommen)",
                "Eintrag 3 gilt nicht mehr", "nach Sitzung 1 Blase: leicht",
                "Ergebnis abgebrochen: weggezogen"]),
    ],
)  # fmt: skip
def test_a_history_says_in_words_what_was_entered_when_and_by_whom(book, language, said):
    day = datetime(2024, 3, 5, 9, 30)
    with Daybook(book.path, clock=lambda: day) as played:
        quoted = {"package": "block_6", "price": 780.0, "currency": "EUR"}
        course = played.course(played.keep(promised(**quoted), by="op1").course_id)
        given = {"treated_on": day.date(), "operator_id": "op1"}
        laser = {"laser_id": "yag", "wavelengths_nm": "1064"}
        first = visit(0, 10, grader_id="op2", basis="photograph", **laser, **given)
        second = visit(0, 30, reaction="blister", severity="mild", **given)
        for one in (first, second, None, second):
            given = {"version": course.version, "by": "op1"}
            if one is None:
                course = played.undo("k900-1", **given)
            else:
                course = played.write_session("k900-1", one, sure=True, **given)
        end = {"outcome": "stopped", "stop_reason": "moved", "by": "op1"}
        played.end("k900-1", version=course.version, **end)
        lines = history_lines(played.history("k900-1"), language)
    text = "\n".join(lines)
    for one in said:
        assert one in text
    assert not re.search(r"[a-z]_[a-z]|None|withdrawn|\d+\.0\b", text.replace("block_6", ""))


def test_a_reaction_raises_its_question_until_all_are_asked_after_it(book):
    course = book.course(book.keep(promised(questions="asked", facts="hair"), by="op1").course_id)
    assert (course.facts, course.asked) == ({"hair"}, True)

    def visited(**given):
        now = book.course(course.course_id)
        return book.write_session(course.course_id, visit(**given), version=now.version, by="op1")

    def asked(**given):
        book.keep(promised(course_id=course.course_id, **given), by="op1")
        return book.course(course.course_id)

    visited(weeks_ago=9)
    now = visited(weeks_ago=1, reaction="infection")
    assert (now.facts, now.asked) == ({"hair", "infection"}, False)
    assert [note.severity for note in now.reacted] == ["serious"]
    # a promise of before the visit, or one without all questions, clears nothing up
    assert asked(sessions_done=1, questions="asked").facts == {"infection"}
    assert asked(sessions_done=2, questions="in_part").facts == {"infection"}
    now = asked(sessions_done=2, questions="asked", facts="hair")
    assert (now.facts, now.asked) == ({"hair"}, True)
    now = visited(weeks_ago=0, reaction="darkening")
    assert (now.facts, now.asked) == ({"hair", "prior_darkening"}, False)


def test_the_next_session_is_so_many_weeks_after_the_last_and_never_past(book):
    course = book.course(book.keep(promised(), by="op1").course_id)
    assert course.next_day(8, TODAY) == TODAY
    for ago, expected in ((20, TODAY), (3, TODAY + timedelta(weeks=5))):
        version = book.course(course.course_id).version
        now = book.write_session(course.course_id, visit(ago), version=version, by="op1")
        assert now.next_day(8, TODAY) == expected
