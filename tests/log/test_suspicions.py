"""A log that was kept in another way than it is read says so wherever it is used."""

import pandas as pd
import pytest

import forecast
from forecast.log.outcome_log import OutcomeLog, suspicions

TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")


@pytest.fixture(scope="module")
def tidy() -> OutcomeLog:
    return forecast.simulate_log(150, seed=6)


@pytest.fixture(scope="module")
def fractions(tidy) -> OutcomeLog:
    """Return the same log, graded as fractions."""
    frames = {name: getattr(tidy, name).copy() for name in TABLES}
    frames["gradings"]["fading_pct"] /= 100
    return OutcomeLog.from_frames(**frames)


@pytest.fixture(scope="module")
def rosy(tidy) -> OutcomeLog:
    """Return the cleared courses of the log and nothing else."""
    return OutcomeLog.from_frames(tidy.courses[tidy.courses["outcome"] == "cleared"])


def test_an_ordinary_log_arouses_no_suspicion(tidy):
    assert suspicions(tidy) == ()


def test_gradings_that_look_like_fractions_are_said_of_the_log_and_of_its_curves(fractions):
    (said,) = suspicions(fractions)
    assert said.code == "log.graded_in_fractions"
    assert "percent faded is expected, 0 to 100" in str(said)
    assert str(said) in map(str, forecast.fit_fading(fractions).notes)


def test_a_slip_above_100_does_not_hide_fractions(fractions):
    gradings = fractions.gradings.copy()
    gradings.loc[7, "fading_pct"] = 250
    log = OutcomeLog.from_frames(fractions.courses, gradings=gradings)
    assert suspicions(log) == suspicions(fractions) != ()
    listed = log.report.flagged.query("column == 'fading_pct' and row == 9")
    assert "not fractions" not in " ".join(listed["rule"])
    assert "not fractions" in " ".join(log.report.flagged["rule"])


def test_gradings_that_are_all_zero_are_no_fractions(tidy):
    gradings = tidy.gradings.assign(fading_pct=0.0)
    log = OutcomeLog.from_frames(tidy.courses, gradings=gradings)
    assert suspicions(log) == ()
    assert "not fractions" not in " ".join(log.report.flagged["rule"])


def test_a_log_of_cleared_courses_only_is_called_too_rosy(rosy):
    (said,) = suspicions(rosy)
    assert said.code == "log.only_finished"
    assert f"All {len(rosy.courses)} courses" in str(said)
    assert "too rosy: log them" in str(said)


def test_every_estimate_from_such_a_log_says_so(rosy):
    forecaster = forecast.fit_forecaster(rosy)
    enquiry = forecast.Enquiry("II", "forearm", "black", "medium", "single")
    for estimate in (
        forecaster.estimate(enquiry),
        forecaster.update(enquiry, sessions_done=2).remaining,
    ):
        assert "too rosy: log them" in estimate.to_text()


@pytest.mark.parametrize("outcome", ["stopped", "ongoing"])
def test_one_unfinished_course_is_enough_to_allay_it(rosy, outcome):
    courses = rosy.courses.copy()
    courses.loc[0, "outcome"] = outcome
    assert suspicions(OutcomeLog.from_frames(courses)) == ()


def test_a_few_cleared_courses_are_no_sign(rosy):
    assert suspicions(OutcomeLog.from_frames(rosy.courses.head(19))) == ()


def test_the_report_in_one_line_counts_rows_once():
    course = {
        "course_id": "c1", "client_id": "p1", "started_on": "2024-01-10", "skin_type": "II",
        "body_site": "forearm", "inks": "black", "ink_density": "medium", "layering": "single",
        "sessions_given": 3, "outcome": "stopped",
    }  # fmt: skip
    bad = course | {"course_id": "c2", "skin_type": "IX", "body_site": "arm"}
    odd = course | {"course_id": "c3", "client_id": "p3", "stop_reason": "cost"}
    odd |= {"outcome": "ongoing", "age_years": 150}
    grading = {"after_session": 1, "graded_on": "2024-02-10", "fading_pct": 10}
    gradings = [grading | {"course_id": name} for name in ("c1", "c2", "c9")]
    log = OutcomeLog.from_frames(pd.DataFrame([course, bad, odd]), gradings=pd.DataFrame(gradings))
    assert log.report.in_brief() == "1 course and 2 other rows set aside, 1 row flagged"
    assert OutcomeLog.from_frames(pd.DataFrame([course])).report.in_brief() == ""
    alone = OutcomeLog.from_frames(pd.DataFrame([course]), gradings=pd.DataFrame(gradings[2:]))
    assert alone.report.in_brief() == "1 row set aside"
