"""Rows at risk in steps entry + 1 to step: what is kept and what is refused."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from forecast.errors import DataError, RequestError
from forecast.survival import CountDistribution, Durations

FRAME = pd.DataFrame(
    {
        "k": [1, 3, 2],
        "seen": [1, 0, 1],
        "from": [0, 1, 0],
        "x": [0.5, 1.5, 2.5],
        "who": list("aba"),
    },
    index=[10, 20, 30],
)


def read(frame=FRAME, **columns):
    return Durations.from_frame(
        frame, **{"step": "k", "observed": "seen", "covariates": ["x"], **columns}
    )


def test_defaults_stand_in_for_what_is_not_given():
    durations = read()
    assert durations.entry.tolist() == [0, 0, 0]
    assert durations.weight.tolist() == [1, 1, 1]
    assert durations.subject.tolist() == [0, 1, 2]
    assert durations.covariates.index.tolist() == [0, 1, 2]


def test_named_columns_are_read():
    durations = read(entry="from", subject="who", weight="x")
    assert durations.entry.tolist() == [0, 1, 0]
    assert durations.subject.tolist() == ["a", "b", "a"]
    assert durations.weight.tolist() == [0.5, 1.5, 2.5]


def test_changing_the_frame_later_changes_nothing():
    frame = FRAME.copy()
    durations = read(frame)
    frame.loc[10, "x"] = 99.0
    frame.loc[10, "k"] = 99
    assert durations.covariates["x"][0] == 0.5
    assert durations.step[0] == 1
    with pytest.raises(ValueError, match="read-only"):
        durations.step[0] = 5


def test_rows_are_taken_by_position_or_mask():
    durations = read(subject="who")
    assert durations.take(np.array([2, 0])).step.tolist() == [2, 1]
    kept = durations.take(durations.subject == "a")
    assert kept.covariates["x"].tolist() == [0.5, 2.5]
    assert kept.covariates.index.tolist() == [0, 1]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"k": [0, 3, 2]}, r"1 value of step: row 0 is below 1"),
        ({"k": [1, 2.5, 2]}, r"1 value of step: row 1 is not a whole number"),
        ({"k": [1, np.nan, 2]}, r"1 value of step: row 1 is not a whole number"),
        ({"seen": [1, 0, 2]}, r"1 value of observed: row 2 is neither true nor false"),
        ({"seen": [1, np.nan, 0]}, r"1 value of observed: row 1 is neither"),
        ({"from": [0, 3, 0]}, r"1 value of entry: row 1 is not before its step"),
        ({"from": [-1, 0, 0]}, r"1 value of entry: row 0 is negative"),
        ({"k": [1, 3, 2_000_000]}, r"1 value of step: row 2 is above 1,000,000"),
        ({"who": ["a", None, "b"]}, r"1 value of subject: row 1 is missing"),
        ({"who": [1.0, 2.0, np.nan]}, r"1 value of subject: row 2 is missing"),
    ],
)
def test_rows_that_mean_nothing_are_refused(change, message):
    with pytest.raises(DataError, match=message):
        read(FRAME.assign(**change), entry="from", subject="who")


@pytest.mark.parametrize("bad", [-1, np.nan, np.inf])
def test_bad_weights_are_refused(bad):
    with pytest.raises(DataError, match=r"1 value of weight: row 1 is not 0 or more"):
        read(FRAME.assign(w=[1, bad, 1]), weight="w")


def test_text_for_a_step_is_refused_as_not_a_number():
    with pytest.raises(DataError, match=r"'step' holds 'two', which is not a number"):
        read(FRAME.assign(k=["1", "two", "2"]))


def test_missing_columns_and_repeated_labels_are_named():
    with pytest.raises(DataError, match=r"no column 'sen'.*Did you mean 'seen'"):
        read(observed="sen")
    with pytest.raises(DataError, match="index repeats 10"):
        read(FRAME.set_axis([10, 10, 30]))


def test_lengths_must_agree():
    with pytest.raises(DataError, match="entry has shape"):
        Durations(
            np.array([1, 2]), np.array([True, False]), FRAME[["x"]][:2], np.arange(2), [0], [1, 1]
        )
    with pytest.raises(DataError, match=r"covariates has 3 rows, step has 2"):
        Durations(
            np.array([1, 2]), np.array([True, False]), FRAME[["x"]], np.arange(2), [0, 0], [1, 1]
        )


hazards = arrays(
    np.float64, st.tuples(st.integers(1, 4), st.integers(1, 9)), elements=st.floats(0, 1)
)
HAND = CountDistribution([[0.1, 0.2, 0.3, 0.2, 0.1, 0.1]])


@given(hazards)
def test_probabilities_and_the_remainder_sum_to_one(hazard):
    dist = CountDistribution.from_hazard(hazard)
    assert_allclose(dist.pmf.sum(axis=1) + dist.not_yet(), 1)


@given(hazards)
def test_survival_never_rises_and_stays_a_probability(hazard):
    survival = CountDistribution.from_hazard(hazard).survival()
    assert (np.diff(survival, axis=1) <= 1e-12).all()
    assert ((survival >= 0) & (survival <= 1)).all()


@given(hazards)
def test_the_hazard_comes_back_while_anyone_is_left(hazard):
    dist = CountDistribution.from_hazard(hazard)
    before = np.hstack([np.ones((len(dist), 1)), dist.survival()[:, :-1]])
    left = before > 1e-6
    assert_allclose(dist.hazard()[left], hazard[left], atol=1e-8)


@given(hazards, st.floats(0.01, 0.99), st.floats(0.01, 0.99))
def test_quantiles_are_ordered_and_intervals_nest(hazard, first, second):
    dist = CountDistribution.from_hazard(hazard)
    low, high = sorted((first, second))
    assert (dist.quantile(low) <= dist.quantile(high)).all()
    narrow, wide = dist.interval(low), dist.interval(high)
    assert (wide[:, 0] <= narrow[:, 0]).all()
    assert (narrow[:, 1] <= wide[:, 1]).all()
    assert (narrow[:, 0] <= dist.median()).all()
    assert (dist.median() <= narrow[:, 1]).all()


@given(hazards)
def test_survival_and_hazard_build_the_same_distribution(hazard):
    dist = CountDistribution.from_hazard(hazard)
    assert_allclose(
        CountDistribution(-np.diff(dist.survival(), prepend=1.0)).pmf, dist.pmf, atol=1e-12
    )


def test_hand_checked_means():
    # pmf .1 .2 .3 .2 .1 .1: E[min(K, M)] is 2.6, 3.0, 3.2 at M = 3, 4, 5 and E[K] = 3.3
    for cap, mean in [(1, 1.0), (3, 2.6), (4, 3.0), (5, 3.2), (6, 3.3)]:
        assert_allclose(HAND.mean_capped(cap), mean)


def test_hand_checked_conditioning():
    # given K > 2: 3/7 2/7 1/7 1/7 on 3 to 6, so E[K | K > 2] = 4.0
    rest = HAND.given_not_by(2)
    assert_allclose(rest.pmf[0], [3 / 7, 2 / 7, 1 / 7, 1 / 7])
    assert_allclose(2 + rest.mean_capped(4), 4.0)
    assert_allclose(HAND.given_not_by(0).pmf, HAND.pmf)


def test_a_geometric_count_has_the_mean_of_its_series():
    # E[min(K, 12)] = (1 - .75^12) / .25 for a constant hazard of .25
    dist = CountDistribution.from_hazard(np.full((1, 12), 0.25))
    assert_allclose(dist.mean_capped(12), (1 - 0.75**12) / 0.25)


def test_what_lies_beyond_the_horizon_is_infinite():
    dist = CountDistribution([[0.25, 0.5]])
    assert dist.quantile(0.75)[0] == 2
    assert np.isinf(dist.quantile(0.76)[0])
    assert_allclose(dist.interval(0.8)[0], [1, np.inf])


def test_rows_can_be_taken():
    dist = CountDistribution([[0.2, 0.3], [0.5, 0.5]])
    assert len(dist[1]) == 1
    assert_allclose(dist[1].pmf, [[0.5, 0.5]])
    assert_allclose(dist[[1, 0]].pmf[1], [0.2, 0.3])


def test_the_numbers_cannot_be_changed_and_the_callers_array_stays_free():
    mine = np.array([[0.2, 0.3]])
    dist = CountDistribution(mine)
    with pytest.raises(ValueError, match="read-only"):
        dist.pmf[0, 0] = 1
    mine[0, 0] = 0.9
    assert dist.pmf[0, 0] == 0.2


@pytest.mark.parametrize("pmf", [[[-0.1, 0.2]], [[0.7, 0.4]], [[np.nan, 0.1]]])
def test_what_is_no_probability_is_refused(pmf):
    with pytest.raises(DataError, match=r"1 row of pmf without probabilities, first row 0"):
        CountDistribution(pmf)


def test_bad_requests_are_refused():
    with pytest.raises(DataError, match="shape"):
        CountDistribution([0.1, 0.2])
    with pytest.raises(RequestError, match="level is 80"):
        HAND.interval(80)
    with pytest.raises(RequestError, match="cap is 7"):
        HAND.mean_capped(7)
    with pytest.raises(DataError, match="Row 0 has the event by step 2 for certain"):
        CountDistribution([[0.5, 0.5, 0.0]]).given_not_by(2)
