"""A date that has not come is a slip of the pen: it must not set the log's "now"."""

from datetime import date, timedelta

import pandas as pd
import pytest

import forecast
from forecast.counts import LogSummary, course_rows
from forecast.log.outcome_log import OutcomeLog

TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")
COLUMNS = {"courses": "started_on", "sessions": "treated_on", "gradings": "graded_on"}


@pytest.fixture(scope="module")
def tidy() -> forecast.OutcomeLog:
    return forecast.simulate_log(60, seed=4)


def mistyped(log: OutcomeLog, table: str, day: object) -> OutcomeLog:
    """Return the log with the date of a table's sixth row mistyped."""
    frames = {name: getattr(log, name).copy() for name in TABLES}
    column = COLUMNS[table]
    dates = frames[table][column].dt.strftime("%Y-%m-%d").to_list()
    dates[5] = str(day)
    frames[table][column] = dates
    return OutcomeLog.from_frames(**frames)


@pytest.mark.parametrize("table", COLUMNS)
@pytest.mark.parametrize("day", ["2091-01-01", date.today() + timedelta(days=3)])
def test_a_row_dated_after_today_is_set_aside_with_a_remedy(tidy, table, day):
    report = mistyped(tidy, table, day).report
    listed = report.set_aside
    (own,) = (
        listed[listed["table"] == table].query("rule == 'a date that has come'").to_dict("records")
    )
    assert (own["row"], own["column"], own["value"]) == (7, COLUMNS[table], str(day))
    assert own["remedy"].startswith("Correct the year or the day")
    for counts in report.rows.values():
        assert counts.rows_in == counts.used + counts.set_aside


@pytest.mark.parametrize("day", [date.today(), "2022-02-02"])
def test_a_row_dated_today_or_before_is_used(tidy, day):
    report = mistyped(tidy, "courses", day).report
    assert "a date that has come" not in set(report.set_aside["rule"])


def test_what_belongs_to_a_course_that_starts_later_waits_for_it(tidy):
    log = mistyped(tidy, "courses", "2031-01-01")
    gone = tidy.courses["course_id"][5]
    for name in ("sessions", "gradings"):
        assert gone not in set(getattr(log, name)["course_id"])
        lost = (getattr(tidy, name)["course_id"] == gone).sum()
        assert log.report.rows[name].set_aside == lost


def test_a_mistyped_year_does_not_move_now(tidy):
    log = mistyped(tidy, "courses", "2031-01-01")
    rows = course_rows(log)
    assert LogSummary.of(log, rows).last_start == f"{tidy.courses['started_on'].max():%Y-%m-%d}"
    kept = course_rows(tidy).drop(index=5)["four_years_on"]
    assert rows["four_years_on"].tolist() == kept.tolist()


def test_a_mistyped_year_that_has_come_does_not_move_now_either(tidy):
    day = tidy.courses["started_on"].max() + timedelta(days=370)
    assert day.date() < date.today()
    log = mistyped(tidy, "courses", day.date())
    rows = course_rows(log)
    last = tidy.courses["started_on"].drop(5).max()
    assert LogSummary.of(log, rows).last_start == f"{last:%Y-%m-%d}"
    assert rows["four_years_on"].max() == pytest.approx(1 / 4)  # a year after the middle of two


@pytest.mark.parametrize("year", ["1917", "0217", "1979"])
def test_a_start_before_lasers_removed_tattoos_is_set_aside(tidy, year):
    report = mistyped(tidy, "courses", f"{year}-01-01").report
    own = report.set_aside[report.set_aside["table"] == "courses"]
    assert own["row"].tolist() == [7]
    assert "from 1980-01-01" in own["rule"].item()


def test_an_early_start_that_may_be_true_is_flagged_and_counts_as_the_earliest_practice(tidy):
    frames = {name: getattr(tidy, name) for name in TABLES}
    log = mistyped(tidy, "courses", "1985-05-05")
    flagged = log.report.flagged
    assert "a date within two years of the log's others" in set(flagged["rule"])
    # seven years ago is as far back as practice is told apart
    assert course_rows(log)["four_years_on"].min() == pytest.approx(-7 / 4)
    assert len(log.courses) == len(frames["courses"])


def test_an_invented_clinic_may_look_ahead():
    log = forecast.simulate_log(60, seed=1, years=30)
    assert log.courses["started_on"].max().date() > date.today()
    assert log.report.set_aside.empty


def test_dates_that_are_dates_already_are_held_to_the_same(tidy):
    frames = {name: getattr(tidy, name).copy() for name in TABLES}
    frames["courses"].loc[5, "started_on"] = pd.Timestamp("2031-01-01")
    log = OutcomeLog.from_frames(**frames)
    assert log.report.rows["courses"].set_aside == 1
