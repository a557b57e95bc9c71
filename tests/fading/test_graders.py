"""Graders: known level differences come back, and agreement is told only from double gradings."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.causal.rates import intraclass, one_way_intraclass
from forecast.fading.fading import fit_fading
from forecast.fading.stalls import quartile_grade
from forecast.invented import simulate_log
from forecast.log import OutcomeLog

GENEROUS = 0.15  # a second grader sees this much less log ink


@pytest.fixture(scope="module")
def twice_graded():
    """Return a log whose early gradings a second person made again, more generously."""
    log = simulate_log(300, seed=2)
    rng = np.random.default_rng(1)
    again = log.gradings.query("1 <= after_session <= 4").copy()
    left = 1 - again["fading_pct"].clip(upper=94) / 100
    left *= np.exp(-GENEROUS + rng.normal(0, 0.05, len(left)))
    again["fading_pct"] = (100 * (1 - left)).round().clip(0, 100)
    again["grader_id"] = "second"
    gradings = log.gradings.assign(grader_id="first")
    tables = {name: getattr(log, name) for name in ("courses", "sessions")}
    return OutcomeLog.from_frames(**tables, gradings=pd.concat([gradings, again]))


@pytest.fixture(scope="module")
def report(twice_graded):
    return fit_fading(twice_graded).graders


def test_two_gradings_of_one_day_are_kept_as_such(twice_graded, report):
    key = ["course_id", "after_session", "graded_on"]
    assert twice_graded.gradings.duplicated(key).sum() > 100
    assert report.n_twice == (twice_graded.gradings.groupby(key).size() > 1).sum()


def test_graders_agree_on_a_slip_above_100_as_they_would_on_100(twice_graded):
    tables = {name: getattr(twice_graded, name) for name in ("courses", "sessions")}
    slips, hundreds = twice_graded.gradings.copy(), twice_graded.gradings.copy()
    slips.loc[slips.index[-1], "fading_pct"] = 105
    hundreds.loc[hundreds.index[-1], "fading_pct"] = 100
    one, other = (
        fit_fading(OutcomeLog.from_frames(**tables, gradings=gradings)).graders
        for gradings in (slips, hundreds)
    )
    assert one.to_dict() == other.to_dict()


def test_a_generous_grader_is_found_with_the_right_size(report):
    levels = report.levels.set_index("grader_id")
    # half of the ink is left: each is half of the difference away from the mean grader
    expected = 50 * (1 - np.exp(-GENEROUS / 2))
    assert levels.loc["second", "low"] < expected < levels.loc["second", "high"]
    assert levels.loc["first", "points"] < 0
    assert any("percentage points" in note for note in report.notes)


def test_agreement_is_that_of_the_pairs_of_gradings(twice_graded, report):
    wide = twice_graded.gradings.pivot_table(
        index=["course_id", "after_session", "graded_on"],
        columns="grader_id",
        values="fading_pct",
    ).dropna()
    (pair,) = report.pairs.to_dict("records")
    both = wide[["first", "second"]].to_numpy()
    agreed = intraclass(both)
    assert pair["icc"] == pytest.approx(agreed.two_way)
    assert pair["occasions"] == len(wide)
    target = np.repeat(np.arange(len(both)), 2)
    assert report.icc == pytest.approx(one_way_intraclass(both.ravel(), target))
    assert 0 < pair["kappa"] < 1


def test_without_double_gradings_agreement_cannot_be_told():
    report = fit_fading(simulate_log(150, seed=3)).graders
    assert report.icc is None
    assert report.pairs.empty
    assert any("cannot be told" in note for note in report.notes)


def test_quartile_grades_are_those_of_the_four_level_scale():
    assert_allclose(
        quartile_grade([0, 12, 25, 26, 50, 51, 75, 76, 100]), [1, 1, 1, 2, 2, 3, 3, 4, 4]
    )
