"""A share says what a log found and nothing of any course: ways of looking for one fail."""

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from forecast.counts import COVARIATES, CURVES, course_rows, judged_rows
from forecast.errors import DataError, RequestError
from forecast.invented import simulate_log
from forecast.sharing.share import SHARED, SHARED_MODEL, Share, share_log
from forecast.survival import DiscreteHazard, Durations


@pytest.fixture(scope="module")
def log():
    return simulate_log(400, seed=5)


@pytest.fixture(scope="module")
def shared(log):
    return share_log(log)


def filled(rows, names=None):
    """Durations of the covariates that any cleared course speaks of, gaps at their mean."""
    names = list(COVARIATES) if names is None else names
    cleared = rows[rows["observed"]]
    names = [name for name in names if cleared[name].min() < cleared[name].max()]
    return Durations.from_frame(
        rows.fillna({name: rows[name].mean() for name in names}),
        step="step", observed="observed", entry="entry", covariates=names, subject="client_id",
    )  # fmt: skip


def exact_fit(log, names=None):
    return SHARED_MODEL.fit(filled(judged_rows(log), names))


def without(log, row):
    courses = log.courses.drop(log.courses.index[row]).reset_index(drop=True)
    return replace(log, courses=courses)


def released(fitted):
    """What an exact fit would give away, in the form of a share."""
    errors = np.sqrt(np.diag(fitted.clustered_matrix))
    return dict(zip(fitted.names, zip(fitted.parameters, errors, strict=True), strict=True))


def shown(share):
    numbers = zip(share["estimates"], share["standard_errors"], strict=True)
    return dict(zip(share["parameters"], numbers, strict=True))


@pytest.fixture(scope="module")
def many():
    logs = [simulate_log(300, seed=seed) for seed in range(15)]
    return [(log, share_log(log)) for log in logs]


def test_a_share_is_the_fit_and_noise_as_large_as_it_says(many):
    off = []
    for log, share in many:
        given = shown(share)
        assert len(given) >= 12
        fit = released(exact_fit(log, share["parameters"][3:]))
        off += [(value - fit[name][0]) / error for name, (value, error) in given.items()]
    assert abs(np.mean(off)) < 0.15
    assert 0.8 < np.std(off) < 1.15  # the noise is most of the stated error


def test_no_id_date_or_cell_of_the_log_is_in_the_text(log, shared):
    text = json.dumps(shared)
    for column in ("course_id", "client_id"):
        assert not [value for value in log.courses[column] if f'"{value}"' in text]
    assert not re.search(r"\d{4}-\d{2}", text)
    for column in ("area_cm2", "price_paid"):
        cells = {f"{value:g}" for value in log.courses[column].dropna() if value > 30 and value % 5}
        assert len(cells) > 20
        assert not cells & set(re.findall(r"-?\d+\.?\d*", text))


def test_the_counts_are_about_right_and_never_exact(many):
    counts = [share["counts"] for _, share in many]
    assert all(set(one) == {"courses", "reached"} for one in counts)
    assert all(n % 10 == 0 for one in counts for n in one.values())
    off = np.array([one["courses"] - 300 for one in counts])
    assert 15 < off.std() < 45
    assert abs(off.mean()) < 30


def proved(pairs):
    """In how many pairs an attribute of the course that is missing in one of them is proved.

    ``pairs`` holds what each of the two gives, and what the course had. The difference of two fits
    is the missing course's attributes times what it had over expectation, once it is divided by
    the covariance, which this attacker knows to the last digit. A second one looks at what effects
    are given in one alone. Proved is what is said of the surest down to where fewer than 19 of 20
    sayings are right; the better attacker is returned.
    """
    best = 0.0
    for by_names in (False, True):
        said = []
        for number, (whole, less, covariance, had) in enumerate(pairs):
            both = [name for name in whole if name in less and name in covariance]
            moved = np.array([whole[name][0] - less[name][0] for name in both])
            row = np.linalg.solve(covariance.loc[both, both], moved)
            sure = dict(zip(both, -np.abs(row / row[0] - 1), strict=True))
            if by_names:
                sure = {name: 0.0 for name in whole if name not in less}
            said += [(sure[name], had[name], number) for name in sure if name in had]
        said.sort(key=lambda one: -one[0])
        right = np.cumsum([one[1] for one in said]) / np.arange(1, len(said) + 1)
        end = max(np.flatnonzero(right >= 0.95), default=-1)
        best = max(best, len({one[2] for one in said[: end + 1]}) / len(pairs))
    return best


@pytest.mark.slow
def test_two_shares_one_course_apart_prove_an_attribute_in_fewer_than_one_pair_of_twenty():
    log = simulate_log(600, seed=5)
    rows = course_rows(log)
    flags = [name for name in COVARIATES if set(rows[name].dropna().unique()) <= {0.0, 1.0}]
    whole, share = exact_fit(log, SHARED), share_log(log)
    covariance = pd.DataFrame(whole.covariance_matrix, index=whole.names, columns=whole.names)
    exact, published = [], []
    for row in np.random.default_rng(0).choice(len(rows), 100, replace=False):
        less = without(log, row)
        told = covariance, {name: rows[name].iloc[row] == 1 for name in flags}
        exact.append((released(whole), released(exact_fit(less, whole.names[3:])), *told))
        published.append((shown(share), shown(share_log(less)), *told))
    assert proved(exact) > 0.5  # the attack works on what is not given away
    assert proved(published) < 0.05


