"""The answer as a whole: what travels, what is refused, split tattoos, one regime."""

import json

import pandas as pd
import pytest
from numpy.testing import assert_allclose

from benchmarks.clinics import simulate_split_trial
from forecast.errors import RequestError
from forecast.fading.fading import fit_fading
from forecast.invented import simulate_log
from forecast.log import OutcomeLog

from .logs import codes, with_tables


def test_everything_travels_as_plain_json(fading):
    found = json.loads(json.dumps(fading.to_dict(), allow_nan=False))
    assert found["courses"] == len(fading.rows.courses)
    assert found["shares"][0]["share"] == pytest.approx(fading.shares["share"].iloc[0])
    assert "share of the remaining ink" in fading.to_text()
    assert str(fading.assumption) in fading.to_text()


def test_editing_the_order_of_rows_or_names_changes_nothing(small_log, small_fading):
    shuffled = with_tables(
        small_log,
        courses=small_log.courses.sample(frac=1, random_state=1),
        gradings=small_log.gradings.sample(frac=1, random_state=2),
        sessions=small_log.sessions.sample(frac=1, random_state=3),
    )
    again = fit_fading(shuffled)
    assert_allclose(again.shares["share"], small_fading.shares["share"], atol=1e-5)
    assert_allclose(again.shares["low"], small_fading.shares["low"], atol=1e-5)


def test_the_log_is_left_as_it_was(small_log):
    before = {name: getattr(small_log, name).copy() for name in ("courses", "sessions", "gradings")}
    fit_fading(small_log)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(frame, getattr(small_log, name))


def test_one_regime_gives_its_curve_and_says_so(small_log):
    log = small_log
    only = log.sessions.groupby("course_id")["regime"].transform("nunique") == 1
    ns = log.sessions[only & (log.sessions["regime"] == "ns")]
    courses = log.courses[log.courses["course_id"].isin(ns["course_id"])]
    fading = fit_fading(
        OutcomeLog.from_frames(
            courses, ns, log.gradings[log.gradings["course_id"].isin(courses["course_id"])]
        )
    )
    assert set(fading.shares["regime"]) == {"ns"}
    assert fading.differences.empty
    assert "fading.one_regime" in codes(fading)


def test_nothing_is_said_where_an_interval_holds_all_that_a_session_could_remove():
    few = fit_fading(simulate_log(60, seed=2))
    wide = few.differences["high"] - few.differences["low"] > 0.4
    assert wide.any()
    assert list(few.differences["reason"]) == ["interval_too_wide" if one else "" for one in wide]
    low, high = few.differences[["low", "high"]].iloc[0]
    assert f"all inks: cannot say ({100 * low:+.1f} to {100 * high:+.1f})" in few.to_text()
    assert few.to_dict()["differences"][0]["reason"] == "interval_too_wide"
    assert "fading.interval_too_wide" in codes(few)


def test_a_log_that_can_say_gives_no_reason(fading):
    assert set(fading.differences["reason"]) == set(fading.shares["reason"]) == {""}
    assert "cannot say" not in fading.to_text()


def test_an_unknown_regime_is_refused_by_name(fading):
    with pytest.raises(RequestError, match="Known are"):
        fading.share("ms")


def test_halves_of_split_tattoos_give_paired_curves():
    fading = fit_fading(simulate_split_trial(40, seed=2))
    assert fading.split is not None
    assert fading.split.n_pairs >= 38
    assert set(fading.split.curves.columns) >= {"session", "ns", "ps", "difference", "low", "high"}
    # the paired share and the model's agree: both are of the same halves
    gap = fading.differences.set_index("ink_group").loc["all", "difference"]
    low, high = fading.split.share.interval
    assert low - 0.01 < gap < high + 0.01
