"""What a finished search says of its parameters: scores, observed information, robust errors.

The score of a subject is its complete score averaged over what is not known of it (Fisher's
identity): its own effects, values behind bounds, its asymptote. The observed information is the
numerical derivative of the scores (Jamshidian & Jennrich 2000, J R Stat Soc B 62:257), so that
whatever is not known counts against it.

Multiplicative effects, which change the last random column, have the score of the likelihood, not
of the mean alone: subjects who stay because they are slow would otherwise be taken for an effect.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from forecast._types import AnyArray, FloatArray
from forecast.causal.mixed.search import Search
from forecast.causal.mixed.subjects import Block, Copies, Filled, Tangent, shared_errors

STEP = 0.02  # of the numerical derivative, in standard errors
LEAST_LENGTH = 1e-3  # of an entry of the factor, over the largest
AT_BOUNDARY = 1.0  # score, over its standard error, of a variance that the boundary holds
LEAST_BEND = 1e-8  # eigenvalue of the scaled information


@dataclass(frozen=True, slots=True, eq=False)
class Errors:
    """Errors of p coefficients and m multiplicative effects.

    Attributes
    ----------
    bread : ndarray of shape (p + m, p + m)
        Inverse observed information, the other parameters being estimated too.
    robust : ndarray of shape (p + m, p + m)
        Covariance from the spread of the clusters' scores, each enlarged by how much the fit
        follows its own cluster.
    """

    bread: FloatArray
    robust: FloatArray


def newton_step(
    search: Search, tangent: Tangent, found: list[Filled]
) -> tuple[FloatArray, FloatArray]:
    """Return the step of the multiplicative effects to better ones, and their rough errors.

    The information is that of the mean alone: quick, and the steps end where the score is zero.
    """
    variance, p = search.guess.variance, tangent.rows.design.shape[1]
    m = search.copies.multiplicative.shape[1]
    if not m:
        return np.empty(0), np.empty(0)
    score, information = np.zeros(p + m), np.zeros((p + m, p + m))
    usual = search.guess.coefficients[search.copies.slope_column]
    for block, filled in zip(search.blocks, found, strict=True):
        weight = search.copy_weight[block.who]
        parts = _mean_scores(search, tangent, block, filled)
        score += weight @ np.concatenate(parts, axis=1)
        effects = usual * _multiplied(search.copies, tangent, block)
        X = np.concatenate([tangent.rows.design[block.rows], effects], axis=2)
        held = filled.precision @ X
        each = held.transpose(0, 2, 1) @ X
        if block.n_bounded:  # less what the bounds hide (Louis 1982, J R Stat Soc B 44:226)
            of = held[:, -block.n_bounded :]
            each -= of.transpose(0, 2, 1) @ filled.hidden @ of / variance
        information += np.einsum("k,kpq->pq", weight, each)
    information /= variance
    inverse = np.linalg.inv(information)
    return (inverse @ score)[p:], np.sqrt(np.diag(inverse))[p:]


def _multiplied(copies: Copies, tangent: Tangent, block: Block) -> FloatArray:
    """Return how a block's rows change with each multiplicative effect, the subject's slope 1."""
    return copies.multiplicative[block.rows] * tangent.slope[block.rows][:, :, None]


def _mean_scores(
    search: Search, tangent: Tangent, block: Block, filled: Filled
) -> tuple[FloatArray, FloatArray]:
    """Return each subject's scores of the coefficients and of the multiplicative effects.

    Neither a subject's slope nor its residuals are known exactly: the mean of their product is
    the product of their means plus their covariance.
    """
    guess, copies = search.guess, search.copies
    X, Z = tangent.rows.design[block.rows], tangent.rows.random[block.rows]
    pulled = np.einsum("kmn,kn->km", filled.precision, filled.left)
    gain = (guess.relative @ Z.transpose(0, 2, 1) @ filled.precision)[:, -1]
    slope = guess.coefficients[copies.slope_column] + np.einsum("km,km->k", gain, filled.left)
    product = slope[:, None] * pulled - guess.variance * gain
    if block.n_bounded:
        behind = filled.precision[:, -block.n_bounded :]
        product += np.einsum("kb,kbc,kcm->km", gain[:, -block.n_bounded :], filled.hidden, behind)
    by = _multiplied(copies, tangent, block)
    return (
        np.einsum("kmp,km->kp", X, pulled) / guess.variance,
        np.einsum("kmp,km->kp", by, product) / guess.variance,
    )


def _spread_scores(
    search: Search, tangent: Tangent, block: Block, filled: Filled
) -> list[FloatArray]:
    """Return each subject's scores of the factor, the process and the residual variance."""
    guess, clock = search.guess, search.copies.clock
    Z, precision = tangent.rows.random[block.rows], filled.precision
    k, m = filled.left.shape
    pulled = np.einsum("kmn,kn->km", precision, filled.left)
    second = pulled[:, :, None] * pulled[:, None, :]
    hidden = np.zeros(k)
    if block.n_bounded:
        behind = precision[:, -block.n_bounded :]
        second += behind.transpose(0, 2, 1) @ filled.hidden @ behind
        corner = behind[:, :, -block.n_bounded :]
        hidden = np.einsum("kbc,kcb->k", filled.hidden, corner)
    apart = 0.5 * (second / guess.variance - precision)
    between = 2 * Z.transpose(0, 2, 1) @ apart @ Z @ guess.factor
    found = [between[:, *search.free]]
    if search.random_walk:
        shared = shared_errors(block, clock, tangent.slope)
        found.append(np.einsum("kmn,kmn->k", apart, shared)[:, None])
    fit = np.einsum("km,km->k", filled.left, pulled) + hidden
    found.append(((fit / guess.variance - m) / (2 * guess.variance))[:, None])
    return found


