"""What a fit to everybody else says of a subject, from the one fit to all.

Without one subject the maximum lies about a Newton step away, with that subject's own curvature
taken out (approximate leave-one-out: Rad and Maleki 2020, J R Stat Soc B 82:965). No subject is
predicted by a fit that knew it, no folds are drawn, and nothing depends on chance.
Accelerated time uses it, and any model of linear predictors could.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from forecast._arrays import AnyArray, FloatArray
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

    The columns of the q ``designs``, one after another, are the m parameters, of which ``theta``
    maximises the penalised log-likelihood of all rows. There ``slope`` (q, n) and ``bend``
    (q, q, n) are each row's, by its predictors and weighted, ``information`` is that of all and
    ``covariance`` that of draws of their fit. No draws give the maximum alone, as one.
    """
    n, q, width = len(subject), len(designs), len(theta)
    rows, low = np.zeros((n, q, width)), 0
    for place, design in enumerate(designs):
        rows[:, place, low : low + design.shape[1]] = design
        low += design.shape[1]
    inverse = np.linalg.inv(information)
    mean = rows @ theta
    spread = rows @ (covariance - inverse) @ rows.transpose(0, 2, 1)  # of a subject's alike rows
    owner = first_seen(subject)
    order, several = np.argsort(owner, kind="stable"), np.bincount(owner)
    for size in np.unique(several):
        own = order[several[owner[order]] == size].reshape(-1, size)  # (subjects, size)
        mine = rows[own].reshape(len(own), -1, width)
        if size * q > width:  # more rows than parameters: a system of the parameters is smaller
            bent = np.einsum("qrsa,sarm->saqm", bend[:, :, own], rows[own]).reshape(mine.shape)
            rest = information + mine.transpose(0, 2, 1) @ bent
            known = np.linalg.solve(rest, mine.transpose(0, 2, 1))
            pulls = slope[:, own].transpose(1, 2, 0).reshape(len(own), -1, 1)
            mean[own] -= (mine @ (known @ pulls)).reshape(len(own), size, q)
            each_row = known.reshape(len(own), width, size, q).transpose(0, 2, 1, 3)
            spread[own] += rows[own] @ each_row
            continue
        bends = np.zeros((len(own), size, q, size, q))
        each = np.arange(size)
        bends[:, each, :, each] = bend[:, :, own].transpose(3, 2, 0, 1)
        # with H the information, F a subject's rows and D their bends, what is asked for is
        # F (H + F'DF)^-1 F' = (1 + GD)^-1 G, where G = F H^-1 F'
        known = mine @ inverse @ mine.transpose(0, 2, 1)
        lacking = np.eye(size * q) + known @ bends.reshape(known.shape)
        across = np.linalg.solve(lacking, known).reshape(bends.shape)
        mean[own] -= np.einsum("saqbr,rsb->saq", across, slope[:, own])
        spread[own] += across[:, each, :, each].transpose(1, 0, 2, 3)
    if not n_draws:
        return mean[None]
    values, vectors = np.linalg.eigh((spread + spread.transpose(0, 2, 1)) / 2)
    root = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]) @ vectors.transpose(0, 2, 1)
    return np.asarray(mean + np.einsum("dq,nqr->dnr", mirrored(n_draws, q, seed=0), root))
