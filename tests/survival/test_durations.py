"""Rows at risk in steps entry + 1 to step, and covariates as numbers: what is kept and refused."""

import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal

from forecast._plain import plain, read
from forecast.errors import DataError, RequestError
from forecast.survival import Durations, Encoding

ROWS = pd.DataFrame(
    {
        "k": [1, 3, 2],
        "seen": [1, 0, 1],
        "from": [0, 1, 0],
        "x": [0.5, 1.5, 2.5],
        "who": list("aba"),
    },
    index=[10, 20, 30],
)


def durations_in(frame=ROWS, **columns):
    return Durations.from_frame(
        frame, **{"step": "k", "observed": "seen", "covariates": ["x"], **columns}
    )


def test_defaults_stand_in_for_what_is_not_given():
    durations = durations_in()
    assert durations.entry.tolist() == [0, 0, 0]
    assert durations.weight.tolist() == [1, 1, 1]
    assert durations.subject.tolist() == [0, 1, 2]
    assert durations.covariates.index.tolist() == [0, 1, 2]


def test_named_columns_are_durations_in():
    durations = durations_in(entry="from", subject="who", weight="x")
    assert durations.entry.tolist() == [0, 1, 0]
    assert durations.subject.tolist() == ["a", "b", "a"]
    assert durations.weight.tolist() == [0.5, 1.5, 2.5]


def test_changing_the_frame_later_changes_nothing():
    frame = ROWS.copy()
    durations = durations_in(frame)
    frame.loc[10, "x"] = 99.0
    frame.loc[10, "k"] = 99
    assert durations.covariates["x"][0] == 0.5
    assert durations.step[0] == 1
    with pytest.raises(ValueError, match="read-only"):
        durations.step[0] = 5


def test_rows_are_taken_by_position_or_mask():
    durations = durations_in(subject="who")
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
        durations_in(ROWS.assign(**change), entry="from", subject="who")


@pytest.mark.parametrize("bad", [-1, np.nan, np.inf])
def test_bad_weights_are_refused(bad):
    with pytest.raises(DataError, match=r"1 value of weight: row 1 is not 0 or more"):
        durations_in(ROWS.assign(w=[1, bad, 1]), weight="w")


def test_text_for_a_step_is_refused_as_not_a_number():
    with pytest.raises(DataError, match=r"'step' holds 'two', which is not a number"):
        durations_in(ROWS.assign(k=["1", "two", "2"]))


def test_missing_columns_and_repeated_labels_are_named():
    with pytest.raises(DataError, match=r"no column 'sen'.*Did you mean 'seen'"):
        durations_in(observed="sen")
    with pytest.raises(DataError, match="index repeats 10"):
        durations_in(ROWS.set_axis([10, 10, 30]))


def test_lengths_must_agree():
    with pytest.raises(DataError, match="entry has shape"):
        Durations(
            np.array([1, 2]), np.array([True, False]), ROWS[["x"]][:2], np.arange(2), [0], [1, 1]
        )
    with pytest.raises(DataError, match=r"covariates has 3 rows, step has 2"):
        Durations(
            np.array([1, 2]), np.array([True, False]), ROWS[["x"]], np.arange(2), [0, 0], [1, 1]
        )


FRAME = pd.DataFrame(
    {"age": [30, 40, 50], "group": ["b", "a", "c"], "flag": [True, False, True], "same": [1, 1, 1]}
)


def test_numbers_keep_their_name_and_levels_get_one_each_but_the_first():
    encoding = Encoding.learn(FRAME)
    assert encoding.names == ("age", "group[b]", "group[c]", "flag")
    assert encoding.dropped == ("same",)
    assert_array_equal(encoding.encode(FRAME), [[30, 1, 0, 1], [40, 0, 0, 0], [50, 0, 1, 1]])


def test_a_categorical_keeps_its_order_and_forgets_unused_levels():
    ordered = pd.Categorical(["low", "high", "low"], categories=["low", "middle", "high"])
    encoding = Encoding.learn(pd.DataFrame({"dose": ordered}))
    assert encoding.names == ("dose[high]",)
    assert_array_equal(encoding.encode(pd.DataFrame({"dose": ordered})), [[0], [1], [0]])
    with pytest.raises(RequestError, match="level 'middle' in row 1, never seen"):
        encoding.encode(pd.DataFrame({"dose": pd.Categorical(["low", "middle"])}))


def test_a_mapping_gives_one_value_or_lists():
    encoding = Encoding.learn(FRAME)
    one = encoding.encode({"age": 30, "group": "c", "flag": False, "unknown": "left alone"})
    assert_array_equal(one, [[30, 0, 1, 0]])
    several = encoding.encode({"age": [1, 2], "group": "b", "flag": np.array([0, 1])})
    assert_array_equal(several, [[1, 1, 0, 0], [2, 1, 0, 1]])


def test_a_constant_column_is_kept_when_asked_for():
    assert "same" in Encoding.learn(FRAME, keep=["same"]).names


def test_levels_that_are_numbers_in_text_match_numbers():
    encoding = Encoding.learn(pd.DataFrame({"site": ["1", "2", "1"]}))
    assert_array_equal(encoding.encode({"site": [1, 2]}), [[0], [1]])


def test_it_survives_json():
    encoding = Encoding.learn(FRAME)
    again = read(Encoding, json.loads(json.dumps(plain(encoding))))
    assert again == encoding
    assert_array_equal(again.encode(FRAME), encoding.encode(FRAME))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"age": [30, np.nan, np.nan]}, r"'age' has 2 missing values, first in row 1"),
        ({"age": [30, 40, np.inf]}, r"'age' has 1 missing value, first in row 2"),
        ({"group": ["a", "b", None]}, r"'group' has 1 missing value, first in row 2"),
    ],
)
def test_missing_values_are_refused_with_column_count_and_row(change, message):
    with pytest.raises(DataError, match=message):
        Encoding.learn(FRAME.assign(**change))
    with pytest.raises(DataError, match=message):
        Encoding.learn(FRAME).encode(FRAME.assign(**change))


def test_a_new_level_stands_at_the_average_of_the_rows_learnt_from():
    encoding = Encoding.learn(pd.DataFrame({"group": ["a", "b", "b", "c"], "age": [1, 2, 3, 4]}))
    asked = {"group": ["c", "z"], "age": 5}
    assert_array_equal(encoding.encode(asked, average=True), [[0, 1, 5], [0.5, 0.25, 5]])
    (note,) = encoding.unseen(asked)
    assert str(note).startswith("Column group: z, in 1 row, was never seen in the fit")
    assert encoding.unseen({"group": "a", "age": 1}) == ()


def test_labels_of_rows_are_not_taken_for_levels():
    labels = pd.DataFrame({"name": [f"row {i}" for i in range(300)]})
    with pytest.raises(DataError, match="'name' has 300 different texts"):
        Encoding.learn(labels)


def test_bad_requests_are_named():
    encoding = Encoding.learn(FRAME)
    row = {"age": 30, "group": "a", "flag": 1}
    with pytest.raises(DataError, match="'age' holds 'old', which is not a number"):
        encoding.encode({**row, "age": "old"})
    with pytest.raises(RequestError, match="differ in length"):
        encoding.encode({**row, "age": [1, 2], "group": ["a", "b", "c"]})
    with pytest.raises(RequestError, match="no column 'group'"):
        encoding.encode({"age": 1, "flag": 0})
    with pytest.raises(RequestError, match="level 'z' in row 0"):
        encoding.encode({**row, "group": "z"})
