"""A running course's last session is judged at the next visit: who is at risk until when."""

import pandas as pd
import pytest

from forecast import fit_forecaster
from forecast.counts import course_rows
from forecast.invented import simulate_clinic
from forecast.log.outcome_log import OutcomeLog, is_judged, judged_sessions

PLAIN = {
    "started_on": "2024-03-01",
    "skin_type": "II",
    "body_site": "forearm",
    "inks": "black",
    "ink_density": "medium",
    "layering": "single",
}


def log_of(*ends, graded=()):
    """Return the log of courses c0, c1, … given as (sessions, outcome), and of their gradings."""
    courses = pd.DataFrame(
        [
            PLAIN
            | {"course_id": f"c{i}", "client_id": f"p{i}", "sessions_given": n, "outcome": end}
            for i, (n, end) in enumerate(ends)
        ]
    )
    if not graded:
        return OutcomeLog.from_frames(courses)
    rows = pd.DataFrame(graded, columns=["course_id", "after_session", "fading_pct"])
    return OutcomeLog.from_frames(courses, gradings=rows.assign(graded_on="2024-12-01"))


def test_the_last_session_of_a_running_course_is_known_once_it_was_graded():
    log = log_of(
        (4, "cleared"), (3, "stopped"), (5, "ongoing"), (5, "ongoing"), (1, "ongoing"),
        graded=[("c2", 4, 40), ("c3", 5, 50), ("c0", 3, 80)],
    )  # fmt: skip
    assert judged_sessions(log).tolist() == [4, 3, 4, 5, 0]
    rows = course_rows(log)
    assert rows["step"].tolist() == [4, 3, 4, 5, 0]
    assert rows["given"].tolist() == [4, 3, 5, 5, 1]
    assert is_judged(rows).tolist() == [True, True, True, True, False]


def test_without_gradings_nobody_knows_what_the_last_session_of_a_running_course_did():
    assert judged_sessions(log_of((4, "cleared"), (6, "ongoing"))).tolist() == [4, 5]


def test_a_log_of_first_visits_is_answered_from_the_evidence():
    fitted = fit_forecaster(log_of((1, "ongoing"), (1, "ongoing")))
    assert fitted.model.to_dict() == fitted.evidence.to_dict()
    assert "No course has reached the goal yet" in " ".join(map(str, fitted.notes))


def test_courses_just_begun_are_counted_but_change_no_estimate():
    ends = [(n, "cleared") for n in (6, 7, 8, 9, 10, 11)]
    enquiry_log, more = log_of(*ends), log_of(*ends, (1, "ongoing"))
    one, other = fit_forecaster(enquiry_log), fit_forecaster(more)
    assert other.log_summary.n_courses == one.log_summary.n_courses + 1
    assert other.model.to_dict()["notes"] == one.model.to_dict()["notes"]


@pytest.mark.slow
def test_a_young_clinic_does_not_forecast_too_long_for_having_many_running_courses():
    # the crude share of clearances that a log misses when it calls the last sessions uncleared:
    # compare each hazard with that of the same courses followed to their end
    asked, known, true = 0.0, 0.0, 0.0
    for seed in range(8):
        clinic = simulate_clinic(400, seed=seed, years=2.0)
        rows = course_rows(clinic.log)
        needed = (
            clinic.truth.set_index("course_id")["needed_clear"]
            .reindex(rows["course_id"])
            .to_numpy()
        )
        running = (clinic.log.courses["outcome"] == "ongoing").to_numpy()
        given = clinic.log.courses["sessions_given"].to_numpy()
        asked += rows["observed"].sum() / given.sum()
        known += rows["observed"].sum() / (rows["step"] - rows["entry"]).sum()
        true += (rows["observed"] | (running & (needed == given))).sum() / given.sum()
    assert abs(known / true - 1) < abs(asked / true - 1) / 3
