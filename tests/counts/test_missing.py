"""What stands in for a missing attribute, in a fit and in an answer."""

import numpy as np
import pandas as pd
import pytest

from forecast.counts.attributes import COVARIATES
from forecast.counts.missing import durations_of, fill_missing, fills_of, spread_missing

NAN = float("nan")


def test_a_missing_value_gets_its_fill_the_mean_of_the_others_or_nought():
    rows = pd.DataFrame(
        {"smoker": [1.0, 0.0, 1.0, NAN], "scarring": NAN, "layering": [1, NAN, 0, 0]}
    )
    filled = fill_missing(rows, {"smoker": None, "scarring": None, "layering": 0.25})
    assert filled["smoker"].tolist() == [1, 0, 1, pytest.approx(2 / 3)]
    assert filled["scarring"].tolist() == [0, 0, 0, 0]
    assert filled["layering"].tolist() == [1, 0.25, 0, 0]
    assert rows["smoker"].isna().sum() == 1


def test_a_fit_gets_the_rows_with_these_covariates_and_their_entry():
    rows = pd.DataFrame({"step": [4, 7], "entry": [0, 3], "observed": [True, False]})
    rows = rows.assign(client_id=["a", "b"], smoker=[NAN, 1.0], scarring=0.0)
    durations = durations_of(rows, {"smoker": 0.5})
    assert list(durations.covariates.columns) == ["smoker"]
    assert durations.covariates["smoker"].tolist() == [0.5, 1.0]
    assert list(durations.entry) == [0, 3]
    assert list(durations.step) == [4, 7]


def test_fills_are_the_eighths_of_what_the_log_has():
    values = pd.Series([*range(1, 17), NAN])
    assert fills_of(values, "age_decades") == (1, 3, 5, 7, 9, 11, 13, 15)
    assert np.mean(fills_of(pd.Series([NAN] * 9), "smoker")) == 0.25  # a plausible client mix


def test_an_enquiry_is_asked_once_or_once_for_each_way_to_fill_it():
    full = dict.fromkeys(COVARIATES, 1.0)
    assert spread_missing(full, {}) == {name: [1.0] for name in COVARIATES}
    fills = {"smoker": (0.0,) * 6 + (1.0,) * 2, "scarring": (0.0,) * 4 + (1.0,) * 4}
    spread = spread_missing(full | {"smoker": NAN, "scarring": NAN}, fills)
    assert spread["layering"] == [1.0] * 8
    assert sorted(spread["smoker"]) == [0.0] * 6 + [1.0] * 2
    assert sorted(spread["scarring"]) == [0.0] * 4 + [1.0] * 4
    # shifted against each other, or all who smoke would be scarred
    assert np.corrcoef(spread["smoker"], spread["scarring"])[0, 1] < 0.5
