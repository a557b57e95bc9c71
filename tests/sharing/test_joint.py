"""The exact joint fit by files: what comes out is the fit on the pooled rows."""

import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.counts import BETWEEN_CLINICS, judged_rows
from forecast.errors import DataError, RequestError
from forecast.invented import simulate_log
from forecast.sharing.joint import JointRounds, answer_question
from forecast.sharing.share import SHARED_MODEL
from forecast.survival import Durations


@pytest.fixture(scope="module")
def logs():
    return [simulate_log(n, seed=seed) for n, seed in ((250, 1), (400, 2), (300, 3))]


def by_post(value):
    return json.loads(json.dumps(value))


@pytest.fixture(scope="module")
def conversation(logs):
    """Every question that went out, and the common model at the end."""
    rounds, questions = JointRounds(), []
    while True:
        question, found = rounds.advance()
        if found is not None:
            return questions, found
        questions.append(by_post(question))
        answers = [by_post(answer_question(log, questions[-1])) for log in logs]
        # the files come back in any order, and the state is kept in a file of its own
        turn = len(questions) % 3
        rounds = JointRounds.from_dict(
            by_post(rounds.with_answers(answers[turn:] + answers[:turn]).to_dict())
        )


def test_the_joint_fit_is_the_fit_on_the_pooled_rows(logs, conversation):
    questions, found = conversation
    assert 5 <= len(questions) <= 20
    rows = pd.concat([judged_rows(log) for log in logs], ignore_index=True)
    names = list(found.parameters[3:])
    rows[names] = rows[names].fillna(rows[names].mean())
    pooled = SHARED_MODEL.fit(
        Durations.from_frame(
            rows, step="step", observed="observed", entry="entry", covariates=names
        )
    )
    assert_allclose(found.mean, pooled.parameters, atol=1e-8)
    assert_allclose(found.covariance, pooled.covariance_matrix, atol=1e-8)


def test_an_answer_holds_sums_no_longer_than_the_parameters(logs, conversation):
    questions, found = conversation
    k = len(found.parameters)
    for question in questions[1:]:
        sums = answer_question(logs[0], question)["sums"]
        for value in sums.values():
            assert np.array(value).size <= k * k


def test_an_answer_counts_no_closer_than_to_five(logs, conversation):
    questions, _ = conversation
    counts = [answer_question(log, questions[0])["counts"] for log in logs]
    assert [one["courses"] for one in counts] == [250, 400, 300]
    assert all(n is None or (n >= 5 and n % 5 == 0) for one in counts for n in one.values())


def test_the_common_model_can_be_used_as_a_prior(conversation):
    _, found = conversation
    assert np.isnan(found.variance_between).all()
    assert (found.width >= BETWEEN_CLINICS).all()  # the spread is judged, and never left out
    assert found.duration_prior()["location"][1] > 0


def test_answers_that_do_not_belong_are_refused(logs, conversation):
    questions, _ = conversation
    rounds = JointRounds()
    first = [answer_question(log, questions[0]) for log in logs]
    with pytest.raises(RequestError, match="1 different answers, 2 are needed"):
        rounds.with_answers([first[0], first[0]])
    with pytest.raises(RequestError, match="not the answer"):
        rounds.with_answers([{}, {}])
    begun = rounds.with_answers(first)
    with pytest.raises(RequestError, match="2 different answers, 3 are needed"):
        begun.with_answers(first[:2])
    mixed_up = begun.with_answers([answer_question(log, questions[2]) for log in logs])
    with pytest.raises(RequestError, match="round 2 is to another question"):
        mixed_up.advance()


def test_a_question_that_asks_for_too_much_is_not_answered(logs, conversation):
    questions, _ = conversation
    rare = {**questions[1], "fills": {"ink_purple": 0.0}}
    with pytest.raises(RequestError, match="too few courses"):
        answer_question(simulate_log(120, seed=9), rare)
    with pytest.raises(RequestError, match="damaged"):
        answer_question(logs[0], {**questions[1], "ask": "rows"})
    with pytest.raises(RequestError, match="damaged"):
        answer_question(logs[0], {**questions[2], "parameters": [1.0]})
    with pytest.raises(RequestError, match="not the question"):
        answer_question(logs[0], {"ask": "columns"})
    with pytest.raises(DataError, match="single courses show"):
        answer_question(simulate_log(25, seed=1), questions[0])
