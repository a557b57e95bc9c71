"""What a log gives to fit to: of a large one a part; columns of the clinic's own, or why not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast._checks import MOST_TO_CHECK
from forecast.counts import Estimate, LogSummary, course_rows, durations_of, is_judged
from forecast.counts.fit import contradicted, extra_columns, some_clients
from forecast.errors import RequestError
from forecast.invented import simulate_log
from forecast.log import Enquiry, OutcomeLog


def ready(log):
    rows = course_rows(log)
    means = LogSummary.of(log, rows).means
    judged = np.flatnonzero(is_judged(rows))
    log, rows = log.part(judged), rows.iloc[judged].reset_index(drop=True)
    return log, rows, durations_of(rows, means)


@pytest.fixture(scope="module")
def large():
    """More courses than are checked, by repeating a clinic under new ids."""
    log = simulate_log(600, seed=1)
    copies = []
    for copy in range(MOST_TO_CHECK // 600 + 2):
        more = log.courses.copy()
        for name in ("course_id", "client_id"):
            more[name] = f"{copy}-" + more[name].astype(str)
        copies.append(more)
    return ready(OutcomeLog.from_frames(pd.concat(copies, ignore_index=True)))


def test_a_small_log_comes_back_as_it_is():
    small = ready(simulate_log(50, seed=2))
    assert all(one is other for one, other in zip(some_clients(*small, seed=1), small, strict=True))


def test_a_part_holds_whole_clients_and_nearly_as_many_courses_as_allowed(large):
    log, rows, durations = some_clients(*large, seed=1)
    assert MOST_TO_CHECK - 20 <= len(rows) <= MOST_TO_CHECK
    assert len(log.courses) == len(rows) == len(durations)
    outside = large[1][~large[1]["course_id"].isin(rows["course_id"])]
    assert not set(outside["client_id"]) & set(rows["client_id"])


def test_log_rows_and_durations_of_a_part_stay_in_step(large):
    log, rows, durations = some_clients(*large, seed=1)
    assert (log.courses["course_id"] == rows["course_id"]).all()
    assert np.array_equal(durations.step, rows["step"])
    assert np.array_equal(durations.observed, rows["observed"])


def test_the_part_follows_from_the_seed_and_is_like_the_whole(large):
    one, same, other = (some_clients(*large, seed=seed)[1] for seed in (1, 1, 2))
    assert one.equals(same)
    assert not one.equals(other)
    share, n = large[1]["observed"].mean(), len(one)
    assert abs(one["observed"].mean() - share) < 5 * np.sqrt(share * (1 - share) / n)


FOREARM = Enquiry("II", "forearm", "black", "medium", "single")


def asked(**extra: object) -> Enquiry:
    """The usual enquiry, with what it says of the clinic's own columns."""
    return replace(FOREARM, extra=extra)


def relative_spread(estimate: Estimate) -> float:
    """Return the standard deviation of the count, where it is within the horizon, by its mean."""
    pmf, steps = estimate.distribution.pmf[0], np.arange(1, estimate.horizon + 1)
    mean = np.average(steps, weights=pmf)
    return float(np.sqrt(np.average((steps - mean) ** 2, weights=pmf)) / mean)


def test_levels_and_numbers_become_covariates_of_like_size(own_log):
    sun, number = extra_columns(own_log, ["Sun exposure", "lucky_number"])
    assert sun.levels == ("often", "seldom")
    found = sun.covariates(["often", None, "never"])
    assert_allclose(found["extra.sun_exposure.often"], [1, np.nan, np.nan])
    assert_allclose(found["extra.sun_exposure.seldom"], [0, np.nan, np.nan])
    away = number.covariates([50.0, "60", 1e6, None])["extra.lucky_number"]
    assert_allclose(away, [0, 1, 3, np.nan], atol=0.2)


def test_what_is_not_given_is_spread_over_the_levels_one_at_a_time(own_forecaster, own_log):
    fills = own_forecaster.log_summary.fills
    often = fills["extra.sun_exposure.often"]
    assert_allclose(np.add(often, fills["extra.sun_exposure.seldom"]), 1)
    assert np.mean(often) == pytest.approx(
        (own_log.courses["sun_exposure"] == "often").mean(), abs=1 / 16
    )


def test_a_rare_level_is_not_kept(own_log):
    rare = own_log.courses["sun_exposure"].mask(own_log.courses.index < 4, "on the moon")
    log = OutcomeLog.from_frames(own_log.courses.assign(sun_exposure=rare))
    assert extra_columns(log, ["sun_exposure"])[0].levels == ("often", "seldom")


