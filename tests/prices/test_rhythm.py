"""The months of visits: a clinic that closes in August, and one that does not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from benchmarks.appointments import followed_clinic
from forecast.invented import World, simulate_log
from forecast.log import OutcomeLog
from forecast.prices import forecast_appointments
from forecast.prices.rhythm import Gaps, OwnTime, Starts, yearly_starts
from tests.regimes.made import made_log, with_tables

from .test_appointments import Sure

AUGUST, SEPTEMBER = 7, 8
WORLD = replace(World(), lighten_rate=0.0)


@pytest.fixture(scope="module")
def closed() -> OutcomeLog:
    log, *_ = followed_clinic(WORLD, 300, 31, closed=True)
    assert not (log.sessions["treated_on"].dt.month == AUGUST + 1).any()
    return log


@pytest.fixture(scope="module")
def always_open() -> OutcomeLog:
    return followed_clinic(WORLD, 300, 31)[0]


HALF = np.log(2) / 2


@pytest.mark.parametrize(
    ("gaps", "between", "within"),
    [
        # four or eight weeks by chance: that means of two differ is no difference of courses
        ([(28, 28), (28, 56), (56, 28), (56, 56)], 0, HALF),
        ([(28, 28), (56, 56)], HALF, 1e-4),  # each course has its own, and keeps it
    ],
    ids=["by chance", "its own"],
)
def test_courses_differ_by_what_chance_leaves_of_their_gaps(gaps, between, within):
    log = made_log(np.full(40, 3), ["ns"] * 40)
    days = np.insert(np.resize(gaps, (40, 2)).cumsum(axis=1), 0, 0, axis=1).ravel()
    first = log.sessions.groupby("course_id")["treated_on"].transform("min")
    treated = first + pd.to_timedelta(days, unit="D")
    found, _ = Gaps.of(with_tables(log, sessions=log.sessions.assign(treated_on=treated)))
    assert (found.between, found.within) == pytest.approx((between, within), abs=1e-6)


def test_a_clinic_closed_in_august_is_seen_in_its_visits(closed):
    season = OwnTime.of(closed, 365).season
    assert season.mean() == pytest.approx(1)
    assert season[AUGUST] < 0.1
    assert season[SEPTEMBER] > 1.6  # what was put off
    rest = np.delete(season, [AUGUST, SEPTEMBER])
    assert_allclose(rest, 1, atol=0.25)


def test_a_clinic_without_seasons_has_the_calendar_for_its_time(always_open):
    own = OwnTime.of(always_open, 365)
    assert (own.season == 1).all()
    assert_allclose(own.since(np.array([0.0, 40.0])), [0, 40])
    assert_allclose(own.after(3.5, np.array([0.0, 56.0])), [3.5, 59.5])


def test_a_gap_that_would_end_while_it_is_closed_ends_after_that(closed):
    own = OwnTime.of(closed, 365)  # from 1 January 2025 on
    july, august, september = 202.0, 212, 243
    day = own.after(july, np.array([5.0, 12.0, 20.0]))
    assert july < day[0] < august
    assert (day[1:] > september - 1).all()
    assert day[2] < september + 10  # at once, not a month later
    # and the way back: who was away over August and September was away for the same time
    assert own.since(np.array([184.0])) == pytest.approx(184, abs=12)


def test_august_is_foretold_empty_and_september_full_and_it_is_said(closed, always_open):
    load = forecast_appointments(Sure(8), closed, starts_per_month=4)
    months = load.to_frame().set_index("month")["sessions"]
    assert months["2025-08-01"] < 0.15 * months.mean()
    assert months["2025-09-01"] > 1.4 * months.mean()
    (note,) = [one for one in load.notes if one.code == "prices.visits_by_month"]
    assert note.values["least"] < 10 < 160 < note.values["most"]
    usual = forecast_appointments(Sure(8), always_open, starts_per_month=4)
    assert "prices.visits_by_month" not in {one.code for one in usual.notes}


@pytest.mark.parametrize("first", [1, 4, 8, 29])
def test_the_starts_of_a_clinic_long_quiet_are_few_and_finite(first: int):
    # nobody has begun for years; the last visits lie years after the last start
    log = simulate_log(600, seed=7310322)
    courses = log.courses.sort_values("started_on").head(first)
    sessions = log.sessions[log.sessions["course_id"].isin(courses["course_id"])]
    log = OutcomeLog.from_frames(courses, sessions)
    assert np.isfinite([*Starts.of(log).covariance.ravel(), *yearly_starts(log)]).all()
    assert yearly_starts(log)[0] < 20
