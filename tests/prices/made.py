"""Estimates with chances worked out by hand."""

import numpy as np

from forecast.counts import Estimate
from forecast.log import Enquiry
from forecast.survival import CountDistribution

PLAIN = Enquiry("II", "forearm", "black", "medium", "single")


def estimate(draws, stop=0.0, *, pmf=None, notes=()):
    """Return the estimate under these draws, (n_draws, horizon), and one chance of stopping."""
    draws = np.atleast_2d(np.asarray(draws, dtype=float))
    mean = draws.mean(axis=0) if pmf is None else np.asarray(pmf, dtype=float)
    return Estimate(
        enquiry=PLAIN,
        distribution=CountDistribution(mean[None]),
        level=0.8,
        stops=lambda: np.full(len(mean), stop),
        draws=draws,
        goal="clear",
        support="well covered",
        own_share=0.5,
        supported_to=len(mean),
        notes=tuple(notes),
    )
