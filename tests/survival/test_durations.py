"""Rows at risk in steps entry + 1 to step: what is kept and what is refused."""

import numpy as np
import pandas as pd
import pytest

from forecast.errors import DataError
from forecast.survival import Durations

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
        ({"k": [0, 3, 2]}, r"1 value\(s\) of step: row 0 is below 1"),
        ({"k": [1, 2.5, 2]}, r"1 value\(s\) of step: row 1 is not a whole number"),
        ({"k": [1, np.nan, 2]}, r"1 value\(s\) of step: row 1 is not a whole number"),
        ({"seen": [1, 0, 2]}, r"1 value\(s\) of observed: row 2 is neither true nor false"),
        ({"seen": [1, np.nan, 0]}, r"1 value\(s\) of observed: row 1 is neither"),
        ({"from": [0, 3, 0]}, r"1 value\(s\) of entry: row 1 is not before its step"),
        ({"from": [-1, 0, 0]}, r"1 value\(s\) of entry: row 0 is negative"),
        ({"k": [1, 3, 2_000_000]}, r"1 value\(s\) of step: row 2 is above 1,000,000"),
        ({"who": ["a", None, "b"]}, r"1 value\(s\) of subject: row 1 is missing"),
        ({"who": [1.0, 2.0, np.nan]}, r"1 value\(s\) of subject: row 2 is missing"),
    ],
)
def test_rows_that_mean_nothing_are_refused(change, message):
    with pytest.raises(DataError, match=message):
        read(FRAME.assign(**change), entry="from", subject="who")


@pytest.mark.parametrize("bad", [-1, np.nan, np.inf])
def test_bad_weights_are_refused(bad):
    with pytest.raises(DataError, match=r"1 value\(s\) of weight: row 1 is not 0 or more"):
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
    with pytest.raises(DataError, match=r"covariates has 3 row\(s\), step has 2"):
        Durations(
            np.array([1, 2]), np.array([True, False]), FRAME[["x"]], np.arange(2), [0, 0], [1, 1]
        )
