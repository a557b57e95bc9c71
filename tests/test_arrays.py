"""Rows that count more or less."""

import numpy as np
import pytest

from forecast._arrays import cluster_counts, effective_number, shares


def test_resamples_are_the_same_whatever_their_number():
    many, few = cluster_counts(7, 50, seed=3), cluster_counts(7, 20, seed=3)
    assert (many[:20] == few).all()
    assert (many.sum(axis=1) == 7).all()


def test_the_effective_number_of_equal_weights_is_how_many_there_are():
    assert effective_number(np.full(7, 3.0)) == pytest.approx(7)
    assert effective_number([]) == 0


def test_a_share_of_nothing_is_none():
    assert shares(1.0, np.array([2.0, 0.0])).tolist() == [0.5, 0.0]
