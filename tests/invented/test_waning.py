"""The mechanism "waning": each session removes less than the last."""

import numpy as np
from numpy.testing import assert_allclose

from forecast.invented import usual_world
from forecast.invented.waning import Waning

from .conftest import cohort


def test_waning_sessions_remove_less_and_less_as_in_the_published_example(clinics):
    left = Waning.left(
        Waning(cohort(usual_world("waning")), usual_world("waning")), np.arange(3) * 0.75
    )
    # Port-wine stains of 91 children: 55 % in the first five sessions, 18 % in the next five
    # (Br J Dermatol 1998, abstract read). The mechanism was given these numbers: a recovery test.
    assert_allclose(-np.diff(left), (0.55, 0.18), atol=0.005)
    grade = clinics["waning"].behind.paths.grade
    taken = np.diff(grade[:, :7].mean(axis=0), prepend=0)
    assert (np.diff(taken) < 0).all()
    # of what was left before; constant when a session removes a share
    shares = taken / (100 - grade[:, :7].mean(axis=0) + taken)
    assert shares[6] < 0.75 * shares[0]
