"""What a fit to everybody else says of a subject, from the one fit to all.

Without one subject the maximum lies about a Newton step away, with that subject's own curvature
taken out (approximate leave-one-out: Rad and Maleki 2020, J R Stat Soc B 82:965). No subject is
predicted by a fit that knew it, no folds are drawn, and nothing depends on chance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from forecast._types import AnyArray, FloatArray
from forecast.survival.distribution import first_seen
from forecast.survival.model import mirrored


def left_out_predictors(
    designs: Sequence[FloatArray],
    theta: FloatArray,
    slope: FloatArray,
    bend: FloatArray,
    information: FloatArray,
    covariance: FloatArray,
    subject: AnyArray,
    *,
    n_draws: int,
) -> FloatArray:
    """Return draws of each row's linear predictors without its subject, (n_draws, n, q).

    Parameters
    ----------
    designs : sequence of q ndarrays of shape (n, k_j)
        Of each linear predictor; their columns one after another are the m parameters.
    theta : ndarray of shape (m,)
        Where the penalised log-likelihood of all rows is largest.
    slope, bend : ndarrays of shape (q, n) and (q, q, n)
        Derivatives there of each row's log-likelihood by its predictors, weights included.
    information, covariance : ndarrays of shape (m, m)
        Of all rows, the prior included; of the draws of their fit.
    subject : ndarray of shape (n,)
        Who the row belongs to.
    n_draws : int
        Of the parameters, the same at every call; 0 give the maximum alone, as one.
    """
    n, q = len(subject), len(designs)
    rows = np.zeros((n, q, len(theta)))
    low = 0
    for place, design in enumerate(designs):
        rows[:, place, low : low + design.shape[1]] = design
        low += design.shape[1]
    score = np.einsum("qn,nqm->nm", slope, rows)
    bent = np.einsum("qrn,nrm->nqm", bend, rows)
    beyond = covariance - np.linalg.inv(information)  # what alike rows of a subject add
    mean, spread = rows @ theta, np.empty((n, q, q))
    owner = first_seen(subject)
    order = np.argsort(owner, kind="stable")
    for own in np.split(order, np.flatnonzero(np.diff(owner[order])) + 1):
        mine, flat = rows[own], rows[own].reshape(-1, len(theta))
        rest = information + flat.T @ bent[own].reshape(flat.shape)
        known = np.linalg.solve(rest, np.column_stack([score[own].sum(axis=0), flat.T]))
        mean[own] -= mine @ known[:, 0]
        across = known[:, 1:].reshape(len(theta), len(own), q).transpose(1, 0, 2)
        spread[own] = mine @ (across + beyond @ mine.transpose(0, 2, 1))
    if not n_draws:
        return mean[None]
    values, vectors = np.linalg.eigh((spread + spread.transpose(0, 2, 1)) / 2)
    root = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]) @ vectors.transpose(0, 2, 1)
    return np.asarray(mean + np.einsum("dq,nqr->dnr", mirrored(n_draws, q, seed=0), root))
