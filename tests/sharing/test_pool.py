"""Clinics pooled: common effects that are true, a prior for any clinic, and the exact joint fit."""

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast import fit_forecaster
from forecast.counts import (
    BETWEEN_CLINICS,
    COVARIATES,
    Basis,
    duration_prior,
    hazard_prior,
    judged_rows,
)
from forecast.errors import DataError, RequestError
from forecast.invented import World, simulate_log
from forecast.sharing import pool
from forecast.sharing.pool import (
    JointRounds,
    PooledEvidence,
    further_clinic,
    load_evidence,
    pool_shares,
)
from forecast.sharing.share import SHARED_MODEL, answer_question, share_log
from forecast.survival import SMOOTH_NAMES, Durations

SPREAD = 0.15  # between clinics, of the log speed


@pytest.fixture(scope="module")
def logs():
    rng, world = np.random.default_rng(1), World()
    speeds = world.log_speed + SPREAD * rng.normal(size=5)
    return [
        simulate_log(500, seed=seed, world=replace(world, log_speed=speed))
        for seed, speed in enumerate(speeds)
    ]


@pytest.fixture(scope="module")
def shares(logs):
    return [share_log(log) for log in logs]


@pytest.fixture(scope="module")
def pooled(shares):
    return pool_shares(shares)


def test_pooled_effects_are_those_of_a_large_clinic_of_the_same_kind(pooled):
    """The prior on the log number of sessions, against the model fitted to 4,000 fresh courses."""
    log = simulate_log(4000, seed=99)
    rows = judged_rows(log).fillna(0.0)
    names = [name for name in COVARIATES if rows[name].min() < rows[name].max()]
    large = Durations.from_frame(
        rows, step="step", observed="observed", entry="entry", covariates=names
    )
    fitted = Basis.of(log).specs[0].fit(large)
    direct = dict(zip(("location", *names), fitted.theta, strict=False))
    prior, published = pooled.duration_prior(), duration_prior()
    compared = ("location", "skin_type", "ink_warm", "ink_density", "layering", "origin_amateur",
                "area_doublings", "tattoo_age_doublings", "scarring", "smoker")  # fmt: skip
    for name in compared:
        mean, width = prior[name]
        assert abs(mean - direct[name]) < 3 * width, name
        assert width < published[name][1], name  # five clinics know more than the literature
    off = np.array([prior[name][0] - direct[name] for name in compared])
    before = np.array([published[name][0] - direct[name] for name in compared])
    assert np.sqrt(np.mean(off**2)) < np.sqrt(np.mean(before**2))


def test_pooled_evidence_survives_its_own_json(pooled, tmp_path):
    path = tmp_path / "pooled.json"
    path.write_text(json.dumps(pooled.to_dict()))
    again = load_evidence(path)
    assert again.to_dict() == pooled.to_dict()
    assert again.duration_prior() == pooled.duration_prior()
    assert again.notes == pooled.notes


def test_evidence_written_before_notes_had_codes_can_still_be_read(pooled):
    old = {name: value for name, value in pooled.to_dict().items() if name != "note_codes"}
    assert [str(note) for note in PooledEvidence.from_dict(old).notes] == old["notes"]


def test_every_effect_of_the_models_keeps_a_prior(pooled):
    assert set(pooled.duration_prior()) == set(duration_prior())
    assert set(hazard_prior()) <= set(pooled.hazard_prior())
    assert all(width > 0 for _, width in pooled.hazard_prior().values())
    for name in set(COVARIATES) - set(pooled.parameters):
        assert pooled.duration_prior()[name] == duration_prior()[name]