def likelihood(rows, names, parameters):
    """The log likelihood of each course under the model of a share."""
    design = rows[list(names)].to_numpy(dtype=float)
    step, entry = rows["step"].to_numpy(), rows["entry"].to_numpy()
    observed = rows["observed"].to_numpy()
    x = np.log(np.arange(1, step.max() + 1) / 8)
    base = np.column_stack([np.ones_like(x), x, x * x]) @ parameters[:3]
    total = np.concatenate([[0.0], np.cumsum(np.exp(base))])
    linear = design @ parameters[3:]
    risk = np.exp(linear) * (total[step - observed] - total[entry])
    last = np.exp(linear + base[step - 1])
    return -risk + np.where(observed, np.log(-np.expm1(-last)), 0.0)


def advantage(members, others):
    """How much more often members are taken for members than others are, at the best threshold."""
    scores = np.r_[members, others]
    order = np.argsort(scores)
    is_member = np.r_[np.ones(len(members)), np.zeros(len(others))][order]
    ahead = np.cumsum(is_member) / len(members) - np.cumsum(1 - is_member) / len(others)
    return np.abs(ahead).max()


def attack(numbers, own, others, outside):
    """The scores of members and others by how a share differs from what is so in general.

    Two ways: how much better the share says what came of a course than a fit on others does, and
    how much of the difference lies where that course would have moved it.
    """
    names = list(numbers)[3:]
    told, errors = np.array(list(numbers.values())).T
    general = SHARED_MODEL.fit(filled(outside, names))
    scores = []
    for rows in (own, others):
        rows = rows.fillna(outside[list(COVARIATES)].mean())
        base = likelihood(rows, names, general.parameters)
        by_fit = likelihood(rows, names, told) - base
        slopes = np.column_stack(
            [
                (likelihood(rows, names, general.parameters + 1e-4 * unit) - base) / 1e-4
                for unit in np.eye(len(told))
            ]
        )
        moved = slopes @ general.covariance_matrix
        by_place = moved @ ((told - general.parameters) / errors**2)
        scores.append((by_fit, by_place))
    return scores


@pytest.mark.slow
def test_one_share_and_the_row_of_a_candidate_tell_a_member_no_better_than_by_a_twentieth():
    outside = judged_rows(simulate_log(3000, seed=900))
    found = {"exact": [], "share": []}
    for seed in range(6):
        log = simulate_log(600, seed=seed)
        own, others = judged_rows(log), judged_rows(simulate_log(600, seed=100 + seed))
        released_fit = released(SHARED_MODEL.fit(filled(own)))
        found["exact"].append(attack(released_fit, own, others, outside))
        found["share"].append(attack(shown(share_log(log)), own, others, outside))
    gained = {
        kind: max(
            advantage(*(np.concatenate([one[side][way] for one in of]) for side in (0, 1)))
            for way in (0, 1)
        )
        for kind, of in found.items()
    }
    assert gained["exact"] > 0.05  # the attack works on what is not given away
    assert gained["share"] < 0.05


@pytest.mark.slow
def test_who_knows_all_other_courses_gains_less_than_a_twentieth():
    """By noise drawn anew: other codes of clients are another log to it, and no other fit."""
    log = simulate_log(600, seed=5)

    def shares(one, n):
        codes = one.courses["client_id"]
        return [
            shown(share_log(replace(one, courses=one.courses.assign(client_id=codes + str(k)))))
            for k in range(n)
        ]

    def table(given, names):
        return np.array([[one[name][at] for name in names for at in (0, 1)] for one in given])

    gained = []
    whole = shares(log, 400)
    names = [name for name in whole[0] if all(name in one for one in whole)]
    centre, spread = table(whole, names).mean(axis=0), table(whole, names).std(axis=0)
    fit = exact_fit(log, names[3:])
    for row in np.random.default_rng(1).choice(600, 60, replace=False):
        apart = exact_fit(without(log, row), names[3:])
        moved = np.array([released(apart)[n] for n in names]) - [released(fit)[n] for n in names]
        moved[:, 1] *= centre[1::2] / np.array([released(fit)[n][1] for n in names])
        gained.append(2 * norm.cdf(np.linalg.norm(moved.ravel() / spread) / 2) - 1)
    assert np.mean(gained) < 0.05


def test_what_few_courses_speak_of_is_left_out_and_what_many_do_is_given(many):
    few = wanting = 0
    for log, share in many:
        rows, given = judged_rows(log), share["parameters"][3:]
        assert set(share["left_out"]) | set(given) == set(COVARIATES) - set(CURVES)
        for name in set(COVARIATES) - set(CURVES):
            common = rows[name].mode()
            reached = rows.loc[rows["observed"], name].dropna()
            apart = int((reached != common.iloc[0]).sum()) if len(common) else 0
            few += apart <= 8 and name in given
            wanting += apart >= 32 and name not in given
    assert (few, wanting) == (0, 0)


def test_the_same_log_gives_the_same_share_whatever_the_order_of_rows(log, shared):
    turned = replace(log, courses=log.courses[::-1].reset_index(drop=True))
    assert share_log(turned) == shared


def test_another_cell_anywhere_draws_all_the_noise_anew(log, shared):
    courses = log.courses.copy()
    courses.loc[7, "price_paid"] = 1.0  # which no effect is learnt from
    other = share_log(replace(log, courses=courses))
    both = [name for name in shown(shared) if name in shown(other)]
    same = [shown(shared)[name][0] == shown(other)[name][0] for name in both]
    assert np.mean(same) < 0.2


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
    for key, value in (("estimates", float("nan")), ("standard_errors", -1.0)):
        spoilt = {**shared, key: [value, *shared[key][1:]]}
        with pytest.raises(RequestError, match="damaged"):
            Share.from_dict(spoilt)


def test_the_shared_model_is_the_published_parameterisation():
    assert isinstance(SHARED_MODEL, DiscreteHazard)
