"""A share says what a log found and nothing of any course: five ways of looking for one fail."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from sklearn.metrics import roc_auc_score

from forecast.counts import COVARIATES, course_rows, judged_rows
from forecast.errors import DataError, RequestError
from forecast.invented import simulate_log
from forecast.log import is_judged
from forecast.sharing.share import SHARED_MODEL, Share, share_log, shareable
from forecast.survival import DiscreteHazard, Durations


@pytest.fixture(scope="module")
def log():
    return simulate_log(400, seed=5)


@pytest.fixture(scope="module")
def shared(log):
    return share_log(log)


def exact_fit(log):
    """The fit before anything is rounded: what an attacker would like to have."""
    rows = judged_rows(log)
    names = shareable(rows)
    filled = rows.assign(**{name: rows[name].fillna(rows[name].mean()) for name in names})
    durations = Durations.from_frame(
        filled, step="step", observed="observed", entry="entry", covariates=list(names)
    )
    return SHARED_MODEL.fit(durations)


def without(log, row):
    courses = log.courses.drop(log.courses.index[row]).reset_index(drop=True)
    return replace(log, courses=courses)


def design(log, names):
    return np.nan_to_num(course_rows(log)[list(names)].to_numpy(dtype=float))


def numbers_in(value):
    if isinstance(value, dict):
        return [n for part in value.values() for n in numbers_in(part)]
    return [value]


def test_a_share_is_the_fit_rounded_to_what_its_errors_leave(log, shared):
    fitted = exact_fit(log)
    read = Share.from_dict(json.loads(json.dumps(shared)))
    assert read.parameters == fitted.names
    errors = np.array(shared["standard_errors"])
    assert (np.abs(read.estimates - fitted.parameters) <= 0.11 * errors).all()
    # half a unit of the second digit is at most one in 20
    assert_allclose(np.sqrt(np.diag(read.covariance)), errors, rtol=0.06)
    assert np.linalg.eigvalsh(read.covariance)[0] > 0


def test_no_id_date_or_cell_of_the_log_is_in_the_text(log, shared):
    text = json.dumps(shared)
    for column in ("course_id", "client_id"):
        assert not [value for value in log.courses[column] if f'"{value}"' in text]
    assert not re.search(r"\d{4}-\d{2}", text)
    for column in ("area_cm2", "price_paid"):
        cells = {f"{value:g}" for value in log.courses[column].dropna() if value > 30 and value % 5}
        assert len(cells) > 20
        assert not cells & set(re.findall(r"-?\d+\.?\d*", text))


def test_counts_are_multiples_of_five_and_none_is_below(shared):
    counts = [n for n in numbers_in(shared["levels"]) + numbers_in(shared["counts"]) if n]
    assert len(counts) > 20
    assert all(n >= 5 and n % 5 == 0 for n in counts)


def test_a_suppressed_count_cannot_be_worked_out_by_subtraction():
    log = simulate_log(150, seed=5)
    shared = share_log(log)
    total, checked = shared["counts"]["courses"], 0
    for attribute in ("skin_type", "body_site", "ink_density", "layering"):
        levels = shared["levels"][attribute]
        hidden = [level for level, n in levels.items() if n is None]
        shown = [n for n in levels.values() if n]
        # a count n that is shown means n to n + 4, and so does the total
        fewest, most = total - sum(n + 4 for n in shown), total + 4 - sum(shown)
        for level in hidden:
            checked += 1
            assert 1 <= (log.courses[attribute] == level).sum() <= 4
            assert fewest <= len(hidden)  # as few as one course each would do
            assert most >= 4 * len(hidden)  # and as many as four each
    assert checked


def test_two_shares_one_course_apart_do_not_give_the_course_away(log, shared):
    """The difference of two information matrices is that course's row times itself, if exact."""
    fitted = exact_fit(log)
    names = fitted.names[3:]
    rows = design(log, names)
    rng = np.random.default_rng(0)

    def row_from(larger, smaller):
        values, vectors = np.linalg.eigh(np.linalg.inv(larger) - np.linalg.inv(smaller))
        return vectors[3:, np.abs(values).argmax()]

    def alike(one, other):
        # two shares may be the same to the last digit, and then say nothing
        return abs(one @ other) / max(np.linalg.norm(one), 1e-9) / np.linalg.norm(other)

    exact, published, strangers = [], [], []
    whole = Share.from_dict(shared)
    told = np.flatnonzero(np.linalg.norm(rows, axis=1) > 0.5)  # not the reference tattoo
    for row in rng.choice(told, 25, replace=False):
        less = without(log, row)
        apart = exact_fit(less)
        if apart.names != fitted.names:
            continue
        exact.append(alike(row_from(fitted.covariance_matrix, apart.covariance_matrix), rows[row]))
        given = Share.from_dict(share_log(less))
        published.append(alike(row_from(whole.covariance, given.covariance), rows[row]))
        strangers.append(alike(rows[rng.choice(told)], rows[row]))
    assert np.median(exact) > 0.8  # the attack works on what is not given away
    assert np.median(published) < np.median(strangers) + 0.15  # and is a guess on what is