def test_a_small_clinic_estimates_closer_to_the_truth_with_the_prior_of_others(pooled, shares):
    few = simulate_log(40, seed=400)
    large = judged_rows(simulate_log(3000, seed=98)).fillna(0.0)
    test = Durations.from_frame(
        large, step="step", observed="observed", entry="entry", covariates=list(COVARIATES)
    )

    def loglik(evidence):
        basis = Basis.of(few, evidence=evidence)
        fitted = basis.specs[0].fit(basis.durations)
        curve = 1 - np.cumsum(fitted.predict(test.covariates, 80).pmf, axis=1)
        curve = np.column_stack([np.ones(len(test)), np.maximum(curve, 1e-9)])
        row = np.arange(len(test))
        ends, before, start = curve[row, test.step], curve[row, test.step - 1], test.entry
        chance = np.where(test.observed, before - ends, ends) / curve[row, start]
        return np.log(np.maximum(chance, 1e-9)).mean()

    assert loglik(pooled) > loglik(None)


def test_a_forecaster_rests_on_the_pooled_evidence_and_says_so(pooled):
    own = simulate_log(14, seed=401)  # too few to choose a model by
    fitted = fit_forecaster(own, evidence=pooled, seed=1)
    assert any("5 clinics found together" in str(note) for note in fitted.notes)
    location = fitted.evidence.theta[0] if fitted.evidence else None
    assert location in (None, pooled.duration_prior()["location"][0])


def test_a_log_that_is_in_the_evidence_is_refused(logs, pooled):
    with pytest.raises(RequestError, match="count twice"):
        fit_forecaster(logs[2], evidence=pooled)


def test_evidence_for_another_goal_is_refused(pooled, logs):
    with pytest.raises(RequestError, match="for the goal 'clear', the fit for 'lighten'"):
        fit_forecaster(logs[0], goal="lighten", evidence=pooled)


def test_order_of_shares_changes_nothing(shares, pooled):
    turned = pool_shares(shares[::-1])
    assert_allclose(turned.mean, pooled.mean, atol=1e-7)
    assert_allclose(turned.spread, pooled.spread, atol=1e-5)


def test_the_judged_spread_gives_way_as_clinics_come(pooled):
    found = np.sqrt(pooled.variance_between)
    judged = np.array([0.6, 0.3, 0.3] + [BETWEEN_CLINICS] * (len(found) - 3))
    both = np.isfinite(found)
    low, high = np.minimum(found, judged)[both], np.maximum(found, judged)[both]
    assert ((pooled.spread[both] >= low - 1e-9) & (pooled.spread[both] <= high + 1e-9)).all()
    alone = replace(pooled, variance_between=np.full(len(found), np.nan))
    assert_allclose(alone.spread, judged)


def test_what_cannot_be_pooled_is_refused(shares, logs):
    with pytest.raises(RequestError, match="There is 1 share"):
        pool_shares(shares[:1])
    with pytest.raises(RequestError, match="Shares 1 and 3 are the same"):
        pool_shares([shares[0], shares[1], shares[0]])
    with pytest.raises(RequestError, match=r"Shares north\.json and south\.json are the same"):
        pool_shares([shares[0], shares[0]], names=["north.json", "south.json"])
    with pytest.raises(RequestError, match="different goals, clear and lighten"):
        pool_shares([shares[0], share_log(logs[1], goal="lighten")])
    with pytest.raises(RequestError, match="Share 2 is not a share"):
        pool_shares([shares[0], {}])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"schema": 7}, "schema 7"),
        ({"mean": [0.0]}, "damaged"),
        ({"members": None}, "damaged"),
        ({"note_codes": [{"code": "none.such", "severity": "info", "values": {}}]}, "damaged"),
        ({"kind": ""}, "not pooled evidence"),
    ],
)
def test_a_file_that_is_no_evidence_is_refused(pooled, change, says):
    with pytest.raises(RequestError, match=says):
        PooledEvidence.from_dict({**pooled.to_dict(), **change})


def test_the_table_says_how_far_clinics_differ(pooled):
    text = pooled.to_text()
    assert re.search(r"From 5 clinics with about 2,[3-7]\d0 courses", text)
    assert "spread" in text


