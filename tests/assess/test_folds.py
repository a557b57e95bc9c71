"""Folds keep a subject whole and follow from the seed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.assess import grouped_folds
from forecast.errors import DataError, RequestError


@given(
    owners=st.lists(st.integers(0, 30), min_size=2, max_size=120).filter(lambda x: len(set(x)) > 1),
    n_folds=st.integers(2, 12),
    seed=st.integers(0, 5),
)
def test_a_subject_is_never_split_and_folds_are_of_even_size(owners, n_folds, seed):
    folds = grouped_folds(owners, n_folds=n_folds, repeats=3, seed=seed, leave_one_out_below=0)
    assert folds.shape == (3, len(owners))
    for fold in folds:
        fold_of = {}
        for owner, number in zip(owners, fold, strict=True):
            assert fold_of.setdefault(owner, number) == number
        sizes = np.bincount(list(fold_of.values()), minlength=min(n_folds, len(fold_of)))
        assert sizes.max() - sizes.min() <= 1


def test_the_order_of_rows_does_not_matter():
    owners = np.repeat(np.arange(150), 2)
    order = np.random.default_rng(0).permutation(300)
    folds = grouped_folds(owners, seed=4)
    assert (grouped_folds(owners[order], seed=4) == folds[:, order]).all()
    assert not (grouped_folds(owners, seed=5) == folds).all()


def test_few_subjects_are_left_out_one_by_one():
    folds = grouped_folds(["b", "a", "b", "c"], n_folds=2, repeats=5)
    assert folds.tolist() == [[1, 0, 1, 2]]


def test_subjects_with_the_event_are_spread_over_all_folds():
    events = np.zeros(200)
    events[:20] = 1
    folds = grouped_folds(np.arange(200), events=events, n_folds=10, repeats=4, seed=1)
    for fold in folds:
        assert np.bincount(fold, weights=events).tolist() == [2] * 10


def test_one_subject_and_one_fold_are_refused():
    with pytest.raises(DataError, match="at least two"):
        grouped_folds(["a", "a"])
    with pytest.raises(RequestError, match="n_folds"):
        grouped_folds(["a", "b"], n_folds=1)