def subject_scores(search: Search, moved: FloatArray) -> FloatArray:
    """Return each subject's scores when the parameters are ``moved`` from the last guess.

    Shape (n_subjects, P): coefficients, multiplicative effects, the factor of the covariance
    between subjects, the process variance if there is one, the residual variance, and the mixture
    weight if there are asymptotes.
    """
    there = displaced(search, moved)
    copies, mixed = there.copies, there.guess.mixture_weight
    tangent, found, _ = there.expect()
    scores = np.zeros((len(copies.owner), len(moved)))
    for block, filled in zip(there.blocks, found, strict=True):
        parts = [
            *_mean_scores(there, tangent, block, filled),
            *_spread_scores(there, tangent, block, filled),
        ]
        both = np.concatenate(parts, axis=1)
        scores[block.who, : both.shape[1]] = both
    if copies.n_shares:
        scores[:, -1] = np.where(copies.plain, -1 / (1 - mixed), 1 / mixed)
    summed = np.zeros((copies.n_subjects, len(moved)))
    np.add.at(summed, copies.owner, scores * there.copy_weight[:, None])
    return summed


def displaced(search: Search, moved: FloatArray) -> Search:
    """Return the search with its guess moved; see `subject_scores`."""
    there, guess, copies = copy(search), search.guess, search.copies
    p, m = copies.rows.design.shape[1], copies.multiplicative.shape[1]
    f = len(search.free[0])
    factor = guess.factor.copy()
    factor[search.free] += moved[p + m : p + m + f]
    rest = moved[p + m + f :].tolist()
    there.guess = replace(
        guess,
        coefficients=guess.coefficients + moved[:p],
        factor=factor,
        process=guess.process + (rest.pop(0) if search.random_walk else 0.0),
        variance=guess.variance + rest.pop(0),
        mixture_weight=guess.mixture_weight + (rest.pop(0) if copies.n_shares else 0.0),
    )
    if m:
        by = copies.multiplicative @ moved[p : p + m]
        design, random = copies.rows.design.copy(), copies.rows.random.copy()
        design[:, copies.slope_column] += by
        random[:, -1] += by
        there.copies = replace(copies, rows=replace(copies.rows, design=design, random=random))
    return there