@pytest.mark.parametrize(("effect", "error"), [(8.0, 0.001), (-20.0, 0.001), (2.0, 0.05)])
def test_a_share_that_somebody_made_up_moves_the_others_little_and_is_named(shares, effect, error):
    """It claims the same of every covariate, and to be surer than anybody."""
    made_up = {
        **shares[0],
        "estimates": [effect] * len(shares[0]["estimates"]),
        "standard_errors": [error] * len(shares[0]["estimates"]),
    }
    honest = pool_shares(shares)
    found = pool_shares([*shares, made_up])
    same = [found.parameters.index(name) for name in honest.parameters]
    moved = np.abs(found.mean[same] - honest.mean)
    assert (moved < 2 * honest.width).all()
    told = [note for note in found.notes if note.code == "sharing.stands_apart"]
    assert 6 in {note.values["share"] for note in told}
    named = pool_shares([*shares, made_up], names=[f"{n}.json" for n in range(1, 7)])
    assert any(str(note).startswith("Share 6.json says of ") for note in named.notes)


def test_no_honest_share_is_named(logs, shares):
    assert not [note for note in pool_shares(shares).notes if note.code == "sharing.stands_apart"]


def test_a_further_clinic_is_told_what_to_expect(pooled):
    (note,) = [note for note in pooled.notes if note.code == "sharing.further_unknown"]
    low, high = note.values["coverage_low"], note.values["coverage_high"]
    assert low < 0.8 < high
    assert note.values["skill_low"] < note.values["skill"] < note.values["skill_high"]
    ends = dict(zip(pooled.parameters, pooled.intervals, strict=True))["smoker"]
    assert ends[0] < dict(zip(pooled.parameters, pooled.mean, strict=True))["smoker"] < ends[1]


@pytest.mark.parametrize(
    ("coverage_low", "skill_low", "says"),
    [
        (0.0, -0.42, "What a further clinic without a log should expect cannot be said yet: "),
        (0.6, -0.42, "smaller than with one answer for everybody cannot be said yet."),
        (0.6, 0.1, "misses smaller by 20 % (10 % to 30 %)"),
    ],
)
def test_no_number_is_told_that_the_clinics_cannot_say(
    shares, monkeypatch, coverage_low, skill_low, says
):
    found = {"coverage": 0.78, "coverage_low": coverage_low, "coverage_high": 1.0}
    found |= {"skill": 0.2, "skill_low": skill_low, "skill_high": 0.3}
    monkeypatch.setattr(pool, "further_clinic", lambda *_: found)
    assert says in pool_shares(shares[:3]).to_text()


def test_what_clinics_leave_open_of_the_common_effects_is_part_of_what_a_further_one_is_told():
    # clinics alike to the last digit do not differ: all that is open is their common error
    alike = np.tile([-1.0, 3.4, -1.3, -1.0], (4, 1))
    names = (*SMOOTH_NAMES, "smoker")
    sure, unsure = (further_clinic(alike, np.full((4, 4), e), names) for e in (1e-6, 0.8))
    assert sure["coverage"] == pytest.approx(0.8, abs=1e-3)
    assert unsure["coverage"] > 0.83  # wide intervals hold the one truth too often


@pytest.mark.slow
def test_what_a_further_clinic_is_told_holds_for_one_that_comes():
    """Clinics alike but for their spread: the next one's mean is among those told in 95 %."""
    names = (*SMOOTH_NAMES, "smoker", "ink_density", "origin_amateur")
    mean, spread = (
        np.array([-1.0, 3.4, -1.3, -1.0, -0.35, 0.8]),
        np.array([0.4, 0.1, 0.1, 0.2, 0.2, 0.2]),
    )
    errors, held = np.full((7, 6), 0.1), []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        clinics = mean + np.hypot(spread, 0.1) * rng.normal(size=(7, 6))
        told = further_clinic(clinics[:6], errors[:6], names)
        # the seventh, left out against the six, by the difference that it makes to the mean
        every = further_clinic(clinics, errors, names)
        seventh = 7 * every["coverage"] - 6 * told["coverage"]
        held.append(told["coverage_low"] - 0.02 <= seventh <= told["coverage_high"] + 0.02)
    assert np.mean(held) >= 0.85


