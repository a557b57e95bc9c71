"""Equivalence, planning, pairs, sensitivity, resampling."""

from itertools import pairwise

import numpy as np
import pytest
from lifelines.datasets import load_leukemia
from numpy.testing import assert_allclose

from forecast.causal.equivalence import schoenfeld_events, two_one_sided, welch
from forecast.causal.paired import mcnemar, paired_difference
from forecast.causal.resample import bootstrap_interval, cluster_counts
from forecast.causal.sensitivity import e_value, tipping_survival
from forecast.errors import RequestError


def test_lakens_example_of_two_one_sided_tests():
    # Lakens 2017, Soc Psychol Personal Sci 8:355; bound 0.43 standard deviations of 0.8920
    difference, error, freedom = welch((5.25, 5.22), (0.95, 0.83), (95, 89))
    assert freedom == pytest.approx(181.13, abs=0.01)
    tests = two_one_sided(difference, error, margin=0.43 * 0.8920, freedom=freedom)
    assert tests.lower_statistic == pytest.approx(3.150, abs=1e-3)
    assert tests.upper_statistic == pytest.approx(-2.693, abs=1e-3)
    assert tests.p_value == pytest.approx(0.0039, abs=1e-4)
    assert tests.interval == pytest.approx((-0.1871, 0.2471), abs=1e-4)
    assert tests.equivalent


@pytest.mark.parametrize(
    ("ratio", "power", "share", "events"),
    [
        (0.5, 0.8, 0.5, 65.34566),  # rpact's eventsFixed
        (0.7, 0.9, 0.5, 330.3779),  # rpact's eventsFixed
        (0.7, 0.8, 0.5, 246.8),
        (0.75, 0.9, 0.5, 507.8),
        (0.573, 0.9, 0.5, 135.5),
        (0.7, 0.9, 2 / 3, 371.7),
    ],
)
def test_schoenfeld_events(ratio, power, share, events):
    needed = schoenfeld_events(ratio, power=power, share=share)
    assert needed == pytest.approx(events, abs=0.05)
    assert schoenfeld_events(1 / ratio, power=power, share=share) == pytest.approx(needed)


def test_nine_pairs_one_way_reproduce_the_published_p_value():
    # Lorgeou et al. 2018, JEADV 32:265: 33 % against 14 % of 49, p = 0.008
    test = mcnemar(9, 0)
    assert test.p_value == pytest.approx(0.0077, abs=5e-5)
    assert round(test.p_value, 3) == 0.008
    assert test.exact_p_value == pytest.approx(2 / 2**9)


def test_mcnemar_agrees_with_statsmodels():
    from statsmodels.stats.contingency_tables import mcnemar as reference

    ours = mcnemar(14, 5)
    table = [[3, 14], [5, 8]]
    assert ours.exact_p_value == pytest.approx(reference(table, exact=True).pvalue)
    assert ours.p_value == pytest.approx(reference(table, exact=False).pvalue)


def test_paired_difference_agrees_with_scipy():
    from scipy.stats import ttest_rel

    first, second = [5.0, 7, 8, 4, 9, np.nan], [4.0, 7, 5, 5, 6, 3]
    ours = paired_difference(first, second)
    theirs = ttest_rel(first[:5], second[:5])
    assert ours.n_pairs == 5
    assert ours.estimate / ours.error == pytest.approx(theirs.statistic)
    assert_allclose(ours.interval, theirs.confidence_interval())


@pytest.mark.parametrize(("ratio", "value"), [(3.9, 7.26), (0.8, 1.81), (1.0, 1.0)])
def test_e_values_of_vanderweele_and_ding(ratio, value):
    # Ann Intern Med 2017;167:268, the maternal smoking and breast-feeding examples
    assert e_value(ratio) == pytest.approx(value, abs=0.01)


def six_mp() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    frame = load_leukemia()
    treated = frame[frame["Rx"] == 0]
    time, died = treated["t"].to_numpy(), treated["status"].to_numpy()
    at_risk = np.array([(time >= k).sum() for k in range(1, 36)])
    events = np.bincount(time, weights=died, minlength=36)[1:]
    lost = np.bincount(time, weights=1 - died, minlength=36)[1:]
    return at_risk, events, lost


@pytest.mark.parametrize(("phi", "survival"), [(0.0, 12 / 21), (1.0, 0.4482), (1.5, 0.4012)])
def test_tipping_curve_of_the_6_mp_arm(phi, survival):
    assert tipping_survival(*six_mp(), phi=phi)[23] == pytest.approx(survival, abs=5e-5)


def test_worse_drop_outs_give_higher_survival():
    curves = [tipping_survival(*six_mp(), phi=phi) for phi in (0, 0.5, 1, 2, 4, np.inf)]
    for worse, better in pairwise(curves):
        assert (worse >= better - 1e-12).all()


def test_phi_of_one_returns_the_hazard_of_everyone_when_it_is_given():
    at_risk, events, lost = six_mp()
    everyone = np.where(at_risk > 0, events / np.maximum(at_risk, 1), 0) * 1.1
    survival = tipping_survival(at_risk, events, lost, phi=1, hazard=everyone)
    hazard = 1 - survival[1:] / survival[:-1]
    assert_allclose(hazard[9:23], everyone[9:23])  # from the first loss on


def test_resamples_are_the_same_whatever_their_number():
    many, few = cluster_counts(7, 50, seed=3), cluster_counts(7, 20, seed=3)
    assert (many[:20] == few).all()
    assert (many.sum(axis=1) == 7).all()


def test_intervals_from_replicates():
    draws = np.arange(101.0)
    assert bootstrap_interval(draws, level=0.9) == pytest.approx((5, 95))
    low, high = bootstrap_interval(np.append(draws, np.nan), level=0.9, estimate=50.0)
    assert (low + high) / 2 == pytest.approx(50)
    assert high - 50 == pytest.approx(1.644854 * draws.std(ddof=1), rel=1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: two_one_sided(0.0, 1.0, margin=0.0),
        lambda: schoenfeld_events(1.0),
        lambda: e_value(0.0),
        lambda: tipping_survival([1], [1], [0], phi=-1),
        lambda: bootstrap_interval([1.0]),
        lambda: mcnemar(-1, 0),
    ],
    ids=["margin", "ratio of one", "ratio of zero", "phi", "one replicate", "count"],
)
def test_requests_without_an_answer_are_refused(call):
    with pytest.raises(RequestError):
        call()
