"""Covariates as numbers: names, levels, refusals, and a round trip through JSON."""

import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_array_equal

from forecast._plain import plain, read
from forecast.errors import DataError, RequestError
from forecast.survival import Encoding

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