def test_which_rare_attributes_occur_together_is_told_no_better_than_by_the_counts():
    """An entry of the information matrix is zero where no course has both, if exact."""
    scores = {"exact": [], "share": [], "counts": []}
    for seed in range(5, 11):
        log = simulate_log(400, seed=seed)
        fitted, share = exact_fit(log), Share.from_dict(share_log(log))
        names = fitted.names
        rows = np.column_stack([np.zeros((400, 3)), design(log, names[3:])])
        flags = [k for k in range(3, len(names)) if set(np.unique(rows[:, k])) <= {0.0, 1.0}]
        told = {
            "exact": np.linalg.inv(fitted.covariance_matrix),
            "share": np.linalg.inv(share.covariance),
            "counts": np.outer(rows.sum(axis=0), rows.sum(axis=0)),
        }
        together = rows.T @ rows
        pairs = [
            (a, b)
            for a in flags
            for b in flags
            if a < b and COVARIATES[names[a]] != COVARIATES[names[b]] and together[a, b] < 5
        ]
        truth = [together[pair] > 0 for pair in pairs]
        for kind, matrix in told.items():
            scores[kind].append(roc_auc_score(truth, [abs(matrix[pair]) for pair in pairs]))
    assert np.mean(scores["exact"]) > 0.85
    assert np.mean(scores["share"]) < np.mean(scores["counts"]) + 0.05


def test_whether_a_course_was_in_the_log_is_little_better_than_a_guess(log, shared):
    """Courses fit their own model a little better, in any fit; 0.5 is a guess, 1 is certain."""
    share = Share.from_dict(shared)
    names = share.parameters[3:]
    outsiders = simulate_log(400, seed=77)

    def likelihood(one):
        rows = course_rows(one)
        known = is_judged(rows)
        rows, linear = rows[known], design(one, names)[known] @ share.estimates[3:]
        step, entry = rows["step"].to_numpy(), rows["entry"].to_numpy()
        x = np.log(np.arange(1, step.max() + 1) / 8)
        base = np.column_stack([np.ones_like(x), x, x * x]) @ share.estimates[:3]
        total = np.concatenate([[0.0], np.cumsum(np.exp(base))])
        observed = rows["observed"].to_numpy()
        risk = np.exp(linear) * (total[step - observed] - total[entry])
        last = np.exp(linear + base[step - 1])
        return -risk + np.where(observed, np.log(-np.expm1(-last)), 0.0)

    own, other = likelihood(log), likelihood(outsiders)
    member = np.r_[np.ones(len(own)), np.zeros(len(other))]
    area = roc_auc_score(member, np.r_[own, other])
    assert area < 0.6


def test_a_covariate_that_fewer_than_five_courses_speak_of_is_left_out(log, shared):
    rows = judged_rows(log)
    assert set(shared["left_out"]) | set(shared["parameters"][3:]) == set(COVARIATES)
    for name in shared["left_out"]:
        values = rows[name].dropna()
        apart = values != values.mode().iloc[0] if len(values) else values.astype(bool)
        assert min(apart.sum(), rows.loc[values.index[apart], "observed"].sum()) < 5


def test_the_same_log_gives_the_same_share_whatever_the_order_of_rows(log, shared):
    turned = replace(log, courses=log.courses[::-1].reset_index(drop=True))
    assert share_log(turned) == shared


def test_a_log_with_few_cleared_courses_gives_no_share():
    with pytest.raises(DataError, match="single courses show"):
        share_log(simulate_log(25, seed=1))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"kind": "something"}, "not a share"),
        ({"schema": 99}, "schema 99"),
        ({"estimates": [1.0]}, "damaged"),
        ({"estimates": None}, "damaged"),
        ({"parameters": ["a"]}, "damaged"),
        ({"counts": {"courses": "many"}}, "damaged"),
        ({"goal": "vanish"}, "goal is 'vanish'"),
    ],
)
def test_a_file_that_is_no_share_is_refused_in_words(shared, change, says):
    with pytest.raises(RequestError, match=says):
        Share.from_dict({**shared, **change})
    with pytest.raises(RequestError, match="not a share"):
        Share.from_dict([1, 2])


def test_numbers_that_cannot_be_are_refused(shared):
    for key, value in (("estimates", float("nan")), ("standard_errors", -1.0),
                       ("correlations", 1.5)):  # fmt: skip
        spoilt = {**shared, key: [value, *shared[key][1:]]}
        with pytest.raises(RequestError, match="damaged"):
            Share.from_dict(spoilt)


def test_the_shared_model_is_the_published_parameterisation():
    assert isinstance(SHARED_MODEL, DiscreteHazard)
