"""Wanting lightening only: fewer sessions than clearing, from the courses that want it."""

import json
from dataclasses import asdict, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import forecast
from benchmarks.clinics import drawn_world
from benchmarks.truth import fresh_clients
from forecast.assess import tie_split_coverage
from forecast.counts.attributes import COVARIATES, LIGHTER, duration_prior, hazard_prior
from forecast.counts.fit import candidates
from forecast.counts.log_summary import Lightening
from forecast.counts.rows import course_rows, of_goal
from forecast.errors import DataError, RequestError
from forecast.forecaster import assess_forecaster, card_text
from forecast.sharing import pool_shares, share_log
from forecast.survival import CountDistribution

PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
ASKED = (
    PLAIN,
    forecast.Enquiry("III", "ankle", "black;green", "medium", "layered"),
    forecast.Enquiry("V", "forearm", "black;red", "heavy", "single", smoker="yes"),
    forecast.Enquiry("I", "face", "black", "light", "single", sessions_elsewhere=2),
)


@pytest.fixture(scope="module")
def log():
    return forecast.read_log("synthetic_data/tangled")


@pytest.fixture(scope="module")
def part(log):
    """A third of the log, which is as much as a fit that is not judged needs."""
    return replace(log, courses=log.courses.head(200))


@pytest.fixture(scope="module")
def clearing(log):
    return forecast.fit_forecaster(log, seed=1)


@pytest.fixture(scope="module")
def lightening(log):
    return forecast.fit_forecaster(log, goal="lighten", seed=1)


def wanting(log, keep, **changes):
    """Return the log with all courses that want clearing and ``keep`` of the others."""
    courses = log.courses
    others = courses.index[courses["goal"] == "lighten"]
    return replace(
        log, courses=courses.drop(others[keep:]).reset_index(drop=True).assign(**changes)
    )


def test_each_course_is_watched_until_its_own_goal(log):
    rows, courses = course_rows(log, goal="lighten"), log.courses
    wants, outcome = courses["goal"] == "lighten", courses["outcome"]
    assert list(rows["lighten"]) == list(wants.astype(float))
    assert list(rows["observed"]) == list(
        (wants & outcome.isin(["lightened", "cleared"])) | (~wants & (outcome == "cleared"))
    )
    # lightened though clearing was wanted is not yet the goal
    changed = replace(log, courses=courses.assign(goal="clear"))
    assert not course_rows(changed, goal="lighten")["observed"][outcome == "lightened"].any()


def test_the_model_for_clearing_knows_nothing_of_lightening(log, clearing):
    assert "lighten" not in COVARIATES
    assert "lighten" not in course_rows(log)
    assert of_goal(course_rows(log)).all()
    assert "lighten" not in {**duration_prior(), **hazard_prior()}
    assert '"lighten' not in json.dumps(clearing.model.to_dict())
    assert clearing.log_summary.lightening is None


def test_the_prior_is_the_algebra_of_a_constant_share_of_the_ink():
    # after n sessions that each leave the share q of the ink, q^n is left: 70 % faded and 95 %
    # faded at n with q^n = 0.3 and 0.05
    q = 0.8
    ratio = np.log(0.3) / np.log(q) / (np.log(0.05) / np.log(q))
    mean, width = duration_prior("lighten")["lighten"]
    assert np.exp(mean) == pytest.approx(ratio)
    # 50 % and 80 % faded lie within its 90 %
    low, high = np.exp(mean + width * np.array([-1.645, 1.645]))
    assert low < np.log(0.5) / np.log(0.05) < np.log(0.2) / np.log(0.05) < high < 1
    # a log count ratio times -2.5, the shape of the published spread, is a log hazard ratio
    assert hazard_prior("lighten")["lighten"] == (
        LIGHTER.log_hazard_ratio,
        pytest.approx(2.5 * width, 0.01),
    )


def test_only_models_with_a_prior_on_it_compete():
    for model in candidates("lighten", n_events=1000):
        assert "lighten" in model.prior
    assert "life table" in [model.name for model in candidates("clear", n_events=1000)]


def test_light_enough_never_comes_later_than_clear(clearing, lightening):
    for enquiry in ASKED:
        later, sooner = clearing.estimate(enquiry), lightening.estimate(enquiry)
        assert (sooner.distribution.cdf() >= later.distribution.cdf() - 1e-9).all()
        assert sooner.median < (later.median or 26)
        assert sooner.not_within_horizon <= later.not_within_horizon


def test_the_lightened_courses_of_the_shipped_log_got_what_is_said(log, lightening):
    rows = course_rows(log, goal="lighten")
    seen = (rows["step"] - rows["entry"])[of_goal(rows) & rows["observed"].to_numpy()]
    frame = log.courses[log.courses["goal"] == "lighten"]
    medians = lightening.estimate_many(frame)["median"].astype(float)
    # 36 courses, median 5: its error is about 1.25 * 2.2 / 6
    assert medians.median() == pytest.approx(seen.median(), abs=1.5)


def test_counts_and_support_are_of_the_courses_that_want_it(log, lightening):
    outcome = log.courses.loc[log.courses["goal"] == "lighten", "outcome"]
    found = lightening.log_summary.lightening
    assert (found.n_courses, found.n_reached) == (len(outcome), (outcome == "lightened").sum())
    assert lightening.supported_to == found.followed_to < 15
    estimate = lightening.estimate(PLAIN)
    assert "42 of which wanted lightening: 36 got there" in str(estimate.notes[0])
    assert lightening.assessment["coverage"]["n_paths"] <= found.n_courses
    assert "42" not in card_text(lightening) or "their own goal" in card_text(lightening)


