"""A joint fit from sums: equal to the fit on the pooled rows, wherever rows are."""

import json
import pickle

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast._plain import plain
from forecast._plain import read as from_plain
from forecast.errors import FitError
from forecast.survival import (
    DiscreteHazard,
    Durations,
    Encoding,
    RowsHere,
    ScoreAndInformation,
    joint_fit,
)
from forecast.survival.hazard import ask_here

COLUMNS = ["dose", "treated", "group"]


def read(frame):
    return Durations.from_frame(
        frame.reset_index(drop=True), step="k", observed="seen", entry="entry", covariates=COLUMNS
    )


def sites_of(frame, encoding, pieces=3):
    return [
        RowsHere.of(read(frame[frame.index % pieces == piece]), encoding) for piece in range(pieces)
    ]


MODELS = {
    "plain": DiscreteHazard(),
    "ridge": DiscreteHazard(penalty=3.0),
    "prior": DiscreteHazard(prior={"treated": (0.4, 0.1), "baseline[level]": (-2.0, 0.5)}),
}


@pytest.mark.parametrize("model", MODELS.values(), ids=MODELS.keys())
def test_sums_from_three_sites_give_the_fit_of_the_pooled_rows(model, mixed):
    encoding = Encoding.learn(mixed[COLUMNS])
    joint = joint_fit(model, encoding, ask_here(sites_of(mixed, encoding)))
    pooled = model.fit(read(mixed))
    assert_allclose(joint.parameters, pooled.parameters, atol=1e-8)
    assert_allclose(joint.covariance_matrix, pooled.covariance_matrix, atol=1e-8)
    assert_allclose(joint.loglik, pooled.loglik, atol=1e-8)
    assert joint.notes.n_events == pooled.notes.n_events
    assert joint.notes.supported_to == pooled.notes.supported_to


def test_the_answers_may_travel_as_text_and_sites_as_bytes(mixed):
    model, encoding = MODELS["ridge"], Encoding.learn(mixed[COLUMNS])
    sites = pickle.loads(pickle.dumps(sites_of(mixed, encoding)))

    def by_post(method, *arguments):
        answers = ask_here(sites)(method, *arguments)
        if method == "derivatives":
            texts = [json.dumps(plain(answer)) for answer in answers]
            answers = [from_plain(ScoreAndInformation, json.loads(text)) for text in texts]
        return answers

    joint = joint_fit(model, encoding, by_post)
    assert_allclose(joint.parameters, model.fit(read(mixed)).parameters, atol=1e-8)


def test_levels_seen_in_one_site_only_are_known_in_all(mixed):
    first, second = mixed[mixed.group != "top"], mixed[mixed.group != "low"]
    encoding = Encoding.learn(pd.concat([first, second])[COLUMNS])
    assert encoding.names == ("dose", "treated", "group[mid]", "group[top]")
    model = MODELS["ridge"]
    sites = [RowsHere.of(read(p), encoding) for p in (first, second)]
    joint = joint_fit(model, encoding, ask_here(sites))
    pooled = model.fit(read(pd.concat([first, second])))
    assert_allclose(joint.parameters, pooled.parameters, atol=1e-8)


def test_what_cannot_be_joined_is_refused(mixed):
    model, encoding = MODELS["ridge"], Encoding.learn(mixed[COLUMNS])
    with pytest.raises(FitError, match="Nobody had the event at any site"):
        joint_fit(model, encoding, ask_here(sites_of(mixed.assign(seen=False), encoding)))


def test_no_answer_is_as_long_as_the_rows(mixed):
    encoding = Encoding.learn(mixed[COLUMNS])
    site = sites_of(mixed, encoding, pieces=1)[0]
    steps, k = int(mixed.k.max()), 3 + len(encoding.names)
    counts = site.counts()
    assert max(len(counts.at_risk), len(counts.first)) <= max(steps, k)
    answer = site.derivatives(np.zeros(k))
    assert answer.gradient.shape == (k,)
    assert answer.information.shape == (k, k)
