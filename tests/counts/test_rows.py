"""Rows of the count model: which sessions count, what ends a course, and what today is."""

import pandas as pd
import pytest

import forecast
from forecast.counts.rows import (
    course_rows,
    durations_of,
    fill_missing,
    judged_rows,
    lasers_in_use,
    latest_start,
)

NAN = float("nan")

COURSE = {
    "skin_type": "II", "body_site": "forearm", "inks": "black", "ink_density": "medium",
    "layering": "single", "started_on": "2023-01-02",
}  # fmt: skip


def rows_of(*courses: dict[str, object]) -> pd.DataFrame:
    """Return the rows of a log of such courses."""
    found = [
        {**COURSE, "course_id": f"c{k}", "client_id": f"p{k}", **course}
        for k, course in enumerate(courses)
    ]
    return course_rows(forecast.OutcomeLog.from_frames(pd.DataFrame(found)))


def test_sessions_had_elsewhere_are_in_the_step_and_the_course_enters_after_them():
    rows = rows_of(
        {"sessions_given": 4, "outcome": "cleared", "sessions_elsewhere": 3},
        {"sessions_given": 4, "outcome": "cleared"},
    )
    assert rows["step"].tolist() == [7, 4]
    assert rows["entry"].tolist() == [3, 0]
    assert rows["given"].tolist() == [4, 4]


def test_only_a_cleared_course_has_reached_clearing_and_only_a_stopped_one_was_given_up():
    outcomes = ("cleared", "stopped", "ongoing", "lightened")
    rows = rows_of(*({"sessions_given": 5, "outcome": outcome} for outcome in outcomes))
    assert rows["observed"].tolist() == [True, False, False, False]
    assert rows["stopped"].tolist() == [False, True, False, False]


def test_a_course_without_a_session_here_says_nothing_of_the_count():
    courses = ({"sessions_given": 0, "outcome": "stopped"}, {"sessions_given": 2})
    frame = pd.DataFrame(
        [
            {**COURSE, "course_id": f"c{k}", "client_id": f"p{k}", "outcome": "ongoing", **course}
            for k, course in enumerate(courses)
        ]
    )
    log = forecast.OutcomeLog.from_frames(frame)
    assert set(judged_rows(log)["course_id"]) <= {"c1"}


def test_one_start_far_behind_the_others_is_not_today():
    starts = pd.Series(pd.date_range("2022-01-01", periods=200, freq="D"))
    late = pd.concat([starts, pd.Series([pd.Timestamp("2031-01-01")])])
    assert latest_start(late) == starts.max()
    assert latest_start(starts) == starts.max()


def test_a_laser_counts_from_the_day_it_was_bought():
    bought = pd.to_datetime(["2021-05-01", "2024-02-01", None])
    lasers = pd.DataFrame(
        {
            "laser_id": ["first", "second", "undated"],
            "regime": ["ns", "ps", "ns"],
            "wavelengths_nm": ["1064;532", "755", "694"],
            "in_use_from": bought,
        }
    )
    on = {"2021-04-30": 1, "2021-05-01": 2, "2024-02-01": 3}
    assert {day: len(lasers_in_use(lasers, pd.Timestamp(day))) for day in on} == on
    assert len(lasers_in_use(lasers)) == 3


def test_a_missing_value_gets_its_fill_the_mean_of_the_others_or_nought():
    rows = pd.DataFrame(
        {"smoker": [1.0, 0.0, 1.0, NAN], "scarring": NAN, "layering": [1, NAN, 0, 0]}
    )
    filled = fill_missing(rows, {"smoker": None, "scarring": None, "layering": 0.25})
    assert filled["smoker"].tolist() == [1, 0, 1, pytest.approx(2 / 3)]
    assert filled["scarring"].tolist() == [0, 0, 0, 0]
    assert filled["layering"].tolist() == [1, 0.25, 0, 0]
    assert rows["smoker"].isna().sum() == 1


def test_a_fit_gets_the_rows_with_these_covariates_and_their_entry():
    rows = pd.DataFrame({"step": [4, 7], "entry": [0, 3], "observed": [True, False]})
    rows = rows.assign(client_id=["a", "b"], smoker=[NAN, 1.0], scarring=0.0)
    durations = durations_of(rows, {"smoker": 0.5})
    assert list(durations.covariates.columns) == ["smoker"]
    assert durations.covariates["smoker"].tolist() == [0.5, 1.0]
    assert list(durations.entry) == [0, 3]
    assert list(durations.step) == [4, 7]