@pytest.mark.parametrize("keep", [0, 6])
def test_without_enough_lightening_courses_it_is_said_and_nothing_is_claimed(part, keep):
    few = wanting(part, keep)
    fitted = forecast.fit_forecaster(few, goal="lighten")
    estimate = fitted.estimate(PLAIN)
    start = "No course of this log wanted lightening" if keep == 0 else "Only "
    assert any(
        str(note).startswith(start) and "was not checked" in str(note) for note in estimate.notes
    )
    assert estimate.support == ("outside" if keep == 0 else "thin")
    assert not {"coverage", "scores", "subgroups"} & set(fitted.assessment)
    assert fitted.log_summary.similar(PLAIN) is None
    if keep == 0:  # wide: what shortens the count is known to a factor of about two
        low, high = estimate.interval
        assert high >= 2.5 * low


def test_a_log_that_lightened_without_saying_so_is_told(part):
    silent = replace(part, courses=part.courses.assign(goal="clear"))
    notes = forecast.fit_forecaster(silent, goal="lighten").notes
    ended = (silent.courses["outcome"] == "lightened").sum()
    assert ended > 5
    assert any(f"{ended} courses ended lightened" in str(note) for note in notes)


def test_all_courses_wanting_it_and_none_done_still_fit(log):
    every = replace(log, courses=log.courses.assign(goal="lighten").head(150))
    assert forecast.fit_forecaster(every, goal="lighten").estimate(PLAIN).median is not None
    young = every.courses.assign(outcome="ongoing", sessions_given=2)
    none = forecast.OutcomeLog.from_frames(young)
    estimate = forecast.fit_forecaster(none, goal="lighten").estimate(PLAIN)
    assert estimate.support == "outside"
    assert any("No course that wanted lightening is there yet" in str(n) for n in estimate.notes)


def test_the_horizon_need_only_hold_lightening(log):
    with pytest.raises(RequestError, match="half of the finished courses needed more"):
        forecast.fit_forecaster(log, horizon=7)
    assert forecast.fit_forecaster(log, goal="lighten", horizon=7).estimate(PLAIN).horizon == 7


def test_a_saved_one_answers_alike(lightening, tmp_path):
    path = tmp_path / "model.json"
    lightening.save(path)
    again = forecast.load_forecaster(path)
    assert_allclose(again.estimate(PLAIN).draws, lightening.estimate(PLAIN).draws)
    assert again.log_summary.lightening == lightening.log_summary.lightening


def test_promises_are_judged_on_courses_that_want_it(log, lightening):
    judged = assess_forecaster(lightening, log)
    assert judged.n_reached == 36
    with pytest.raises(DataError, match="no course to judge that wants lightening"):
        assess_forecaster(lightening, wanting(log, 0))


def test_a_share_carries_the_effect_or_says_that_it_cannot(log):
    shared = share_log(log, goal="lighten")
    assert shared["parameters"][-1] == "lighten"
    # a hazard ratio exp(2.3) is the algebra at a Weibull shape of 2.5
    assert shared["estimates"][-1] == pytest.approx(2.3, abs=1.5)
    alone = share_log(wanting(log, 3), goal="lighten")
    assert "lighten" in alone["left_out"]
    other = forecast.simulate_log(400, seed=4)
    pooled = pool_shares([shared, share_log(other, goal="lighten")])
    mean, width = pooled.duration_prior()["lighten"]
    assert -1.6 < mean < -0.4
    assert width < duration_prior("lighten")["lighten"][1] * 1.5
    without = pool_shares([alone, share_log(wanting(other, 0), goal="lighten")])
    assert without.duration_prior()["lighten"] == duration_prior("lighten")["lighten"]
    fitted = forecast.fit_forecaster(wanting(other, 2), goal="lighten", evidence=pooled)
    assert any(
        "on evidence of 2 clinics, and was not checked" in str(note) for note in fitted.notes
    )


def test_clients_who_want_lightening_stop_as_readily_as_the_same_tattoo_does(clearing, lightening):
    for enquiry in ASKED:
        one, other = (f.stop_hazard(enquiry) for f in (clearing, lightening))
        assert_allclose(other[:10], one[:10], rtol=0.25)


def test_at_risk_is_counted_on_the_courses_that_want_it(log):
    rows = course_rows(log, goal="lighten")
    found = Lightening.of(log.courses, rows)
    own = rows[of_goal(rows)]
    for session, five in ((found.followed_to, True), (found.followed_to + 1, False)):
        at_risk = ((own["entry"] < session) & (own["step"] >= session)).sum()
        assert (at_risk >= 5) == five
    assert asdict(found)["n_other"] == 0


@pytest.mark.slow
def test_counts_to_lightening_are_true_and_intervals_hold_for_fresh_clients():
    covered, ratios = [], []
    for seed in range(10):
        world = drawn_world(500 + seed)
        log = forecast.simulate_log(400, seed=seed, world=world)
        fitted = forecast.fit_forecaster(log, goal="lighten")
        # the same clinic calling light enough what it otherwise calls clear
        lighter = replace(world, cleared_at=world.lightened_at)
        frame, needed = fresh_clients(lighter, 600, seed=seed + 50, horizon=25)
        asked = [forecast.Enquiry(**row) for row in frame.to_dict("records")]
        found = CountDistribution(fitted.estimate_draws(asked)[0].mean(axis=0))
        counts = np.where(needed > 25, np.inf, needed)
        covered.append(tie_split_coverage(found, counts, level=0.8).mean())
        ratios.append(found.mean_capped(25).mean() / np.minimum(needed, 25).mean())
        together = CountDistribution(found.pmf.mean(axis=0, keepdims=True))
        assert abs(together.median()[0] - np.median(needed)) <= 1
    assert np.mean(ratios) == pytest.approx(1, abs=0.15)
    assert 0.72 < np.mean(covered) < 0.88, f"{np.mean(covered):.3f}"