@pytest.fixture(scope="module")
def three_logs():
    return [simulate_log(n, seed=seed) for n, seed in ((250, 1), (400, 2), (300, 3))]


def by_post(value):
    return json.loads(json.dumps(value))


@pytest.fixture(scope="module")
def conversation(three_logs):
    """Every question that went out, and the common model at the end."""
    rounds, questions = JointRounds(), []
    while True:
        question, found = rounds.advance()
        if found is not None:
            return questions, found
        questions.append(by_post(question))
        answers = [by_post(answer_question(log, questions[-1])) for log in three_logs]
        # the files come back in any order, and the state is kept in a file of its own
        turn = len(questions) % 3
        rounds = JointRounds.from_dict(
            by_post(rounds.with_answers(answers[turn:] + answers[:turn]).to_dict())
        )


def test_the_joint_fit_is_the_fit_on_the_pooled_rows(three_logs, conversation):
    questions, found = conversation
    assert 5 <= len(questions) <= 20
    rows = pd.concat([judged_rows(log) for log in three_logs], ignore_index=True)
    names = list(found.parameters[3:])
    rows[names] = rows[names].fillna(rows[names].mean())
    pooled = SHARED_MODEL.fit(
        Durations.from_frame(
            rows, step="step", observed="observed", entry="entry", covariates=names
        )
    )
    assert_allclose(found.mean, pooled.parameters, atol=1e-8)
    assert_allclose(found.covariance, pooled.covariance_matrix, atol=1e-8)


def test_an_answer_holds_sums_no_longer_than_the_parameters(three_logs, conversation):
    questions, found = conversation
    k = len(found.parameters)
    for question in questions[1:]:
        sums = answer_question(three_logs[0], question)["sums"]
        for value in sums.values():
            assert np.array(value).size <= k * k


def test_an_answer_counts_no_closer_than_to_five(three_logs, conversation):
    questions, _ = conversation
    counts = [answer_question(log, questions[0])["counts"] for log in three_logs]
    assert [one["courses"] for one in counts] == [250, 400, 300]
    assert all(n is None or (n >= 5 and n % 5 == 0) for one in counts for n in one.values())


def test_the_common_model_can_be_used_as_a_prior(conversation):
    _, found = conversation
    assert np.isnan(found.variance_between).all()
    assert (found.width >= BETWEEN_CLINICS).all()  # the spread is judged, and never left out
    assert found.duration_prior()["location"][1] > 0


def test_answers_that_do_not_belong_are_refused(three_logs, conversation):
    questions, _ = conversation
    rounds = JointRounds()
    first = [answer_question(log, questions[0]) for log in three_logs]
    with pytest.raises(RequestError, match="1 different answers, 2 are needed"):
        rounds.with_answers([first[0], first[0]])
    with pytest.raises(RequestError, match="not the answer"):
        rounds.with_answers([{}, {}])
    begun = rounds.with_answers(first)
    with pytest.raises(RequestError, match="2 different answers, 3 are needed"):
        begun.with_answers(first[:2])
    mixed_up = begun.with_answers([answer_question(log, questions[2]) for log in three_logs])
    with pytest.raises(RequestError, match="round 2 is to another question"):
        mixed_up.advance()


def test_a_question_that_asks_for_too_much_is_not_answered(three_logs, conversation):
    questions, _ = conversation
    rare = {**questions[1], "fills": {"ink_purple": 0.0}}
    with pytest.raises(RequestError, match="too few courses"):
        answer_question(simulate_log(120, seed=9), rare)
    with pytest.raises(RequestError, match="damaged"):
        answer_question(three_logs[0], {**questions[1], "ask": "rows"})
    with pytest.raises(RequestError, match="damaged"):
        answer_question(three_logs[0], {**questions[2], "parameters": [1.0]})
    with pytest.raises(RequestError, match="not the question"):
        answer_question(three_logs[0], {"ask": "columns"})
    with pytest.raises(DataError, match="single courses show"):
        answer_question(simulate_log(25, seed=1), questions[0])
