"""Repeated folds that keep a subject whole, so that nothing is scored on what it was fitted to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.errors import DataError

__all__ = ["grouped_folds"]

SMALL = 100


def grouped_folds(
    subject: npt.ArrayLike,
    *,
    events: npt.ArrayLike | None = None,
    n_folds: int = 10,
    repeats: int = 2,
    seed: int = 0,
    leave_one_out_below: int = SMALL,
) -> npt.NDArray[np.int64]:
    """Return the fold of each row in each repeat, shape (repeats, n); rows of a subject together.

    Folds differ by at most one subject. With fewer than ``leave_one_out_below`` subjects each
    subject is its own fold, once: repeating would change nothing.

    Parameters
    ----------
    subject : array of shape (n,)
        Whose row it is.
    events : array of shape (n,), optional
        1 where the row has the event: subjects with events are spread evenly over the folds.
    n_folds, repeats : int
        Folds in a repeat, and repeats.
    seed : int
        The same seed gives the same folds, whatever the order of the rows.

    Raises
    ------
    DataError
        If there are fewer than two subjects.

    Examples
    --------
    >>> grouped_folds(["a", "b", "a"]).tolist()
    [[0, 1, 0]]
    """
    n_folds = check_whole_number(n_folds, name="n_folds", low=2)
    repeats = check_whole_number(repeats, name="repeats", low=1)
    labels = np.array(subject, dtype=object)
    distinct = sorted(set(labels), key=str)
    if len(distinct) < 2:
        raise DataError(
            f"There is {len(distinct)} subject.", "Folds need at least two: collect more data."
        )
    position = {label: place for place, label in enumerate(distinct)}
    owner = np.array([position[label] for label in labels], dtype=np.int64)
    if len(distinct) < leave_one_out_below:
        return owner[None, :]
    happened = np.zeros(len(labels)) if events is None else np.asarray(events, dtype=np.float64)
    n_events = np.bincount(owner, weights=happened, minlength=len(distinct))
    rng = np.random.default_rng(seed)
    folds = np.empty((repeats, len(labels)), dtype=np.int64)
    for repeat in range(repeats):
        shuffled = rng.permutation(len(distinct))
        dealt = shuffled[np.argsort(-n_events[shuffled], kind="stable")]
        fold_of = np.empty(len(distinct), dtype=np.int64)
        fold_of[dealt] = np.arange(len(distinct)) % n_folds
        folds[repeat] = fold_of[owner]
    return folds