def errors_of(search: Search, cluster: AnyArray) -> Errors:
    """Return the errors of the coefficients and of the multiplicative effects.

    Parameters
    ----------
    cluster : ndarray of shape (n_subjects,)
        Subjects of one cluster are not independent.
    """
    search, copies = _inside(search), search.copies
    p = copies.rows.design.shape[1] + copies.multiplicative.shape[1]
    size = p + len(search.free[0]) + search.random_walk + 1 + bool(copies.n_shares)
    here = subject_scores(search, np.zeros(size))
    bend = np.sqrt((here**2).sum(axis=0))
    # the boundary holds a variance whose score is not near zero: it is taken as known
    still = (bend > 0) & (np.abs(here.sum(axis=0)) < AT_BOUNDARY * bend)
    kept = np.flatnonzero(still | (np.arange(size) < p))
    own = np.empty((len(here), len(kept), len(kept)))
    for place, at in enumerate(kept):
        step = STEP / max(float(bend[at]), LEAST_BEND)
        there = subject_scores(search, step * (np.arange(size) == at))
        own[:, :, place] = (here - there)[:, kept] / step
    own, here = (own + own.transpose(0, 2, 1)) / 2, here[:, kept]
    informed = informative(own.sum(axis=0), p)
    here, own = here[:, informed], own[:, informed[:, None], informed]
    information = own.sum(axis=0)
    moved = _pulls(information, here, own, cluster)
    robust = moved.T @ moved
    bread = np.asarray(np.linalg.inv(information), dtype=np.float64)
    return Errors(bread[:p, :p], robust[:p, :p])


def informative(information: FloatArray, p: int) -> AnyArray:
    """Return which parameters the data are informative of: the first ``p``, and others if so.

    The likelihood of a variance at the boundary bends the wrong way. The variance with the largest
    part in the direction that bends least is taken as known, until the information of all others
    is positive definite.
    """
    kept = np.arange(len(information))
    while len(kept) > p:
        bends, axes = np.linalg.eigh(_scaled(information[np.ix_(kept, kept)]))
        if bends[0] >= LEAST_BEND:
            break
        kept = np.delete(kept, p + int(np.abs(axes[p:, 0]).argmax()))
    return kept


def _inside(search: Search) -> Search:
    """Return the search without the parameters of subject effects that do not vary."""
    there, factor = copy(search), np.abs(search.guess.factor)
    row, column = search.free
    small = factor <= LEAST_LENGTH * factor.max()
    varies = ~small.all(axis=0)[column] & ~(small[row, column] & (row == column))
    there.free = row[varies], column[varies]
    return there


def _scaled(information: FloatArray) -> FloatArray:
    """Return the information with ones in its diagonal where that can be."""
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    return np.asarray(information / np.outer(scale, scale))


def _pulls(
    information: FloatArray, score: FloatArray, own: FloatArray, cluster: AnyArray
) -> FloatArray:
    """Return how far each cluster pulls the parameters, (n_clusters, P).

    A fit follows its clusters, so that their residuals are too small by the root of one less their
    leverage (Bell & McCaffrey 2002, Surv Methodol 28:169), to first order. Leverage lies
    between nothing and all: observed information alone does not hold it there.
    """
    values, axes = np.linalg.eigh(information)
    root = axes / np.sqrt(np.maximum(values, LEAST_BEND * values.max()))  # its columns whiten
    _, code = np.unique(np.asarray(cluster).astype(str), return_inverse=True)
    n_clusters, q = int(code.max()) + 1, len(information)
    of_cluster, held_by = np.zeros((n_clusters, q)), np.zeros((n_clusters, q, q))
    np.add.at(of_cluster, code, score)
    np.add.at(held_by, code, own)
    leverage, along = np.linalg.eigh(root.T @ held_by @ root)
    turned = np.einsum("kpq,kp->kq", along, of_cluster @ root)
    turned /= 1 - np.clip(leverage, 0.0, 1.0) / 2
    found: FloatArray = np.einsum("kpq,kq->kp", along, turned) @ root.T
    return found
