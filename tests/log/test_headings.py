"""Columns that say who a client is are refused, by heading and by content."""

import pandas as pd
import pytest

from forecast.errors import DataError
from forecast.invented import simulate_log
from forecast.log.outcome_log import OutcomeLog


@pytest.fixture(scope="module")
def courses():
    return simulate_log(60, seed=3).courses


def refused(courses):
    with pytest.raises(DataError) as caught:
        OutcomeLog.from_frames(courses)
    return caught.value


@pytest.mark.parametrize(
    "heading",
    [
        "name", "Client Name", "first_name", "Surname", "e-mail", "Email address", "phone",
        "Mobile No", "address", "Postcode", "ZIP", "date_of_birth", "DOB", "birthday",
        "passport number", "instagram",
    ],
)  # fmt: skip
def test_a_telling_heading_is_refused_even_when_empty(courses, heading):
    error = refused(courses.assign(**{heading: ""}))
    assert heading in error.problem
    assert "Drop" in error.remedy


PEOPLE = ["Anna Schmidt", "John O'Neil", "Maria Garcia", "Li Wei", "Zoë Müller", "Ola Nordmann"]


@pytest.mark.parametrize(
    ("what", "texts"),
    [
        ("names of people", PEOPLE),
        ("names of people", [f"{name.split()[1]}, {name.split()[0]}" for name in PEOPLE]),
        ("e-mail addresses", ["asked for ink list", "anna@example.org wrote"]),
        ("phone numbers", ["call 07700 900123 first", "pays cash"]),
        ("phone numbers", ["+44 7700 900123", ""]),
        ("addresses", ["came by bus", "12 High Street"]),
        ("addresses", ["Hauptstraße 5", "near"]),
        ("birth dates", ["1990-02-03", "1985-11-30", "1979-01-01", "1999-07-14"]),
        ("birth dates", ["03/02/1990", "30/11/1985", "01/01/1979", "14/07/1999"]),
    ],
)
def test_telling_content_is_refused_under_an_innocent_heading_and_never_repeated(
    courses, what, texts
):
    repeated = [texts[i % len(texts)] for i in range(len(courses))]
    error = refused(courses.assign(remark=repeated))
    assert f"courses.remark ({what})" in error.problem
    for text in texts:
        assert not text or text not in str(error)


def test_names_in_the_place_of_pseudonyms_are_refused(courses):
    named = [PEOPLE[i % len(PEOPLE)] for i in range(len(courses))]
    assert "courses.client_id" in refused(courses.assign(client_id=named)).problem


def test_all_telling_columns_are_named_at_once(courses):
    error = refused(courses.assign(email="", phone="", dob=""))
    assert error.problem.startswith("3 column(s)")


def test_other_tables_are_looked_at_too(courses):
    log = simulate_log(60, seed=3)
    operators = log.sessions["operator_id"].map({"op1": "Anna Schmidt"}).fillna("Bea Berg")
    with pytest.raises(DataError, match=r"sessions\.operator_id"):
        OutcomeLog.from_frames(courses, log.sessions.assign(operator_id=operators))


@pytest.mark.parametrize(
    ("heading", "texts"),
    [
        ("package_name", ["Six Block", "Until Clear"]),
        ("remark", ["slow fading", "very sore", "happy"]),
        ("last_seen", ["2023-02-03", "2024-11-30"]),
        ("room", ["1", "2"]),
        ("tattooed_on", ["2012-05-01", "2015-03-20", "2019-01-31"]),
        ("device", ["Alpha One", "Beta Two"]),
    ],
)
def test_innocent_columns_are_listed_and_kept_out(courses, heading, texts):
    repeated = [texts[i % len(texts)] for i in range(len(courses))]
    log = OutcomeLog.from_frames(courses.assign(**{heading: repeated}))
    assert log.report.extra_columns == {"courses": (heading,)}
    assert heading not in log.courses


def test_a_dropped_column_is_no_longer_missed(courses):
    telling = courses.assign(email="a@example.org")
    log = OutcomeLog.from_frames(telling.drop(columns="email"))
    pd.testing.assert_frame_equal(log.courses, courses)


def test_birth_dates_are_found_in_a_log_of_thousands_of_courses(courses):
    many = pd.concat([courses] * 120, ignore_index=True)
    many["course_id"] = [f"c{number}" for number in range(len(many))]
    born = pd.Timestamp("1970-05-05") + pd.to_timedelta([37 * k % 9000 for k in many.index], "D")
    assert "birth dates" in refused(many.assign(since=born)).problem
    assert "birth dates" in refused(many.assign(since=born.strftime("%Y-%m-%d"))).problem
