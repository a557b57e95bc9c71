"""A fit, from a log to an answer: known truth, little data, and what cannot be fitted."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import forecast
from benchmarks.clinics import drawn_world
from benchmarks.truth import fresh_clients
from forecast.assess import tie_split_coverage
from forecast.errors import DataError, RequestError
from forecast.forecaster import model_card, refresh_forecaster
from forecast.invented import usual_world
from forecast.survival import CountDistribution

PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
COMPLETE = replace(
    PLAIN, age_years=30, origin="professional", area_cm2=50, tattoo_age_years=4, scarring="none",
    smoker="no",
)  # fmt: skip


def only(log, rows, **changes):
    """Return the log with only some courses, changed."""
    courses = log.courses[rows].assign(**changes)
    return forecast.OutcomeLog.from_frames(courses)


def test_without_a_finished_course_the_estimate_is_evidence_only_and_wide(invented_log, forecaster):
    young = only(invented_log, slice(0, 40), outcome="ongoing", sessions_given=1)
    fitted = forecast.fit_forecaster(young)
    estimate = fitted.estimate(COMPLETE)
    assert any("all else is published evidence" in str(note) for note in estimate.notes)
    assert estimate.support == "outside"
    assert estimate.own_share < 0.2 < forecaster.estimate(COMPLETE).own_share
    low, high = estimate.interval
    narrow = forecaster.estimate(COMPLETE).interval
    assert (high or 26) - low > (narrow[1] or 26) - narrow[0]


def test_a_log_too_small_to_tell_inks_apart_does_not_make_white_as_quick_as_black():
    log = forecast.simulate_log(60, seed=77123, world=usual_world("leaving"))
    fitted = forecast.fit_forecaster(log)
    scores = {row["model"]: row for row in fitted.assessment["candidates"]}
    assert scores["life table"]["within_one_error"]  # the log cannot tell
    white, black = (
        fitted.estimate(replace(PLAIN, inks=inks)).not_within_horizon
        for inks in ("white;yellow", "black")
    )
    assert black < 0.05 < 0.4 < white


def test_a_log_of_unfinished_courses_says_how_far_it_moved_the_answer(invented_log):
    going = only(invented_log, slice(None), outcome="ongoing")
    estimate = forecast.fit_forecaster(going).estimate(PLAIN)
    alone = estimate.evidence_alone
    # nobody got there in hundreds of courses: the count rises, whatever became surer
    assert estimate.median > alone.median
    assert estimate.moved == estimate.median - alone.median
    assert estimate.chance_by(10) < alone.chance_by(10) - 0.2
    said = next(str(note) for note in estimate.notes if "evidence alone" in str(note))
    assert f"evidence alone: {alone.median} ({alone.interval[0]} to " in said
    assert f"with this log: {estimate.median} (" in said
    assert " 0 %" not in estimate.to_text()


def test_what_the_log_never_recorded_touches_nothing(invented_log):
    courses = invented_log.courses.drop(columns=["scarring", "smoker"])
    fitted = forecast.fit_forecaster(forecast.OutcomeLog.from_frames(courses), seed=1)
    plain = forecast.Enquiry("III", "forearm", "black", "medium", "single", age_years=30)
    ticked = replace(plain, scarring="marked", smoker="yes")
    without, given = fitted.estimate(plain), fitted.estimate(ticked)
    assert np.array_equal(given.draws, without.draws)
    assert (given.support, given.support_reasons) == (without.support, without.support_reasons)
    assert any(
        "Not recorded in this log, so not used: scarring, smoker" in str(n) for n in given.notes
    )


@pytest.mark.parametrize("outcome", ["cleared", "stopped"])
def test_one_course_and_all_at_the_first_session_still_fit(invented_log, outcome):
    one = only(invented_log, slice(0, 1), outcome=outcome, sessions_given=1)
    assert forecast.fit_forecaster(one).estimate(PLAIN).median is not None
    first = only(invented_log, slice(0, 80), outcome=outcome, sessions_given=1)
    estimate = forecast.fit_forecaster(first).estimate(PLAIN)
    assert (estimate.median == 1) == (outcome == "cleared")


def test_a_client_whose_next_course_begins_where_the_last_one_stopped_is_fitted(invented_log):
    # sessions had elsewhere as many as the course before had here: still two courses
    courses = invented_log.courses.copy()
    stopped = courses.index[courses["outcome"] == "stopped"][:5]
    for at in stopped:
        courses.loc[at + 1, "client_id"] = courses.loc[at, "client_id"]
        courses.loc[at + 1, "sessions_elsewhere"] = courses.loc[at, "sessions_given"]
    log = forecast.OutcomeLog.from_frames(courses, gradings=invented_log.gradings)
    assert forecast.fit_forecaster(log).log_summary.n_courses == len(courses)


def test_requests_out_of_range_are_refused(forecaster, invented_log):
    for level in (0, 1, 80, True):
        with pytest.raises(RequestError, match="level"):
            forecaster.estimate(PLAIN, level=level)
    with pytest.raises(RequestError, match="goal is 'vanish'"):
        forecast.fit_forecaster(invented_log, goal="vanish")
    with pytest.raises(RequestError, match="half of the finished courses needed more"):
        forecast.fit_forecaster(invented_log, horizon=3)
    with pytest.raises(RequestError, match="skin_type"):
        forecaster.estimate_many(pd.DataFrame({"inks": ["black"]}))


def test_a_log_without_a_usable_course_is_refused(invented_log):
    courses = invented_log.courses.head(5).assign(skin_type="VIII")
    with pytest.raises(DataError, match="No course of the log can be used"):
        forecast.fit_forecaster(forecast.OutcomeLog.from_frames(courses))


@pytest.mark.slow
def test_intervals_cover_what_they_say_for_fresh_clients():
    covered = []
    for seed in range(12):
        world = drawn_world(400 + seed)
        fitted = forecast.fit_forecaster(forecast.simulate_log(300, seed=seed, world=world))
        frame, needed = fresh_clients(world, 500, seed=seed + 50, horizon=25)
        enquiries = [forecast.Enquiry(**row) for row in frame.to_dict("records")]
        draws, _ = fitted.estimate_draws(enquiries)
        found = CountDistribution(draws.mean(axis=0))
        counts = np.where(needed > 25, np.inf, needed)
        covered.append(tie_split_coverage(found, counts, level=0.8).mean())
    # the goal itself, without room for noise: twelve clinics leave an error of one point
    assert 0.77 < np.mean(covered) < 0.84
    assert min(covered) > 0.7


def test_the_same_seed_gives_the_same_forecaster(invented_log, forecaster):
    again = forecast.fit_forecaster(invented_log, seed=1)
    enquiry = forecast.Enquiry("II", "thigh", "black;red", "light", "single")
    assert np.array_equal(again.estimate(enquiry).draws, forecaster.estimate(enquiry).draws)


def test_the_clinics_own_columns_are_saved_judged_refreshed_and_read_from_frames(
    own_log, own_forecaster, tmp_path
):
    own_forecaster.save(tmp_path / "model.json")
    loaded = forecast.load_forecaster(tmp_path / "model.json")
    assert loaded.extra == own_forecaster.extra == ("sun_exposure", "lucky_number")
    assert loaded.fingerprint == own_forecaster.fingerprint
    courses = own_log.courses.head(20).rename(columns={"sun_exposure": "Sun Exposure"})
    told = loaded.estimate_many(courses)
    blind = loaded.estimate_many(courses.drop(columns=["Sun Exposure"]))
    assert (told["median"] != blind["median"]).mean() > 0.5
    one = loaded.estimate(courses.iloc[[0]])
    assert one.interval == loaded.estimate(dict(courses.iloc[0])).interval
    assert one.interval[0] == told["low"][0]
    judged = forecast.assess_forecaster(loaded, own_log.where(own_log.courses.index < 250))
    plain = forecast.fit_forecaster(own_log, seed=1)
    blunt = forecast.assess_forecaster(plain, own_log.where(own_log.courses.index < 250))
    crps = [
        found.assessment.scores.set_index("metric")["value"]["crps"] for found in (judged, blunt)
    ]
    assert crps[0] < 0.9 * crps[1]
    assert {"sun_exposure", "lucky_number"} < set(model_card(loaded)["predictors"])
    assert not loaded.assessment["contradicted"]
    smaller = own_log.where(own_log.courses.index < 280)
    assert refresh_forecaster(loaded, smaller).forecaster.extra == loaded.extra