@pytest.mark.parametrize(
    ("name", "cells", "message"),
    [
        (
            "nothing_like_it",
            None,
            "have no column 'nothing_like_it'.*They have lucky_number, sun_exposure",
        ),
        ("sun_exposre", None, "Did you mean 'sun_exposure'"),
        ("inks", None, "is a column of the log itself"),
        ("always", "yes", "says the same of nearly all courses"),
        ("always", 7.0, "says the same of nearly all courses"),
        ("notes", [f"came with {k} others" for k in range(300)], "is free text or dates"),
        ("seldom_known", [1.5, 2.5] + [None] * 298, "is recorded for 2 courses"),
        ("hand", ["anna", "ben"] * 150, "may say who a person is"),
        ("what's_new", ["a", "b"] * 150, "its heading no plain word"),
        ("extra", ["a", "b"] * 150, "'extra' of courses is free text or dates"),
    ],
)
def test_a_column_that_cannot_be_used_is_refused_and_said_why(own_log, name, cells, message):
    log = own_log
    if cells is not None:
        log = OutcomeLog.from_frames(own_log.courses.assign(**{name: cells}))
    with pytest.raises(RequestError, match=message):
        extra_columns(log, [name])
    with pytest.raises(RequestError, match="Give a list of columns"):
        extra_columns(log, name)


def test_a_column_that_says_something_sharpens_the_answer_and_noise_does_not_move_it(
    own_forecaster,
):
    often, seldom, unknown = (
        own_forecaster.estimate(asked(**extra))
        for extra in ({"sun_exposure": "often"}, {"sun_exposure": "seldom"}, {})
    )
    assert seldom.median < unknown.median < often.median
    assert often.median / seldom.median == pytest.approx(1.5, rel=0.2)
    assert max(map(relative_spread, (often, seldom))) < relative_spread(unknown)
    low, high = (own_forecaster.estimate(asked(lucky_number=at)) for at in (40, 60))
    assert abs(low.median - high.median) <= 1


def test_drivers_compare_with_the_commonest_level_and_the_median(own_forecaster):
    found = own_forecaster.drivers(asked(sun_exposure="often", lucky_number=60))
    by = {one.attribute: one for one in found}
    assert by["sun_exposure"].against == "seldom"
    assert by["sun_exposure"].difference > 2
    assert by["lucky_number"].small
    assert "sun exposure often instead of seldom" in by["sun_exposure"].to_text()


@pytest.mark.parametrize(
    ("extra", "code", "support"),
    [
        ({"sun_exposure": "never"}, "counts.own_unknown", "thin"),
        ({"lucky_number": "plenty"}, "counts.own_unknown", "thin"),
        ({"lucky_number": 500}, "counts.own_outside_log", "outside"),
        ({"shoe_size": 43}, "counts.not_recorded", "well covered"),
        ({}, "counts.not_given", "well covered"),
    ],
)
def test_what_is_not_in_the_log_is_answered_at_the_average_and_said(
    own_forecaster, extra, code, support
):
    found = own_forecaster.estimate(asked(**extra))
    note = next(note for note in found.notes if note.code == code)
    assert all(note.say(language) for language in ("en", "de"))
    assert found.support == support
    if code != "counts.own_outside_log":
        usual = own_forecaster.estimate(FOREARM)
        assert_allclose(found.distribution.pmf, usual.distribution.pmf)


def test_a_slip_in_the_name_of_an_own_column_is_an_error(own_forecaster):
    with pytest.raises(RequestError, match="Did you mean 'sun_exposure'"):
        own_forecaster.estimate(asked(sun_exposre="often"))


def test_a_prior_that_the_log_contradicts_is_reported():
    prior = {"smoker": (0.4, 0.2), "layering": (0.2, 0.2)}
    after = {"smoker": (-0.3, 0.05), "layering": (0.25, 0.1)}
    found = contradicted(after, prior)
    assert [row["parameter"] for row in found] == ["smoker"]
    assert found[0]["z"] < -3


def test_a_log_that_agrees_with_the_evidence_reports_little(forecaster):
    assert len(forecaster.assessment["contradicted"]) <= 3


@pytest.mark.slow
def test_the_share_from_the_own_log_grows_with_the_log():
    enquiry = forecast.Enquiry("III", "back", "black", "medium", "single", smoker="no")
    shares = [
        forecast.fit_forecaster(forecast.simulate_log(n, seed=8)).estimate(enquiry).own_share
        for n in (20, 80, 300)
    ]
    assert shares == sorted(shares)
    assert shares[0] < 0.7 < shares[-1]
